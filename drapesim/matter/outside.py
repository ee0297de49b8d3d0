"""The outside surface of closed shells that overlap, cross or lie in one another: one new surface round them all.

Lines of a regular grid are run through the shells along x, y and z, and every place where one goes in or out is found
exactly. A grid point is inside where the lines have gone in more often than out (winding number above zero). The new
surface is cut from these signs by marching cubes, and each of its vertices is then put where its grid line truly meets
the outermost shell: so vertices lie on the scan, and only what is finer than a cell is lost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import InputError

Array = np.ndarray

# The grid starts this share of a cell before the shells: scans and models like to have corners at round numbers.
OFFSET = (0.53719, 0.52693, 0.54177)
NEAREST = 0.03  # of a cell: vertices keep away from grid points, where several would meet and make needles
SLAB_POINTS = 24_000_000  # grid points that are cut into triangles at a time
MOST_POINTS = 2_000_000_000
OUTER = 0.9  # level of points outside, where 1 is inside: unequal, so that no cell is undecided
AMID = 6
RAGGED = 2  # cells
MARGIN = 1 + RAGGED + 1  # cells round the shells, so that slots at the very border can be told
AT_ONCE = 2_000_000  # spans of triangles on grid lines that are worked at a time


@dataclass(frozen=True)
class Grid:
    """Grid points at ``origin`` + ``cell`` * (i, j, k), m, for i, j, k below ``count``."""

    origin: Array
    cell: float
    count: tuple[int, int, int]


@dataclass(frozen=True)
class Hits:
    """Where the grid lines of one axis meet the shells: ``line`` (n,) number of the line, ``place`` (n,) along it in
    cells from the grid's origin, ``step`` (n,) int8: +1 where it goes in, -1 where it comes out."""

    line: Array
    place: Array
    step: Array


def find_outside(
    vertices: Array, faces: Array, cell: float, floor: float | None = None, rims: Array | None = None
) -> tuple[Array, Array]:
    """The outside surface of closed shells: vertices (n, 3) m, faces (m, 3) int32, closed, outward.

    vertices (n, 3) m; faces (m, 3): along every edge as many sides must run one way as the other; triangles may cross.
    ``cell`` m; what lies below the height ``floor`` (m) is cut off. Hollows inside come out as shells of their own,
    with their normals inward. Raises InputError where the grid would be larger than ``MOST_POINTS``, or nothing is as
    thick as a cell.

    ``rims`` (k, 3) m: where walls were put in. A rim is ragged, and its walls make fins and slots: round them, those of
    up to ``2 RAGGED`` cells are taken away and filled.
    """
    grid = _lay_grid(vertices, cell, floor)
    points = (vertices - grid.origin) / cell
    hits = [_run_lines(points, faces, axis, grid.count) for axis in range(3)]
    level = -np.inf if floor is None else (floor - grid.origin[2]) / cell
    hits[2] = _cut_below(hits[2], level, grid)
    edges, triangles = _cut(grid, hits[2], _find_ragged(grid, rims))
    if not len(triangles):
        problem = f"nothing in the scan is as thick as a cell of {1e3 * cell:g} mm"
        raise InputError("", "--cell-mm", problem, "give a smaller cell")
    return _move_onto(edges, triangles, hits, grid), triangles


def find_top(vertices: Array, faces: Array, cell: float) -> tuple[Grid, Array]:
    """A grid of ``cell`` m over a surface, open or not, and (n_x, n_y) m: its greatest height over each grid point of
    x and y, -inf where there is none."""
    grid = _lay_grid(vertices, cell, None)
    hits = _run_lines((vertices - grid.origin) / cell, faces, 2, grid.count)
    top = np.full(grid.count[0] * grid.count[1], -np.inf)
    np.maximum.at(top, hits.line, hits.place)
    return grid, (grid.origin[2] + cell * top).reshape(grid.count[:2])


def _lay_grid(vertices: Array, cell: float, floor: float | None) -> Grid:
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    if floor is not None:
        low[2] = max(low[2], floor)  # so the floor too lies amid a cell, not on grid points
    origin = low - (np.array(OFFSET) + MARGIN) * cell
    x, y, z = (int(n) for n in np.ceil((high - origin) / cell) + 1 + MARGIN)
    if x * y * z > MOST_POINTS:
        problem = f"cells of {1e3 * cell:g} mm make {x * y * z / 1e9:.3g} thousand million grid points"
        raise InputError("", "--cell-mm", problem, "give a larger cell")
    return Grid(origin, cell, (x, y, z))


def _run_lines(points: Array, faces: Array, axis: int, count: tuple[int, int, int]) -> Hits:
    """Where the grid lines along ``axis`` meet the triangles; ``points`` (n, 3) in cells.

    With u, v the other two axes: each row u = i cuts a triangle along a span of v, whose ends lie on two of its edges
    and are reckoned from the edge alone, so that neighbours agree to the last bit and every line comes out as often as
    it went in. Lines are numbered i * count[v] + j.
    """
    u, v = ((1, 2), (2, 0), (0, 1))[axis]
    found: list[tuple[Array, Array, Array]] = []
    low, high = np.full(len(faces), np.inf), np.full(len(faces), -np.inf)
    for k in range(3):
        np.minimum(low, points[faces[:, k], u], out=low)
        np.maximum(high, points[faces[:, k], u], out=high)
    # Rows first .. last - 1 lie above the lowest corner and not above the highest: they cross the outline twice.
    first, last = np.floor(low).astype(np.int64) + 1, np.floor(high).astype(np.int64) + 1
    chosen = np.flatnonzero(last > first)
    for batch in _share_out(chosen, (last - first)[chosen]):
        each = (last - first)[batch]
        triangle = np.repeat(batch, each)
        row = first[triangle] + np.arange(len(triangle)) - np.repeat(np.cumsum(each) - each, each)
        ends_v, ends_w = cut_rows(points[:, u], points[:, v], points[:, axis], faces[triangle], row)
        start, stop = np.ceil(ends_v.min(axis=1)).astype(np.int64), np.ceil(ends_v.max(axis=1)).astype(np.int64)
        spans = np.flatnonzero(stop > start)
        for part in _share_out(spans, (stop - start)[spans]):
            many = (stop - start)[part]
            span = np.repeat(part, many)
            column = start[span] + np.arange(len(span)) - np.repeat(np.cumsum(many) - many, many)
            share = (column - ends_v[span, 0]) / (ends_v[span, 1] - ends_v[span, 0])
            place = ends_w[span, 0] + np.clip(share, 0.0, 1.0) * (ends_w[span, 1] - ends_w[span, 0])
            # A face wound left about the line looks forward along it, so there the line comes out.
            step = np.where(ends_v[span, 0] < ends_v[span, 1], -1, 1).astype(np.int8)
            found.append((row[span] * count[v] + column, place, step))
    if not found:
        return Hits(np.empty(0, np.int64), np.empty(0), np.empty(0, np.int8))
    line, place, step = (np.concatenate(each) for each in zip(*found, strict=True))
    return Hits(line, place, step)


def _cut_below(upward: Hits, level: float, grid: Grid) -> Hits:
    """The lines along z as if everything below ``level`` (cells) were outside: they go in at the level itself."""
    below = upward.place < level
    if not below.any():
        return upward
    depth = np.bincount(upward.line[below], upward.step[below], grid.count[0] * grid.count[1])
    line = np.flatnonzero(depth)
    step = depth[line].astype(np.int8)
    return Hits(
        np.concatenate([upward.line[~below], line]),
        np.concatenate([upward.place[~below], np.full(len(line), level)]),
        np.concatenate([upward.step[~below], step]),
    )


def _share_out(items: Array, work: Array) -> list[Array]:
    """``items`` in batches of about ``AT_ONCE`` of work."""
    if not len(items):
        return []
    batch = np.cumsum(work) // AT_ONCE
    return np.split(items, np.flatnonzero(np.diff(batch)) + 1)


def cut_rows(u: Array, v: Array, w: Array, faces: Array, row: Array) -> tuple[Array, Array]:
    """(n, 2) places v and w at which row u = ``row`` crosses each face's outline: where it rises, where it falls."""
    over = u[faces] >= row[:, None]
    ends_v, ends_w = np.full((len(faces), 2), np.nan), np.full((len(faces), 2), np.nan)
    for k in range(3):
        a, b = faces[:, k], faces[:, (k + 1) % 3]
        over_a, over_b = over[:, k], over[:, (k + 1) % 3]
        for end, crossing in ((0, ~over_a & over_b), (1, over_a & ~over_b)):
            n = np.flatnonzero(crossing)
            p, q = np.minimum(a[n], b[n]), np.maximum(a[n], b[n])  # one order for both faces of an edge
            share = (row[n] - u[p]) / (u[q] - u[p])
            ends_v[n, end] = v[p] + share * (v[q] - v[p])
            ends_w[n, end] = w[p] + share * (w[q] - w[p])
    return ends_v, ends_w


def _find_ragged(grid: Grid, rims: Array | None) -> Array | None:
    """(n_x, n_y) int32: up to which grid level a line along z may run through walls under rims; None without rims."""
    from scipy import ndimage

    if rims is None or not len(rims):
        return None
    level = np.full(grid.count[:2], -1, dtype=np.int32)
    i, j, k = np.round((rims - grid.origin) / grid.cell).astype(np.int64).T
    np.maximum.at(level, (i, j), k.astype(np.int32))
    return ndimage.maximum_filter(level, 6 * RAGGED + 1)


def _clear(inside: Array, ragged: Array) -> Array:
    """``inside`` (n, n_y, n_z) with slots filled, then fins taken away, level by level, up to ``ragged`` (n, n_y)."""
    from scipy import ndimage

    clear = inside.view(np.uint8)
    for run in (ndimage.maximum_filter1d, ndimage.minimum_filter1d, ndimage.minimum_filter1d, ndimage.maximum_filter1d):
        for axis in (0, 1):
            clear = run(clear, 2 * RAGGED + 1, axis=axis, mode="constant")
    return np.where(np.arange(inside.shape[2]) <= ragged[:, :, None], clear.view(bool), inside)


def _cut(grid: Grid, upward: Hits, ragged: Array | None) -> tuple[Array, Array]:
    """Marching cubes of the inside: for each vertex the number of its edge of the grid, and triangles (m, 3) int32.

    An edge is numbered ((i n_y + j) n_z + k) 8 + 2 axis + (0 where it goes in, 1 where it comes out) by its lower
    point; 6 in place of axis and way is a vertex amid a cell. Worked in slabs of x, which join as both know shared
    edges.
    """
    from skimage.measure import marching_cubes

    nx, ny, nz = grid.count
    order = np.argsort(upward.line)
    line, step = upward.line[order], upward.step[order]
    above = np.ceil(upward.place[order]).astype(np.int64)
    thick = max(2, SLAB_POINTS // (ny * nz))
    keys: list[Array] = []
    corners: list[Array] = []
    for start in range(0, nx - 1, thick):
        stop = min(start + thick, nx - 1)  # the last plane of the slab, shared with the next
        margin = 0 if ragged is None else 4 * RAGGED  # what clearing looks at beyond
        first, last = max(start - margin, 0), min(stop + margin, nx - 1)
        chosen = slice(*np.searchsorted(line, (first * ny, (last + 1) * ny)))
        winding = np.zeros((last - first + 1, ny, nz), dtype=np.int16)
        np.add.at(winding.reshape(-1), (line[chosen] - first * ny) * nz + above[chosen], step[chosen].astype(np.int16))
        np.cumsum(winding, axis=2, out=winding)
        inside = winding > 0
        del winding
        if ragged is not None and (ragged[first : last + 1] >= 0).any():
            inside = _clear(inside, ragged[first : last + 1])
        inside = inside[start - first : stop - first + 1]
        if not inside.any():
            continue
        level = np.where(inside, np.float32(1.0), np.float32(-OUTER))
        del inside
        v, f, _, _ = marching_cubes(level, 0.0, gradient_direction="ascent")
        del level
        key = _number_edges(v, start, grid.count)
        keys.append(key)
        corners.append(key[f])
    if not keys:
        return np.empty(0, np.int64), np.empty((0, 3), np.int32)
    edges = np.unique(np.concatenate(keys))
    return edges, np.concatenate([np.searchsorted(edges, corner).astype(np.int32) for corner in corners])


def _number_edges(v: Array, start: int, count: tuple[int, int, int]) -> Array:
    """The edge on which each of marching cubes' vertices (n, 3) lies, see `_cut`."""
    base = np.floor(v + 1e-3)
    share = v - base
    between = np.abs(share) > 1e-2
    axis = np.argmax(between, axis=1)
    way = share[np.arange(len(v)), axis] > 0.5  # the level lies nearer to the outer point
    kind = np.where(between.sum(axis=1) > 1, AMID, 2 * axis + way)
    i, j, k = base.astype(np.int64).T
    return (((i + start) * count[1] + j) * count[2] + k) * 8 + kind


def _move_onto(edges: Array, triangles: Array, hits: list[Hits], grid: Grid) -> Array:
    """Vertices (n, 3) m: each where the line of its edge meets the outermost shell between the edge's two points."""
    point, kind = edges // 8, edges % 8
    places = np.stack(np.unravel_index(point, grid.count), axis=1).astype(np.float64)
    for axis, way in ((a, w) for a in range(3) for w in (0, 1)):
        chosen = np.flatnonzero(kind == 2 * axis + way)
        u, v = ((1, 2), (2, 0), (0, 1))[axis]
        line = places[chosen, u].astype(np.int64) * grid.count[v] + places[chosen, v].astype(np.int64)
        share = _look_up(hits[axis], way, line * grid.count[axis] + places[chosen, axis].astype(np.int64), grid, axis)
        places[chosen, axis] += np.clip(share, NEAREST, 1.0 - NEAREST)
    amid = kind == AMID
    if amid.any():
        mine = triangles[amid[triangles].any(axis=1)]
        total, number = np.zeros_like(places), np.zeros(len(places))
        for k in range(3):
            for other in (mine[:, (k + 1) % 3], mine[:, (k + 2) % 3]):
                outer = ~amid[other]
                np.add.at(total, mine[outer, k], places[other[outer]])
                np.add.at(number, mine[outer, k], 1.0)
        places[amid] = total[amid] / number[amid, None]
    return grid.origin + grid.cell * places


def _look_up(hits: Hits, way: int, wanted: Array, grid: Grid, axis: int) -> Array:
    """Share of each edge ``wanted`` at which its line first goes in (way 0) or last comes out (1); half if unknown."""
    chosen = np.flatnonzero(hits.step == (1, -1)[way])
    place = hits.place[chosen]
    cell = np.ceil(place).astype(np.int64) - 1
    key = hits.line[chosen] * grid.count[axis] + cell
    order = np.lexsort(((1, -1)[way] * place, key))
    known, first = np.unique(key[order], return_index=True)
    if not len(known):
        return np.full(len(wanted), 0.5)
    at = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
    pick = order[first[at]]
    return np.where(known[at] == wanted, place[pick] - cell[pick], 0.5)
