"""What bending hysteresis does to a gap, point by point."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.references.hysteresis import solve_shape_band
from drapesim.ground.units import bending_length, weigh_area
from drapesim.judging.hysteresis import carry, distance_along
from drapesim.matter.sheet import Lattice


def test_way_along_the_sheet_goes_round_a_hole():
    cell = np.ones((9, 9), dtype=bool)
    cell[:8, 4] = False
    lattice = Lattice(0.01, 0.01, cell)
    touching = np.zeros(len(lattice.ij), dtype=bool)
    touching[lattice.index[0, 0]] = True
    way = distance_along(lattice, touching)
    assert way[lattice.index[0, 0]] == 0.0
    assert way[lattice.index[5, 2]] == pytest.approx(0.01 * (3.0 + 2.0 * math.sqrt(2.0)))
    assert way[lattice.index[0, 9]] > 0.16, "across the slit it must go round its end"


def test_nothing_touches_or_nothing_is_known(curved_card, holed_lattice):
    nothing = np.zeros(len(holed_lattice.ij), dtype=bool)
    assert np.isinf(distance_along(holed_lattice, nothing)).all()
    assert carry(holed_lattice, curved_card, ~nothing) is None
    loose = carry(holed_lattice, replace(curved_card, bend_hysteresis=(1e-3, None)), nothing)
    assert np.isfinite(loose).all()
    assert (loose > 0.0).all()


def test_it_is_half_the_band_of_a_strip_that_stands_free(curved_card):
    c = bending_length(curved_card.areal_density, curved_card.bend_warp)
    unit = weigh_area(curved_card.areal_density) * c**2
    lattice = Lattice(0.5 * c, 0.5 * c, np.ones((8, 2), dtype=bool))
    touching = lattice.ij[:, 0] == 0
    shift = carry(lattice, replace(curved_card, bend_hysteresis=(2.0 * 0.3 * unit, None)), touching)
    band = solve_shape_band(2.0, 0.3)
    half = 0.5 * 2.0 * c * math.dist(band.upper.tip, band.lower.tip)
    assert shift[lattice.index[4]] == pytest.approx(half, rel=1e-3)
    assert (shift[touching] == 0.0).all()
    by_row = shift[lattice.index[:, 0]]
    assert (np.diff(by_row) >= 0.0).all()
    both = replace(curved_card, bend_hysteresis=(2.0 * 0.3 * unit, 2.0 * 0.6 * unit))
    with_weft = carry(lattice, both, touching)
    assert (with_weft >= shift).all()
    assert with_weft.max() > shift.max()
