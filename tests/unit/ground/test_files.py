"""Files: positions of TOML keys, and writing that is whole or absent."""

import hashlib
from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.files import (
    hash_bytes,
    read_bytes,
    read_toml,
    reading_hdf5,
    remove_parts,
    replacing,
    spell_keys,
    spell_toml,
    write_bytes,
    write_hdf5,
    write_text,
)
from drapesim.ground.outcome import InputError, gather_faults

TRICKY = '''\
title = "a # no comment, [no table]"   # a comment with [brackets] and "quotes
"quoted.key" = 1
plain.dotted.key = 2

[table]
text = """
[not a header]
not_a_key = 1
"""
raw = \'\'\'one line [x]\'\'\'
list = [
  [1, 2],  # a comment ]
  [3, 4],
]
after = { inner = 3, "b" = "}" }

[[lay]]
do = "lower"
[[lay]]  # second
do = "pull"
[lay.limits]
force_N = 4
[lay."odd name"]
x = 1
'''


def test_lines_of_keys(tmp_path):
    path = tmp_path / "tricky.toml"
    path.write_text(TRICKY)
    document = read_toml(path)
    lines = TRICKY.splitlines()
    expected = {
        ("title",): "title",
        ("quoted.key",): '"quoted.key"',
        ("plain", "dotted", "key"): "plain",
        ("table",): "[table]",
        ("table", "text"): "text",
        ("table", "raw"): "raw",
        ("table", "list"): "list",
        ("table", "after"): "after",
        ("table", "after", "inner"): "after",
        ("lay", 0, "do"): 'do = "lower"',
        ("lay", 1): "[[lay]]  # second",
        ("lay", 1, "do"): 'do = "pull"',
        ("lay", 1, "limits", "force_N"): "force_N",
        ("lay", 1, "odd name", "x"): "x = 1",
    }
    for keys, start in expected.items():
        assert lines[document.lines[keys] - 1].startswith(start), keys
    assert ("table", "not_a_key") not in document.lines
    assert document.sha256 == hashlib.sha256(TRICKY.encode()).hexdigest()


def test_a_place_falls_back_to_the_table_above(tmp_path):
    path = tmp_path / "tricky.toml"
    path.write_text(TRICKY)
    document = read_toml(path)
    assert document.place(("table", "missing")) == f"{path}:5"
    assert document.place(("elsewhere",)) == str(path)
    assert str(document.error(("lay", 1, "do"), "is wrong", "be right")).endswith("lay[2].do: is wrong; be right")


def test_spelling_of_keys():
    assert spell_keys(("lay", 0, "turn_deg")) == "lay[1].turn_deg"


def test_windows_line_ends_and_byte_order_mark(tmp_path):
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + b'[a]\r\nb = 1\r\n[[c]]\r\nd = "x"\r\n')
    document = read_toml(path)
    assert document.data == {"a": {"b": 1}, "c": [{"d": "x"}]}
    assert document.lines[("a", "b")] == 2
    assert document.lines[("c", 0, "d")] == 4


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"a = 1\nb = \n", "bad.toml:2: the scene is not valid TOML"),
        (b"a = 1\nb = \xff\n", "bad.toml:2: the scene is not UTF-8"),
        (b"a = 1\na = 2\n", "bad.toml:2: the scene is not valid TOML"),
        (b"a = [1,\n", "not valid TOML"),
    ],
)
def test_what_is_not_toml(tmp_path, content, sentence):
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_toml(path, "scene")
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(InputError, match="there is no fabric card") as caught:
        read_bytes(tmp_path / "none.toml", "fabric card", "scene.toml:7")
    assert str(caught.value).startswith("scene.toml:7: ")
    with pytest.raises(InputError, match="is a folder, not a scene"):
        read_bytes(tmp_path, "scene")


def test_gathered_faults_are_one_line_each():
    faults = [InputError("a", "b", f"fault {number}", "mend it") for number in range(3)]
    lines = str(gather_faults(faults)).split("\n")
    assert lines == [f"a: b: fault {number}; mend it" for number in range(3)]


def test_writing_replaces_whole(tmp_path):
    path = tmp_path / "a.txt"
    write_text(path, "first\n")
    write_bytes(path, b"second\n")
    assert path.read_bytes() == b"second\n"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.txt"]


def test_a_failed_write_leaves_the_old_file_and_no_part(tmp_path):
    path = tmp_path / "a.txt"
    write_text(path, "first\n")

    def write_and_fail():
        with replacing(path) as part:
            part.write_text("half")
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError):
        write_and_fail()
    assert path.read_text() == "first\n"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.txt"]


def test_parts_of_a_killed_run_are_removed(tmp_path):
    (tmp_path / ".run.h5.123.part").write_text("half")
    (tmp_path / "kept.txt").write_text("whole")
    remove_parts(tmp_path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["kept.txt"]


def test_hdf5_round_trip(tmp_path):
    path = tmp_path / "run.h5"
    points = np.arange(6.0).reshape(3, 2)
    write_hdf5(path, lambda file: file.create_dataset("points", data=points))
    with reading_hdf5(path) as file:
        assert np.array_equal(file["points"][()], points)


def test_hdf5_that_cannot_be_read(tmp_path):
    import h5py

    with pytest.raises(InputError, match="there is no run file"), reading_hdf5(tmp_path / "none.h5"):
        pass
    foreign = tmp_path / "foreign.h5"
    foreign.write_text("not a container")
    with pytest.raises(InputError, match="not a readable HDF5"), reading_hdf5(foreign):
        pass
    half = tmp_path / "half.h5"
    h5py.File(half, "w").close()
    with pytest.raises(InputError, match="was not written to its end"), reading_hdf5(half):
        pass


def test_a_failed_hdf5_write_leaves_nothing(tmp_path):
    def fail(file):
        file.create_dataset("a", data=[1])
        raise RuntimeError("stop")

    with pytest.raises(RuntimeError):
        write_hdf5(tmp_path / "run.h5", fail)
    assert list(tmp_path.iterdir()) == []


def test_hash_is_the_published_one():
    # NIST FIPS 180-2, appendix B.1: SHA-256 of "abc".
    assert hash_bytes(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_toml_is_spelt_so_that_it_reads_back():
    import tomllib

    root = Path(__file__).parents[3] / "scenes"
    for path in sorted(root.rglob("*.toml")):
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        assert tomllib.loads(spell_toml(data)) == data, path
    odd = {
        "a b": 'quote " back \\ tab \t bell \x07 del \x7f end', "": [], "on": True, "n": [1, -2.5e-7, [0.1]],
        "lay": [{"do": "x", "inner": {"k": [{"deep": 1}]}}, {}], "mixed": [{"a": 1}, 2], "empty": {},
    }  # fmt: skip
    assert tomllib.loads(spell_toml(odd)) == odd
