"""Lowering the flat sheet: where it comes to hang, which way up, and how high."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.body import box, join, placed, slab, sphere
from drapesim.matter.lay import LowerStep
from drapesim.matter.plan import read_scene
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.matter.surface import inner_normals
from drapesim.settling.steps import highest_under, lower_flat, start_shape

SHEET = Sheet(0.6, 0.4, 0.1)
BALL = sphere(0.1, (0.3, -0.2, 0.5))
TOP = 0.6
HALF = 2e-4


@pytest.mark.parametrize("inner_sign", [-1, 1])
@pytest.mark.parametrize("turn", [0.0, 0.7, np.pi / 2, -2.0])
def test_the_sheet_hangs_where_it_is_told_inner_side_down(inner_sign, turn):
    lattice = cut_lattice(replace(SHEET, inner_sign=inner_sign))
    step = LowerStep((0.2, 0.1), (0.3, -0.2), turn, 0.015)
    x = lower_flat(lattice, step, BALL, HALF)
    assert x.dtype == np.float64
    assert np.allclose(inner_normals(lattice, x), [0.0, 0.0, -1.0], atol=1e-12)
    assert np.allclose(x[:, 2], TOP + 0.015 + HALF, rtol=0, atol=1e-12)
    held = x[lattice.index[2, 1]]
    assert np.allclose(held[:2], step.place, atol=1e-12)
    warp = x[lattice.index[3, 1]] - held
    assert np.allclose(warp, [0.1 * np.cos(turn), 0.1 * np.sin(turn), 0.0], atol=1e-12)
    weft = x[lattice.index[2, 2]] - held
    assert np.linalg.norm(weft) == pytest.approx(0.1, rel=1e-12)
    assert warp @ weft == pytest.approx(0.0, abs=1e-15)


def test_only_what_lies_under_the_sheet_counts():
    tower = box((1.0, 1.0, 0.0), (1.1, 1.1, 2.0))
    lattice = cut_lattice(SHEET)
    step = LowerStep((0.3, 0.2), (0.3, -0.2), 0.0, 0.01)
    x = lower_flat(lattice, step, join(placed_ball(), tower), HALF)
    assert x[0, 2] == pytest.approx(TOP + 0.01 + HALF, abs=1e-12)
    over = lower_flat(lattice, replace(step, place=(1.25, 1.05)), join(placed_ball(), tower), HALF)
    assert over[0, 2] == pytest.approx(2.0 + 0.01 + HALF, abs=1e-12)


def placed_ball():
    return replace(BALL, landmarks={})  # the tower has a landmark of the same name


def test_a_slab_without_a_corner_under_the_sheet_is_met():
    x = lower_flat(cut_lattice(SHEET), LowerStep((0.3, 0.2), (0.0, 0.0), 0.4, 0.01), slab(5.0, 5.0, 0.1), HALF)
    assert np.allclose(x[:, 2], 0.01 + HALF, rtol=0, atol=1e-12)


def test_a_bar_that_crosses_without_a_corner_is_met():
    """A long bar: no corner of it lies under the sheet, and no corner of the sheet over it."""
    bar = placed(box((-0.05, -2.0, 0.0), (0.05, 2.0, 0.35)), turn=0.2)
    x = lower_flat(cut_lattice(SHEET), LowerStep((0.3, 0.2), (0.0, 0.0), 0.0, 0.01), bar, HALF)
    assert x[0, 2] == pytest.approx(0.35 + 0.01 + HALF, abs=1e-12)


def test_highest_point_against_dense_sampling():
    """Random triangles: no sampled point of a triangle inside the column is higher, and one comes close."""
    chance = np.random.default_rng(3)
    weight = chance.dirichlet([0.4, 0.4, 0.4], 400_000)
    size = np.array([1.0, 0.6])
    met = 0
    for _ in range(60):
        corner = chance.uniform([-1.0, -1.0, 0.0], [2.0, 1.6, 1.0], (3, 3))
        top = highest_under(corner, np.array([[0, 1, 2]]), size)
        point = weight @ corner
        inside = (point[:, :2] >= 0.0).all(1) & (point[:, :2] <= size).all(1)
        if not inside.any():
            continue
        met += 1
        assert point[inside, 2].max() <= top + 1e-12
        assert top - point[inside, 2].max() < 0.02
    assert met > 25


def test_upright_and_parallel_triangles():
    size = np.array([1.0, 1.0])
    upright = np.array([[0.5, -1.0, 0.0], [0.5, 2.0, 0.0], [0.5, 0.5, 3.0]])
    assert highest_under(upright, np.array([[0, 1, 2]]), size) == 3.0
    beside = np.array([[1.5, -1.0, 0.0], [1.5, 2.0, 0.0], [3.0, 0.5, 3.0]])
    assert highest_under(beside, np.array([[0, 1, 2]]), size) == -np.inf
    unused = np.array([[0.5, 0.5, 9.0], *beside])
    assert highest_under(unused, np.array([[1, 2, 3]]), size) == -np.inf


@pytest.fixture(scope="module")
def scene():
    return read_scene(Path(__file__).parents[3] / "scenes/strip-on-cylinder.toml")


def test_start_shape_of_a_scene(scene):
    x = start_shape(cut_lattice(scene.sheet), scene)
    assert np.allclose(x[:, 2], 0.6 + scene.lay[0].clearance + 0.5 * scene.fabric.thickness, rtol=0, atol=1e-12)


def test_nothing_under_the_sheet_is_refused(scene):
    aside = replace(scene, lay=(replace(scene.lay[0], place=(2.0, 0.5)),))
    with pytest.raises(InputError, match=r"lay\[1\]: nothing lies under the sheet at place_mm = \[2000, 500\]"):
        start_shape(cut_lattice(scene.sheet), aside)


def test_lowering_twice_is_refused(scene):
    with pytest.raises(InputError, match=r"lay\[2\]: the sheet has been lowered already"):
        start_shape(cut_lattice(scene.sheet), replace(scene, lay=scene.lay * 2))
