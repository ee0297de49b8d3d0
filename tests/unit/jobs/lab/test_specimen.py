"""Test pieces: what is cut, and that nothing is stretched by laying it out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drapesim.jobs.lab import drape_meter
from drapesim.jobs.lab.bias_extension import choose_short
from drapesim.jobs.lab.drape_meter import SUPPORT, count_folds, cut_disc, drape_rubbing, smooth_rim
from drapesim.jobs.lab.specimen import cut_bias_strip, cut_strip
from drapesim.matter.fabric import DrapeReading
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


def test_a_disc_rubs_only_where_the_card_says_how_both_yarns_do(curved_card):
    for known in ((None, None), (2e-4, None)):
        assert drape_rubbing(replace(curved_card, bend_hysteresis=known), 0.15, SUPPORT, 0.01) is None


def test_where_the_rubbing_disc_finds_no_rest_this_is_told(curved_card, one_thread, monkeypatch):
    card, measured = replace(curved_card, bend_hysteresis=(2e-4, 2e-4)), DrapeReading(0.6, 0.18, 0.30)

    def read(card, rest):
        monkeypatch.setattr(drape_meter, "drape_rubbing", lambda *_: rest)
        made = drape_meter.run_drape_meter(card, 0.03, seeds=1, measured=measured)
        return made.remarks, [reading.note for reading in made.readings], made.readings[1].band

    (remark,), (floor, own), band = read(card, None)
    assert remark.startswith("No rest was found of the disc let down from flat")
    assert "no rest was found" in floor
    assert (own, band) == ("held to the elastic discs alone", None)
    remarks, (floor, own), band = read(card, 0.9)
    assert (remarks, band[1]) == ((), 0.9)
    assert "one start rests at 90.0 %" in floor
    assert own.startswith("between two computed ends, which are no bounds")
    remarks, notes, band = read(curved_card, None)
    assert (remarks, band) == ((), None), "a card without hysteresis calls for no such disc"
    assert "rest" not in notes[0] + notes[1]
