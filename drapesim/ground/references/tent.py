"""A sheet laid over a thin straight ridge on a floor: how wide the hollow beside the ridge is, and what it carries.

No friction, no thickness: the height is that of the sheet's middle surface over the ridge, above the one on the floor.
The sheet leaves the floor without moment and without slope (the floor may press there with a line force), and is level
over the ridge by symmetry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

Array = np.ndarray

#: Largest height in c for which the sheet stays a graph with the accuracy tested (steepest slope 57.5 degrees at 2).
MAX_HEIGHT = 2.0


@dataclass(frozen=True)
class Tent:
    """One side of the tent; lengths in the unit of the call (m for :func:`predict_small_tent`, c for the other two).

    gap: horizontal distance from the ridge to the lift-off line; arc: the same along the sheet;
    max_slope: rad; ridge_force and lift_off_force: per length of ridge (whole ridge, both sides; one lift-off line),
    N/m, or in units of w c. s, x, y (k,): profile from lift-off (0, 0) to the ridge (gap, height).
    """

    gap: float
    arc: float
    max_slope: float
    ridge_force: float
    lift_off_force: float
    s: Array
    x: Array
    y: Array


def predict_small_tent(height: float, rigidity: float, weight: float, points: int = 201) -> Tent:
    """Small-slope tent over a ridge of ``height`` (m), B in N m, w in N/m2; all of the answer in SI.

    Claim: gap a = (72 h B / w)^(1/4); y = (w/B)(a x^3/18 - x^4/24) from lift-off; ridge 4 w a / 3, lift-off w a / 3.
    Source: beam theory, derived anew (y'''' = -w/B with y = y' = y'' = 0 at lift-off, y' = 0 and y = h at the ridge).
    Valid: h below about 0.1 c (gap then 0.2 % too wide; 5 % at h = c).
    """
    for name, value in (("height", height), ("rigidity", rigidity), ("weight", weight)):
        if not value > 0.0:
            raise ValueError(f"{name} = {value:g} must be positive")
    a = (72.0 * height * rigidity / weight) ** 0.25
    x = np.linspace(0.0, a, points)
    y = weight / rigidity * (a * x**3 / 18.0 - x**4 / 24.0)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    steepest = weight / rigidity * a**3 * (2.0 / 81.0)  # slope is largest at x = 2 a / 3
    return Tent(a, float(arc[-1]), math.atan(steepest), 4.0 / 3.0 * weight * a, weight * a / 3.0, arc, x, y)


def solve_tent(height: float, points: int = 201) -> Tent:
    """Heavy-elastica tent over a ridge of ``height`` in units of c = (B/w)^(1/3); lengths in c, forces in w c.

    Claim: theta'' = (v - s) cos theta from lift-off (theta = theta' = 0) to the ridge (theta = 0), v the line force at
    lift-off in w c; arc length and v are found so that the rise is ``height``. Ridge force = 2 (arc - v).
    Source: equation derived anew (no published table known to us), solution recomputed here by shooting.
    Valid: 0 < height <= 2 (steepest slope 57.5 degrees); no stretch, no friction.
    """
    if not 0.0 < height <= MAX_HEIGHT:
        raise ValueError(f"height = {height:g} c is outside 0 to {MAX_HEIGHT:g} c")
    guess = (72.0 * height) ** 0.25 / 3.0
    # the true lift-off force is below the small-slope guess, by 4 % at h = 2 c
    force = brentq(lambda v: _rise(v)[1] - height, 0.9 * guess, 1.0001 * guess, xtol=1e-14, rtol=1e-13)
    arc, _ = _rise(force)
    s = np.linspace(0.0, arc, points)
    run = solve_ivp(_bend, (0.0, arc), (0.0, 0.0, 0.0, 0.0), "DOP853", s, args=(force,), rtol=1e-11, atol=1e-15)
    _, _, x, y = run.y
    steepest = _steepest(force, arc)
    return Tent(float(x[-1]), arc, steepest, 2.0 * (arc - force), force, s, x, y)


def _bend(s: float, y: Array, force: float) -> tuple[float, float, float, float]:
    return y[1], (force - s) * math.cos(y[0]), math.cos(y[0]), math.sin(y[0])


def _rise(force: float) -> tuple[float, float]:
    """(arc, height) where the slope is back at zero, for line force ``force`` at lift-off."""

    def level(s: float, y: Array, force: float) -> float:
        return y[0] if s > force else 1.0

    level.terminal, level.direction = True, -1.0  # type: ignore[attr-defined]
    run = solve_ivp(
        _bend, (0.0, 20.0 * force), (0.0, 0.0, 0.0, 0.0), "DOP853", events=level, args=(force,), rtol=1e-11, atol=1e-15
    )
    return float(run.t_events[0][0]), float(run.y_events[0][0][3])


def _steepest(force: float, arc: float) -> float:
    run = solve_ivp(
        _bend, (0.0, arc), (0.0, 0.0, 0.0, 0.0), "DOP853", dense_output=True, args=(force,), rtol=1e-11, atol=1e-15
    )
    top = brentq(lambda s: run.sol(s)[1], 0.3 * arc, arc, xtol=1e-12)  # curvature changes sign once
    return float(run.sol(top)[0])
