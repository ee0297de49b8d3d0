"""A strip folded back over itself on a table, at its start: for the tests of the fold and of friction that holds."""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq

Array = np.ndarray

LOWER, DOWN, UPPER = 8.0, 2.6, 5.0  # c: flat lower layer, straight way down, flat upper layer
RADIUS = 0.6  # c, of the nose, roughly


def fold_start(per_length: int, gap: float) -> tuple[Array, Array]:
    """(along, height) in c of the rows of a folded strip, ``per_length`` links to c, none of them stretched.

    Round a nose of constant curvature until the strip leans down by some angle, straight down by that, then level at
    height ``gap`` (c) over the lower layer. The angle is the one for which the heights close. No answer is in it.
    """
    h = 1.0 / per_length
    lower, down, upper = (round(length * per_length) for length in (LOWER, DOWN, UPPER))
    round_nose = np.linspace(0.0, 1.0, round(math.pi * RADIUS * per_length) + 1)[1:-1]

    def lean(over: float) -> Array:
        steep = math.pi + over
        return np.concatenate([np.zeros(lower), steep * round_nose, np.full(down, steep), np.full(upper, math.pi)])

    over = brentq(lambda angle: h * np.sin(lean(angle)).sum() - gap, 0.05, 1.2)
    angle = lean(over)
    return np.append(0.0, np.cumsum(h * np.cos(angle))), np.append(0.0, np.cumsum(h * np.sin(angle)))
