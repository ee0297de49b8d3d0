"""Claim: a sheet over a smooth level cylinder, hanging down evenly on both sides, presses by p = w (l/R + 2 cos a).

Formula: tension w (l + R cos a) turned over R, plus w cos a (references.tension).
Source: textbook statics, derived anew and recomputed in tests/unit/ground/references.
Expected order: second in the spacing; the rest is bending, of relative size c^3 / (2 R^2 (l + R)) = 0.15 % here, and
an end layer of thickness (c^3 / l)^(1/2) = 6 mm at the tangent point, which is left out.
Tolerance: 2 % of the mean pressure over five rows (18 degrees).
The top row is held, because without friction the even hang is unstable; by symmetry it takes only its own share.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.references import predict_cylinder_pressure
from drapesim.ground.units import GRAVITY
from drapesim.matter.body import cylinder
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

RADIUS, SIDE_CELLS, SPACING = 0.080, 45, 0.005


def wrap(card):
    """(along, height) of the rows from one end to the other: round the cylinder and plumb down, a hair clear of it."""
    r = RADIUS + 0.5 * card.thickness + 5e-5
    s = np.arange(-SIDE_CELLS, SIDE_CELLS + 1) * SPACING
    turn = 2.0 * math.asin(0.5 * SPACING / r) * r / SPACING  # chords of the rest length keep the links unstretched
    angle = np.clip(s * turn / r, -0.5 * math.pi, 0.5 * math.pi)
    below = np.maximum(np.abs(s) - 0.5 * math.pi * r / turn, 0.0)
    return r * np.sin(angle), r * np.cos(angle) - below


@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_pressure_on_smooth_cylinder(make_card, cut_strip, direction):
    card = make_card(warp_length=0.015, weft_length=0.015, warp_modulus=4e3, weft_modulus=4e3)
    strip = cut_strip(direction, 2 * SIDE_CELLS, SPACING)
    held = np.zeros(len(strip.lattice.ij), dtype=bool)
    held[strip.rows[SIDE_CELLS]] = True
    start = strip.laid(*wrap(card))
    start[held, 2] = RADIUS + 0.5 * card.thickness
    body = cylinder(radius=RADIUS, length=0.1, n_segments=360)  # along y, centred on the origin
    settled = settle(
        strip.lattice,
        card,
        start,
        body=body,
        held=held,
        friction=np.zeros(1),
        settings=SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0),
    )
    assert settled.ending is Ending.SETTLED, settled.certificate.failures

    x = settled.x[strip.rows].mean(axis=1)
    angle = np.arctan2(x[:, 0], x[:, 2])
    outward = np.column_stack([np.sin(angle), 0.0 * angle, np.cos(angle)])
    push = (settled.contact_force[strip.rows].sum(axis=1) * outward).sum(axis=1)
    radius = RADIUS + 0.5 * card.thickness
    drop = SIDE_CELLS * SPACING - 0.5 * math.pi * radius
    for side in (-1, 1):
        for first in (4, 9, 14):  # 14 to 68 degrees from the top
            rows = SIDE_CELLS + side * np.arange(first, first + 5)
            expected = predict_cylinder_pressure(angle[rows], card.areal_density * GRAVITY, radius, drop)
            assert push[rows].sum() / strip.row_area[rows].sum() == pytest.approx(expected.mean(), rel=0.02)
