"""The heart loop against a table, its weightless limit, and the least energy of a chain."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize

from drapesim.ground.references import solve_heart_loop

# Status: recomputed. gamma, height, width, rise above the clamp, all in L
HEART_TABLE = [
    ("0", "0.13386", "0.32595", "0.08789"),
    ("10", "0.13954", "0.32560", "0.08532"),
    ("50", "0.16069", "0.32301", "0.07632"),
    ("100", "0.18404", "0.31785", "0.06736"),
    ("400", "0.27544", "0.27441", "0.04061"),
    ("1600", "0.37850", "0.17731", "0.01983"),
]


@pytest.mark.parametrize(("gamma", "height", "width", "rise"), HEART_TABLE)
def test_heart_table(matches, gamma, height, width, rise):
    loop = solve_heart_loop(float(gamma), points=4001)
    assert matches(loop.height, height)
    assert matches(loop.width, width)
    assert matches(loop.rise, rise)
    assert loop.x.min() > -1e-9
    assert loop.angle[[0, -1]] == pytest.approx([0.5 * math.pi, -math.pi], abs=1e-9)


def test_heart_loop_by_least_energy_of_a_chain():
    """Link angles of the half loop, hinges B/h, half-cell hinges at both ends; the lowest point kept on the axis."""
    gamma, n = 100.0, 100
    h = 0.5 / n
    spring = np.full(n + 1, 1.0 / h)
    spring[[0, -1]] = 2.0 / h
    share = h * (np.arange(n, 0, -1) - 0.5)  # weight that hangs on a link's rise: it and all below

    def energy(angle):
        turn = np.diff(angle, prepend=0.5 * math.pi, append=-math.pi)
        moment = spring * turn
        return (
            0.5 * moment @ turn + gamma * h * share @ np.sin(angle),
            moment[:-1] - moment[1:] + gamma * h * share * np.cos(angle),
        )

    closed = {
        "type": "eq",
        "fun": lambda angle: np.array([h * np.cos(angle).sum()]),
        "jac": lambda angle: -h * np.sin(angle)[None],
    }
    guess = np.linspace(0.5 * math.pi, -math.pi, n)
    answer = minimize(
        energy, guess, jac=True, method="SLSQP", constraints=[closed], options={"maxiter": 500, "ftol": 1e-12}
    )
    assert answer.success, answer.message
    height = -h * np.sin(answer.x).sum()
    assert height == pytest.approx(solve_heart_loop(gamma).height, rel=1e-3)


def test_parted_ends_widen_the_loop():
    whole, parted = solve_heart_loop(100.0), solve_heart_loop(100.0, separation=0.01)
    assert parted.x[0] == pytest.approx(0.005, abs=1e-12)
    assert 0.0 < parted.width - whole.width < 0.01


def test_too_heavy_is_refused():
    with pytest.raises(ValueError, match="outside 0 to 3200"):
        solve_heart_loop(5000.0)
