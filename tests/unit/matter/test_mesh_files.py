"""Mesh files that are spoilt in many ways are read or refused in one sentence: no crash, no hang, no room made."""

from __future__ import annotations

import resource
import time
import warnings
from pathlib import Path

import numpy as np
import pytest
import trimesh

from drapesim.ground.outcome import InputError
from drapesim.matter import mesh_text
from drapesim.matter.body import load_body, sphere
from drapesim.matter.mesh_files import read_triangles

BALL = sphere(0.8, subdivisions=2)  # 320 triangles, the size of a person
NASTY = (b"-1", b"0", b"4294967295", b"99999999999999999999", b"1e308", b"nan", b"inf", b"\x00", b"\xff", b" ", b"\n")


def written(folder: Path, kind: str) -> bytes:
    mesh = trimesh.Trimesh(BALL.vertices, BALL.faces, process=False)
    path = folder / "whole"
    if kind == "ascii.ply":
        return trimesh.exchange.ply.export_ply(mesh, encoding="ascii")
    if kind == "ascii.stl":
        return trimesh.exchange.stl.export_stl_ascii(mesh).encode()
    mesh.export(str(path), file_type=kind.rpartition(".")[2])
    return path.read_bytes()


def spoil(whole: bytes, rng: np.random.Generator, head: int) -> bytes:
    """One to three changes: bytes, numbers, lines or pieces; half of them in the first ``head`` bytes."""
    data = bytearray(whole)
    for _ in range(rng.integers(1, 4)):
        reach = min(head, len(data)) if rng.random() < 0.5 else len(data)
        at = int(rng.integers(0, max(reach, 1)))
        kind = rng.integers(0, 7)
        if kind == 0:
            data[at : at + 1] = bytes([rng.integers(0, 256)])
        elif kind == 1:
            del data[at:]
        elif kind == 2:
            del data[at : at + int(rng.integers(1, 40))]
        elif kind == 3:
            data[at:at] = NASTY[rng.integers(len(NASTY))]
        elif kind == 4:  # a number becomes another
            start = next((k for k in range(at, min(at + 200, len(data))) if chr(data[k]).isdigit()), at)
            stop = start
            while stop < len(data) and chr(data[stop]).isdigit():
                stop += 1
            data[start:stop] = NASTY[rng.integers(len(NASTY))]
        elif kind == 5:
            piece = bytes(data[at : at + int(rng.integers(1, 300))])
            data[at:at] = piece * int(rng.integers(1, 4))
        else:
            data[at : at + 8] = rng.integers(0, 256, 8, dtype=np.uint8).tobytes()
    return bytes(data)


@pytest.mark.parametrize(
    ("kind", "large"),
    [("ply", False), ("ascii.ply", False), ("ascii.ply", True), ("stl", False), ("ascii.stl", False),
     ("ascii.stl", True), ("obj", False), ("obj", True), ("glb", False)],
)  # fmt: skip
def test_spoilt_files_are_read_or_refused(tmp_path, caplog, monkeypatch, kind, large):
    """120 files of each kind, by the reader of large texts too; each within five seconds and 300 MB."""
    if large:
        monkeypatch.setattr(mesh_text, "LARGE", 0)
    whole = written(tmp_path, kind)
    rng = np.random.default_rng(11)
    path = tmp_path / f"scan.{kind.rpartition('.')[2]}"
    path.write_bytes(whole)
    assert len(load_body(path, "m").faces) == len(BALL.faces)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    refused: list[str] = []
    for number in range(120):
        path.write_bytes(spoil(whole, rng, 400))
        start = time.process_time()
        try:
            load_body(path, "m")
        except InputError as fault:
            refused.append(str(fault))
        assert time.process_time() - start < 5.0, number  # of the processor: it does not hang
    assert 20 < len(refused) <= 120
    assert not any("\n" in said for said in refused)
    assert not caplog.records  # nothing but our sentence
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000  # kB


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.ply", b"plywood", "no whole PLY header"),
        ("a.ply", b"ply\nformat ascii 1.0\nelement vertex -3\nend_header\n", 'announces "vertex -3"'),
        ("a.ply", b"ply\nformat ascii 1.0\nelement vertex 99999999999999\nend_header\n", "announces 99999999999999 of"),
        ("a.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 2000000000\n", "a.obj: "),
        ("a.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 -9\n", "a.obj: "),
        ("a.obj", b"v 0 0 0\nv 1e12 0 0\nv 0 1 0\nf 1 2 3\n", "a coordinate is 1e+12"),
        ("a.stl", b"\x00" * 80 + b"\xff\xff\xff\xff" + b"\x00" * 50, "a.stl: "),
    ],
)
def test_plain_lies_are_named(tmp_path, name, content, said):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match="a\\.") as caught:
        read_triangles(tmp_path / name)
    assert said in str(caught.value)


def test_file_that_is_too_large_is_refused_unread(tmp_path):
    path = tmp_path / "vast.stl"
    with path.open("wb") as stream:
        stream.truncate(3_000_000_000)  # takes no room
    with pytest.raises(InputError, match=r"has 3\.0 GB, and at most 2 are taken"):
        read_triangles(path)


def test_corners_of_an_stl_become_one_and_keep_their_places(tmp_path):
    path = tmp_path / "ball.stl"
    path.write_bytes(written(tmp_path, "stl"))
    vertices, faces = read_triangles(path)
    assert len(vertices) == len(BALL.vertices)
    assert np.array_equal(vertices[faces], BALL.vertices[BALL.faces].astype(np.float32).astype(np.float64))


def test_stray_points_and_quads(tmp_path):
    path = tmp_path / "box.obj"
    box = trimesh.creation.box((1.0, 1.0, 1.0))
    lines = [f"v {x} {y} {z}" for x, y, z in [*box.vertices, (50, 50, 50)]]
    path.write_text("\n".join([*lines, "f 1 3 4 2", *(f"f {a + 1} {b + 1} {c + 1}" for a, b, c in box.faces)]))
    vertices, faces = read_triangles(path)
    assert vertices.max() == 0.5  # the stray point is not of the surface
    assert faces.shape[1] == 3


@pytest.mark.parametrize("kind", ["ascii.ply", "ascii.stl", "obj"])
def test_large_texts_are_read_the_same(tmp_path, monkeypatch, kind):
    path = tmp_path / f"ball.{kind.rpartition('.')[2]}"
    path.write_bytes(written(tmp_path, kind))
    usual = read_triangles(path)
    monkeypatch.setattr(mesh_text, "LARGE", 0)
    assert mesh_text.read_text(path, path.suffix) is not None
    large = read_triangles(path)
    assert np.allclose(usual[0][usual[1]], large[0][large[1]], rtol=1e-6, atol=1e-7)  # PLY: single precision


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("quads.obj", "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nf 1 2 3 4\n"),
        ("mixed.obj", "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nf 1 2 3 4\nf 1 2 3\n"),
        ("behind.obj", "v 0 0 0\nv 1 0 0\nv 1 1 0\nf -3 -2 -1\n"),
        ("one.stl", "solid facet outer loop vertex 0 0 0 vertex 1 0 0 vertex 1 1 0 endloop endfacet endsolid\n"),
        ("points.obj", "v 0 0 0\n"),
    ],
)
def test_texts_that_are_not_plain_are_left_to_the_general_reader(tmp_path, monkeypatch, name, text):
    monkeypatch.setattr(mesh_text, "LARGE", 0)
    path = tmp_path / name
    path.write_text(text)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert mesh_text.read_text(path, path.suffix) is None


def test_textured_corners_of_a_large_obj(tmp_path, monkeypatch):
    monkeypatch.setattr(mesh_text, "LARGE", 0)
    path = tmp_path / "t.obj"
    path.write_text("v 0 0 0 1 0 0\nv 1 0 0 1 0 0\nv\t0 1 0 1 0 0\nvt 0 0\nvn 0 0 1\nf 1/1/1 2/1/1 3/1/1\n")
    vertices, faces = read_triangles(path)
    assert vertices.tolist() == [[0, 0, 0], [1, 0, 0], [0, 1, 0]]
    assert faces.tolist() == [[0, 1, 2]]
