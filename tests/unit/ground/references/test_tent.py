"""The tent over a ridge against an energy minimisation that knows nothing of lift-off, and a table."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize

from drapesim.ground.references import predict_small_tent, solve_tent

# status: recomputed. h/c, gap a/c, linear a/c, arc/c, max slope deg, ridge force / (w c)
TENT_TABLE = [
    ("0.01", "0.9211", "0.9212", "0.9212", "1.1", "1.228"),
    ("0.03", "1.2120", "1.2123", "1.2125", "2.5", "1.617"),
    ("0.1", "1.6355", "1.6381", "1.6397", "6.2", "2.188"),
    ("0.2", "1.9392", "1.9480", "1.9533", "10.5", "2.609"),
    ("0.5", "2.4058", "2.4495", "2.4763", "20.8", "3.326"),
    ("1.0", "2.7666", "2.9130", "3.0065", "34.8", "4.093"),
    ("2.0", "2.9846", "3.4641", "3.8127", "57.5", "5.402"),
]


@pytest.mark.parametrize(("height", "gap", "linear", "arc", "slope", "force"), TENT_TABLE)
def test_tent_table(matches, height, gap, linear, arc, slope, force):
    tent = solve_tent(float(height))
    assert matches(tent.gap, gap)
    assert matches(tent.arc, arc)
    assert matches(math.degrees(tent.max_slope), slope)
    assert matches(tent.ridge_force, force)
    assert matches(predict_small_tent(float(height), 1.0, 1.0).gap, linear)


def test_tent_profile_meets_its_ends():
    tent = solve_tent(0.7)
    assert (tent.x[0], tent.y[0]) == (0.0, 0.0)
    assert tent.x[-1] == pytest.approx(tent.gap, rel=1e-12)
    assert tent.y[-1] == pytest.approx(0.7, rel=1e-10)
    assert tent.s[-1] == tent.arc
    assert 2.0 * tent.lift_off_force + tent.ridge_force == pytest.approx(2.0 * tent.arc, rel=1e-12)


def _tent_energy(height):
    """Bending plus weight of one side, in w c^2, of the solved tent."""
    tent = solve_tent(height, points=4001)
    angle = np.arctan2(np.gradient(tent.y, tent.s, edge_order=2), np.gradient(tent.x, tent.s, edge_order=2))
    bend = 0.5 * np.trapezoid(np.gradient(angle, tent.s, edge_order=2) ** 2, tent.s)
    return bend + np.trapezoid(tent.y, tent.s)


@pytest.mark.parametrize("height", [0.1, 1.0])
def test_ridge_force_is_what_raising_the_ridge_costs(height):
    """dE/dh per side is half the ridge force: a second road to the force, with no force balance in it."""
    step = 0.01 * height
    rate = (_tent_energy(height + step) - _tent_energy(height - step)) / (2.0 * step)
    assert 2.0 * rate == pytest.approx(solve_tent(height).ridge_force, rel=2e-4)


def test_tent_by_energy_minimisation_over_an_obstacle():
    """A chain of rigid links whose nodes may not be below the floor, least energy; nothing is told where it lifts.

    Unknown link angles, from the floor to the ridge; hinges B/h, the one on the ridge half a cell from level (2B/h).
    With 60 links over 4 c the lift-off place is known to a link and the rest to second order in h.
    """
    height, n, length = 0.5, 60, 4.0
    h = length / n
    spring = np.full(n, 1.0 / h)
    spring[-1] = 2.0 / h
    lever = h * np.tri(n)  # node heights are lever @ sin(angle)
    share = np.full(n, h)
    share[-1] = 0.5 * h

    def energy(angle):
        turn = np.diff(angle, append=0.0)
        moment = spring * turn
        pull = np.diff(-moment, prepend=0.0)
        heights = lever @ np.sin(angle)
        return 0.5 * moment @ turn + share @ heights, pull + (share @ lever) * np.cos(angle)

    above = {
        "type": "ineq",
        "fun": lambda angle: (lever @ np.sin(angle))[:-1],
        "jac": lambda angle: (lever * np.cos(angle))[:-1],
    }
    ridge = {
        "type": "eq",
        "fun": lambda angle: (lever @ np.sin(angle))[-1:] - height,
        "jac": lambda angle: (lever * np.cos(angle))[-1:],
    }
    guess = np.where(np.arange(n) > 0.4 * n, math.asin(height / (0.6 * length)), 0.0)
    answer = minimize(
        energy, guess, jac=True, method="SLSQP", constraints=[above, ridge], options={"maxiter": 500, "ftol": 1e-13}
    )
    assert answer.success, answer.message
    tent = solve_tent(height)
    assert answer.fun == pytest.approx(_tent_energy(height), rel=2e-3)
    y = lever @ np.sin(answer.x)
    lifted = h * (n - 1 - np.flatnonzero(y < 1e-7)[-1])
    assert lifted == pytest.approx(tent.arc, abs=1.01 * h)
    from_ridge = np.concatenate([[0.0], np.cumsum(h * np.cos(answer.x[::-1]))])
    places = np.linspace(0.2, 2.2, 6)
    np.testing.assert_allclose(
        np.interp(places, from_ridge, np.append(y[::-1], 0.0)),
        np.interp(places, (tent.gap - tent.x)[::-1], tent.y[::-1]),
        atol=2e-3 * height,
    )


def test_small_tent_is_the_limit_and_solves_its_beam_equation():
    tent, beam = solve_tent(1e-4), predict_small_tent(1e-4, 1.0, 1.0)
    assert tent.gap == pytest.approx(beam.gap, rel=1e-6)
    assert tent.ridge_force == pytest.approx(beam.ridge_force, rel=1e-6)
    assert tent.max_slope == pytest.approx(beam.max_slope, rel=1e-6)
    np.testing.assert_allclose(np.interp(beam.x, tent.x, tent.y), beam.y, atol=1e-8)
    fourth = np.diff(beam.y, 4) / (beam.x[1] ** 4)
    np.testing.assert_allclose(fourth[::20], -1.0, rtol=0.05)


def test_small_tent_in_metres(matches):
    """180 g/m2, c 25 mm, ridge 5 mm -> gap 48.5 mm a side by the heavy elastica (status: recomputed)."""
    c = 0.025
    assert matches(solve_tent(0.005 / c).gap * c * 1e3, "48.5")
    weight = 0.180 * 9.80665
    beam = predict_small_tent(0.005, weight * c**3, weight)
    assert beam.gap == pytest.approx(2.913 * 0.005**0.25 * c**0.75, rel=1e-4)
    assert beam.ridge_force == pytest.approx(4.0 / 3.0 * weight * beam.gap)
    assert beam.y[-1] == pytest.approx(0.005, rel=1e-12)


def test_bad_heights_are_refused():
    with pytest.raises(ValueError, match="outside 0 to 2"):
        solve_tent(2.5)
    with pytest.raises(ValueError, match="height"):
        predict_small_tent(0.0, 1.0, 1.0)
