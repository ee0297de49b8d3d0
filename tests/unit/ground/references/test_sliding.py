"""Slip conditions, each against a step-by-step balance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from drapesim.ground.references import (
    predict_capstan_extension,
    predict_capstan_ratio,
    predict_edge_drop,
    predict_edge_overhang,
    predict_slide_acceleration,
    predict_slip_angle,
    predict_strip_slip_length,
)
from drapesim.ground.units import GRAVITY


@pytest.mark.parametrize("friction", [0.0, 0.3, 0.9])
def test_slip_angle_is_where_the_sheet_begins_to_accelerate(friction):
    tilt = predict_slip_angle(friction)
    assert math.tan(tilt) == pytest.approx(friction)
    assert predict_slide_acceleration(0.999 * tilt, friction) == 0.0
    assert predict_slide_acceleration(tilt + 1e-3, friction) > 0.0


def test_slide_acceleration_limits():
    assert predict_slide_acceleration(0.5 * math.pi, 0.4) == pytest.approx(GRAVITY)
    assert predict_slide_acceleration(math.radians(30.0), 0.0, 10.0) == pytest.approx(5.0)
    tilt, mu = math.radians(40.0), 0.35  # force balance of a block on axes turned with the plane
    down = np.array([math.cos(tilt), -math.sin(tilt)])
    normal = np.array([math.sin(tilt), math.cos(tilt)])
    weight = np.array([0.0, -9.80665])
    net = weight @ down - mu * abs(weight @ normal)
    assert predict_slide_acceleration(tilt, mu) == pytest.approx(net)


def test_capstan_ratio_by_small_turns(matches):
    """mu 0.3 over half a turn: 2.5663 (status: recomputed); a polygon of short edges tends to it."""
    assert matches(predict_capstan_ratio(0.3, math.pi), "2.5663")
    n = 200_000
    assert (1.0 + 0.3 * math.pi / n) ** n == pytest.approx(predict_capstan_ratio(0.3, math.pi), rel=1e-5)
    assert predict_capstan_ratio(0.0, 3.0) == 1.0


# Status: recomputed. Friction, and the longer over the radius, for the shorter equal to the radius.
STRIP_TABLE = [("0.1", "1.838"), ("0.2", "2.980"), ("0.3", "4.529"), ("0.4", "6.626"), ("0.5", "9.459")]


@pytest.mark.parametrize(("friction", "longer"), STRIP_TABLE)
def test_strip_over_rough_cylinder(matches, friction, longer):
    mu = float(friction)
    assert matches(predict_strip_slip_length(1.0, 1.0, mu), longer)

    def grow(a, T):  # a from the short side's horizontal diameter, over the top, to the long side's; w = R = 1
        return mu * (T + math.sin(a)) + math.cos(a)

    run = solve_ivp(grow, (0.0, math.pi), [1.0], rtol=1e-11, atol=1e-13)
    assert predict_strip_slip_length(1.0, 1.0, mu) == pytest.approx(run.y[0, -1], rel=1e-9)


def test_strip_over_rough_cylinder_limits():
    """No friction: equal lengths. Small radius: the weightless capstan between the two hanging weights."""
    assert predict_strip_slip_length(0.2, 0.1, 0.0) == pytest.approx(0.2)
    thin = predict_strip_slip_length(1.0, 1e-9, 0.3)
    assert thin == pytest.approx(predict_capstan_ratio(0.3, math.pi), rel=1e-8)


def test_edge_overhang(matches):
    """mu 0.3: 0.231 smooth, 0.325 rounded (status: recomputed); and the balance of pull against hold, by bisection."""
    assert matches(predict_edge_overhang(0.3), "0.231")
    assert matches(predict_edge_overhang(0.3, rounded=True), "0.325")
    mu = 0.45
    for rounded in (False, True):
        ease = predict_capstan_ratio(mu, 0.5 * math.pi) if rounded else 1.0
        slip = brentq(lambda a, ease=ease: a - mu * ease * (1.0 - a), 0.0, 1.0)
        assert predict_edge_overhang(mu, rounded) == pytest.approx(slip, rel=1e-10)
    assert predict_edge_overhang(0.0) == 0.0


def test_negative_friction_is_refused():
    with pytest.raises(ValueError, match="friction"):
        predict_slip_angle(-0.1)
    with pytest.raises(ValueError, match="friction"):
        predict_strip_slip_length(1.0, 1.0, math.nan)


@pytest.mark.parametrize("edge_friction", [0.0, 0.3, 0.7])
def test_edge_drop_by_step_balance(edge_friction):
    flat, radius, mu = 0.15, 0.02, 0.4

    def grow(a, T):  # a from the top of the edge to its side; w = 1
        return edge_friction * (T + radius * math.cos(a)) - radius * math.sin(a)

    run = solve_ivp(grow, (0.0, 0.5 * math.pi), [mu * flat], rtol=1e-11, atol=1e-13)
    assert predict_edge_drop(flat, radius, mu, edge_friction) == pytest.approx(run.y[0, -1], rel=1e-9)
    thin = predict_edge_drop(flat, 1e-9, mu, mu)
    assert thin / (thin + flat) == pytest.approx(predict_edge_overhang(mu, rounded=True), rel=1e-6)


def test_capstan_extension_is_the_sum_of_its_strains():
    """Link by link from the pulled end: each carries what the one before left after its share of the turn."""
    mu, wrap, radius, pull, modulus = 0.3, 2.0, 0.05, 8.0, 400.0
    links = 200_000
    tension, total = pull, 0.1 * pull / modulus
    for _ in range(links):
        after = tension / (1.0 + mu * wrap / links)
        total += 0.5 * (tension + after) / modulus * radius * wrap / links
        tension = after
    total += 0.2 * tension / modulus
    assert predict_capstan_extension(pull, modulus, mu, wrap, radius, 0.1, 0.2) == pytest.approx(total, rel=1e-5)
