"""A strip that bends under its own weight: the heavy cantilever, and bending length from an overhang.

All lengths in this file are in units of the bending length c = (B / w)^(1/3), B the bending rigidity per width [N m]
and w the weight per area [N/m2], unless a name says otherwise. In these units every horizontally clamped heavy
cantilever is a piece of one family: with t the arc length counted from the free tip and p the angle of the strip from
the vertical,

    p'' = t sin p,   p(0) = p_tip,   p'(0) = 0,   clamp where p = pi/2.

Starting at the tip is what makes it well posed: p grows away from a tip that hangs nearly plumb, so a tip angle
within 1e-9 of the vertical still gives full accuracy at the clamp (starting at the clamp loses it).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

Array = np.ndarray

#: Chord angle of the standard bending test, rad. Source: ASTM D1388 and ISO 9073-7 (clauses from memory).
STANDARD_CHORD = math.radians(41.5)

_RTOL, _ATOL = 1e-11, 1e-14


@dataclass(frozen=True)
class CantileverShape:
    """Shape of a heavy cantilever in units of its free length L, clamp first.

    gamma: w L^3 / B; s (k,) arc length from the clamp; x (k,) horizontal; drop (k,) positive downward;
    angle (k,) rad below horizontal.
    """

    gamma: float
    s: Array
    x: Array
    drop: Array
    angle: Array

    @property
    def tip(self) -> tuple[float, float]:
        """(x, drop) of the free end, in units of L."""
        return float(self.x[-1]), float(self.drop[-1])

    @property
    def tip_angle(self) -> float:
        """Angle of the free end below horizontal, rad."""
        return float(self.angle[-1])

    @property
    def chord_angle(self) -> float:
        """Angle below horizontal of the straight line from clamp to tip, rad."""
        return math.atan2(self.drop[-1], self.x[-1])


def find_bending_length(rigidity: float, weight: float) -> float:
    """Bending length c = (B / w)^(1/3), m, from B [N m] and weight per area w [N/m2].

    Source: Peirce 1930, The handle of cloth as a measurable quantity, J. Textile Institute 21 (from memory); it is the
    length ASTM D1388 reports. Valid for any positive B and w.
    """
    _demand_positive(rigidity=rigidity, weight=weight)
    return (rigidity / weight) ** (1.0 / 3.0)


def find_rigidity(bending_length: float, weight: float) -> float:
    """Bending rigidity per width B = w c^3, N m: the inverse of :func:`find_bending_length`. Same source."""
    _demand_positive(bending_length=bending_length, weight=weight)
    return weight * bending_length**3


def solve_cantilever(gamma: float, points: int = 201) -> CantileverShape:
    """Shape of a strip clamped horizontally and bent by its own weight, for gamma = w L^3 / B.

    Claim: theta'' = -gamma (1 - s) cos theta, theta(0) = 0, theta'(1) = 0 (s in L, theta below horizontal): moment
    balance of an inextensible strip whose moment is B times curvature.
    Source: Bickley 1934, The heavy elastica, Phil. Mag. 17 (from memory); recomputed here.
    Valid: 0 < gamma <= 1e4; relative accuracy about 1e-9. Limit for small gamma: drop / L = gamma / 8.
    """
    _demand_positive(gamma=gamma)
    if gamma > 1e4:
        raise ValueError(f"gamma = {gamma:g} is above 1e4, where the tip hangs plumb to rounding")
    length = gamma ** (1.0 / 3.0)
    bounds = (math.log(1e-300), math.log(0.5 * math.pi))
    log_tip = brentq(lambda q: _turn_from_tip(q, length) - 0.5 * math.pi, *_bracket(length, bounds), xtol=1e-13)
    s = np.linspace(0.0, 1.0, points)
    y = _hang(math.exp(log_tip), length, np.maximum(length * (1.0 - s[::-1]), 0.0))[:, ::-1]
    x, drop = (y[2, 0] - y[2]) / length, (y[3, 0] - y[3]) / length
    return CantileverShape(gamma, s, x, drop, 0.5 * math.pi - y[0])


def predict_mean_square_curvature(gamma: float) -> float:
    """Mean along a heavy cantilever of (curvature times length) squared, for gamma = w L^3 / B.

    Claim: k^2 = 2 gamma (D - d - (1 - s) sin theta), D the tip's drop and d that at s: p'' = t sin p once integrated.
    Source: recomputed here. Valid as :func:`solve_cantilever`. Limit for small gamma: gamma^2 / 20.
    """
    shape = solve_cantilever(gamma, 2001)
    square = 2.0 * gamma * (shape.drop[-1] - shape.drop - (1.0 - shape.s) * np.sin(shape.angle))
    return float(np.trapezoid(square, shape.s))


def find_gamma(chord_angle: float) -> float:
    """gamma = w L^3 / B at which the chord of a heavy cantilever dips by ``chord_angle`` (rad).

    Source: recomputed here from :func:`solve_cantilever`'s equation. Valid: 0.001 to 1.53 rad (0.06 to 87.6 degrees).
    """
    if not 1e-3 <= chord_angle <= 1.53:
        raise ValueError(f"chord_angle = {chord_angle:g} rad is outside 0.001 to 1.53")

    def miss(log_tip: float) -> float:
        _, x, drop = _run_to_clamp(math.exp(log_tip))
        return math.atan2(drop, x) - chord_angle

    log_tip = brentq(miss, math.log(1e-14), math.log(0.5 * math.pi - 1e-4), xtol=1e-13)
    return _run_to_clamp(math.exp(log_tip))[0] ** 3


def reduce_overhang(overhang: float, chord_angle: float = STANDARD_CHORD) -> float:
    """Bending length c (m) of a strip whose tip, ``overhang`` (m) beyond the edge, dips by ``chord_angle`` (rad).

    Claim: c = L gamma^(-1/3) with gamma from the exact heavy elastica. At 41.5 degrees gamma = 8.004, so c = L / 2 to
    0.02 %: the shortcut of the standards is exact in practice.
    Source: recomputed here; test ASTM D1388 option A, ISO 9073-7. Valid as :func:`find_gamma`.
    """
    _demand_positive(overhang=overhang)
    return overhang * find_gamma(chord_angle) ** (-1.0 / 3.0)


def reduce_overhang_peirce(overhang: float, chord_angle: float = STANDARD_CHORD) -> float:
    """Bending length c (m) by Peirce's closed form c = L (cos(a/2) / (8 tan a))^(1/3).

    Source: Peirce 1930 (from memory), formula read in a teaching note on fibre stiffness. It is an approximation: at
    41.5 degrees c comes out 1.9 % and B 5.8 % too large (recomputed here against the exact elastica); published
    warning in the same sense: Lammens et al. 2014, Textile Research Journal 84, 1307. Valid: 0 < a < pi/2.
    """
    _demand_positive(overhang=overhang)
    if not 0.0 < chord_angle < 0.5 * math.pi:
        raise ValueError(f"chord_angle = {chord_angle:g} rad is outside 0 to pi/2")
    return overhang * (math.cos(0.5 * chord_angle) / (8.0 * math.tan(chord_angle))) ** (1.0 / 3.0)


def _slope_from_tip(t: float, y: Array) -> tuple[float, float, float, float]:
    # y = p, p', horizontal and vertical distance from the tip
    return y[1], t * math.sin(y[0]), math.sin(y[0]), math.cos(y[0])


def _hang(tip: float, length: float, t: Array) -> Array:
    out = solve_ivp(
        _slope_from_tip, (0.0, length), (tip, 0.0, 0.0, 0.0), "DOP853", t_eval=t, rtol=_RTOL, atol=_ATOL * tip
    )
    return out.y


def _turn_from_tip(log_tip: float, length: float) -> float:
    return float(_hang(math.exp(log_tip), length, np.array([length]))[0, -1])


def _bracket(length: float, bounds: tuple[float, float]) -> tuple[float, float]:
    """Tip angles (logs) around the one that reaches pi/2: p grows at most like exp(2/3 t^(3/2))."""
    low = math.log(0.5 * math.pi) - 2.0 / 3.0 * length**1.5 - 2.0
    return max(low, bounds[0]), bounds[1]


def _run_to_clamp(tip: float) -> tuple[float, float, float]:
    """(length, x, drop) in c of the cantilever whose tip stands ``tip`` rad off the vertical."""

    def reach(_: float, y: Array) -> float:
        return y[0] - 0.5 * math.pi

    reach.terminal, reach.direction = True, 1.0  # type: ignore[attr-defined]
    out = solve_ivp(
        _slope_from_tip, (0.0, 60.0), (tip, 0.0, 0.0, 0.0), "DOP853", events=reach, rtol=_RTOL, atol=_ATOL * tip
    )
    return float(out.t_events[0][0]), float(out.y_events[0][0][2]), float(out.y_events[0][0][3])


def _demand_positive(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} = {value:g} must be positive")
