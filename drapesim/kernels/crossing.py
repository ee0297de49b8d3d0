"""Pairs of triangles that cross, decided exactly: by signs of determinants with a bound on their rounding error.

Two triangles cross when their insides (without edges and corners) share a point. So piercing counts and coplanar
overlap counts; touching with a corner or an edge does not. Pairs that rounding leaves open are returned as `OPEN`, for
exact arithmetic elsewhere. The bound is the first stage of Shewchuk's orient3d (Discrete Comput. Geom. 18 (1997) 305,
from memory): |error| <= (7 + 56 u) u permanent, with u = 2^-53.
"""

from __future__ import annotations

import math

import numpy as np

from drapesim.kernels.jit import bare_kernel, kernel, parallel_kernel, prange
from drapesim.kernels.tree import STACK, Tree, find_in_box

APART, CROSSED, OPEN = range(3)
FOLDED = 0.2  # cosine between normals
CHUNKS = 256
UNIT = 2.0**-53
ORIENT_BOUND = (7.0 + 56.0 * UNIT) * UNIT
UNDERFLOW = 1e-290  # determinants below this may have lost digits to underflow
PROJECT_BOUND = 16.0 * UNIT  # one projection: a difference, three products, two sums; both ends; with room


@bare_kernel
def orient(corner, a, b, c, d):
    """Sign (+1, -1) of det(a - d, b - d, c - d) for rows of ``corner`` (6, 3); 0 where rounding leaves it open."""
    ax = corner[a, 0] - corner[d, 0]
    ay = corner[a, 1] - corner[d, 1]
    az = corner[a, 2] - corner[d, 2]
    bx = corner[b, 0] - corner[d, 0]
    by = corner[b, 1] - corner[d, 1]
    bz = corner[b, 2] - corner[d, 2]
    cx = corner[c, 0] - corner[d, 0]
    cy = corner[c, 1] - corner[d, 1]
    cz = corner[c, 2] - corner[d, 2]
    det = az * (bx * cy - cx * by) + bz * (cx * ay - ax * cy) + cz * (ax * by - bx * ay)
    permanent = (
        abs(az) * (abs(bx * cy) + abs(cx * by))
        + abs(bz) * (abs(cx * ay) + abs(ax * cy))
        + abs(cz) * (abs(ax * by) + abs(bx * ay))
    )
    bound = ORIENT_BOUND * permanent + UNDERFLOW
    if det > bound:
        return 1
    if det < -bound:
        return -1
    return 0


@bare_kernel
def parts_along(corner, wx, wy, wz):
    """True if the first three rows of ``corner`` lie surely apart from the last three along w."""
    low_a = np.inf
    high_a = -np.inf
    low_b = np.inf
    high_b = -np.inf
    size = 0.0
    for k in range(6):
        dx = (corner[k, 0] - corner[0, 0]) * wx
        dy = (corner[k, 1] - corner[0, 1]) * wy
        dz = (corner[k, 2] - corner[0, 2]) * wz
        size = max(size, abs(dx) + abs(dy) + abs(dz))
        place = dx + dy + dz
        if k < 3:
            low_a = min(low_a, place)
            high_a = max(high_a, place)
        else:
            low_b = min(low_b, place)
            high_b = max(high_b, place)
    return max(low_b - high_a, low_a - high_b) > PROJECT_BOUND * size + UNDERFLOW


@bare_kernel
def are_apart(corner, edge):
    """True if one of the separating directions of two triangles surely parts them; ``edge`` (8, 3) is scratch.

    The directions: both normals, edge x edge, and normal x edge (for coplanar triangles).
    """
    for side in range(2):
        for k in range(3):
            p = 3 * side + k
            q = 3 * side + (k + 1 if k < 2 else 0)
            for c in range(3):
                edge[p, c] = corner[q, c] - corner[p, c]
    for side in range(2):
        u = edge[3 * side]
        v = edge[3 * side + 1]
        n = edge[6 + side]
        n[0] = u[1] * v[2] - u[2] * v[1]
        n[1] = u[2] * v[0] - u[0] * v[2]
        n[2] = u[0] * v[1] - u[1] * v[0]
        if parts_along(corner, n[0], n[1], n[2]):
            return True
    for i in range(8):
        for j in range(i + 1, 8):
            # normals last: they go with the edges of their own triangle, edges with those of the other one
            if (j < 6 and i // 3 == j // 3) or (j >= 6 and i // 3 != j - 6):
                continue
            u = edge[i]
            v = edge[j]
            if parts_along(corner, u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]):
                return True
    return False


@bare_kernel
def is_pierced(corner, p, q, a, b, c):
    """1 if the line p-q surely passes through the inside of a-b-c, 0 if surely outside, -1 if left open."""
    s0 = orient(corner, p, q, a, b)
    s1 = orient(corner, p, q, b, c)
    s2 = orient(corner, p, q, c, a)
    low = min(s0, s1, s2)
    high = max(s0, s1, s2)
    if low < 0 and high > 0:
        return 0
    if s0 == 0 or s1 == 0 or s2 == 0:
        return -1
    return 1


@bare_kernel
def judge_pair(corner, side, edge):
    """`APART`, `CROSSED` or `OPEN` for two triangles, rows 0-2 and 3-5 of ``corner``. ``side`` (6,) is scratch.

    With all signs certain, the triangles cross if and only if an edge of one pierces the inside of the other.
    """
    for k in range(3):
        side[3 + k] = orient(corner, 0, 1, 2, 3 + k)
    if side[3] != 0 and side[3] == side[4] and side[4] == side[5]:
        return APART
    for k in range(3):
        side[k] = orient(corner, 3, 4, 5, k)
    if side[0] != 0 and side[0] == side[1] and side[1] == side[2]:
        return APART
    is_open = False
    for k in range(6):
        if side[k] == 0:
            is_open = True
    # a triangle without area (all signs against its plane open) has no inside
    have_area = (side[0] != 0 or side[1] != 0 or side[2] != 0) and (side[3] != 0 or side[4] != 0 or side[5] != 0)
    for k in range(6):
        own = 0 if k < 3 else 3
        other = 3 - own
        p = k
        q = own + (k - own + 1 if k - own < 2 else 0)
        if side[p] * side[q] >= 0:
            continue
        pierced = is_pierced(corner, p, q, other, other + 1, other + 2)
        if pierced == 1 and have_area:
            return CROSSED
        if pierced != 0:
            is_open = True
    if not is_open or are_apart(corner, edge):
        return APART
    return OPEN


@bare_kernel
def find_shared(triangles, t, faces, f):
    """(how many corners triangle t and face f have in common, place of the last one in t, in f)."""
    shared = 0
    own = 0
    other = 0
    for k in range(3):
        for m in range(3):
            if triangles[t, k] == faces[f, m]:
                shared += 1
                own = k
                other = m
    return shared, own, other


@bare_kernel
def put_shared_first(corner, first, second):
    """Turn rows 0-2 and rows 3-5 of ``corner`` so that rows ``first`` and 3 + ``second`` come first in each."""
    for c in range(3):
        a, b, d = corner[first, c], corner[(first + 1) % 3, c], corner[(first + 2) % 3, c]
        corner[0, c] = a
        corner[1, c] = b
        corner[2, c] = d
        a, b, d = corner[3 + second, c], corner[3 + (second + 1) % 3, c], corner[3 + (second + 2) % 3, c]
        corner[3, c] = a
        corner[4, c] = b
        corner[5, c] = d


@bare_kernel
def judge_sharing(corner):
    """`APART`, `CROSSED` or `OPEN` for two triangles that have row 0 and row 3 of ``corner`` in common, and no more.

    They cross if and only if the edge across from the common corner of one pierces the inside of the other.
    """
    s1 = orient(corner, 0, 1, 2, 4)
    s2 = orient(corner, 0, 1, 2, 5)
    if s1 != 0 and s1 == s2:
        return APART
    t1 = orient(corner, 3, 4, 5, 1)
    t2 = orient(corner, 3, 4, 5, 2)
    if t1 != 0 and t1 == t2:
        return APART
    one = is_pierced(corner, 4, 5, 0, 1, 2)
    other = is_pierced(corner, 1, 2, 3, 4, 5)
    if one == 0 and other == 0:
        return APART
    if s1 * s2 < 0 and t1 * t2 < 0 and (one == 1 or other == 1):
        return CROSSED
    return OPEN


@kernel
def are_folded(corner):
    """True if the normals of the two triangles are more than about 78 degrees apart, or one has no area."""
    n = np.empty((2, 3))
    for k in range(2):
        a = 3 * k
        ux = corner[a + 1, 0] - corner[a, 0]
        uy = corner[a + 1, 1] - corner[a, 1]
        uz = corner[a + 1, 2] - corner[a, 2]
        vx = corner[a + 2, 0] - corner[a, 0]
        vy = corner[a + 2, 1] - corner[a, 1]
        vz = corner[a + 2, 2] - corner[a, 2]
        n[k, 0] = uy * vz - uz * vy
        n[k, 1] = uz * vx - ux * vz
        n[k, 2] = ux * vy - uy * vx
    dot = n[0, 0] * n[1, 0] + n[0, 1] * n[1, 1] + n[0, 2] * n[1, 2]
    size = math.sqrt(
        (n[0, 0] * n[0, 0] + n[0, 1] * n[0, 1] + n[0, 2] * n[0, 2])
        * (n[1, 0] * n[1, 0] + n[1, 1] * n[1, 1] + n[1, 2] * n[1, 2])
    )
    return dot <= FOLDED * size


@parallel_kernel
def crossings_into(row, start, x, triangles, y, faces, tree, is_self):
    """Pairs (triangle of x, face of y, verdict) that cross or stay open.

    First call with an empty ``row``: fills ``start[t + 1]`` with each triangle's count. After a running sum over
    ``start``, a second call fills ``row`` (K, 3) int64. ``tree`` stands over ``faces``. With ``is_self`` both meshes
    are one: each pair is met once, and pairs that share an edge are left out. Pairs that share a corner and face alike
    (not `are_folded`) are apart if rounding leaves them open: such are the neighbours in any flat sheet.
    """
    filling = row.shape[0] > 0
    n = triangles.shape[0]
    for chunk in prange(CHUNKS):
        near = np.empty(256, np.int64)
        stack = np.empty(STACK, np.int64)
        low = np.empty(3)
        high = np.empty(3)
        corner = np.empty((6, 3))
        side = np.empty(6, np.int64)
        edge = np.empty((8, 3))
        for t in range(chunk * n // CHUNKS, (chunk + 1) * n // CHUNKS):
            at = start[t] if filling else np.int64(0)
            if filling and start[t + 1] == at:
                continue
            for k in range(3):
                for c in range(3):
                    corner[k, c] = x[triangles[t, k], c]
            for c in range(3):
                low[c] = min(corner[0, c], corner[1, c], corner[2, c])
                high[c] = max(corner[0, c], corner[1, c], corner[2, c])
            n_near = find_in_box(near, stack, low, high, y, faces, tree)
            if n_near > near.shape[0]:
                near = np.empty(2 * n_near, np.int64)
                n_near = find_in_box(near, stack, low, high, y, faces, tree)
            for s in range(n_near):
                f = near[s]
                if is_self and f <= t:
                    continue
                for k in range(3):
                    for c in range(3):
                        corner[3 + k, c] = y[faces[f, k], c]
                shared = 0
                if is_self:
                    shared, own, other = find_shared(triangles, t, faces, f)
                if shared > 1:
                    continue
                if shared == 1:
                    put_shared_first(corner, own, other)
                    verdict = judge_sharing(corner)
                    if verdict == OPEN and not are_folded(corner):
                        verdict = APART  # side by side in one plane, as in any flat sheet
                    for k in range(3):
                        for c in range(3):
                            corner[k, c] = x[triangles[t, k], c]
                else:
                    verdict = judge_pair(corner, side, edge)
                if verdict == APART:
                    continue
                if filling:
                    row[at, 0] = t
                    row[at, 1] = f
                    row[at, 2] = verdict
                at += 1
            if not filling:
                start[t + 1] = at


def find_crossings(
    x: np.ndarray, triangles: np.ndarray, y: np.ndarray, faces: np.ndarray, tree: Tree, is_self: bool
) -> np.ndarray:
    """(K, 3) int64 rows (triangle of x, face of y, `CROSSED` or `OPEN`), by triangle; arrays as in the kernel."""
    start = np.zeros(len(triangles) + 1, np.int64)
    crossings_into(np.zeros((0, 3), np.int64), start, x, triangles, y, faces, tree, is_self)
    np.cumsum(start, out=start)
    row = np.zeros((int(start[-1]), 3), np.int64)
    if len(row):
        crossings_into(row, start, x, triangles, y, faces, tree, is_self)
    return row
