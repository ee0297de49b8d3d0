"""Strips that give way: Bessel zeros, direct integration, energy and moment balance against the answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_bvp
from scipy.optimize import brentq
from scipy.special import jv

from drapesim.ground.references import predict_lateral_buckling, solve_pinned_strip


def test_narrow_strip_tips_over_at_the_bessel_zero(matches):
    """12.854 is six times the first zero of J of order -1/6 (status: recomputed); B b C = 2 B J b^2."""
    zero = brentq(lambda z: jv(-1.0 / 6.0, z), 1.5, 2.5, xtol=1e-13)
    assert matches(6.0 * zero, "12.854")
    assert predict_lateral_buckling(1.0, 1.0) == pytest.approx(6.0 * zero * math.sqrt(2.0), rel=1e-8)
    assert matches(predict_lateral_buckling(1.0, 1.0), "18.18")
    assert predict_lateral_buckling(2e-5, 1e-5) == pytest.approx(6.0 * zero, rel=1e-8)


@pytest.mark.parametrize(("twist", "breadth"), [(1.0, 0.05), (0.5, 0.05), (1.0, 0.1)])
def test_clamp_term_by_collocation(twist, breadth):
    """a f'''' - f'' = (k^2 / 4) (1 - s)^4 f as a boundary value problem with the load as its unknown."""
    a = breadth**2 / (24.0 * twist)

    def bend(s, y, p):
        return np.stack([y[1], y[2], y[3], (y[2] + 0.25 * p[0] ** 2 * (1.0 - s) ** 4 * y[0]) / a])

    def ends(low, high, _):  # clamped; no moment and no torque at the free end, where f = 1 sets the size
        return np.array([low[0], low[1], high[0] - 1.0, high[2], a * high[3] - high[1]])

    s = np.linspace(0.0, 1.0, 201)
    guess = np.stack([np.sin(0.5 * math.pi * s), 0.5 * math.pi * np.cos(0.5 * math.pi * s), 0.0 * s, 0.0 * s])
    run = solve_bvp(bend, ends, s, guess, p=np.array([13.0]), tol=1e-8, max_nodes=100_000)
    assert run.success, run.message
    load = predict_lateral_buckling(1.0, twist, breadth)
    assert load > predict_lateral_buckling(1.0, twist)
    assert load == pytest.approx(run.p[0] * math.sqrt(2.0 * twist), rel=1e-5)


# Status: recomputed. Shortening, least friction
PINNED_TABLE = [("0.01", "0.0449"), ("0.05", "0.1035"), ("0.1", "0.1528"), ("0.2", "0.2378"), ("0.3", "0.3265"),
                ("0.4", "0.4344"), ("0.5", "0.5845")]  # fmt: skip


@pytest.mark.parametrize(("shortening", "friction"), PINNED_TABLE)
def test_pinned_table(matches, shortening, friction):
    strip = solve_pinned_strip(float(shortening))
    assert matches(strip.friction, friction)
    assert strip.x.max() > 0.0
    assert strip.grip > 0.0


def test_small_shortening_is_the_clamped_and_pinned_column(matches):
    strip = solve_pinned_strip(1e-5)
    root = brentq(lambda k: math.tan(k) - k, 4.4, 4.6)
    assert strip.push == pytest.approx(root**2, rel=1e-4)
    assert matches(root**2, "20.19")
    assert matches(strip.friction / math.sqrt(1e-5), "0.445")


def _bending_energy(strip):
    turn = np.gradient(strip.angle, strip.s, edge_order=2)
    return 0.5 * np.trapezoid(turn**2, strip.s)


@pytest.mark.parametrize("shortening", [0.05, 0.3])
def test_push_is_what_pressing_costs_and_grip_balances_the_clamp(shortening):
    low, high = (_bending_energy(solve_pinned_strip(shortening + d, points=4001)) for d in (-1e-3, 1e-3))
    strip = solve_pinned_strip(shortening, points=4001)
    assert (high - low) / 2e-3 == pytest.approx(strip.push, rel=1e-4)
    clamp = np.gradient(strip.angle, strip.s, edge_order=2)[0]
    assert clamp == pytest.approx(strip.grip * (1.0 - shortening), rel=1e-4)  # moment of the floor's force


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="outside 0 to"):
        solve_pinned_strip(0.6)
    with pytest.raises(ValueError, match="breadth"):
        predict_lateral_buckling(1.0, 1.0, 0.5)
