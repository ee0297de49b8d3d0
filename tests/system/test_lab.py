"""Promise: `drapesim lab` tests a card, makes one from readings, writes the form, and refuses what is wrong."""

from __future__ import annotations

import csv
import io
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from PIL import Image

from drapesim.front.cli import main
from drapesim.jobs.lab import bench
from drapesim.matter.fabric import read_card
from drapesim.matter.readings import read_readings

ROOT = Path(__file__).parents[2]
CARD = str(ROOT / "scenes/fabrics/cover-linen.toml")
READINGS = str(ROOT / "scenes/lab/ruler-and-scale.toml")
COARSE = "29.9"  # mm, one bending length: no bar there, but seconds


def read_rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text())))


@pytest.fixture
def few_tests(monkeypatch):
    """Only the cantilevers along the yarns."""
    every = bench.list_tests

    def few(*given):
        return [test for test in every(*given) if test.name == "cantilever" and test.direction != "bias"]

    monkeypatch.setattr(bench, "list_tests", few)


def test_whole_lab_of_a_card(tmp_path, capfd):
    out = tmp_path / "lab"
    assert main(["lab", CARD, "--out", str(out), "--spacing-mm", COARSE]) == 0
    text = capfd.readouterr()
    assert "15 of 15 readings meet their bar. 6 more have no bar." in text.out
    assert "test 10 of 13: drape meter" in text.err
    rows = read_rows(out / "lab.csv")
    assert len(rows) == 21
    assert {row["settled"] for row in rows} == {"yes"}
    cantilever = rows[0]
    assert float(cantilever["simulated"]) == pytest.approx(float(cantilever["card"]), rel=0.15)
    assert cantilever["met"] == "no bar"
    assert float(cantilever["spacing_over_c"]) == pytest.approx(0.0299 / 0.032, rel=1e-3)
    names = ["cantilever", "heart-loop", "strip-tensile", "bias-extension", "picture-frame", "drape-meter", "incline"]
    assert sorted(path.stem for path in (out / "pictures").iterdir()) == sorted(names)
    for name in names:
        with Image.open(out / "pictures" / f"{name}.png") as picture:
            assert picture.width > 2000
            assert len(picture.convert("RGB").getcolors(1 << 24)) > 10
    page = (out / "lab.html").read_text()
    assert page.count('<img src="data:image/png;base64,') == 7
    assert "drape coefficient over its floor" in page
    assert "{{" not in page
    assert main(["lab", CARD, "--out", str(out)]) == 2, "a finished sheet is not replaced"
    assert "--force" in capfd.readouterr().err


@pytest.mark.usefixtures("few_tests")
def test_fit_writes_a_card_that_reads_back(tmp_path, capfd):
    out = tmp_path / "fit"
    command = ["lab", "--fit", READINGS, "--out", str(out), "--spacing-mm", "15", "--no-pictures", "--quiet"]
    assert main(command) == 0
    text = capfd.readouterr()
    assert text.err == ""
    assert sorted(path.name for path in out.iterdir()) == ["card.toml", "lab.csv"]
    card, read = read_card(out / "card.toml"), read_readings(READINGS)
    assert card.name.endswith("for nodes 15 mm apart")
    for side, rigidity in (("warp", card.bend_warp), ("weft", card.bend_weft)):
        c = (rigidity / (card.areal_density * 9.80665)) ** (1.0 / 3.0)
        assert c / read.bending[side].bending_length.mean == pytest.approx(1.025, abs=0.005)
    for row in read_rows(out / "lab.csv"):
        assert abs(float(row["off_percent"])) < 0.1, "the virtual test returns the reading"


def test_form_with_its_picture(tmp_path, capfd):
    form = tmp_path / "form.toml"
    assert main(["lab", "--form", str(form)]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["form.png", "form.toml"]
    with Image.open(tmp_path / "form.png") as picture:
        assert picture.width > 2000
    assert main(["lab", "--form", str(form)]) == 2
    assert "there is something there already" in capfd.readouterr().err
    (tmp_path / "form.toml").unlink()
    assert main(["lab", "--form", str(form)]) == 2, "the old picture is in the way"
    assert not form.exists()
    assert main(["lab", "--form", str(tmp_path / "none" / "form.toml")]) == 2
    assert main(["lab", "--form", str(tmp_path / "form2.png")]) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["form.png"]


GOOD = """\
name = "sample"
source = "test"
[weight]
masses_g = [1.9, 1.9]
[overhang.warp]
face_up_mm = [60, 61]
[overhang.weft]
face_up_mm = [56, 57]
"""
BAD = {
    "not filled in": ("masses_g = [1.9, 1.9]", "masses_g = []", "weight.masses_g"),
    "one reading": ("[60, 61]", "[60]", "one reading says nothing of the scatter"),
    "no unit": ("face_up_mm = [60, 61]", "face_up = [60, 61]", "this key lacks its unit; write face_up_mm"),
    "negative": ("[60, 61]", "[60, -61]", "must be greater than 0"),
    "falling loads": ("name =", "name =", "the loads do not rise"),
    "zero width": ("name =", "name =", "must be greater than 0"),
    "far too long": ("name =", "name =", "is no woven cloth's"),
}
PULLS = {
    "falling loads": "hung_g = [500, 100]\nwidth_mm = 50\nextensions_percent = [[1, 2], [1, 2]]",
    "zero width": "hung_g = [100, 500]\nwidth_mm = 0\nextensions_percent = [[1, 2], [1, 2]]",
    "far too long": "hung_g = [100, 500]\nwidth_mm = 50\nextensions_percent = [[1, 400], [1, 400]]",
}


@pytest.mark.parametrize("fault", BAD)
def test_bad_form_is_one_sentence_and_nothing_is_written(fault, tmp_path, capfd):
    old, new, words = BAD[fault]
    text = GOOD.replace(old, new)
    if fault in PULLS:
        text += f"[extension.warp]\n{PULLS[fault]}\n"
    form = tmp_path / "form.toml"
    form.write_text(text)
    out = tmp_path / "out"
    assert main(["lab", "--fit", str(form), "--out", str(out)]) == 2
    said = capfd.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1, said.err
    assert words in said.err
    assert said.err.startswith(f"{form}:")
    assert not out.exists()


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (["lab"], "one thing to do is wanted"),
        (["lab", CARD, "--fit", READINGS], "one thing to do is wanted"),
        (["lab", "nothing.toml"], "there is no fabric card nothing.toml"),
        (["lab", "--fit", "nothing.toml"], "there is no readings form nothing.toml"),
        (["lab", CARD, "--spacing-mm", "90"], "does not suit a bending length of 30 mm"),
    ],
)
def test_wrong_commands(command, words, tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    assert main(command) == 2
    said = capfd.readouterr().err
    assert words in said
    assert len(said.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("few_tests")
def test_unsettled_test_is_shown_and_told_by_the_exit_code(tmp_path, monkeypatch, capfd):
    from dataclasses import replace

    from drapesim.jobs.lab import cantilever

    monkeypatch.setattr(cantilever, "SETTINGS", replace(cantilever.SETTINGS, max_steps=200))
    monkeypatch.setattr(cantilever.settle_cantilever, "__defaults__", (cantilever.SETTINGS, None))
    assert main(["lab", CARD, "--out", str(tmp_path / "out"), "--spacing-mm", "15", "--quiet"]) == 3
    assert "UNSETTLED: cantilever warp, cantilever weft." in capfd.readouterr().out
    assert 'class="outcome bad"' in (tmp_path / "out/lab.html").read_text()


def test_control_c_leaves_nothing(tmp_path):
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT), *sys.path]))
    command = [sys.executable, "-m", "drapesim", "lab", CARD, "--out", "lab", "--spacing-mm", "2"]
    with subprocess.Popen(command, env=environment, cwd=tmp_path, stderr=subprocess.PIPE, text=True) as run:
        assert run.stderr is not None
        first = run.stderr.readline()
        assert "test 1 of 13" in first or "compiling" in first
        time.sleep(1.0)
        run.send_signal(signal.SIGINT)
        said = run.stderr.read()
        assert run.wait() == 130, said
    assert "Interrupted." in said
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []
