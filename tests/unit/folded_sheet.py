"""Sheets folded by exact geometry: where every point lies, and what lies across from it, follow from a few lengths."""

from __future__ import annotations

import math

import numpy as np

from drapesim.matter.sheet import Lattice

Array = np.ndarray


def fold_at(lattice: Lattice, u0: float, radius: float, lift: float = 0.0) -> Array:
    """(n, 3) m: the warp folded back at ``u0`` (m) round half a turn of ``radius`` (m), the outer side outermost.

    The half of small u lies level at height 0 with its inner side up, the other level above it by 2 ``radius``, inner
    side down: inner faces inner. Across from (u, v) lies (2 u0 - u, v). ``lift`` (rad): slope of the upper half.
    Lengths are kept but for the chords of the half turn.
    """
    u, v = lattice.uv.T
    bend = 0.5 * math.pi * radius
    s = u - u0
    turn = np.clip(s, -bend, bend) / radius
    rest = np.maximum(np.abs(s) - bend, 0.0)
    # the nose lies toward -x; seen along the way of v the lower half comes in and the upper one goes out
    climb = np.where(s > 0.0, rest * math.sin(lift), 0.0)
    run = np.where(s > 0.0, rest * math.cos(lift), rest)
    x = -radius * np.cos(turn) + run
    z = radius * (1.0 + np.sin(turn)) + climb
    return np.column_stack([x, -lattice.inner_sign * v, z])


def pleat(lattice: Lattice, first: float, second: float, radius: float) -> Array:
    """(n, 3) m: folded back at ``first`` (m) as in `fold_at`, and once more the other way at ``second``: three layers.

    The middle one has the under layer over its inner face and the upper layer over its outer one, 2 ``radius`` away.
    """
    bend = 0.5 * math.pi * radius
    u = lattice.uv[:, 0]
    under, again = fold_at(lattice, first, radius), fold_at(lattice, second, radius)
    # the far part goes round the mirror image of the first half turn, which begins where the middle layer lies level
    level = second - first - 2.0 * bend
    turned = np.column_stack([level - again[:, 0], again[:, 1], 2.0 * radius + again[:, 2]])
    return np.where((u > second - bend)[:, None], turned, under)
