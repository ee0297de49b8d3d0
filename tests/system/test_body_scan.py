"""Promise: `drapesim body scan` makes a sound body of a scan and tells every change, or says why not."""

from __future__ import annotations

import os
import subprocess
import sys

import igl
import numpy as np
import pytest
import trimesh

from drapesim.front.cli import main
from drapesim.matter.body import enclosed_volume, load_body, sphere
from drapesim.matter.body_repair import count_sides
from drapesim.settling.exact import count_self_crossings

BALL = sphere(0.1, (0.0, 0.0, 0.1), subdivisions=5)
HALF = BALL.faces[BALL.vertices[BALL.faces].mean(axis=1)[:, 2] > 0.1]


def write(path, vertices, faces):
    trimesh.Trimesh(vertices, faces, process=False).export(str(path))
    return str(path)


def clean(capsys, source, out, *words):
    """Run the command; the body as a scene loads it, and what was told."""
    assert main(["body", "scan", source, "--out", str(out), "--quiet", "--no-pictures", *words]) == 0
    told, errors = capsys.readouterr()
    assert errors == ""
    body = load_body(out, unit="m", up="z")
    assert not [words for words in body.repairs if "separate shells" not in words]
    assert count_sides(body.faces) == (0, 0, 0)
    assert count_self_crossings(body.vertices, body.faces)[0] == 0
    assert enclosed_volume(body.vertices, body.faces) > 0.0
    kept = out.with_suffix(".txt").read_text()
    assert kept.splitlines()[1:] == told.splitlines()[:-2]  # the report is kept as it was told
    return body, told


def test_dirty_scan_comes_back_closed_scaled_and_light(tmp_path, capsys):
    """Inward faces, a hole, specks, doubled faces, unknown unit, y up: and the true ball within what is stated."""
    rng = np.random.default_rng(1)
    vertices = BALL.vertices @ np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]]) * 43.7  # z up to y up
    faces = np.concatenate([BALL.faces[12:], BALL.faces[40:60]])
    turned = rng.choice(len(faces), 800, replace=False)
    faces[turned] = faces[turned][:, ::-1]
    speck = sphere(0.0003, (0.2, 0.1, 0.0), subdivisions=1)
    vertices, faces = (np.concatenate([vertices, speck.vertices * 43.7]),
                       np.concatenate([faces, speck.faces + len(vertices)]))  # fmt: skip
    source = write(tmp_path / "dirty.stl", vertices, faces)
    top, bottom = ["0", f"{0.2 * 43.7}", "0"], ["0", "0", "0"]
    body, told = clean(capsys, source, tmp_path / "new/ball.ply", "--up", "y", "--from", *top, "--to", *bottom,
                       "--distance-mm", "200", "--error-mm", "0.3")  # fmt: skip
    for words in ("20 repeated faces dropped", "faces turned to be", "1 loose speck", "holes filled", "Scaled by"):
        assert words in told
    assert len(body.faces) < 0.2 * len(BALL.faces)
    points = np.concatenate([body.vertices, body.vertices[body.faces].mean(axis=1)])
    off = np.sqrt(igl.point_mesh_squared_distance(points, BALL.vertices, BALL.faces)[0])
    # STL holds single precision; the filled hole lies flat over 12 faces.
    assert np.percentile(off, 99) < 3e-4 + 1e-6
    assert off.max() < 8e-4


def test_shells_that_run_through_each_other_become_one(tmp_path, capsys):
    other = BALL.vertices + np.array([0.12, 0.01, 0.02])
    n = len(BALL.vertices)
    source = write(tmp_path / "two.ply", np.concatenate([BALL.vertices, other]),
                   np.concatenate([BALL.faces, BALL.faces + n]))  # fmt: skip
    body, told = clean(capsys, source, tmp_path / "one.ply", "--unit", "m", "--cell-mm", "3")
    assert "shells run through each other" in told
    assert "NOTE" not in told  # one shell
    d = np.sqrt(0.12**2 + 0.01**2 + 0.02**2)
    lens = np.pi * (0.4 + d) * (0.2 - d) ** 2 / 12
    assert enclosed_volume(body.vertices, body.faces) == pytest.approx(8 / 3 * np.pi * 1e-3 - lens, rel=5e-3)
    middle = body.vertices[body.faces].mean(axis=1)
    off = np.minimum(*(np.abs(np.linalg.norm(middle - c, axis=1) - 0.1) for c in ([0, 0, 0.1], [0.12, 0.01, 0.12])))
    assert np.percentile(off, 99) < 1e-3  # the crease alone is cut by up to a cell


def test_shells_apart_are_kept_and_named_or_the_largest_alone(tmp_path, capsys):
    small = 0.4 * BALL.vertices + np.array([0.3, 0.0, 0.0])
    n = len(BALL.vertices)
    source = write(tmp_path / "apart.obj", np.concatenate([BALL.vertices, small]),
                   np.concatenate([BALL.faces, BALL.faces + n]))  # fmt: skip
    _, told = clean(capsys, source, tmp_path / "both.ply", "--unit", "m")
    assert "do not touch each other" in told
    assert "0.266 litres, 80 x 80 x 80 mm, its middle at [300, 0, 40] mm" in told
    body, told = clean(capsys, source, tmp_path / "largest.ply", "--unit", "m", "--largest")
    assert "1 smaller shell left out as you asked" in told
    assert body.vertices[:, 0].max() < 0.11


def test_scan_from_above_is_closed_against_its_support(tmp_path, capsys):
    source = write(tmp_path / "above.ply", 1e3 * BALL.vertices, HALF)
    body, told = clean(capsys, source, tmp_path / "closed.ply", "--unit", "mm", "--support-mm", "0", "--cell-mm", "3")
    assert "closed against the support at a height of 0.0 mm" in told
    assert body.vertices[:, 2].min() == pytest.approx(0.0, abs=2e-4)
    true = 2 / 3 * np.pi * 1e-3 + np.pi * 1e-2 * 0.1
    assert enclosed_volume(body.vertices, body.faces) == pytest.approx(true, rel=0.01)
    upper = body.vertices[body.vertices[:, 2] > 0.11]
    assert np.abs(np.linalg.norm(upper - [0, 0, 0.1], axis=1) - 0.1).max() < 6e-4


def test_surface_that_crosses_itself_is_mended_with_its_place_named(tmp_path, capsys):
    """A dent pushed through the far wall."""
    vertices = BALL.vertices.copy()
    pole = np.linalg.norm(vertices - [0, 0, 0.2], axis=1) < 0.03
    vertices[pole] -= [0.0, 0.0, 0.25]
    source = write(tmp_path / "dent.ply", vertices, BALL.faces)
    _, told = clean(capsys, source, tmp_path / "mended.ply", "--unit", "m", "--cell-mm", "3")
    assert "the surface crosses itself" in told
    assert "pairs of triangles) near [" in told


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere.ply"], "there is no such file"),
        (["{scan}"], "the unit is not stated"),
        (["{scan}", "--unit", "furlong"], '"furlong" is no unit'),
        (["{scan}", "--unit", "m", "--error-mm", "0"], "--error-mm: 0 is out of range; give 0.01 to 20"),
        (["{scan}", "--unit", "m", "--cell-mm", "nan"], "--cell-mm: nan is out of range"),
        (["{scan}", "--unit", "m", "--out", "body.stl"], "written as PLY"),
        (["{scan}", "--unit", "m", "--out", "there.ply"], "is there already"),
        (["{scan}", "--unit", "m", "--out", "{scan}", "--force"], "would replace the scan"),
        (["{scan}", "--from", "0", "0", "0", "--distance-mm", "3"], "scale: --to is missing"),
        (["{scan}", "--from", "0", "0", "0", "--to", "0", "0", "0.2", "--distance-mm", "-3"], "mm: -3 is out of range"),
        (["{scan}", "--unit", "m", "--support-mm", "900"], "lies outside the scan"),
        (["{sky}", "--unit", "m"], "is open to the sky"),
    ],
)
def test_bad_input_is_one_sentence_and_writes_nothing(tmp_path, monkeypatch, capsys, words, said):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.ply").write_text("mine")
    scan = write(tmp_path / "scan.ply", BALL.vertices, BALL.faces)
    bowl = BALL.faces[BALL.vertices[BALL.faces].mean(axis=1)[:, 2] < 0.1]
    sky = write(tmp_path / "sky.ply", BALL.vertices, bowl)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*")}
    assert main(["body", "scan", *(word.format(scan=scan, sky=sky) for word in words), "--quiet"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert err.count("\n") == 1
    assert {path: path.read_bytes() for path in tmp_path.rglob("*")} == before


def test_help_holds_the_cautions():
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join(sys.path), COLUMNS="120")
    done = subprocess.run([sys.executable, "-m", "drapesim", "body", "scan", "--help"], env=environment,
                          capture_output=True, text=True, check=True)  # fmt: skip
    for words in ("consent", "dignity", "personal data", "Fragile", "conservator", "Local codes", "no medical device"):
        assert words in done.stdout
