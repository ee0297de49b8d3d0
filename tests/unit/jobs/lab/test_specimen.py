"""Test pieces: what is cut, and that nothing is stretched by laying it out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.references.hysteresis import solve_rubbing_cantilever
from drapesim.jobs.lab.bias_extension import choose_short
from drapesim.jobs.lab.drape_meter import SUPPORT, count_folds, cut_disc, find_floor, find_strip_band, smooth_rim
from drapesim.jobs.lab.specimen import cut_bias_strip, cut_strip
from drapesim.matter.surface import link_strains


@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_strip_lies_along_its_yarn(direction):
    strip = cut_strip(direction, 7, 0.01, 3)
    assert strip.rows.shape == (8, 4)
    axis = 0 if direction == "warp" else 1
    along = strip.lattice.uv[strip.rows][:, :, axis]
    assert np.allclose(along, 0.01 * np.arange(8)[:, None])
    assert strip.row_area.sum() == pytest.approx(0.07 * 0.03)
    flat = strip.laid(0.01 * np.arange(8), np.zeros(8))
    assert max(np.abs(e).max() for e in link_strains(strip.lattice, flat)) < 1e-12
    assert strip.held_rows(0, -1).sum() == 8


@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_strip_shows_its_outer_side_upward_either_way(direction):
    strip = cut_strip(direction, 4, 0.01)
    x = strip.laid(0.01 * np.arange(5), np.zeros(5))
    a, b, c = x[strip.lattice.triangles[0]]
    assert np.cross(b - a, c - a)[2] > 0.0


@pytest.mark.parametrize(("before", "rows", "half"), [(0, 12, 2), (7, 7, 5), (6, 6, 4), (0, 9, 3)])
def test_bias_strip_has_whole_rows_and_no_strain(before, rows, half):
    strip = cut_bias_strip(before, rows, half, 0.01)
    assert (strip.row.min(), strip.row.max()) == (-before, rows)
    assert strip.place.min() == -strip.place.max()
    assert strip.step == pytest.approx(0.01 / math.sqrt(2.0))
    assert max(np.abs(e).max() for e in link_strains(strip.lattice, strip.flat)) < 1e-12
    links = strip.flat[strip.links]
    assert np.allclose(np.linalg.norm(links[:, 1] - links[:, 0], axis=1), 0.01)
    # the staircases end half a row inside the tips, all round
    length, breadth = (rows + before - 1) * strip.step, (2 * strip.place.max() - 1) * strip.step
    assert strip.lattice.node_area.sum() == pytest.approx(length * breadth, rel=0.1)


def test_disc_is_round():
    lattice, radius, angle = cut_disc(0.15, 0.005)
    assert lattice.node_area.sum() == pytest.approx(math.pi * 0.15**2, rel=0.02)
    assert radius.max() < 0.15 + 0.005
    assert np.ptp(angle) > 6.2


@pytest.mark.parametrize("folds", [0, 4, 7])
def test_folds_of_a_rim_are_counted(folds):
    angle = np.sort(np.random.default_rng(1).uniform(-np.pi, np.pi, 140))
    stairs = 1e-3 * (np.arange(140) % 2)  # what the lattice's edge adds
    rim = smooth_rim(angle, 0.005 * np.cos(folds * angle) + stairs)
    assert rim.shape == (180,)
    assert count_folds(rim) == folds


@pytest.mark.parametrize("shape", [1.25, 1.5, 1.77, 2.0, 2.5, 3.0, 10.0])
def test_short_bias_piece_has_the_shape_that_was_read(shape):
    half, rows = choose_short(shape)
    assert rows % 2 == 0
    assert half % 2 == 1
    assert rows / (2 * half + 1) == pytest.approx(shape, rel=0.03)


def test_strips_that_rub_rest_about_the_floor(curved_card):
    """A ring 60 mm broad; without hysteresis there is nothing to tell."""
    both = replace(curved_card, bend_weft=curved_card.bend_warp, bend_bias=curved_card.bend_warp)
    disc = SUPPORT + 0.06
    assert find_strip_band(both, SUPPORT, disc) is None
    rubbing = replace(both, bend_hysteresis=(2e-4, 2e-4))
    low, high = find_strip_band(rubbing, SUPPORT, disc)
    assert 0.0 <= low < find_floor(both, SUPPORT, disc) < high < 1.0
    c = (both.bend_warp / (both.areal_density * 9.80665)) ** (1.0 / 3.0)
    reach = 0.06 * solve_rubbing_cantilever(0.06 / c, 1e-4 / (both.areal_density * 9.80665 * c**2), 3).tip[0]
    assert high == pytest.approx(((SUPPORT + reach) ** 2 - SUPPORT**2) / (disc**2 - SUPPORT**2))
    assert find_strip_band(replace(rubbing, bend_warp=1e-7), SUPPORT, disc) is None, "longer than was tested for"
