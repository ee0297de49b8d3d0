"""The ruck against a table, its low limit, the cost of pushing, and the least energy of a chain over a floor."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize

from drapesim.ground.references import predict_small_ruck, solve_ruck

# Status: recomputed. Shortening/c, height/c, width/c, thrust/(w c), steepest slope deg
RUCK_TABLE = [
    ("0.01", "0.0953", "2.500", "12.820", "7.8"),
    ("0.1", "0.3527", "3.398", "6.615", "21.1"),
    ("0.3", "0.6519", "3.813", "4.798", "33.8"),
    ("0.5", "0.8622", "3.945", "4.118", "42.2"),
    ("1", "1.2444", "3.962", "3.320", "57.1"),
    ("2", "1.7466", "3.594", "2.624", "77.7"),
    ("3", "2.0764", "3.050", "2.237", "93.5"),
    ("5", "2.4401", "1.786", "1.716", "119.5"),
]


@pytest.mark.parametrize(("shortening", "height", "width", "thrust", "slope"), RUCK_TABLE)
def test_ruck_table(matches, shortening, height, width, thrust, slope):
    ruck = solve_ruck(float(shortening))
    assert matches(ruck.height, height)
    assert matches(ruck.width, width)
    assert matches(ruck.thrust, thrust)
    assert matches(math.degrees(ruck.max_slope), slope)
    assert ruck.angle[-1] == pytest.approx(0.0, abs=1e-8)
    assert 2.0 * (ruck.arc - ruck.x[-1]) == pytest.approx(float(shortening), rel=1e-6)


def test_low_ruck_is_the_limit(matches):
    height, width, thrust = predict_small_ruck(1.0)
    assert matches(height, "1.3256")
    assert matches(width, "4.844")
    assert matches(thrust, "3.441")
    low, ruck = predict_small_ruck(1e-3), solve_ruck(1e-3)
    assert (ruck.height, ruck.width, ruck.thrust) == pytest.approx(low, rel=1e-3)


def _energy(shortening):
    """Bending plus weight of the whole ruck, in w c^2."""
    ruck = solve_ruck(shortening, points=4001)
    bend = np.trapezoid(np.gradient(ruck.angle, ruck.s, edge_order=2) ** 2, ruck.s)
    return bend + 2.0 * np.trapezoid(ruck.y, ruck.s)


@pytest.mark.parametrize("shortening", [0.1, 2.0])
def test_thrust_is_what_pushing_costs(shortening):
    step = 0.01 * shortening
    rate = (_energy(shortening + step) - _energy(shortening - step)) / (2.0 * step)
    assert rate == pytest.approx(solve_ruck(shortening).thrust, rel=5e-4)


def test_ruck_by_least_energy_over_a_floor():
    """Link angles of one side, hinges B/h, half a cell at the crest; no node below the floor, the crest at D / 2."""
    shortening, n, length = 1.0, 60, 4.0
    h = length / n
    spring = np.full(n, 1.0 / h)
    spring[-1] = 2.0 / h
    lever = h * np.tri(n)
    share = np.full(n, h)
    share[-1] = 0.5 * h

    def energy(angle):
        turn = np.diff(angle, append=0.0)
        moment = spring * turn
        heights = lever @ np.sin(angle)
        pull = np.diff(-moment, prepend=0.0)
        return 0.5 * moment @ turn + share @ heights, pull + (share @ lever) * np.cos(angle)

    floor = {
        "type": "ineq",
        "fun": lambda angle: lever @ np.sin(angle),
        "jac": lambda angle: lever * np.cos(angle),
    }
    pushed = {
        "type": "eq",
        "fun": lambda angle: np.array([length - h * np.cos(angle).sum() - 0.5 * shortening]),
        "jac": lambda angle: h * np.sin(angle)[None],
    }
    s = (np.arange(n) + 0.5) * h
    guess = np.where(s > 1.5, 0.85 * np.sin(math.pi * (s - 1.5) / 2.5), 0.0)
    answer = minimize(
        energy, guess, jac=True, method="SLSQP", constraints=[floor, pushed], options={"maxiter": 500, "ftol": 1e-12}
    )
    assert answer.success, answer.message
    ruck = solve_ruck(shortening)
    assert (lever @ np.sin(answer.x))[-1] == pytest.approx(ruck.height, rel=3e-3)
    assert 2.0 * answer.fun == pytest.approx(_energy(shortening), rel=3e-3)


def test_too_much_is_refused():
    with pytest.raises(ValueError, match=r"outside 0\.001 to 5"):
        solve_ruck(6.0)
