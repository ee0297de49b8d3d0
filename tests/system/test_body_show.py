"""Promise: `drapesim body show` measures a body of a file or scene and draws it on one sheet."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from PIL import Image

from drapesim.front.cli import main
from drapesim.jobs.show import look_at
from drapesim.matter.body import cylinder

SCENE = """\
title = "Rod in a bed"
[sheet]
length_mm = 500
width_mm = 300
spacing_mm = 50
[fabric]
card = "card.toml"
[body]
surface = "limewood"
mesh = { file = "rod.ply", unit = "mm" }
[support]
kind = "bed"
length_mm = 1200
width_mm = 600
surface = "slate"
[support.depression]
depth_mm = 30
length_mm = 1000
width_mm = 400
[[lay]]
do = "lower"
point_mm = [250, 150]
place_mm = [0, 0]
"""


@pytest.fixture
def folder(tmp_path, scenes):
    rod = cylinder(20.0, 500.0, axis="x", n_segments=64)
    trimesh.Trimesh(rod.vertices, rod.faces, process=False).export(tmp_path / "rod.ply")
    (tmp_path / "card.toml").write_text((scenes / "fabrics/cover-linen.toml").read_text())
    (tmp_path / "scene.toml").write_text(SCENE)
    return tmp_path


@pytest.fixture
def scenes():
    from pathlib import Path

    return Path(__file__).parents[2] / "scenes"


def test_file_is_measured_by_formula(folder):
    shown = look_at(folder / "rod.ply", "mm", stations=(0.1, 0.25), material="limewood")
    n = 64
    section = 0.5 * n * 0.02**2 * np.sin(2 * np.pi / n)
    assert shown.volume == pytest.approx(0.5 * section, rel=1e-6)
    assert [cut.place for cut in shown.sections] == [0.1, 0.25]
    for cut in shown.sections:
        assert cut.area == pytest.approx(section, rel=1e-6)
        assert cut.length == pytest.approx(2 * n * 0.02 * np.sin(np.pi / n), rel=1e-6)
        assert cut.size == pytest.approx((0.04, 0.04), rel=1e-6)
    assert shown.density == 535.0
    assert shown.crossings == 0
    assert shown.thickness.least == pytest.approx(0.04 * np.cos(np.pi / n), rel=1e-3)


def test_scene_is_told_and_drawn(folder, capsys, window):
    out = folder / "sheets/rod.png"
    assert main(["body", "show", str(folder / "scene.toml"), "--out", str(out)]) == 0
    told, errors = capsys.readouterr()
    assert errors == ""
    for words in ("500 x 40 x 40 mm", "0.63 litres", "about 0.336 kg if solid, at 535 kg/m3", "watertight   yes",
                  "crossings    none", "thinnest     39.9 mm", "0.8 of the sheet's spacing of 50 mm (the scene's)",
                  "rigid: the body's weight does not press it in", f"written: {out}"):  # fmt: skip
        assert words in told
    pixels = np.asarray(Image.open(out))
    assert pixels.shape[1] > 2000
    assert (pixels < 250).any(axis=2).mean() > 0.02
    assert main(["body", "show", str(folder / "scene.toml"), "--out", str(out)]) == 2
    assert "is there already" in capsys.readouterr().err


def test_open_surface_is_shown_as_such_and_has_no_volume(folder, capsys):
    rod = cylinder(20.0, 500.0, axis="x", n_segments=64)
    trimesh.Trimesh(rod.vertices, rod.faces[:-64], process=False).export(folder / "open.ply")
    out = folder / "open.png"
    assert main(["body", "show", str(folder / "open.ply"), "--unit", "mm", "--out", str(out)]) == 0
    told = capsys.readouterr().out
    assert "watertight   NO: the surface is open: 1 hole of more than 50 mm around, the largest 126 mm" in told
    assert "volume       none" in told
    assert "mass         none" in told
    assert "not measured" in told
    assert out.exists()


def test_crossing_surface_is_shown_as_such(folder, capsys):
    rod = cylinder(20.0, 500.0, axis="x", n_segments=64)
    vertices = np.concatenate([rod.vertices, rod.vertices + np.array([100.0, 5.0, 5.0])])
    faces = np.concatenate([rod.faces, rod.faces + len(rod.vertices)])
    trimesh.Trimesh(vertices, faces, process=False).export(folder / "two.ply")
    assert main(["body", "show", str(folder / "two.ply"), "--unit", "mm", "--no-pictures"]) == 0
    told = capsys.readouterr().out
    assert "PAIRS of triangles cross each other" in told
    assert "2 separate shells" in told


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["rod.ply"], "the unit is not stated"),
        (["rod.ply", "--unit", "mm", "--stations-mm", "600"], "stations must lie inside the body"),
        (["rod.ply", "--unit", "mm", "--spacing-mm", "0"], "--spacing-mm: 0 is not above zero"),
        (["rod.ply", "--unit", "mm", "--material", "gold"], 'the density of "gold" is not known here'),
        (["rod.ply", "--unit", "mm", "--out", "sheet.jpg"], "written as PNG"),
        (["none.toml"], "none.toml"),
    ],
)
def test_bad_input_is_one_sentence(folder, monkeypatch, capsys, words, said):
    monkeypatch.chdir(folder)
    assert main(["body", "show", *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert err.count("\n") == 1
