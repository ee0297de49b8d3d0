"""A strip whose bending has friction: the band of rest shapes of a heavy cantilever.

Between yarns there is friction, and a bent cloth keeps some of its bend: moment = B curvature +- HB, where 2 HB is the
width of the loop that the tester draws. So a cantilever has not one rest shape but a band of them. Its two ends are the
strip that came down from flat, in which friction carries moment HB of the weight's everywhere, and the strip that came
up from hanging, in which friction adds HB everywhere. B is that of the loop's slope: a bending length read on a strip
that was slid out from flat has some friction in it already. Lengths in this file are in bending lengths c unless said
otherwise, moments in w c^2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from drapesim.ground.references.elastica import CantileverShape, solve_cantilever

Array = np.ndarray

_RTOL, _ATOL = 1e-10, 1e-13
LONGEST = 5.0  # free length in bending lengths up to which the shooting has been tested; the tip is plumb from 4 on
MOST = 2.0  # of HB, in w c^2
STEP = 0.1  # of HB from one shape to the next: the tip's angle is followed, as there are others beside it


@dataclass(frozen=True)
class ShapeBand:
    """Rest shapes of one overhang: from flat (``upper``), without friction (``middle``), from hanging (``lower``)."""

    upper: CantileverShape
    middle: CantileverShape
    lower: CantileverShape


def solve_rubbing_cantilever(length: float, friction: float, points: int = 201) -> CantileverShape:
    """Shape of a heavy cantilever ``length`` long (in c) whose bending friction is HB = |friction| w c^2.

    friction > 0: it came down from flat, B k = max(M - HB, 0), and a stretch at the free end, where the weight's moment
    is below HB, stays straight. friction < 0: it came up from hanging, B k = M + HB, and the free end keeps the
    curvature HB / B.
    Claim: moment balance of the heavy elastica with the moment of an elastic spring and a friction slider side by side,
    every slider having slipped. Source: the elastic and frictional model of bending (Lahey and Heppler 2004, J. Applied
    Mechanics 71, first page read); the elastica with it derived anew.
    Valid: length up to 5, |friction| up to 2. With friction = 0 it is `solve_cantilever`.
    """
    if not (0.0 < length <= LONGEST and abs(friction) <= MOST):
        raise ValueError(f"length = {length:g} must lie in 0 to {LONGEST:g}, friction = {friction:g} in -2 to 2")
    tip = 0.5 * math.pi - solve_cantilever(length**3, 3).tip_angle
    for share in np.linspace(0.0, 1.0, 1 + math.ceil(abs(friction) / STEP))[1:]:
        tip = _find_tip(length, share * friction, tip)
    s = np.linspace(0.0, 1.0, points)
    y = _hang(tip, length, friction, np.maximum(length * (1.0 - s[::-1]), 0.0))[:, ::-1]
    x, drop = (y[2, 0] - y[2]) / length, (y[3, 0] - y[3]) / length
    return CantileverShape(length**3, s, x, drop, 0.5 * math.pi - y[0])


def _hang(tip: float, length: float, friction: float, t: Array) -> Array:
    """(4, k): angle from the vertical, moment of the weight beyond, distances across and down from the tip, at arc
    lengths t (k,) from the tip."""

    def slope(t: float, y: Array) -> tuple[float, float, float, float]:
        bend = max(y[1] - friction, 0.0) if friction > 0.0 else y[1] - friction
        return bend, t * math.sin(y[0]), math.sin(y[0]), math.cos(y[0])

    return solve_ivp(slope, (0.0, length), (tip, 0.0, 0.0, 0.0), "LSODA", t_eval=t, rtol=_RTOL, atol=_ATOL).y


def _find_tip(length: float, friction: float, near: float) -> float:
    """The tip's angle from the vertical, close to ``near``, with which the strip is level at the clamp."""
    end = np.array([length])

    def miss(tip: float) -> float:
        return float(_hang(tip, length, friction, end)[0, -1]) - 0.5 * math.pi

    # more friction from flat raises the tip, more from hanging turns it on; the nearest change of sign that way is it
    reach = math.copysign(0.04, friction)
    first = miss(near)
    for k in range(1, 60):
        if first * miss(near + k * reach) <= 0.0:
            return brentq(miss, near + (k - 1) * reach, near + k * reach, xtol=1e-13)
    raise ValueError(f"no rest shape found for length {length:g} and friction {friction:g}")


def solve_shape_band(length: float, friction: float, points: int = 201) -> ShapeBand:
    """The band of a cantilever ``length`` long (in c), HB = ``friction`` w c^2 >= 0.

    What it is: the two ends of the rest shapes whose friction moment is nowhere more than HB, reached by coming down
    from flat and up from hanging; others lie between (an argument, no theorem). What it is not: creep, creases, or a
    friction that grows with curvature; HB is read at one curvature (KES: at 1 per cm, from memory) and taken for all.
    """
    solved = [solve_rubbing_cantilever(length, each, points) for each in (friction, 0.0, -friction)]
    return ShapeBand(*solved)
