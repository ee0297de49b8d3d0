"""Which part of the cloth is near which other part of it: node-face, node-edge and edge-edge pairs as frozen planes.

A pair's direction is the line between its closest points, and its sense is the side on which they lie now. So a pair
keeps its order only as long as the sheet has not passed through itself: each search also looks for triangles that
cross, and whoever calls it must not go on from a crossed state.

A survey of whole blocks first leaves out those that lie smooth and alone (kernels.survey). The cells of the others are
sorted into a grid of boxes; each meets those in its own and the 26 boxes round it. A pair of features that
share a node is none, and neighbouring triangles are looked at only once they are folded on each other by more than a
right angle or so. Each node and edge belongs to the first triangle that has it, so each pair is met once.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from drapesim.kernels.crossing import CROSSED, FOLDED, find_shared, judge_pair, judge_sharing, put_shared_first
from drapesim.kernels.jit import bare_kernel, kernel, parallel_kernel, prange
from drapesim.kernels.pairs import (
    Found,
    closest_places,
    empty_found,
    packed,
    rows_of_run,
    triangle_normal,
    weights_over,
)
from drapesim.kernels.survey import CONE, question_into, survey_into

LAYER_NODE, LAYER_EDGE = 6, 7  # kinds, numbered on from those of kernels.pairs
SELF = -1  # the part that stands for the cloth itself
INSIDE = -1e-9  # barycentric weight: a node straight over an edge belongs to both faces rather than to none
ROOM = 12  # pairs that a cell may have before the list is made longer: two layers that lie on each other have 5
FEATURE = (1 << 30) - 1  # mask of one feature in a contact's key
NEAREST = 1e-9  # m, below this a direction is lost to rounding


@bare_kernel
def emit_pair(found, at, kind, one, other, n0, n1, n2, n3, w0, w1, w2, w3, dx, dy, dz, distance, triangle):
    """Write one pair to row ``at`` if there is room; return the next row."""
    if at < found.gap.shape[0]:
        found.node[at, 0] = n0
        found.node[at, 1] = n1
        found.node[at, 2] = n2
        found.node[at, 3] = n3
        found.weight[at, 0] = w0
        found.weight[at, 1] = w1
        found.weight[at, 2] = w2
        found.weight[at, 3] = w3
        found.normal[at, 0] = dx
        found.normal[at, 1] = dy
        found.normal[at, 2] = dz
        for k in range(3):
            found.point[at, k] = 0.0
        found.gap[at] = distance
        found.part[at] = SELF
        found.key[at] = (np.int64(kind) << np.int64(60)) | (np.int64(one) << np.int64(30)) | np.int64(other)
        found.triangle[at] = triangle
    return at + 1


@bare_kernel
def leads_inward(x, triangles, t, k, dx, dy, dz):
    """True if the unit direction, seen from edge k of triangle t, leads over the inside of that triangle."""
    a = triangles[t, k]
    b = triangles[t, (k + 1) % 3]
    c = triangles[t, (k + 2) % 3]
    ex = x[b, 0] - x[a, 0]
    ey = x[b, 1] - x[a, 1]
    ez = x[b, 2] - x[a, 2]
    rx = x[c, 0] - x[a, 0]
    ry = x[c, 1] - x[a, 1]
    rz = x[c, 2] - x[a, 2]
    part = (rx * ex + ry * ey + rz * ez) / (ex * ex + ey * ey + ez * ez)
    return dx * (rx - part * ex) + dy * (ry - part * ey) + dz * (rz - part * ez) > 0.0


@bare_kernel
def node_pairs(found, at, p, t, x, triangles, owns, neighbour, band, n_triangles, home):
    """Pairs of node p with the inside of triangle t and with the edges that t owns."""
    a = triangles[t, 0]
    b = triangles[t, 1]
    c = triangles[t, 2]
    if p in (a, b, c):
        return at
    nx, ny, nz = triangle_normal(x, a, b, c)
    nn = nx * nx + ny * ny + nz * nz
    rx = x[p, 0] - x[a, 0]
    ry = x[p, 1] - x[a, 1]
    rz = x[p, 2] - x[a, 2]
    size = math.sqrt(nn)
    h = (nx * rx + ny * ry + nz * rz) / size
    if abs(h) > band:
        return at
    wa, wb, wc = weights_over(x, a, b, c, nx, ny, nz, x[p, 0], x[p, 1], x[p, 2])
    if wa >= INSIDE and wb >= INSIDE and wc >= INSIDE:
        if abs(h) > NEAREST:
            side = 1.0 / size if h > 0.0 else -1.0 / size
            at = emit_pair(
                found, at, LAYER_NODE, p, t, p, a, b, c, 1.0, -wa, -wb, -wc, side * nx, side * ny, side * nz, abs(h),
                home,
            )  # fmt: skip
        return at
    for k in range(3):
        if not owns[t, 3 + k]:
            continue
        i = triangles[t, k]
        j = triangles[t, (k + 1) % 3]
        ex = x[j, 0] - x[i, 0]
        ey = x[j, 1] - x[i, 1]
        ez = x[j, 2] - x[i, 2]
        dx = x[p, 0] - x[i, 0]
        dy = x[p, 1] - x[i, 1]
        dz = x[p, 2] - x[i, 2]
        s = (dx * ex + dy * ey + dz * ez) / (ex * ex + ey * ey + ez * ez)
        if not 0.0 < s < 1.0:
            continue
        dx -= s * ex
        dy -= s * ey
        dz -= s * ez
        d = math.sqrt(dx * dx + dy * dy + dz * dz)
        if not NEAREST < d <= band:
            continue
        dx /= d
        dy /= d
        dz /= d
        if leads_inward(x, triangles, t, k, dx, dy, dz):
            continue
        f = neighbour[t, k]
        if f >= 0:
            if p == triangles[f, 0] or p == triangles[f, 1] or p == triangles[f, 2]:
                continue
            m = 0
            while triangles[f, m] == i or triangles[f, m] == j:
                m += 1
            if leads_inward(x, triangles, f, (m + 1) % 3, dx, dy, dz):
                continue
        at = emit_pair(
            found, at, LAYER_NODE, p, n_triangles + 3 * t + k, p, i, j, i, 1.0, s - 1.0, -s, 0.0, dx, dy, dz, d, home
        )
    return at


@bare_kernel
def edge_pair(found, at, t, k, f, m, x, triangles, band):
    """The pair of edge k of triangle t with edge m of triangle f, if their closest points lie inside both."""
    a = triangles[t, k]
    b = triangles[t, (k + 1) % 3]
    i = triangles[f, m]
    j = triangles[f, (m + 1) % 3]
    if a in (i, j) or b in (i, j):
        return at
    ux = x[b, 0] - x[a, 0]
    uy = x[b, 1] - x[a, 1]
    uz = x[b, 2] - x[a, 2]
    ex = x[j, 0] - x[i, 0]
    ey = x[j, 1] - x[i, 1]
    ez = x[j, 2] - x[i, 2]
    rx = x[a, 0] - x[i, 0]
    ry = x[a, 1] - x[i, 1]
    rz = x[a, 2] - x[i, 2]
    s, r = closest_places(ux, uy, uz, ex, ey, ez, rx, ry, rz)
    if not (0.0 < s < 1.0 and 0.0 < r < 1.0):
        return at
    dx = rx + s * ux - r * ex
    dy = ry + s * uy - r * ey
    dz = rz + s * uz - r * ez
    d = math.sqrt(dx * dx + dy * dy + dz * dz)
    if not NEAREST < d <= band:
        return at
    return emit_pair(
        found, at, LAYER_EDGE, 3 * t + k, 3 * f + m, a, b, i, j, 1.0 - s, s, r - 1.0, -r, dx / d, dy / d, dz / d, d, t
    )


@bare_kernel
def is_apart(x, triangles, t, f, margin):
    """True if the boxes round triangles t and f are more than ``margin`` apart."""
    for c in range(3):
        p = x[triangles[t, 0], c]
        q = x[triangles[t, 1], c]
        r = x[triangles[t, 2], c]
        s = x[triangles[f, 0], c]
        u = x[triangles[f, 1], c]
        v = x[triangles[f, 2], c]
        if min(p, q, r) > max(s, u, v) + margin or max(p, q, r) < min(s, u, v) - margin:
            return True
    return False


@bare_kernel
def is_beyond(x, triangles, normal, t, f, margin):
    """True if triangle f lies more than ``margin`` outside one edge of t, or off its plane."""
    i = triangles[f, 0]
    j = triangles[f, 1]
    k = triangles[f, 2]
    nx = normal[t, 0]
    ny = normal[t, 1]
    nz = normal[t, 2]
    for m in range(3):
        a = triangles[t, m]
        b = triangles[t, m + 1 if m < 2 else 0]
        ax = x[a, 0]
        ay = x[a, 1]
        az = x[a, 2]
        ex = x[b, 0] - ax
        ey = x[b, 1] - ay
        ez = x[b, 2] - az
        # out of the edge, in the plane of t
        ox = ey * nz - ez * ny
        oy = ez * nx - ex * nz
        oz = ex * ny - ey * nx
        far = margin * math.sqrt(ox * ox + oy * oy + oz * oz)
        if (
            ox * (x[i, 0] - ax) + oy * (x[i, 1] - ay) + oz * (x[i, 2] - az) > far
            and ox * (x[j, 0] - ax) + oy * (x[j, 1] - ay) + oz * (x[j, 2] - az) > far
            and ox * (x[k, 0] - ax) + oy * (x[k, 1] - ay) + oz * (x[k, 2] - az) > far
        ):
            return True
    a = triangles[t, 0]
    hi = nx * (x[i, 0] - x[a, 0]) + ny * (x[i, 1] - x[a, 1]) + nz * (x[i, 2] - x[a, 2])
    hj = nx * (x[j, 0] - x[a, 0]) + ny * (x[j, 1] - x[a, 1]) + nz * (x[j, 2] - x[a, 2])
    hk = nx * (x[k, 0] - x[a, 0]) + ny * (x[k, 1] - x[a, 1]) + nz * (x[k, 2] - x[a, 2])
    return min(hi, hj, hk) > margin or max(hi, hj, hk) < -margin


@bare_kernel
def are_side_by_side(triangles, normal, t, f):
    """True if the cells of triangles t, t + 1 and f, f + 1 share an edge and all four normals fit one narrow cone.

    Two such cells are one smooth piece of cloth, which cannot come back on itself (kernels.survey). Cells that share
    but a corner may: a cloth folded in quarters has such cells facing the same way.
    """
    first = np.int64(-1)
    shares = False
    for s in range(2):
        for r in range(2):
            for k in range(3):
                a = np.int64(triangles[t + s, k])
                for m in range(3):
                    if a == triangles[f + r, m]:
                        if first < 0:
                            first = a
                        shares = shares or a != first
    if not shares:
        return False
    for s in range(2):
        for r in range(2):
            along = (
                normal[t + s, 0] * normal[f + r, 0]
                + normal[t + s, 1] * normal[f + r, 1]
                + normal[t + s, 2] * normal[f + r, 2]
            )
            if along < CONE:
                return False
    return True


@bare_kernel
def pairs_of_triangles(found, at, t, f, x, triangles, normal, owns, neighbour, band, corner, side, edge, crossed):
    """Append the pairs of features of triangles t and f; a pair that crosses is put down in ``crossed`` (3,)."""
    if is_apart(x, triangles, t, f, band):
        return at
    if is_beyond(x, triangles, normal, t, f, band) or is_beyond(x, triangles, normal, f, t, band):
        return at
    shared, own, other = find_shared(triangles, t, triangles, f)
    if shared < 2 and not is_apart(x, triangles, t, f, 0.0):
        for k in range(3):
            for c in range(3):
                corner[k, c] = x[triangles[t, k], c]
                corner[3 + k, c] = x[triangles[f, k], c]
        if shared == 1:
            put_shared_first(corner, own, other)
            verdict = judge_sharing(corner)
        else:
            verdict = judge_pair(corner, side, edge)
        if verdict == CROSSED:
            crossed[0] += 1
            crossed[1] = t
            crossed[2] = f
    along = normal[t, 0] * normal[f, 0] + normal[t, 1] * normal[f, 1] + normal[t, 2] * normal[f, 2]
    if shared > 0 and along > FOLDED:
        return at
    n = triangles.shape[0]
    for k in range(3):
        if owns[t, k]:
            at = node_pairs(found, at, triangles[t, k], f, x, triangles, owns, neighbour, band, n, t)
        if owns[f, k]:
            at = node_pairs(found, at, triangles[f, k], t, x, triangles, owns, neighbour, band, n, f)
    for k in range(3):
        if owns[t, 3 + k]:
            for m in range(3):
                if owns[f, 3 + m]:
                    at = edge_pair(found, at, t, k, f, m, x, triangles, band)
    return at


@parallel_kernel
def find_layers_into(
    found, room, count, crossed, x, triangles, normal, owns, neighbour, cell, is_due, due, middle, radius, band, place,
    name, order, shape, apart,
):  # fmt: skip
    """All close pairs among the given cells of the sheet x (n, 3) of which one is due, in ``len(count)`` runs.

    Row q stands for ``cell``[q], triangles 2 cell and 2 cell + 1, with ``middle`` (q, 3), ``radius`` (q,), and the box
    ``place`` (q, 3) it lies in; a pair is close nearer than ``apart`` and the ``band`` (q,) of both. ``is_due`` (q,)
    and ``due``, the numbers of the rows that are; ``name`` (q,) are the numbers of the boxes in rising order and
    ``order`` the rows in that order. Run r writes rows r room .. r room + count[r], and its crossings to crossed[r]
    (number, and one pair).
    """
    for run in prange(count.shape[0]):
        count[run] = layers_of_run(
            np.int64(run), count.shape[0], found, room, crossed[run], x, triangles, normal, owns, neighbour, cell,
            is_due, due, middle, radius, band, place, name, order, shape, apart,
        )  # fmt: skip


@kernel
def layers_of_run(
    run, n_runs, found, room, crossed, x, triangles, normal, owns, neighbour, cell, is_due, due, middle, radius, band,
    place, name, order, shape, apart,
):  # fmt: skip
    """One run of `find_layers_into`; returns the number of its rows."""
    n = order.shape[0]
    corner = np.empty((6, 3))
    side = np.empty(6, np.int64)
    edge = np.empty((8, 3))
    mine = rows_of_run(found, run * room, room)
    at = np.int64(0)
    n_due = due.shape[0]
    for d in range(run * n_due // n_runs, (run + 1) * n_due // n_runs):
        q = due[d]
        for i in range(max(place[q, 0] - 1, 0), min(place[q, 0] + 2, shape[0])):
            for j in range(max(place[q, 1] - 1, 0), min(place[q, 1] + 2, shape[1])):
                column = (i * shape[1] + j) * shape[2]
                first = column + max(place[q, 2] - 1, 0)
                last = column + min(place[q, 2] + 1, shape[2] - 1)
                lo = np.int64(0)
                hi = np.int64(n)
                while lo < hi:
                    half = (lo + hi) // 2
                    if name[half] < first:
                        lo = half + 1
                    else:
                        hi = half
                while lo < n and name[lo] <= last:
                    p = order[lo]
                    lo += 1
                    if p == q or (p < q and is_due[p]):
                        continue
                    dx = middle[q, 0] - middle[p, 0]
                    dy = middle[q, 1] - middle[p, 1]
                    dz = middle[q, 2] - middle[p, 2]
                    reach = apart + band[q] + band[p]
                    far = radius[q] + radius[p] + reach
                    if dx * dx + dy * dy + dz * dz > far * far:
                        continue
                    if are_side_by_side(triangles, normal, 2 * cell[q], 2 * cell[p]):
                        continue
                    # always in the same order, by which a pair of edges is named
                    one = 2 * cell[min(p, q)]
                    other = 2 * cell[max(p, q)]
                    for s in range(2):
                        for r in range(2):
                            at = pairs_of_triangles(
                                mine, at, one + s, other + r, x, triangles, normal, owns, neighbour, reach, corner,
                                side, edge, crossed,
                            )  # fmt: skip
    return at


@kernel
def bound_cells(x, triangles, cell):
    """(middle (q, 3), radius (q,)): a ball round the two triangles of each of the cells (q,)."""
    middle = np.empty((cell.shape[0], 3))
    radius = np.zeros(cell.shape[0])
    for q in range(cell.shape[0]):
        t = 2 * cell[q]
        for c in range(3):
            low = np.inf
            high = -np.inf
            for k in range(6):
                place = x[triangles[t + k // 3, k % 3], c]
                low = min(low, place)
                high = max(high, place)
            middle[q, c] = 0.5 * (low + high)
        for k in range(6):
            a = triangles[t + k // 3, k % 3]
            far = 0.0
            for c in range(3):
                far += (x[a, c] - middle[q, c]) ** 2
            radius[q] = max(radius[q], far)
        radius[q] = math.sqrt(radius[q])
    return middle, radius


class Blocks(NamedTuple):
    """The cells of a lattice in blocks, for the survey: block b holds cell[start[b] .. start[b + 1]]."""

    place: np.ndarray  # (b, 2) int64, row and column of the block
    start: np.ndarray  # (b + 1,) int64
    cell: np.ndarray  # (q,) int64
    ragged: np.ndarray  # (b,) bool, cells are missing in or beside the block: what looks like one piece may be two


def find_layers(
    x: np.ndarray,
    triangles: np.ndarray,
    owns: np.ndarray,
    neighbour: np.ndarray,
    blocks: Blocks,
    apart: float,
    band: np.ndarray | None = None,
    due: np.ndarray | None = None,
) -> tuple[Found, np.ndarray]:
    """(close pairs, crossings (k, 2) of triangles: one pair for each part of the work).

    ``x`` (n, 3) m, ``triangles`` (t, 3) two to a cell, ``owns`` (t, 6), ``neighbour`` (t, 3) triangle across each edge.
    Close is nearer than ``apart`` (m) and the ``band`` (c,) m of the two cells, nothing if None. ``due`` (c,) bool:
    only pairs of which one cell is due; all if None. Raises FloatingPointError if a position is not finite.
    """
    if not np.isfinite(x).all():
        raise FloatingPointError
    if band is None:
        band = np.zeros(len(triangles) // 2)
    n_blocks = len(blocks.place)
    normal, axis, spread = np.empty((len(triangles), 3)), np.empty((n_blocks, 3)), np.empty(n_blocks)
    low, high, doubtful = np.empty((n_blocks, 9)), np.empty((n_blocks, 9)), np.empty(n_blocks, np.bool_)
    survey_into(normal, axis, spread, low, high, x, triangles, blocks.start, blocks.cell)
    question_into(doubtful, blocks.place, axis, spread, low, high, apart + 2.0 * float(band.max()))
    doubtful |= blocks.ragged
    cell = np.sort(blocks.cell[np.repeat(doubtful, np.diff(blocks.start))])
    is_due = np.ones(len(cell), dtype=np.bool_) if due is None else due[cell]
    if not is_due.any():
        return empty_found(0), np.zeros((0, 2), np.int64)
    middle, radius = bound_cells(x, triangles, cell)
    band = band[cell]
    size = 2.0 * float((radius + band).max()) + apart
    place = ((middle - middle.min(axis=0)) / size).astype(np.int64)
    shape = place.max(axis=0) + 1
    name = (place[:, 0] * shape[1] + place[:, 1]) * shape[2] + place[:, 2]
    order = np.argsort(name, kind="stable")
    name = name[order]
    rows_due = np.flatnonzero(is_due)
    runs = max(1, min(64, len(rows_due) // 64))
    room = 64 + ROOM * len(rows_due) // runs
    while True:
        found, count, crossed = empty_found(runs * room), np.zeros(runs, np.int64), np.zeros((runs, 3), np.int64)
        find_layers_into(
            found, room, count, crossed, x, triangles, normal, owns, neighbour, cell, is_due, rows_due, middle, radius,
            band, place, name, order, shape, apart,
        )  # fmt: skip
        if count.max() <= room:
            break
        room = int(1.2 * count.max()) + 1
    return packed(found, room, count), crossed[crossed[:, 0] > 0, 1:]


def layer_triangles(key: np.ndarray, triangle: np.ndarray, n_triangles: int) -> np.ndarray:
    """(K, 2): the two triangles that each pair between layers lies on, from its ``key`` and ``triangle`` (K,)."""
    one, other = (key >> 30) & FEATURE, key & FEATURE
    of_edge = key >> 60 == LAYER_EDGE
    second = np.where(of_edge, other // 3, np.where(other < n_triangles, other, (other - n_triangles) // 3))
    return np.stack([np.where(of_edge, one // 3, triangle), second], axis=1)
