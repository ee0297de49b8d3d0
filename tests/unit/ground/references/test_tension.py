"""Hanging strip, catenary and smooth cylinder, each by a second road."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from drapesim.ground.references import (
    integrate_hanging_stretch,
    predict_cylinder_pressure,
    predict_hanging_stretch,
    solve_catenary,
)


def test_hanging_strip_example(matches):
    """180 g/m2, E 12 kN/m, 2 m: 0.294 mm and 0.0294 % (status: recomputed)."""
    stretch = predict_hanging_stretch(0.180 * 9.80665, 2.0, 12e3)
    assert matches(stretch.extension * 1e3, "0.294")
    assert matches(stretch.top_strain * 100.0, "0.0294")


def _toe(strain):
    """500 N/m at first, 5000 N/m beyond about 0.4 % (test values)."""
    return 500.0 * strain + 4500.0 * 1e-3 * (math.log1p(math.exp((strain - 4e-3) / 1e-3)) - math.log1p(math.exp(-4.0)))


@pytest.mark.parametrize("load", [0.0, 3.0])
def test_hanging_strip_with_a_toe_by_small_pieces(load):
    """The strip cut into 20000 pieces, each stretched by the curve read backwards from a table."""
    weight, length = 2.5, 3.0
    table = np.linspace(0.0, 0.05, 200_001)
    tensions = np.array([_toe(e) for e in table[::20]])
    assert np.all(np.diff(tensions) > 0.0)
    height = (np.arange(20_000) + 0.5) / 20_000 * length
    pieces = np.interp(load + weight * height, tensions, table[::20]) * length / 20_000
    stretch = integrate_hanging_stretch(weight, length, _toe, load)
    assert stretch.extension == pytest.approx(pieces.sum(), rel=1e-6)
    assert stretch.top_tension == load + weight * length
    assert _toe(stretch.top_strain) == pytest.approx(stretch.top_tension, rel=1e-10)


def test_hanging_strip_with_a_straight_curve_is_the_linear_answer():
    linear = predict_hanging_stretch(1.7, 2.0, 900.0)
    general = integrate_hanging_stretch(1.7, 2.0, lambda e: 900.0 * e)
    assert general.extension == pytest.approx(linear.extension, rel=1e-10)
    assert general.top_strain == pytest.approx(linear.top_strain, rel=1e-10)


def test_hanging_strip_beyond_its_curve_is_refused():
    with pytest.raises(ValueError, match="does not reach"):
        integrate_hanging_stretch(1.7, 2.0, lambda e: e, strain_limit=0.1)


# status: recomputed. length / span, sag / span, end tension / (w span)
@pytest.mark.parametrize(
    ("ratio", "sag", "tension"),
    [
        ("1.01", "0.06145", "2.1058"),
        ("1.05", "0.13930", "1.0589"),
        ("1.1", "0.20030", "0.8553"),
        ("1.2", "0.29234", "0.7619"),
        ("1.5", "0.50263", "0.8109"),
        ("2", "0.79639", "1.0260"),
        ("3", "1.33416", "1.5103"),
    ],
)
def test_catenary_table(matches, ratio, sag, tension):
    answer = solve_catenary(1.0, float(ratio), 1.0)
    assert matches(answer.sag, sag)
    assert matches(answer.end_tension, tension)


@pytest.mark.parametrize("ratio", [1.0001, 1.3, 20.0])
def test_catenary_by_walking_from_the_middle(ratio):
    """Walk out along the sheet with the lowest tension given: it must arrive at the support with the right tension."""
    span, weight = 0.8, 2.0
    answer = solve_catenary(span, ratio * span, weight)

    def walk(s, y):
        pull = math.hypot(answer.low_tension, weight * s)
        return [answer.low_tension / pull, weight * s / pull]

    run = solve_ivp(walk, (0.0, 0.5 * answer.length), [0.0, 0.0], rtol=1e-10, atol=1e-13)
    assert run.y[0, -1] == pytest.approx(0.5 * span, rel=1e-7)
    assert run.y[1, -1] == pytest.approx(answer.sag, rel=1e-6)
    assert math.hypot(answer.low_tension, 0.5 * weight * answer.length) == pytest.approx(answer.end_tension, rel=1e-9)
    assert answer.place(0.0) == pytest.approx(answer.sag)
    assert answer.place(0.5 * span) == pytest.approx(0.0, abs=1e-12)


def test_catenary_too_short_is_refused():
    with pytest.raises(ValueError, match="must exceed"):
        solve_catenary(1.0, 1.0, 1.0)


def test_cylinder_pressure_carries_the_weight():
    """The vertical part of the pressure is the whole weight w (2 l + pi R)."""
    w, R, l = 1.8, 0.09, 0.13
    lift, _ = quad(lambda a: float(predict_cylinder_pressure(a, w, R, l)) * math.cos(a) * R, -math.pi / 2, math.pi / 2)
    assert lift == pytest.approx(w * (2.0 * l + math.pi * R), rel=1e-10)


def test_cylinder_pressure_by_a_chain_of_pieces():
    """Ten thousand straight pieces on the circle, balanced one after the other from the hanging part upward."""
    w, R, l, n = 1.8, 0.09, 0.13, 10_000
    step = 0.5 * math.pi / n
    tension, pressure = w * l, {}
    for k in range(n):
        a = 0.5 * math.pi - (k + 0.5) * step  # angle of the piece from the top
        upper = tension + w * R * step * math.sin(a)
        pressure[k] = (0.5 * (tension + upper) * step + w * R * step * math.cos(a)) / (R * step)
        tension = upper
    for k in (0, n // 3, n - 1):
        a = 0.5 * math.pi - (k + 0.5) * step
        assert pressure[k] == pytest.approx(float(predict_cylinder_pressure(a, w, R, l)), rel=1e-6)
    assert tension == pytest.approx(w * (l + R), rel=1e-7)
