"""Strips that give way: a strip on edge that tips over sideways, and a strip pressed end-on against a floor."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Polynomial
from numpy.polynomial.legendre import Legendre, leggauss
from scipy.integrate import solve_bvp
from scipy.linalg import eigh

Array = np.ndarray


def predict_lateral_buckling(rigidity: float, twist: float, breadth: float = 0.0, shapes: int = 24) -> float:
    """w L^3 / B at which a strip clamped on edge, its weight in its own plane, tips over sideways.

    ``rigidity`` B (N m) along the strip; ``twist`` J (N m), energy J k^2 per area for a twist k, so that a narrow strip
    of breadth b has torsional rigidity C = 2 J b; ``breadth`` over length, 0 for the narrow limit.
    Claim: with f the twist angle from the clamp, M = w b (L - s)^2 / 2 and sideways bending B b,
        (B b^3 / 12) f'''' - C f'' = M^2 f / (B b),   f(0) = f'(0) = 0, no moment and no torque at the free end;
    the first term is the bending of the strip's edges where the clamp keeps its plane from twisting. Without it
    w b L^3 = 12.854 sqrt(B b C), 12.854 being six times the first root of the Bessel function of order -1/6.
    Source: Prandtl and Michell 1899, lateral buckling (from memory); constant and clamp term derived anew, recomputed
    here by Ritz with ``shapes`` polynomials. Valid: breadth below about 0.1, no deflection in the plane, no Poisson
    effect.
    """
    if not (rigidity > 0.0 and twist > 0.0 and 0.0 <= breadth <= 0.2):
        raise ValueError(f"rigidity = {rigidity:g}, twist = {twist:g} must be positive, breadth = {breadth:g} 0 to 0.2")
    s, weight = leggauss(80)
    s, weight = 0.5 * (s + 1.0), 0.5 * weight
    clamp = rigidity * breadth**2 / (24.0 * twist)
    root = Polynomial([0.0, 1.0]) ** (2 if clamp > 0.0 else 1)
    basis = [Legendre.basis(n, [0.0, 1.0]).convert(kind=Polynomial) * root for n in range(shapes)]
    value, slope, bend = (np.array([shape.deriv(n)(s) if n else shape(s) for shape in basis]) for n in range(3))
    stiff = (slope * weight) @ slope.T + clamp * (bend * weight) @ bend.T
    load = (value * (weight * 0.25 * (1.0 - s) ** 4)) @ value.T
    largest = float(eigh(load, stiff, eigvals_only=True)[-1])
    return math.sqrt(2.0 * twist / rigidity / largest)


@dataclass(frozen=True)
class PinnedStrip:
    """A strip clamped upright at its top and pressed on a point straight below; lengths in L, forces in B / L^2.

    s, x, drop, angle (k,): from the clamp; angle (rad) from plumb. push: what the floor presses upward; grip: what it
    holds sideways, positive toward +x, the side to which the strip bulges.
    """

    s: Array
    x: Array
    drop: Array
    angle: Array
    push: float
    grip: float

    @property
    def friction(self) -> float:
        """Least static coefficient of the floor that keeps the tip where it is."""
        return abs(self.grip) / self.push


def solve_pinned_strip(shortening: float, points: int = 201) -> PinnedStrip:
    """Weightless strip, clamped upright above a floor lower by (1 - ``shortening``) L, its tip stuck straight below.

    Claim: with t the angle from plumb, t'' = -push sin t - grip cos t, t(0) = 0, t'(1) = 0, the tip at x = 0 and
    drop = 1 - shortening. Small shortening: push 20.19 B / L^2 and grip / push = 0.445 sqrt(shortening).
    Source: Euler's elastica, derived anew, recomputed here by collocation with continuation; a test of this
    kind is in Romero et al. 2021, ACM Trans. Graphics 40(4) (from memory). Valid: 0 < shortening <= 0.5; no stretch.
    """
    if not 0.0 < shortening <= 0.5:
        raise ValueError(f"shortening = {shortening:g} is outside 0 to 0.5")
    root = 4.493409457909064  # tan k = k: the clamped and pinned column
    s = np.linspace(0.0, 1.0, 101)
    # sideways shape (small): sin ks - ks cos k + ... with its moment zero at the tip
    slope = root * (np.cos(root * s) - 1.0) + root**2 * np.sin(root * s)
    bend = -(root**2) * np.sin(root * s) + root**3 * np.cos(root * s)
    reached = min(shortening, 1e-3)
    size = math.sqrt(2.0 * reached / float(np.trapezoid(slope**2, s)))
    side = np.concatenate([[0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1]) * np.diff(s))])
    guess = np.stack([size * slope, size * bend, size * side, s])
    force = np.array([root**2, size * root**3])
    for part in np.append(np.arange(reached, shortening, 0.02), shortening):

        def turn(_: Array, y: Array, p: Array) -> Array:
            sine, cosine = np.sin(y[0]), np.cos(y[0])
            return np.stack([y[1], -p[0] * sine - p[1] * cosine, sine, cosine])

        def ends(a: Array, b: Array, _: Array, part: float = float(part)) -> Array:
            return np.array([a[0], a[2], a[3], b[1], b[2], b[3] - 1.0 + part])

        run = solve_bvp(turn, ends, s, guess, p=force, tol=1e-7, max_nodes=50_000)
        if not run.success:
            raise ValueError(f"no pinned strip found for shortening = {part:g}: {run.message}")
        s, guess, force = run.x, run.y, run.p
    at = np.linspace(0.0, 1.0, points)
    angle, _, x, drop = run.sol(at)
    return PinnedStrip(at, x, drop, angle, float(force[0]), float(force[1]))
