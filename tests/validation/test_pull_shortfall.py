"""Claim: a hand that cannot reach its target stops at its greatest force and tells how far it fell short of it.

Formula: way to the target less (T / E) (near + far exp(-mu a) + (R / mu) (1 - exp(-mu a))), T the greatest force over
the strip's width, a the wrap angle (references.sliding).
Source: the capstan formula, integrated anew, recomputed in tests/unit/ground/references.
Expected order: second in the turn of one link (0.1 rad here).
Tolerance: 2 % of the shortfall, which is a little more than half of the way; 0.8 % is seen. A hand that approaches its
limit in haste draws the strip on too far, and friction keeps it there.
"""

from __future__ import annotations

import math

import pytest

from drapesim.ground.references import predict_capstan_extension
from drapesim.kernels.jit import use_threads
from tests.validation.pulled import ARM, MODULUS, RADIUS, SPACING, WAY, pull

pytestmark = pytest.mark.validation


@pytest.mark.parametrize(
    ("direction", "friction", "angle"), [("warp", 0.3, 90), ("weft", 0.3, 180), ("warp", 0.15, 180)]
)
def test_shortfall(make_card, cut_strip, direction, friction, angle):
    use_threads(1)
    card = make_card(warp_length=0.002, weft_length=0.002, warp_modulus=MODULUS, weft_modulus=MODULUS)
    hands, _, ended, turned, most = pull(card, cut_strip, direction, friction, math.radians(angle))
    assert ended.outcome == "force limit"
    radius = RADIUS + 0.5 * card.thickness
    arms = ARM * SPACING, ARM * SPACING
    expected = WAY - predict_capstan_extension(most, MODULUS, friction, turned, radius, *arms)
    assert ended.shortfall == pytest.approx(expected, rel=0.02)
    assert hands.work > 0.0
