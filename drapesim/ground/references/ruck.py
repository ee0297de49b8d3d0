"""A ruck: the standing bump of a heavy sheet on a smooth table whose two sides have been pushed together.

Lengths in units of the bending length c = (B / w)^(1/3), forces in w c.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import root

Array = np.ndarray

#: Shortening in c up to which the flanks stay clear of each other (they touch at 5.1).
MAX_SHORTENING = 5.0

_ROOT = 4.493409457909064  # tan k = k: half the width of a low ruck times the square root of its thrust
_LOW = 1e-3  # c, where the low ruck starts the continuation


@dataclass(frozen=True)
class Ruck:
    """Left half of a ruck, from lift-off (0, 0) to the crest; s, x, y, angle (k,), angle in rad above level.

    arc: sheet off the table on one side; thrust: horizontal push in the flat sides.
    """

    s: Array
    x: Array
    y: Array
    angle: Array
    arc: float
    thrust: float

    @property
    def height(self) -> float:
        """Height of the crest."""
        return float(self.y[-1])

    @property
    def width(self) -> float:
        """Distance between the two lift-off lines."""
        return 2.0 * float(self.x[-1])

    @property
    def max_slope(self) -> float:
        """Steepest angle, rad."""
        return float(self.angle.max())


def predict_small_ruck(shortening: float) -> tuple[float, float, float]:
    """(height, width, thrust) in c and w c of a low ruck for a ``shortening`` D (c).

    Claim: y'''' + P y'' = -1 with y = y' = y'' = 0 at lift-off, level and without shear at the crest, and D the
    integral of y'^2 over one side: half width k / sqrt P with tan k = k = 4.4934, so that height = 1.3256 D^(4/7),
    width = 4.844 D^(1/7), thrust = 3.441 D^(-2/7).
    Source: beam theory, derived anew; rucks of this kind are in Vella, Boudaoud and Adda-Bedia 2009 (abstract read).
    Valid: D below about 0.01 c.
    """
    k = _ROOT
    size = -1.0 / math.cos(k)  # for P = 1: y = size cos x - x^2 / 2 + const, the crest at x = 0
    crest = size * (1.0 - math.cos(k)) + 0.5 * k**2
    # integral of (size sin x + x)^2 from 0 to k
    stored = size**2 * (0.5 * k - 0.25 * math.sin(2.0 * k)) + 2.0 * size * (math.sin(k) - k * math.cos(k)) + k**3 / 3.0
    thrust = (stored / shortening) ** (2.0 / 7.0)
    return crest / thrust**2, 2.0 * k / math.sqrt(thrust), thrust


def solve_ruck(shortening: float, points: int = 401) -> Ruck:
    """Heavy-elastica ruck for a ``shortening`` D in c: how far the two flat sides have been pushed together.

    Claim: t'' = (a - s) cos t - P sin t from lift-off (t = t' = 0) to the crest (t = 0) over arc a, P the thrust; the
    weight off the table is carried by the two lift-off lines, w a each; a - x = D / 2 at the crest.
    Source: equation derived anew, solution recomputed here by shooting with continuation in D; rucks of this kind
    are in Vella, Boudaoud and Adda-Bedia 2009 (abstract read). Valid: 0.001 <= D <= 5 (the flanks touch at 5.1); no
    stretch, no friction under the flat sides that would take up the thrust.
    """
    if not _LOW <= shortening <= MAX_SHORTENING:
        raise ValueError(f"shortening = {shortening:g} c is outside {_LOW:g} to {MAX_SHORTENING:g} c")
    _, width, thrust = predict_small_ruck(_LOW)
    free = np.array([0.5 * width, thrust])
    for part in np.geomspace(_LOW, shortening, max(2, math.ceil(2.0 * math.log2(shortening / _LOW)) + 1)):

        def miss(free: Array, part: float = float(part)) -> Array:
            angle, _, x, _ = _rise(free, np.array([free[0]]))[:, -1]
            return np.array([angle, (free[0] - x - 0.5 * part) / part])

        answer = root(miss, free, tol=1e-10)
        if not answer.success:
            raise ValueError(f"no ruck found for shortening = {part:g} c: {answer.message}")
        free = answer.x
    arc, thrust = float(free[0]), float(free[1])
    s = np.linspace(0.0, arc, points)
    angle, _, x, y = _rise(free, s)
    return Ruck(s, x, y, angle, arc, thrust)


def _rise(free: Array, s: Array) -> Array:
    """(4, k): angle, its rate, x and y at ``s``, from lift-off, for ``free`` = (arc, thrust)."""
    arc, thrust = free

    def turn(s: float, y: Array) -> tuple[float, float, float, float]:
        sine, cosine = math.sin(y[0]), math.cos(y[0])
        return y[1], (arc - s) * cosine - thrust * sine, cosine, sine

    return solve_ivp(turn, (0.0, arc), (0.0, 0.0, 0.0, 0.0), "DOP853", s, rtol=1e-11, atol=1e-14).y
