"""A strip let down whose hinges rub: the exact rest shape, and bends read off the grid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.references.hysteresis import solve_rubbing_cantilever
from drapesim.ground.units import bending_length, weigh_area
from drapesim.jobs.lab.rubbing import find_turns, let_down
from drapesim.jobs.lab.specimen import cut_strip


@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_strip_let_down_rests_where_the_exact_one_does(curved_card, direction):
    """Of 2 bending lengths with HB = 0.8 w c^2, chord 18 degrees in place of 41.5; the other yarn rubs not at all."""
    card = replace(curved_card, bend_weft=curved_card.bend_warp, bend_bias=curved_card.bend_warp)
    c, weight, cells = bending_length(card.areal_density, card.bend_warp), weigh_area(card.areal_density), 10
    friction, spacing = 0.8, 2.0 * c / cells
    strip = cut_strip(direction, cells + 1, spacing)
    start = strip.laid((np.arange(cells + 2) - 1) * spacing, np.zeros(cells + 2))
    moment = friction * weight * c**2
    moments = (moment, 0.0) if direction == "warp" else (0.0, moment)
    rubbed = let_down(strip.lattice, card, start, strip.held_rows(0, 1), moments)
    assert rubbed.rested
    x, _, z = rubbed.x[strip.rows[-1]].mean(axis=0) / (2.0 * c)
    assert (x, -z) == pytest.approx(solve_rubbing_cantilever(2.0, friction, 3).tip, abs=0.025)
    assert -z < solve_rubbing_cantilever(2.0, 0.0, 3).tip[1] - 0.2, "friction holds it up"


def test_turns_of_a_ring_are_even():
    angle = 0.3 * np.arange(7)
    ring = np.stack([np.cos(angle), np.sin(angle), np.zeros(7)])
    for axis in (1, 2):
        x = np.repeat(np.expand_dims(ring, 3 - axis), 3, axis=3 - axis)
        turn = np.moveaxis(find_turns(x, axis), axis - 1, 0)
        np.testing.assert_allclose(turn[1:-1], 0.3, rtol=1e-12)
        np.testing.assert_array_equal(turn[[0, -1]], 0.0)
