"""Which blocks of the sheet may lie on other parts of it: a quick survey before layers are searched pair by pair.

A block of cells whose normals all lie within a cone of 60 degrees is a graph over the plane across the cone: woven
cloth hardly stretches, so such a block cannot come back on itself, and neither can two blocks side by side that fit one
cone. (The bound for surfaces in general is that of Volino and Magnenat-Thalmann, Computer Graphics Forum 13 (1994) 155,
from memory: 90 degrees, and an outline that does not cross itself.) Blocks apart from each other must also overlap in
nine directions of space to come into question.
"""

from __future__ import annotations

import math

import numpy as np

from drapesim.kernels.jit import bare_kernel, parallel_kernel, prange

CONE = 0.5  # cosine of 60 degrees
DIRECTIONS = 9  # x, y, z and their sums and differences
SKEW = math.sqrt(0.5)


@parallel_kernel
def survey_into(normal, axis, spread, low, high, x, triangles, start, cell):
    """Measure each block: unit mean ``axis`` (b, 3), ``spread`` (b,) least cosine to it, ``low``/``high`` (b, 9) m.

    Block b holds the cells ``cell``[start[b] .. start[b + 1]], cell q triangles 2 q and 2 q + 1 of the sheet x (n, 3).
    ``normal`` (t, 3) is filled with the triangles' unit normals.
    """
    for b in prange(start.shape[0] - 1):
        survey_block(np.int64(b), normal, axis, spread, low, high, x, triangles, start, cell)


@bare_kernel
def survey_block(b, normal, axis, spread, low, high, x, triangles, start, cell):
    """One block of `survey_into`."""
    for d in range(DIRECTIONS):
        low[b, d] = np.inf
        high[b, d] = -np.inf
    for c in range(3):
        axis[b, c] = 0.0
    for m in range(start[b], start[b + 1]):
        for t in range(2 * cell[m], 2 * cell[m] + 2):
            i = triangles[t, 0]
            j = triangles[t, 1]
            k = triangles[t, 2]
            ux = x[j, 0] - x[i, 0]
            uy = x[j, 1] - x[i, 1]
            uz = x[j, 2] - x[i, 2]
            vx = x[k, 0] - x[i, 0]
            vy = x[k, 1] - x[i, 1]
            vz = x[k, 2] - x[i, 2]
            nx = uy * vz - uz * vy
            ny = uz * vx - ux * vz
            nz = ux * vy - uy * vx
            size = max(math.sqrt(nx * nx + ny * ny + nz * nz), 1e-300)
            normal[t, 0] = nx / size
            normal[t, 1] = ny / size
            normal[t, 2] = nz / size
            axis[b, 0] += nx / size
            axis[b, 1] += ny / size
            axis[b, 2] += nz / size
            for s in range(3):
                p = triangles[t, s]
                widen(low, high, b, 0, x[p, 0])
                widen(low, high, b, 1, x[p, 1])
                widen(low, high, b, 2, x[p, 2])
                widen(low, high, b, 3, SKEW * (x[p, 0] + x[p, 1]))
                widen(low, high, b, 4, SKEW * (x[p, 0] - x[p, 1]))
                widen(low, high, b, 5, SKEW * (x[p, 1] + x[p, 2]))
                widen(low, high, b, 6, SKEW * (x[p, 1] - x[p, 2]))
                widen(low, high, b, 7, SKEW * (x[p, 2] + x[p, 0]))
                widen(low, high, b, 8, SKEW * (x[p, 2] - x[p, 0]))
    size = math.sqrt(axis[b, 0] * axis[b, 0] + axis[b, 1] * axis[b, 1] + axis[b, 2] * axis[b, 2])
    for c in range(3):
        axis[b, c] /= max(size, 1e-300)
    spread[b] = 1.0
    for m in range(start[b], start[b + 1]):
        for t in range(2 * cell[m], 2 * cell[m] + 2):
            along = normal[t, 0] * axis[b, 0] + normal[t, 1] * axis[b, 1] + normal[t, 2] * axis[b, 2]
            spread[b] = min(spread[b], along)


@bare_kernel
def widen(low, high, b, d, value):
    """Let the extent of block b in direction d hold ``value``."""
    low[b, d] = min(low[b, d], value)
    high[b, d] = max(high[b, d], value)


@parallel_kernel
def question_into(doubtful, place, axis, spread, low, high, band):
    """Mark the blocks (b,) that may lie closer than ``band`` to cloth that is not simply beside them.

    ``place`` (b, 2): row and column of each block. Each turn looks at one block against all others.
    """
    for b in prange(place.shape[0]):
        doubtful[b] = is_doubtful(np.int64(b), place, axis, spread, low, high, band)


@bare_kernel
def is_doubtful(b, place, axis, spread, low, high, band):
    """One block of `question_into`."""
    if spread[b] < CONE:
        return True
    for c in range(place.shape[0]):
        if c == b:
            continue
        if abs(place[b, 0] - place[c, 0]) <= 1 and abs(place[b, 1] - place[c, 1]) <= 1:
            if not share_a_cone(b, c, axis, spread):
                return True
            continue
        apart = False
        for d in range(DIRECTIONS):
            if low[b, d] > high[c, d] + band or low[c, d] > high[b, d] + band:
                apart = True
                break
        if not apart:
            return True
    return False


@bare_kernel
def share_a_cone(b, c, axis, spread):
    """True if the normals of blocks b and c surely fit one cone."""
    x = axis[b, 0] + axis[c, 0]
    y = axis[b, 1] + axis[c, 1]
    z = axis[b, 2] + axis[c, 2]
    size = math.sqrt(x * x + y * y + z * z)
    if size < 1e-9:
        return False
    half = math.acos(min(1.0, 0.5 * size))  # from the common axis to that of each block
    widest = max(math.acos(min(1.0, spread[b])), math.acos(min(1.0, spread[c])))
    return half + widest < math.acos(CONE)


@parallel_kernel
def farthest_moves(moved, x, triangles, corners):
    """For each triangle (t,) how far the farthest of its corners is now from where ``corners`` (t, 3, 3) has it."""
    for run in prange(64):
        for t in range(run * moved.shape[0] // 64, (run + 1) * moved.shape[0] // 64):
            far = 0.0
            for k in range(3):
                a = triangles[t, k]
                dx = x[a, 0] - corners[t, k, 0]
                dy = x[a, 1] - corners[t, k, 1]
                dz = x[a, 2] - corners[t, k, 2]
                far = max(far, dx * dx + dy * dy + dz * dz)
            moved[t] = math.sqrt(far)


@parallel_kernel
def note_corners(corners, band, x, triangles, searched, bands):
    """Put down where the ``searched`` (t,) triangles are now in ``corners`` (t, 3, 3), in ``band`` their ``bands``."""
    for run in prange(64):
        for t in range(run * band.shape[0] // 64, (run + 1) * band.shape[0] // 64):
            if searched[t]:
                band[t] = bands[t]
                for k in range(3):
                    for d in range(3):
                        corners[t, k, d] = x[triangles[t, k], d]
