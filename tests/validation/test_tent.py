"""Claim: beside a thin ridge the sheet stands clear of the floor over the heavy elastica's distance, and loads it so.

Formula: theta'' = (v - s) cos theta from lift-off to the ridge, in bending lengths (references.tent); small slope:
gap a = (72 h B / w)^(1/4), ridge 4 w a / 3.
Source: derived anew, recomputed in tests/unit/ground/references by least energy over an obstacle.
Expected order: second in the spacing for the profile.
The floor is smooth, so each side carries no horizontal force and the ridge can take none: friction on the ridge
changes nothing but keeps the sheet from wandering sideways for ever.
Tolerance: 3 % of the gap per side and of the ridge force at c/10. The lift-off starts as a cube of the distance, so the
place of lift-off itself cannot be read off a lattice: the gap is read where the sheet is h/50 above its place on the
floor, and compared with the same reading of the elastica.
This is the most direct check of a map of distances.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from drapesim.ground.outcome import Ending
from drapesim.ground.references import solve_tent
from drapesim.ground.units import GRAVITY
from drapesim.matter.body import join, ridge, slab
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

LENGTHS = {"warp": 0.025, "weft": 0.020}


def read_gap(distance, height, threshold):
    """Distance from the ridge at which a falling profile is ``threshold`` high."""
    profile = PchipInterpolator(distance, height - threshold)
    return brentq(profile, distance[0], distance[np.flatnonzero(height < threshold)[0]])


@pytest.mark.parametrize(
    ("direction", "height", "shift"),  # in c; shift of the ridge from a row of nodes, in cells
    [("warp", 0.2, 0.0), ("warp", 0.2, 0.5), ("warp", 1.0, 0.3), ("weft", 0.5, 0.5)],
)
def test_tent_over_ridge(make_card, cut_strip, direction, height, shift):
    c = LENGTHS[direction]
    card = make_card(warp_length=LENGTHS["warp"], weft_length=LENGTHS["weft"], warp_modulus=4e3, weft_modulus=4e3)
    exact = solve_tent(height, points=2001)
    side_cells = round((exact.arc + 2.0) * 10)
    strip = cut_strip(direction, 2 * side_cells, 0.1 * c)
    along = (np.arange(2 * side_cells + 1) - side_cells + shift) * strip.spacing
    start = strip.laid(along, np.full(len(along), height * c + 0.5 * card.thickness + 1e-3))
    body = join(
        ridge(height=height * c, breadth=0.5 * height * c, length=0.1),  # along y over x = 0; 76 degrees steep
        slab(length=1.0, width=1.0, thickness=0.05),
    )
    settled = settle(
        strip.lattice,
        card,
        start,
        body=body,
        friction=np.array([0.4, 0.0]),  # ridge, floor
        settings=SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0),
    )
    assert settled.ending is Ending.SETTLED, settled.certificate.failures

    x = settled.x[strip.rows].mean(axis=1)
    clear = x[:, 2] - 0.5 * card.thickness  # of the body-facing side above the floor
    for side in (-1.0, 1.0):
        rows = np.flatnonzero(side * x[:, 0] > 0.0)
        rows = rows[np.argsort(side * x[rows, 0])]
        expected = read_gap(exact.gap - exact.x[::-1], exact.y[::-1], height / 50.0)
        measured = read_gap(side * x[rows, 0] / c, clear[rows] / c, height / 50.0)
        assert measured == pytest.approx(expected, rel=0.03)
    lift = settled.contact_force[strip.rows, 2].sum(axis=1)
    ridge_force = lift[clear > 0.5 * height * c].sum() / strip.width
    assert ridge_force == pytest.approx(exact.ridge_force * card.areal_density * GRAVITY * c, rel=0.03)
    floor = lift[clear <= 0.5 * height * c].sum() + lift[clear > 0.5 * height * c].sum()
    assert floor == pytest.approx(card.areal_density * GRAVITY * strip.row_area.sum(), rel=1e-3)
