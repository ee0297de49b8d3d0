"""Claim: a limp strip hung unevenly over a rough level cylinder holds below the derived length and runs off above it.

Formula: (l2 - b) = exp(mu pi) (l1 + b), b = 2 mu R / (1 + mu^2), plumb lengths l1 < l2 (references.sliding).
Source: textbook statics, derived anew; checked against a step-by-step balance in tests/unit/ground/references.
Expected order: second in the spacing over the radius, 0.1 % here.
Tolerance: 2 % of the longer length, from both sides. Held means certified, and within 0.2 mm of where it was put (the
strip slips a little while the contact takes up its load); running off means no certificate and 1 mm of way or more, ten
times what a held one does. Left out: bending, of relative size (c / R)^3 = 1e-3 of w R.
The strip's length stays the same and its place changes.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from drapesim.ground.outcome import Ending
from drapesim.ground.references import predict_strip_slip_length
from drapesim.matter.body import cylinder
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

RADIUS, SPACING, CELLS = 0.040, 0.004, 88


def settle_over_cylinder(make_card, cut_strip, direction, friction, share, max_steps):
    """(settled, way (m) that the shorter end has gone up) for a longer length of ``share`` times the critical one."""
    card = make_card(warp_length=0.004, weft_length=0.004, warp_modulus=2e3, weft_modulus=2e3)
    strip = cut_strip(direction, CELLS, SPACING)
    half = RADIUS + 0.5 * card.thickness
    radius = half / math.cos(0.5 * SPACING / half) + 2e-6  # of the nodes: the links between them are to clear the body
    turn = 2.0 * math.asin(0.5 * SPACING / radius)  # of one link
    hanging = (CELLS - math.pi / turn) * SPACING

    def miss(longer):
        return longer - share * predict_strip_slip_length(hanging - longer, radius, friction)

    longer = brentq(miss, 0.5 * hanging, hanging)
    s = np.arange(CELLS + 1) * SPACING - (hanging - longer)  # from the shorter side's tangent point
    angle = np.clip(s / SPACING * turn, 0.0, math.pi)
    below = np.maximum(-s, 0.0) + np.maximum(s - math.pi / turn * SPACING, 0.0)
    start = strip.laid(-radius * np.cos(angle), radius * np.sin(angle) - below)
    settled = settle(
        strip.lattice,
        card,
        start,
        body=cylinder(radius=RADIUS, length=0.1, n_segments=180),
        friction=np.array([friction]),
        settings=SettleSettings(levels=0, max_steps=max_steps),
    )
    return settled, float((settled.x - start)[strip.rows[0], 2].mean())


@pytest.mark.parametrize(("direction", "friction"), [("weft", 0.15), ("weft", 0.3), ("warp", 0.3)])
def test_holds_just_below(make_card, cut_strip, direction, friction):
    settled, way = settle_over_cylinder(make_card, cut_strip, direction, friction, 0.98, 300_000)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    assert abs(way) < 2e-4


@pytest.mark.parametrize("friction", [0.15, 0.3])
def test_runs_off_just_above(make_card, cut_strip, friction):
    settled, way = settle_over_cylinder(make_card, cut_strip, "weft", friction, 1.02, 12_000)  # in 40,000 it is gone
    assert settled.ending is not Ending.SETTLED
    assert way > 1e-3
