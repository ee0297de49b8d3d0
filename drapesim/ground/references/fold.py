"""A fold: a long heavy sheet turned back over itself on a table, its upper layer lying on the lower one.

Lengths in units of the bending length c = (B / w)^(1/3), forces in w c.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import root

Array = np.ndarray

#: Height in c of the upper layer over the lower one up to which the fold has been tested.
MAX_RISE = 0.1

_GUESS = (3.7, 4.7)  # support at lift-off and arc, near enough for the search to find the rest


@dataclass(frozen=True)
class Fold:
    """The loop of a fold, from lift-off (0, 0) round the nose to touch-down; s, x, y, angle (k,), angle in rad.

    lift_off, touch_down: vertical forces on the two lines where the loop leaves the lower and the upper flat part;
    thrust: horizontal push in the loop, half the rise.
    """

    s: Array
    x: Array
    y: Array
    angle: Array
    lift_off: float
    touch_down: float
    thrust: float
    tightest: float

    @property
    def height(self) -> float:
        """Height of the loop over the lower layer."""
        return float(self.y.max())

    @property
    def arc(self) -> float:
        """Length of sheet in the loop."""
        return float(self.s[-1])

    @property
    def nose(self) -> float:
        """How far the nose is ahead of lift-off."""
        return float(self.x.max())

    @property
    def behind(self) -> float:
        """How far touch-down is behind lift-off."""
        return -float(self.x[-1])


def solve_fold(rise: float = 0.0, points: int = 801) -> Fold:
    """Heavy-elastica fold whose upper layer lies ``rise`` (c) above the lower one, middle to middle: the thickness.

    Claim: t'' = (V - s) cos t - H sin t from lift-off (t = t' = 0) to touch-down (t = pi, t' = 0). The first integral
    t'^2 / 2 - (V - s) sin t - H cos t - y is the same at both ends, so H = rise / 2 whatever the friction of the flat
    parts: friction alters nothing but where the fold lies, and a sheet without thickness needs none.
    Source: moment balance, derived anew, solution recomputed here by shooting; tests/unit/ground/references finds the
    same by least energy over a floor. Valid: 0 <= rise <= 0.1; no stretch, both layers flat beyond the loop.
    """
    if not 0.0 <= rise <= MAX_RISE:
        raise ValueError(f"rise = {rise:g} c is outside 0 to {MAX_RISE:g} c")
    thrust = 0.5 * rise

    def miss(free: Array) -> Array:
        angle, rate, _, _ = _go_round(free, thrust, np.array([free[1]]))[:, -1]
        return np.array([angle - math.pi, rate])

    answer = root(miss, np.array(_GUESS), tol=1e-11)
    if not answer.success:
        raise ValueError(f"no fold found for rise = {rise:g} c: {answer.message}")
    lift_off, arc = (float(value) for value in answer.x)
    s = np.linspace(0.0, arc, points)
    angle, rate, x, y = _go_round(answer.x, thrust, s)
    return Fold(s, x, y, angle, lift_off, arc - lift_off, thrust, 1.0 / float(rate.max()))


def _go_round(free: Array, thrust: float, s: Array) -> Array:
    """(4, k): angle, its rate, x and y at ``s``, from lift-off, for ``free`` = (support at lift-off, arc)."""
    support, arc = free

    def turn(s: float, y: Array) -> tuple[float, float, float, float]:
        sine, cosine = math.sin(y[0]), math.cos(y[0])
        return y[1], (support - s) * cosine - thrust * sine, cosine, sine

    return solve_ivp(turn, (0.0, arc), (0.0, 0.0, 0.0, 0.0), "DOP853", s, rtol=1e-11, atol=1e-14).y
