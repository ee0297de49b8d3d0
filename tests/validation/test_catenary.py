"""Claim: a limp strip held at two level edges hangs as the catenary, and pulls at them as the catenary does.

Formula: length = 2 a sinh(D / 2a), sag = a (cosh(D / 2a) - 1), end pull w (a + sag) (references.tension).
Source: textbook statics (from memory), recomputed in tests/unit/ground/references.
Expected order: second in the spacing.
Tolerance: 0.5 % of the sag, of the height of every row (over the sag) and of the pull. What is left out is 0.1 % of the
sag at most: bending of relative size (c / D)^3 = 5e-6, for a strip 60 bending lengths long between edges it can turn at
(only its last rows are held), and stretch, w D / E = 3e-5. Order of the sag between 1.8 and 2.2, from coarse lattices
whose error is far above that.
The start is two straight halves, as far from the answer as the length allows.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.references import solve_catenary
from drapesim.ground.units import GRAVITY
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

SPAN, DENSITY = 0.30, 0.180
SETTINGS = SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0)


def settle_catenary(make_card, cut_strip, direction, slack, cells):
    """(row positions (k, 3) m, pull (N/m) of each edge as (2, 3)) of a strip ``slack`` times as long as the span."""
    card = make_card(warp_length=5e-3, weft_length=5e-3, warp_modulus=20e3, weft_modulus=20e3, density=DENSITY)
    length = slack * SPAN
    strip = cut_strip(direction, cells, length / cells)
    s = np.linspace(-0.5 * length, 0.5 * length, cells + 1)
    below = 0.5 * math.sqrt(length**2 - SPAN**2) * (1.0 - 2.0 * np.abs(s) / length)
    held = np.zeros(len(strip.lattice.ij), dtype=bool)
    held[strip.rows[[0, -1]]] = True
    settled = settle(strip.lattice, card, strip.laid(s / slack, -below), held=held, settings=SETTINGS)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    return settled.x[strip.rows].mean(axis=1), settled.reaction[strip.rows[[0, -1]]].sum(axis=1) / strip.width


@pytest.mark.parametrize(("direction", "slack"), [("weft", 1.05), ("weft", 1.5), ("weft", 3.0), ("warp", 1.2)])
def test_shape_and_pull(make_card, cut_strip, direction, slack):
    x, pull = settle_catenary(make_card, cut_strip, direction, slack, 80)
    exact = solve_catenary(SPAN, slack * SPAN, DENSITY * GRAVITY)
    assert -x[40, 2] == pytest.approx(exact.sag, rel=5e-3)
    np.testing.assert_allclose(-x[:, 2], exact.place(x[:, 0]), atol=5e-3 * exact.sag)
    for end, sign in zip(pull, (-1.0, 1.0), strict=True):
        assert sign * end[0] == pytest.approx(exact.low_tension, rel=5e-3)
        assert math.hypot(end[0], end[2]) == pytest.approx(exact.end_tension, rel=5e-3)


def test_second_order_in_spacing(make_card, cut_strip):
    exact = solve_catenary(SPAN, 1.5 * SPAN, DENSITY * GRAVITY).sag
    lowest = [settle_catenary(make_card, cut_strip, "weft", 1.5, n)[0][n // 2, 2] for n in (8, 16, 32)]
    errors = [abs(-z - exact) for z in lowest]
    orders = [math.log2(errors[0] / errors[1]), math.log2(errors[1] / errors[2])]
    assert min(orders) > 1.8, (errors, orders)
    assert max(orders) < 2.2, (errors, orders)
