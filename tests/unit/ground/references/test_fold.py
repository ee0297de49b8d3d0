"""The fold against printed figures, its first integral and balance, and the least energy of a chain over a floor."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize

from drapesim.ground.references import solve_fold


def test_fold_figures(matches):
    """Status: recomputed. Height, arc, nose, touch-down behind, tightest radius in c; the two supports in w c."""
    fold = solve_fold()
    assert matches(fold.height, "0.9066")
    assert matches(fold.arc, "4.6835")
    assert matches(fold.nose, "0.757")
    assert matches(fold.behind, "2.485")
    assert matches(fold.tightest, "0.3947")
    assert matches(fold.lift_off, "3.745")
    assert matches(fold.touch_down, "0.938")


@pytest.mark.parametrize("rise", [0.0, 0.02, 0.1])
def test_both_ends_lie_flat(rise):
    """The rise was not asked for: only the first integral, through the thrust, brings it about."""
    fold = solve_fold(rise)
    assert fold.y[-1] == pytest.approx(rise, abs=1e-9)
    assert fold.angle[-1] == pytest.approx(math.pi, abs=1e-9)
    assert np.gradient(fold.angle, fold.s, edge_order=2)[[0, -1]] == pytest.approx(0.0, abs=1e-3)
    assert fold.y[1:-1].min() > 0.0
    assert fold.lift_off + fold.touch_down == pytest.approx(fold.arc)


def test_fold_by_least_energy_over_a_floor():
    """Link angles of a chain with hinges B/h, from level to turned right over; no node below the floor.

    The ends are clamped level but free to slide, so nothing pushes sideways. The floor stands for the lower layer.
    """
    n, length = 120, 6.0
    h = length / n
    lever = h * np.tri(n)
    share = np.full(n, h)
    share[-1] = 0.5 * h

    def energy(angle):
        turn = np.diff(angle, prepend=0.0, append=math.pi)
        moment = turn / h
        heights = lever @ np.sin(angle)
        return 0.5 * moment @ turn + share @ heights, -np.diff(moment) + (share @ lever) * np.cos(angle)

    floor = {
        "type": "ineq",
        "fun": lambda angle: lever @ np.sin(angle),
        "jac": lambda angle: lever * np.cos(angle)[None],
    }
    s = (np.arange(n) + 0.5) * h
    guess = np.clip((s - 0.5) / 3.0, 0.0, 1.0) * 1.15 * math.pi - np.clip((s - 4.0) / 1.5, 0.0, 1.0) * 0.15 * math.pi
    answer = minimize(
        energy, guess, jac=True, method="SLSQP", constraints=[floor], options={"maxiter": 1000, "ftol": 1e-12}
    )
    assert answer.success, answer.message
    fold = solve_fold()
    assert (lever @ np.sin(answer.x)).max() == pytest.approx(fold.height, rel=5e-3)
    fine = solve_fold(points=4001)
    bend = 0.5 * np.trapezoid(np.gradient(fine.angle, fine.s, edge_order=2) ** 2, fine.s)
    assert answer.fun == pytest.approx(bend + np.trapezoid(fine.y, fine.s), rel=5e-3)
    off = np.flatnonzero(lever @ np.sin(answer.x) > 1e-6)
    assert h * (len(off) + 1) == pytest.approx(fold.arc, abs=2.0 * h)


def test_too_thick_is_refused():
    with pytest.raises(ValueError, match=r"outside 0 to 0\.1"):
        solve_fold(0.2)
