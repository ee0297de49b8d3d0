"""`drapesim body figure`: the form, the body with its places, what is told, exit codes; adults in scenes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drapesim.front.cli import main
from drapesim.matter.body import load_body
from drapesim.matter.plan import read_scene
from drapesim.matter.regions import read_places

FORM = """
lie = "supine"
sex = 1.0
stature_mm = 1750
arms = "crossed low"
legs = "bent"
edge_mm = 16
fine_edge_mm = 8
[measures_mm]
calf_girth = 400
"""

SCENE = """
title = "a cover on an adult"
[sheet]
length_mm = 400
width_mm = 300
spacing_mm = 20
[fabric]
card = "{card}"
[body]
surface = "limewood"
adult = {{ form = "adult.toml", turn_deg = 90, middle_mm = [100, 200] }}
[support]
length_mm = 2200
width_mm = 2200
surface = "slate"
[[lay]]
do = "lower"
point_mm = [200, 150]
place_mm = [100, 200]
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("figure")
    (folder / "adult.toml").write_text(FORM, encoding="utf-8")
    return folder


def test_a_form_is_written_where_there_is_none(tmp_path: Path, capsys) -> None:
    form = tmp_path / "new.toml"
    assert main(["body", "figure", str(form)]) == 0
    assert "a form to fill in" in capsys.readouterr().out
    assert 'lie = "supine"' in form.read_text(encoding="utf-8")


def test_the_body_is_written_with_its_places_and_told(folder: Path, capsys) -> None:
    out = folder / "adult.ply"
    assert main(["body", "figure", str(folder / "adult.toml"), "--out", str(out), "--quiet", "--no-pictures"]) == 0
    told = capsys.readouterr().out
    rows = {line.split()[0]: line.split()[1:] for line in told.splitlines() if line and line.split()[0].count("_")}
    assert rows["calf_girth"][0] == "400"
    assert float(rows["calf_girth"][1]) == pytest.approx(400, rel=0.02)  # on coarse triangles
    assert "0 pairs that cross" in told
    body = load_body(out, unit="m", up="z")
    assert body.vertices[:, 2].min() == pytest.approx(0.0, abs=1e-6)
    assert np.ptp(body.vertices[:, 0]) == pytest.approx(1.75, rel=0.08)
    places = read_places(folder / "adult.places.toml")
    assert {"nose tip", "left knee cap", "right heel"} <= set(places.landmarks)
    assert (
        main(["body", "figure", str(folder / "adult.toml"), "--out", str(out), "--quiet"]) == 2
    )  # it is there already


def test_a_wrong_form_writes_nothing(tmp_path: Path, capsys) -> None:
    form = tmp_path / "adult.toml"
    form.write_text('lie = "supine"\n[measures_mm]\nhip_girth = 600\n', encoding="utf-8")
    assert main(["body", "figure", str(form), "--out", str(tmp_path / "a.ply"), "--quiet"]) == 2
    assert "hip_girth" in capsys.readouterr().err
    assert not (tmp_path / "a.ply").exists()


def test_an_adult_lies_in_a_scene_where_it_is_put(folder: Path) -> None:
    card = Path(__file__).parents[2] / "scenes" / "fabrics" / "cover-linen.toml"
    (folder / "scene.toml").write_text(SCENE.format(card=card), encoding="utf-8")
    scene = read_scene(folder / "scene.toml")
    body = scene.body
    assert "adult.toml" in scene.inputs
    assert {part.surface for part in body.parts} == {"limewood", "slate"}
    hips = 0.5 * (body.landmarks["left hip side"] + body.landmarks["right hip side"])
    assert hips[:2] == pytest.approx([0.1, 0.2], abs=0.02)
    assert body.landmarks["nose tip"][1] > 0.7  # turned by a quarter: the head towards +y
    assert body.vertices[body.faces[body.part == 0]][..., 2].min() == pytest.approx(0.0, abs=1e-9)


def test_realistic_body_without_its_model_is_refused(tmp_path, monkeypatch, capsys):
    import importlib.util

    (tmp_path / "adult.toml").write_text(FORM)
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *rest: None if name == "anny" else found(name, *rest))
    monkeypatch.chdir(tmp_path)
    assert main(["body", "figure", "adult.toml", "--realistic"]) == 2
    told = capsys.readouterr().err
    assert "which is not installed; pip install 'drapesim[body-model]'" in told
    assert len(told.splitlines()) == 1
    assert not list(tmp_path.glob("bodies/*"))


def test_realistic_body(tmp_path, monkeypatch, capsys):
    """Where the model is installed: closed, as tall and heavy as asked, head, hands and feet where they belong."""
    pytest.importorskip("anny", reason="the extra body-model is not installed", exc_type=ImportError)
    (tmp_path / "adult.toml").write_text(FORM)
    monkeypatch.chdir(tmp_path)
    assert main(["body", "figure", "adult.toml", "--realistic", "--no-pictures", "--quiet"]) == 0
    told = capsys.readouterr().out
    assert "1750 mm, asked 1750" in told
    body = load_body(tmp_path / "bodies/adult.ply", "m", "z")
    assert body.vertices[:, 2].min() == pytest.approx(0.0, abs=1e-3)
    marks = read_places(tmp_path / "bodies/adult.places.toml").landmarks
    assert marks["nose tip"][0] > 0.5
    assert marks["nose tip"][2] > marks["chin"][2] > 0.2
    for side, sign in (("left", -1.0), ("right", 1.0)):
        assert sign * marks[f"{side} knee cap"][1] > 0.05
        assert marks[f"{side} heel"][2] < 0.06
        assert marks[f"{side} toe tip"][0] < -0.6
    assert abs(marks["right wrist"][1]) < 0.2
