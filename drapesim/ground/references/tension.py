"""Sheets that only pull: the hanging strip, the catenary, and a sheet over a smooth cylinder. Bending is left out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq

Array = np.ndarray


@dataclass(frozen=True)
class HangingStretch:
    """extension: lowering of the free end, m; top_strain and top_tension (N/m) at the held edge."""

    extension: float
    top_strain: float
    top_tension: float


@dataclass(frozen=True)
class Catenary:
    """Level catenary: span, length, sag and parameter a in m, end and lowest tension in N/m per width."""

    span: float
    length: float
    parameter: float
    sag: float
    end_tension: float
    low_tension: float

    def place(self, x: Array) -> Array:
        """Height (m) below the supports, >= 0, at horizontal distance x (m) from the middle."""
        a = self.parameter
        return self.sag - a * (np.cosh(np.asarray(x) / a) - 1.0)


def predict_hanging_stretch(weight: float, length: float, modulus: float) -> HangingStretch:
    """Stretch of a strip hung by its upper edge: w in N/m2 of rest area, rest length in m, modulus E in N/m.

    Claim: extension = w L^2 / (2 E), strain at the top w L / E. Source: textbook statics, recomputed here.
    Valid for a straight load-extension line, any strain (weight is that of the rest area, so nothing is linearised).
    """
    return HangingStretch(weight * length**2 / (2.0 * modulus), weight * length / modulus, weight * length)


def integrate_hanging_stretch(
    weight: float,
    length: float,
    tension_at: Callable[[float], float],
    end_load: float = 0.0,
    strain_limit: float = 0.5,
) -> HangingStretch:
    """Stretch of a hung strip whose load-extension curve is ``tension_at`` (strain -> N/m), with an end load (N/m).

    Claim: extension = (1/w) integral of e(T) dT from the end load F to F + w L; by parts that is
    [T e - W(e)] / w between the two strains, W the integral of ``tension_at``: the curve is never inverted in the
    integrand. Source: textbook statics, recomputed here. Valid for a rising curve that reaches F + w L within
    ``strain_limit``; else ValueError.
    """
    top = end_load + weight * length
    if tension_at(strain_limit) < top:
        raise ValueError(f"the load-extension curve does not reach {top:g} N/m within strain {strain_limit:g}")

    def strain_of(load: float) -> float:
        return 0.0 if load <= 0.0 else brentq(lambda e: tension_at(e) - load, 0.0, strain_limit, xtol=1e-15)

    low_strain, top_strain = strain_of(end_load), strain_of(top)
    stored, _ = quad(tension_at, low_strain, top_strain, epsabs=0.0, epsrel=1e-10, limit=500)
    return HangingStretch((top * top_strain - end_load * low_strain - stored) / weight, top_strain, top)


def solve_catenary(span: float, length: float, weight: float) -> Catenary:
    """Inextensible sheet hung between two level edges ``span`` (m) apart, ``length`` (m) long, w in N/m2.

    Claim: length = 2 a sinh(span / 2a); sag = a (cosh(span / 2a) - 1); end tension = w (a + sag), lowest w a.
    Source: textbook statics (Bernoulli, Huygens, Leibniz 1691, from memory), recomputed here.
    Valid: length > span; with bending only for span >> c (at least 20 c).
    """
    if not length > span > 0.0:
        raise ValueError(f"length = {length:g} m must exceed span = {span:g} m")
    ratio = length / span
    # sinh(q)/q = ratio, q = span / 2a; the right end is a safe overestimate of q
    q = brentq(lambda q: math.sinh(q) / q - ratio, 1e-8, 2.0 * math.log(2.0 * ratio) + 4.0, xtol=1e-15, rtol=1e-14)
    a = span / (2.0 * q)
    sag = 2.0 * a * math.sinh(0.5 * q) ** 2  # a (cosh q - 1) without cancellation
    return Catenary(span, length, a, sag, weight * (a + sag), weight * a)


def predict_cylinder_pressure(angle: Array, weight: float, radius: float, drop: float) -> Array:
    """Contact pressure (Pa) of a sheet over a smooth level cylinder, ``angle`` rad from the top, drop l (m) each side.

    Claim: p = w (l/R + 2 cos(angle)): tension T = w (l + R cos(angle)) turned over R, plus the weight's own part.
    The integral of p cos(angle) over the arc is the whole weight w (2 l + pi R).
    Source: textbook statics, derived anew. Valid: equal drops hanging plumb below the horizontal diameter, R >> c, no
    friction, |angle| < pi/2 by more than the bending boundary layer. R is the radius of the sheet's middle surface.
    """
    angle = np.asarray(angle, dtype=np.float64)
    return weight * (drop / radius + 2.0 * np.cos(angle))
