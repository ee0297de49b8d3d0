"""Claim: a strip clamped level bends under its own weight to the shape of the heavy elastica, in warp and in weft.

Formula: theta'' = -gamma (1 - s) cos theta, theta(0) = 0, theta'(1) = 0, gamma = w L^3 / B (references.elastica).
Source: Bickley 1934, The heavy elastica (from memory); solution recomputed in tests/unit/ground/references.
Expected order: second in the spacing, because the hinge at the last held row is that of half a cell (2B/h), so the
clamp line is at that row. A whole-cell clamp would be first order.
Tolerance: 1 % of tip distance and tip drop at L/40. A chain of rigid links with exact hinges is within 0.1 % there; the
rest is room for stretch (2e-5) and the certificate's residual. Order between 1.8 and 2.2.
"""

from __future__ import annotations

import math

import pytest

from drapesim.ground.outcome import Ending
from drapesim.ground.references import solve_cantilever
from drapesim.jobs.lab.cantilever import settle_cantilever
from drapesim.matter.plan import SettleSettings

pytestmark = pytest.mark.validation

CARD = {"warp_length": 0.025, "weft_length": 0.020, "warp_modulus": 4e3, "weft_modulus": 4e3}
SETTINGS = SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0)
TIGHT = SettleSettings(residual_rms=1e-5, residual_max=1e-4, levels=0)  # well below the error at L/40


def find_tip(card, direction, gamma, cells, settings):
    """(x, drop) of the tip in units of the free length; one cell more is held."""
    length = CARD[f"{direction}_length"] * gamma ** (1.0 / 3.0)
    settled, line = settle_cantilever(card, direction, length / cells, cells, settings)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    return line[-1] / length


@pytest.mark.parametrize(("direction", "gamma"), [("warp", 3.0), ("warp", 8.0), ("warp", 20.0), ("weft", 8.0)])
def test_tip_at_forty_cells(make_card, direction, gamma):
    x, drop = find_tip(make_card(**CARD), direction, gamma, 40, SETTINGS)
    exact_x, exact_drop = solve_cantilever(gamma).tip
    assert x == pytest.approx(exact_x, rel=0.01)
    assert drop == pytest.approx(exact_drop, rel=0.01)


@pytest.mark.parametrize("direction", ["warp", "weft"])
def test_second_order_in_spacing(make_card, direction):
    card = make_card(**CARD)
    exact = solve_cantilever(8.0).tip
    errors = [math.dist(find_tip(card, direction, 8.0, n, TIGHT), exact) for n in (10, 20, 40)]
    orders = [math.log2(errors[0] / errors[1]), math.log2(errors[1] / errors[2])]
    assert min(orders) > 1.8, (errors, orders)
    assert max(orders) < 2.2, (errors, orders)
