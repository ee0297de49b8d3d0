"""Promise: `drapesim body attitude` turns landmarks on a flat map into an attitude, says what the map leaves open, or
says in one sentence why it cannot."""

import re
import tomllib

import numpy as np
import pytest

from drapesim.front.cli import main
from drapesim.judging.lay_models import fit_placing
from drapesim.matter.figure_form import read_figure
from drapesim.matter.skeleton import ANGLE_NAMES, place_skeleton
from tests.unit.judging.test_attitude import LEGS, STATURE, TRUNK, make_view


def spell(views, head=""):
    """A filled form; each view with its `seen_from`."""
    text = head
    for view, seen_from in views:
        text += f'\n[[map]]\nseen_from = "{seen_from}"\n[map.landmarks_mm]\n'
        text += "".join(f'"{name}" = [{1e3 * u:.1f}, {1e3 * v:.1f}]\n'
                        for name, (u, v) in zip(view.names, view.points, strict=True))  # fmt: skip
    return text


def test_form_to_figure_file_and_sheet(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    form = tmp_path / "cover.toml"
    form.write_text(spell([(make_view((*TRUNK, *LEGS), "straight down", noise=0.005), "inner")],
                          'title = "Cover"\nlays = ["straight down"]\n'))  # fmt: skip
    assert main(["body", "attitude", str(form), "--quiet"]) == 0
    told, errors = capsys.readouterr()
    assert errors == ""
    for words in ("LAY MODEL straight down", "stature      1", "left thigh", "NOT DETERMINED by the map", "NOT SEEN",
                  "left elbow_flexion", "map less figure", "whether any body did, or whose, no map tells"):  # fmt: skip
        assert words in told
    out = tmp_path / "attitudes/cover"
    assert sorted(path.name for path in out.iterdir()) == ["attitude.png", "straight-down.toml"]
    assert (out / "attitude.png").stat().st_size > 50_000
    text = (out / "straight-down.toml").read_text()
    written = tomllib.loads(text)
    assert written["stature_mm"] == pytest.approx(1e3 * STATURE, rel=0.03)
    assert set(written["angles_deg"]) == set(ANGLE_NAMES)
    figure = read_figure(out / "straight-down.toml")  # as drapesim body figure reads it
    assert figure.lie == "supine"
    assert np.allclose(
        np.degrees(figure.angles.as_vector()), [written["angles_deg"][n] for n in ANGLE_NAMES], atol=1e-6
    )
    # The figure of the file explains the map as told: straight down, within the misfit and what rounding makes of it.
    skeleton = place_skeleton(figure.measures, figure.angles, figure.lie)
    view = make_view((*TRUNK, *LEGS), "straight down", noise=0.005)
    flat = np.array([skeleton.landmark(name)[:2] for name in view.names])
    off = np.linalg.norm(fit_placing(flat, view).put(flat) - view.points, axis=1)
    told_rms = float(re.search(r"misfit +([\d.]+) mm", told)[1])
    assert 1e3 * np.sqrt((off**2).mean()) == pytest.approx(told_rms, abs=0.6)
    assert "ASSUMED, no landmark depends on it" in text
    assert "ASSUMED, the map does not determine it: " in text
    assert main(["body", "attitude", str(form), "--quiet"]) == 2
    assert "the file is there already" in capsys.readouterr().err


def test_a_map_read_from_the_wrong_side_is_told(tmp_path, capsys):
    form = tmp_path / "wrong.toml"
    form.write_text(spell([(make_view((*TRUNK, *LEGS), "straight down"), "outer")], 'lays = ["straight down"]\n'))
    assert main(["body", "attitude", str(form), "--quiet", "--no-pictures", "--out", str(tmp_path / "out")]) == 0
    told = capsys.readouterr().out
    assert "note: Map 1 fits much better mirrored" in told
    assert "the body under this model does not explain the map" in told


def test_the_empty_form_says_what_is_missing(tmp_path, capsys):
    form = tmp_path / "form.toml"
    assert main(["body", "attitude", "--form", str(form)]) == 0
    assert '# "nose tip" = [0, 0]' in form.read_text()
    assert main(["body", "attitude", str(form)]) == 2
    assert "the figure has none of these landmarks" in capsys.readouterr().err
    form.write_text(form.read_text().replace('# "', '"').replace("# [map.", "[map."))
    assert main(["body", "attitude", str(form)]) == 2  # all at one place
    assert "all landmarks lie within 0 mm" in capsys.readouterr().err


MAP = """[[map]]
[map.landmarks_mm]
"nose tip" = [0, 0]
"chin" = [-60, 0]
"navel" = [-600, 0]
"left heel" = [-1600, 60]
"""


@pytest.mark.parametrize(("text", "sentence"), [
    (MAP, "form.toml:2: landmarks_mm: 4 landmarks are too few for an attitude; give at least 5 that the figure has"),
    (MAP + '"left kne cap" = [-1100, 60]', "'left kne cap' is no landmark; the nearest known are 'left knee cap'"),
    (MAP + '"pronasale" = [-1100, 60]', "landmarks_mm.pronasale: it is the same as 'nose tip'; give one of them"),
    (MAP + '"left knee cap" = [-1100]', "must hold at least 2 entries"),
    (MAP.replace("[map.landmarks_mm]", "[map.landmarks_m]"), "unknown key; did you mean 'landmarks_mm'?"),
    (MAP.replace("[[map]]", '[[map]]\npicture = "x.png"'), "picture and mm_per_pixel belong together"),
    (MAP + "[map.uncertain_mm]\nknob = 3", "uncertain_mm names 'knob', which is no landmark of this map"),
    ("lie = 'left side'\n" + MAP, "lie: must be 'supine' or 'prone'"),
    ("title = 'x'", "map: this key is missing; give at least one [[map]]"),
])  # fmt: skip
def test_bad_forms_in_one_sentence(tmp_path, capsys, text, sentence):
    form = tmp_path / "form.toml"
    form.write_text(text)
    assert main(["body", "attitude", str(form), "--out", str(tmp_path / "out")]) == 2
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_nothing_to_do_is_refused(capsys):
    assert main(["body", "attitude"]) == 2
    assert "give a filled form, or --form FILE" in capsys.readouterr().err
