"""Promise: named points and patches stay where they were put: on a scan, on a light mesh, in a body from slices."""

import numpy as np
import pytest
import trimesh

from drapesim.front.cli import main
from drapesim.jobs.body import SliceSettings, make_body, write_body
from drapesim.jobs.places import carry_places, name_mesh
from drapesim.matter.body import load_body, sphere
from drapesim.matter.regions import read_places
from drapesim.matter.slices import FROM_PATIENT
from drapesim.matter.slices_mesh import spell_ply
from tests.unit.made_slices import voxelise, write_series

PLACES = """\
[landmarks_mm]
"nose tip" = [0, 0, 101]
"left heel" = [-100, 0, 0]
knob = [0, 100, 0]
[[region]]
name = "face"
landmark = "nose tip"
radius_mm = 50
[[region]]
name = "back of head"
through_mm = [0, 0, -50]
toward = [0, 0, -1]
"""


@pytest.fixture
def ball(tmp_path):
    for name, fineness in (("ball", 5), ("light", 3)):
        body = sphere(0.1, subdivisions=fineness)
        (tmp_path / f"{name}.ply").write_bytes(spell_ply(body.vertices, body.faces, ()))
    (tmp_path / "ball.places.toml").write_text(PLACES)
    return tmp_path


def test_places_are_told_drawn_and_carried_to_a_lighter_mesh(ball, capsys):
    mesh, light = ball / "ball.ply", ball / "light.ply"
    assert main(["body", "places", str(mesh), "--unit", "m", "--onto", str(light)]) == 0
    told, errors = capsys.readouterr()
    assert errors == ""
    for words in ("1.00 mm  standard", "not standard, used as written", "carried      onto", "face  ", "nose tip: 0."):
        assert words in told
    assert (ball / "light.places.png").stat().st_size > 20_000
    before, after = (
        name_mesh(mesh, ball / "ball.places.toml", "m").body,
        name_mesh(light, ball / "light.places.toml", "m").body,
    )
    for name in ("nose tip", "left heel", "knob"):
        assert np.linalg.norm(after.landmarks[name] - before.landmarks[name]) < 1e-3
    assert after.region_names == ("face", "back of head")
    middle = after.vertices[after.faces].mean(axis=1)
    assert (middle[after.region == 0] @ [0, 0, 1] > 0.1 * np.cos(0.5) - 0.008).all()
    assert (middle[after.region == 1][:, 2] < -0.05 + 0.008).all()
    assert main(["body", "places", str(mesh), "--unit", "m", "--onto", str(light)]) == 2  # nothing is overwritten


def test_a_mesh_of_something_else_is_refused(ball, capsys):
    other = sphere(0.13, subdivisions=3)
    (ball / "other.ply").write_bytes(spell_ply(other.vertices, other.faces, ()))
    arguments = ["body", "places", str(ball / "ball.ply"), "--unit", "m", "--onto", str(ball / "other.ply")]
    assert main(arguments) == 2
    assert "off the surface, more than 5 mm; are these two meshes of one body" in capsys.readouterr().err
    assert not (ball / "other.places.toml").exists()


def test_the_standard_names_are_listed(capsys):
    assert main(["body", "places", "--names"]) == 0
    told = capsys.readouterr().out
    assert "  nose tip (pronasale, " in told
    assert "  hand* (manus)" in told


def test_scanner_coordinates_come_through_slices_smoothing_and_thinning(tmp_path):
    """Points of the known surface, in the patient's axes, end on the light mesh within half a voxel."""
    write_series(tmp_path / "series", voxelise((1.5e-3, 1.5e-3, 2e-3), FROM_PATIENT, noise=30.0))
    world = {"navel": (0.0, 0.0, 0.030), "left hip side": (0.0, -0.045, 0.0), "crown": (0.112, 0.0, 0.0084)}
    text = 'axes = "patient"\n[landmarks_mm]\n'
    for name, place in world.items():
        text += f'"{name}" = {[round(float(c), 3) for c in 1e3 * FROM_PATIENT @ place]}\n'
    text += '[[region]]\nname = "head"\nthrough_mm = [0, 0, 75]\ntoward = [0, 0, 1]\n'  # the patient's third axis: up
    (tmp_path / "points.toml").write_text(text)
    made = make_body(tmp_path / "series", SliceSettings(), places=read_places(tmp_path / "points.toml"))
    for name, place in world.items():
        assert np.linalg.norm(made.body.landmarks[name] - place) < 1e-3
    middle = made.body.vertices[made.body.faces].mean(axis=1)
    assert np.array_equal(made.body.region == 0, middle[:, 0] >= 0.075)
    assert made.places[0].startswith("moved by at most 0.")
    assert made.places[1].startswith("3 landmarks carried onto the finished mesh, by at most 0.")
    write_body(tmp_path / "body.ply", made)
    again = name_mesh(tmp_path / "body.ply", tmp_path / "body.places.toml", "m").body
    assert np.array_equal(again.region, made.body.region)
    light = carry_places(again, load_body(tmp_path / "body.ply", unit="m", up="z"), 1e-4)
    assert light.anchors.distance.max() < 2e-6  # the file holds three decimals of a mm


def test_places_of_a_scan_come_through_its_cleaning(tmp_path, capsys):
    """Y up and in cm; a hole is filled and the mesh thinned out: points and regions end where they were put."""
    body = sphere(0.1, subdivisions=5)
    turned = body.vertices @ np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]]) * 100.0  # z up to y up
    trimesh.Trimesh(turned, body.faces[30:], process=False).export(str(tmp_path / "scan.ply"))
    (tmp_path / "points.toml").write_text(
        '[landmarks_mm]\ncrown = [0, 101, 0]\n"nose tip" = [0, 0, -100]\n'
        '[[region]]\nname = "head"\nlandmark = "crown"\nradius_mm = 60\n'
    )
    arguments = ["body", "scan", str(tmp_path / "scan.ply"), "--unit", "cm", "--up", "y", "--quiet", "--no-pictures"]
    out = tmp_path / "ball.ply"
    assert main([*arguments, "--places", str(tmp_path / "points.toml"), "--out", str(out)]) == 0
    told = capsys.readouterr().out
    assert "places       2 landmarks carried onto the finished mesh, by at most 0." in told
    assert 'places = "ball.places.toml"' in told
    clean = name_mesh(out, tmp_path / "ball.places.toml", "m").body
    assert np.allclose(clean.landmarks["crown"], [0.0, 0.0, 0.1], atol=6e-4)
    assert np.allclose(clean.landmarks["nose tip"], [0.0, 0.1, 0.0], atol=6e-4)
    middle = clean.vertices[clean.faces].mean(axis=1)
    angle = np.arccos(np.clip(middle[:, 2] / np.linalg.norm(middle, axis=1), -1.0, 1.0))
    assert np.array_equal((clean.region == 0)[np.abs(angle - 0.6) > 0.05], (angle < 0.6)[np.abs(angle - 0.6) > 0.05])
    beside = tmp_path / "ball.places.toml"
    for words, problem in ((["--force"], "it would be replaced by the one"), ([], "the file is there already")):
        assert main([*arguments, "--places", str(beside), "--out", str(out), *words]) == 2
        assert problem in capsys.readouterr().err
    (tmp_path / "points.toml").write_text("[landmarks_mm]\ncrown = [0, 0, 0]\n")
    assert main([*arguments, "--places", str(tmp_path / "points.toml"), "--out", str(tmp_path / "no.ply")]) == 2
    assert "crown: the point lies 100.0 mm off" in capsys.readouterr().err
    assert not (tmp_path / "no.ply").exists()
