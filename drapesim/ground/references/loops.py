"""The heart loop: a strip whose two ends are clamped together, standing up from the clamp and folding down both sides.

Lengths in units of the loop length L, the weight in gamma = w L^3 / B.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_bvp

Array = np.ndarray

#: Largest gamma for which the continuation has been tested.
MAX_GAMMA = 3200.0


@dataclass(frozen=True)
class HeartLoop:
    """Right half of the loop in units of L, from the clamp (s = 0) to the lowest point (s = 1/2).

    gamma: w L^3 / B; s, x, y (k,): arc length, distance from the line of symmetry, height above the clamp;
    angle (k,) rad above the outward horizontal; side_force: horizontal force in the strip over w L, positive if the
    lower part pulls the upper one outward.
    """

    gamma: float
    s: Array
    x: Array
    y: Array
    angle: Array
    side_force: float

    @property
    def height(self) -> float:
        """Drop of the lowest point below the clamp: the reading of the loop test."""
        return -float(self.y[-1])

    @property
    def width(self) -> float:
        """Largest width of the whole loop."""
        return 2.0 * float(self.x.max())

    @property
    def rise(self) -> float:
        """Height of the shoulders above the clamp."""
        return float(self.y.max())


def solve_heart_loop(gamma: float, separation: float = 0.0, points: int = 401) -> HeartLoop:
    """Shape of the hanging heart loop for gamma = w L^3 / B, its clamped ends ``separation`` (in L) apart.

    Claim: with t the angle of the strip above the outward horizontal, t'' = gamma (h sin t - (s - 1/2) cos t), t = pi/2
    at the clamp and -pi at the lowest point, which lies on the line of symmetry; h is the horizontal force over w L.
    The lower part hangs on the upper one: the vertical force at s is the weight below, w (1/2 - s) L.
    Source: moment balance, derived anew; test ASTM D1388 option B (scope read), Peirce 1930 (from memory).
    Recomputed here by collocation with continuation in gamma. Valid: 0 <= gamma <= 3200, no stretch; the limbs do not
    touch each other in that range beyond the clamp itself (x >= separation / 2).
    """
    if not 0.0 <= gamma <= MAX_GAMMA:
        raise ValueError(f"gamma = {gamma:g} is outside 0 to {MAX_GAMMA:g}")
    s = np.linspace(0.0, 0.5, 81)
    turn = 3.0 * math.pi * s
    guess = np.stack([0.5 * math.pi - turn, np.full_like(s, -3.0 * math.pi), np.sin(turn) / 9.4, np.sin(turn) / 9.4])
    force = np.array([0.0])
    steps = np.geomspace(10.0, gamma, max(2, math.ceil(3.0 * math.log2(gamma / 10.0)) + 1)) if gamma > 10.0 else [gamma]
    for load in [0.0, *steps]:

        def bend(s: Array, y: Array, p: Array, load: float = float(load)) -> Array:
            # p is the horizontal force over B / L^2, finite for gamma = 0
            sine, cosine = np.sin(y[0]), np.cos(y[0])
            return np.stack([y[1], p[0] * sine - load * (s - 0.5) * cosine, cosine, sine])

        def ends(a: Array, b: Array, _: Array) -> Array:
            return np.array([a[0] - 0.5 * math.pi, b[0] + math.pi, a[2] - 0.5 * separation, a[3], b[2]])

        run = solve_bvp(bend, ends, s, guess, p=force, tol=1e-8, max_nodes=50_000)
        if not run.success:
            raise ValueError(f"no heart loop found for gamma = {load:g}: {run.message}")
        s, guess, force = run.x, run.y, run.p
    at = np.linspace(0.0, 0.5, points)
    angle, _, x, y = run.sol(at)
    return HeartLoop(gamma, at, x, y, angle, float(force[0]) / gamma if gamma > 0.0 else 0.0)
