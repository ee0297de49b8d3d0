"""Starts: every link keeps its length, layers are apart, the inner side looks the right way; bad ones are refused."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.body import box, join, slab
from drapesim.matter.lay import FoldStep, HangStep, LowerStep, PressStep, RollStep, SpreadStep
from drapesim.matter.plan import read_scene
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.matter.surface import inner_normals, link_strains
from drapesim.settling.exact import count_self_crossings
from drapesim.settling.starts import begin

SHEET = Sheet(length=0.9, width=0.6, spacing=0.02)
TOP = 0.2  # m, of the box on the slab


@pytest.fixture(scope="module")
def scene():
    plain = read_scene(Path(__file__).parents[3] / "scenes/strip-on-cylinder.toml")
    body = join(box((-0.1, -0.1, 0.0), (0.1, 0.1, TOP)), slab(5.0, 5.0, 0.1))
    return replace(plain, sheet=SHEET, body=body, marks=())


STARTS = {
    "folded along the warp": FoldStep((0.45, 0.3), (0.0, 0.0), 0.3, 0.01, "warp", 0.5, 0.04),
    "folded along the weft": FoldStep((0.45, 0.3), (0.0, 0.0), 0.3, 0.01, "weft", 0.25, 0.04),
    "rolled along the warp": RollStep((0.2, 0.3), (0.0, 0.0), 0.0, 0.01, "warp", 0.3, 0.05, 0.012),
    "rolled along the weft": RollStep((0.2, 0.1), (0.0, 0.0), 1.0, 0.01, "weft", 0.2, 0.03, 0.012),
    "over a bar, warp": HangStep((0.0, 0.0), 0.4, "warp", 0.4, 0.03, 0.01),
    "over a bar, weft": HangStep((0.0, 0.0), 0.4, "weft", 0.3, 0.03, 0.01),
    "spread": SpreadStep((0.45, 0.3), (0.0, 0.0), 0.2),
    "flat": LowerStep((0.45, 0.3), (0.0, 0.0), 0.2, 0.01),
}


@pytest.mark.parametrize("name", STARTS)
def test_start_keeps_lengths_and_crosses_nowhere(scene, name):
    lattice = cut_lattice(SHEET)
    begun = begin(lattice, replace(scene, lay=(STARTS[name],)))
    assert max(np.abs(strain).max() for strain in link_strains(lattice, begun.x)) < 1e-12
    assert count_self_crossings(begun.x, lattice.triangles)[0] == 0
    if name != "spread":
        low = TOP + 0.5 * scene.fabric.thickness + 0.01 if "bar" not in name else TOP + 0.01
        assert begun.x[:, 2].min() == pytest.approx(low, abs=1e-9)


def test_inner_side_is_down_but_for_a_spread_sheet(scene):
    lattice = cut_lattice(SHEET)
    for name, sign in (("flat", -1.0), ("spread", 1.0), ("folded along the warp", -1.0)):
        begun = begin(lattice, replace(scene, lay=(STARTS[name],)))
        first = np.flatnonzero(lattice.uv[:, 0] < 0.3)
        assert inner_normals(lattice, begun.x)[first, 2] == pytest.approx(sign, abs=1e-9), name


def test_hanging_yarns_run_as_turned_and_the_inner_side_faces_the_bar(scene):
    lattice = cut_lattice(SHEET)
    for name, axis in (("over a bar, warp", 0), ("over a bar, weft", 1)):
        step = STARTS[name]
        begun = begin(lattice, replace(scene, lay=(step,)))
        ends = [begun.x[lattice.ij[:, axis] == k].mean(axis=0) for k in (0, lattice.shape[axis] - 1)]
        way = (ends[1] - ends[0])[:2]
        assert np.arctan2(way[1], way[0]) == pytest.approx(step.turn, abs=1e-9)
        on_bar = begun.grips["bar"]
        middle = np.flatnonzero(on_bar & (begun.x[:, 2] > begun.x[:, 2].max() - 1e-3))
        assert (inner_normals(lattice, begun.x)[middle, 2] < -0.9).all()
        assert on_bar.sum() < 0.3 * len(on_bar)


def test_spread_lifts_the_body_by_the_cloth_and_pins_what_is_under_it(scene):
    lattice = cut_lattice(SHEET)
    begun = begin(lattice, replace(scene, lay=(STARTS["spread"],)))
    thickness = scene.fabric.thickness
    on_box = np.unique(scene.body.faces[scene.body.part == 0])
    assert begun.body.vertices[on_box, 2] - scene.body.vertices[on_box, 2] == pytest.approx(thickness, abs=1e-12)
    on_slab = np.unique(scene.body.faces[scene.body.part == 1])
    assert np.array_equal(begun.body.vertices[on_slab], scene.body.vertices[on_slab])
    under = (np.abs(begun.x[:, :2]) < 0.1).all(axis=1)
    assert begun.pinned[under].all()
    assert not begun.pinned[(np.abs(begun.x[:, :2]) > 0.102).any(axis=1)].any()
    assert begun.x[:, 2] == pytest.approx(0.5 * thickness, abs=1e-12)
    assert "pinned" in begun.told[0]


@pytest.mark.parametrize(
    ("step", "sentence"),
    [
        (replace(STARTS["folded along the warp"], apart=0.01), "lay[1].apart_mm: layers 10 mm apart would pass"),
        (replace(STARTS["rolled along the warp"], pitch=0.002), "lay[1].pitch_mm: layers 2 mm apart would pass"),
        (replace(STARTS["folded along the warp"], place=(9.0, 0.0)), "lay[1]: nothing lies under the sheet"),
        (replace(STARTS["over a bar, warp"], place=(9.0, 0.0)), "lay[1]: nothing lies under the sheet"),
    ],
)
def test_starts_that_are_refused(scene, step, sentence):
    with pytest.raises(InputError) as caught:
        begin(cut_lattice(SHEET), replace(scene, lay=(step,)))
    assert sentence in str(caught.value)


def test_spread_needs_a_level_support_that_the_body_stands_on(scene):
    lattice, lay = cut_lattice(SHEET), (STARTS["spread"],)
    with pytest.raises(InputError, match="there is no support to spread the cloth on"):
        begin(lattice, replace(scene, lay=lay, body=box((-0.1, -0.1, 0.0), (0.1, 0.1, 0.2))))
    sunk = join(box((-0.1, -0.1, -0.05), (0.1, 0.1, 0.2)), slab(5.0, 5.0, 0.1))
    with pytest.raises(InputError, match="the body lies lower than the support's top"):
        begin(lattice, replace(scene, lay=lay, body=sunk))


def test_one_start_is_enough(scene):
    lay = (STARTS["flat"], PressStep(((0.4, 0.3),), 0.05, 1.0), STARTS["flat"])
    with pytest.raises(InputError, match=r"lay\[3\]: the sheet has been lowered already"):
        begin(cut_lattice(SHEET), replace(scene, lay=lay))
