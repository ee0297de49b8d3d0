"""Claim: a search finds the lay that marks were made in by contact, from those marks alone.

A cloth is put down over a roller on a slab with an offset of 27 and -19 mm and a turn of 5 degrees, and settled. Traced
on it are the patch that touches the roller and what of it lies within 20 mm of each of five points, with the claims to
touch and to show them. The search begins from no offset and no turn, and must come within 3 mm and 0.5 degrees, the bar
that the demo figure is held to by `python -m benchmarks search`. No formula is behind it: the truth is constructed, and
the search is not told it. The tolerance is that bar; folds differ from lay to lay, so no order of convergence can be
expected.
"""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.search import STEP, find_parts, spell_path
from drapesim.ground.files import spell_toml
from drapesim.jobs.run import run_scene
from drapesim.jobs.search import search_scene
from drapesim.judging.places import LANDMARK_REACH
from drapesim.matter.plan import read_scene
from drapesim.matter.surface import sample_nodes

pytestmark = pytest.mark.validation

HIDDEN = 27.0, -19.0, 5.0  # mm, mm, degrees
CARD = Path(__file__).parents[2] / "scenes/fabrics/cover-linen.toml"
LENGTH, WIDTH, RADIUS = 480, 360, 60  # mm
PLACES = {"crest left": (0.0, 100.0), "crest right": (0.0, -100.0), "flank left": (0.8, 30.0),
          "flank right": (0.8, -30.0), "far flank": (-0.9, 0.0)}  # fmt: skip  # angle from the top, y in mm


def landmarks():
    """The places on the roller, mm."""
    return {n: [RADIUS * math.sin(a), y, RADIUS * (1.0 + math.cos(a))] for n, (a, y) in PLACES.items()}


def write(folder, marks=""):
    data = {
        "title": "A cloth over a roller",
        "sheet": {"length_mm": LENGTH, "width_mm": WIDTH, "spacing_mm": 15},
        "fabric": {"card": str(CARD)},
        "flat_map": {"marks": "marks.svg", "claims": "claims.toml"} if marks else {},
        "body": {
            "surface": "limewood",
            "cylinder": {"radius_mm": RADIUS, "length_mm": 260, "axis": "y", "centre_mm": [0, 0, RADIUS]},
            "landmarks_mm": landmarks(),
        },
        "support": {"surface": "slate", "length_mm": 1200, "width_mm": 1000},
        "settle": {"levels": 0},  # such a small sheet hardly moves on a second lattice
        "lay": [{"do": "lower", "point_mm": [LENGTH / 2, WIDTH / 2], "place_mm": [0, 0], "turn_deg": 0}],
        "search": {
            "coarse_spacing_mm": 30,
            "confirm": 2,
            "free": [
                {"key": "lay[1].place_mm", "low": [-60, -60], "high": [60, 60]},
                {"key": "lay[1].turn_deg", "low": -8, "high": 8},
            ],
        },
    }
    (folder / "scene.toml").write_text(spell_toml(data))
    return folder / "scene.toml"


def test_the_hidden_lay_is_found(tmp_path):
    scene = read_scene(write(tmp_path))
    x, y, turn = HIDDEN[0] / 1e3, HIDDEN[1] / 1e3, math.radians(HIDDEN[2])
    step = replace(scene.lay[0], place=(x, y), turn=turn)
    run = run_scene(replace(scene, lay=(step,), inputs={"hidden": "lay"}), tmp_path / "hidden")
    assert run.certificate.settled
    counts = np.round(1e-3 * np.array([LENGTH, WIDTH]) / STEP).astype(int)
    uv = STEP * (np.stack(np.meshgrid(*map(np.arange, counts), indexing="ij"), axis=-1).reshape(-1, 2) + 0.5)
    touches = sample_nodes(run.lattice, run.contact.gap, uv) <= 2e-3
    point = np.stack([sample_nodes(run.lattice, axis, uv) for axis in run.contact.body_point.T], axis=1)
    shapes = [spell_path("patch", find_parts(uv[touches], 1e-3)[0])]
    claims = {"patch": {"claim": "touches", "tolerance_mm": 2.0}}
    for name, place in run.body.landmarks.items():
        near = touches & (np.linalg.norm(point - place, axis=1) <= LANDMARK_REACH)
        for part in find_parts(uv[near], 3e-4)[:1]:
            shapes.append(spell_path(name.replace(" ", "-"), part))
            claims[name.replace(" ", "-")] = {"claim": "shows_feature", "place": name, "tolerance_mm": 2.0}
    assert len(claims) >= 4
    page = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{LENGTH}mm" height="{WIDTH}mm" viewBox="0 0 {LENGTH} {WIDTH}">'
    )
    (tmp_path / "marks.svg").write_text(page + "".join(shapes) + "</svg>")
    (tmp_path / "claims.toml").write_text(spell_toml(claims))
    found = search_scene(write(tmp_path, "drawn"), tmp_path / "found")
    best = np.array(found.best[0].values)
    assert np.hypot(*(best[:2] - HIDDEN[:2])) < 3.0, found.best
    assert abs(best[2] - HIDDEN[2]) < 0.5, found.best
