"""Carved solids: smooth unions of lofts, round cones and ellipsoids, as one implicit function.

A solid is a tree. Leaves give an approximate signed distance (m, negative inside) that is exact on their surface;
a ``Union`` blends its members over its own radius, a ``Cut`` takes one solid away from another. Blending is the
compact polynomial minimum, so that far members change nothing and may be skipped: every leaf is evaluated only inside
its own box, widened by ``REACH``. Values farther out are only known to be positive.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from drapesim.matter.tube import Fitted, Tube

Array = np.ndarray

REACH = 0.042  # m beyond its box at which a leaf still counts; must exceed the largest blend plus the widest cell
FAR = 1.0  # m, stands for "outside and not near"


def _square_sum(vectors: Array) -> Array:
    return np.einsum("ij,ij->i", vectors, vectors)


@dataclass(frozen=True)
class Ellipsoid:
    """Semi-axes (m) along the rows of ``axes`` (3, 3), about ``centre``; ``region`` names its skin."""

    centre: Array | tuple[float, float, float]
    semi: Array | tuple[float, float, float]
    region: str = ""
    axes: Array | None = None

    @cached_property
    def box(self) -> tuple[Array, Array]:
        """Lower and upper corner, m."""
        axes = np.eye(3) if self.axes is None else self.axes
        half = np.sqrt(((axes * np.asarray(self.semi)[:, None]) ** 2).sum(axis=0))
        return np.asarray(self.centre) - half, np.asarray(self.centre) + half

    def distance(self, points: Array) -> Array:
        """First-order distance k0 (k0 - 1) / k1, exact to first order at the surface; (n,) m."""
        local = points - np.asarray(self.centre)
        if self.axes is not None:
            local = local @ np.asarray(self.axes).T
        scaled = local / np.asarray(self.semi)
        k0 = np.maximum(np.sqrt(_square_sum(scaled)), 0.05)
        k1 = np.maximum(np.sqrt(_square_sum(scaled / np.asarray(self.semi))), 1e-3)
        return k0 * (k0 - 1.0) / k1


@dataclass(frozen=True)
class RoundCone:
    """Two spheres (``start``, ``end``; radii m) and the cone tangent to both; exact distance.

    ``sweep`` (3,) m, not along the axis: the cone and all its copies moved by up to that vector, as one plate.
    """

    start: Array | tuple[float, float, float]
    end: Array | tuple[float, float, float]
    start_radius: float
    end_radius: float
    region: str = ""
    sweep: Array | None = None

    @cached_property
    def box(self) -> tuple[Array, Array]:
        """Lower and upper corner, m."""
        ends = np.array([self.start, self.end], dtype=float)
        radii = np.array([self.start_radius, self.end_radius])[:, None]
        low, high = (ends - radii).min(axis=0), (ends + radii).max(axis=0)
        if self.sweep is None:
            return low, high
        return np.minimum(low, low + self.sweep), np.maximum(high, high + self.sweep)

    def distance(self, points: Array) -> Array:
        """Signed distance (n,) m: in the plane of axis and point, the nearest of two circles and their tangent."""
        start, along = np.asarray(self.start, dtype=float), np.subtract(self.end, self.start)
        length = float(np.linalg.norm(along))
        fall = self.start_radius - self.end_radius
        if length <= abs(fall) + 1e-9:  # one sphere swallows the other
            big_first = self.start_radius >= self.end_radius
            centre, radius = (start, self.start_radius) if big_first else (np.asarray(self.end), self.end_radius)
            return np.linalg.norm(points - centre, axis=1) - radius
        local = points - start
        if self.sweep is not None:  # go back along the sweep by the in-plane share of it, within its length
            square = self.sweep - (self.sweep @ along) / length**2 * along
            share = np.clip(local @ square / (square @ square), 0.0, 1.0)
            local = local - share[:, None] * self.sweep
        axial = local @ (along / length)
        radial = np.sqrt(np.maximum(_square_sum(local) - axial**2, 0.0))
        sine = fall / length
        cosine = np.sqrt(1.0 - sine**2)
        foot = axial * cosine - radial * sine  # position along the tangent line; 0 .. length * cosine on the cone
        side = radial * cosine + axial * sine - self.start_radius
        first = np.hypot(axial, radial) - self.start_radius
        last = np.hypot(axial - length, radial) - self.end_radius
        return np.where(foot < 0.0, first, np.where(foot > length * cosine, last, side))


@dataclass(frozen=True)
class Loft:
    """A limb or trunk: rounded sections strung along a straight axis.

    ``axes`` (3, 3): rows are the long axis, the breadth axis and the depth axis (orthonormal). ``stations`` (k,) m
    along the long axis from ``origin``; at each, ``half_breadth`` and the depth from ``low`` to ``high`` (m, along
    the depth axis), and ``shift`` along the breadth axis. Between stations a monotone cubic. ``power`` 2 is an
    ellipse, more is squarer. ``caps`` are the lengths (m) of the rounded ends beyond the first and last station.
    ``region_stops``: (upper end of t, front name, back name) in rising t, in place of ``region``.
    """

    origin: Array
    axes: Array
    stations: Array
    half_breadth: Array
    low: Array
    high: Array
    shift: Array | float = 0.0
    power: float = 2.0
    caps: tuple[float, float] = (0.02, 0.02)
    region: str = ""
    region_stops: tuple[tuple[float, str, str], ...] = ()

    @cached_property
    def _table(self) -> tuple[Array, Array]:
        from scipy.interpolate import PchipInterpolator

        t = np.asarray(self.stations, dtype=float)
        shift = np.broadcast_to(np.asarray(self.shift, dtype=float), t.shape)
        low, high = np.asarray(self.low, dtype=float), np.asarray(self.high, dtype=float)
        breadth = np.asarray(self.half_breadth, dtype=float)
        columns = np.stack([breadth, 0.5 * (high - low), shift, 0.5 * (high + low)], axis=1)
        fine = np.linspace(t[0], t[-1], 257)
        return fine, np.ascontiguousarray(PchipInterpolator(t, columns)(fine).T)

    @cached_property
    def box(self) -> tuple[Array, Array]:
        """Lower and upper corner, m."""
        fine, (breadth, depth, shift, mid) = self._table
        lo = np.array([fine[0] - self.caps[0], (shift - breadth).min(), (mid - depth).min()])
        hi = np.array([fine[-1] + self.caps[1], (shift + breadth).max(), (mid + depth).max()])
        corners = np.array([[(lo, hi)[(n >> a) & 1][a] for a in range(3)] for n in range(8)]) @ np.asarray(self.axes)
        return corners.min(axis=0) + self.origin, corners.max(axis=0) + self.origin

    def distance(self, points: Array) -> Array:
        """First-order distance (k0 - 1) / |grad k0| of the section's norm k0; (n,) m."""
        local = (points - np.asarray(self.origin)) @ np.asarray(self.axes).T
        fine, table = self._table
        t = local[:, 0]
        inside = np.clip(t, fine[0], fine[-1])
        place = (inside - fine[0]) * ((len(fine) - 1) / (fine[-1] - fine[0]))
        cell = np.minimum(place.astype(np.int64), len(fine) - 2)
        part = place - cell
        breadth, depth, shift, mid = table[:, cell] * (1.0 - part) + table[:, cell + 1] * part
        over = t - inside
        cap = np.where(over < 0.0, self.caps[0], self.caps[1])
        y, z = np.abs(local[:, 1] - shift) / breadth, np.abs(local[:, 2] - mid) / depth
        e = np.abs(over) / cap
        if self.power == 2.0:
            k0 = np.maximum(np.sqrt(y * y + z * z + e * e), 0.05)
            k1 = np.sqrt((y / breadth) ** 2 + (z / depth) ** 2 + (e / cap) ** 2) / k0
        else:
            n = self.power
            yn, zn, en = y ** (n - 1.0), z ** (n - 1.0), e ** (n - 1.0)
            k0 = np.maximum((yn * y + zn * z + en * e) ** (1.0 / n), 0.05)
            k1 = np.sqrt((yn / breadth) ** 2 + (zn / depth) ** 2 + (en / cap) ** 2) / k0 ** (n - 1.0)
        return (k0 - 1.0) / np.maximum(k1, 1e-3)

    def names_at(self, points: Array) -> Array:
        """(n,) object array of region names: by station, front or back of the section's middle."""
        if not self.region_stops:
            return np.full(len(points), self.region, dtype=object)
        local = (points - np.asarray(self.origin)) @ np.asarray(self.axes).T
        fine, table = self._table
        middle = np.interp(local[:, 0], fine, table[3])
        stop = np.searchsorted([s[0] for s in self.region_stops[:-1]], local[:, 0])
        front = np.array([s[1] for s in self.region_stops], dtype=object)
        back = np.array([s[2] for s in self.region_stops], dtype=object)
        return np.where(local[:, 2] >= middle, front[stop], back[stop])


@dataclass(frozen=True)
class Union:
    """Members joined smoothly over ``blend`` (m): the crease between two of them is filled over about that width."""

    members: tuple[Solid, ...]
    blend: float

    @cached_property
    def box(self) -> tuple[Array, Array]:
        """Lower and upper corner, m."""
        boxes = [member.box for member in self.members]
        return np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)


@dataclass(frozen=True)
class Cut:
    """``body`` with ``tool`` taken away, the rim rounded over ``blend`` (m)."""

    body: Solid
    tool: Solid
    blend: float

    @cached_property
    def box(self) -> tuple[Array, Array]:
        """Lower and upper corner, m."""
        return self.body.box


Leaf = Ellipsoid | RoundCone | Loft | Tube | Fitted
Solid = Leaf | Union | Cut


def measure_field(solid: Solid, points: Array) -> Array:
    """Implicit value (n,) m at ``points`` (n, 3): zero on the surface, negative inside, ``FAR`` where not near."""
    value = np.full(len(points), FAR)
    if len(points):
        near, found = _measure_near(solid, points, points.min(axis=0), points.max(axis=0))
        value[near] = found
    return value


def _measure_near(solid: Solid, points: Array, low: Array, high: Array) -> tuple[Array | slice, Array]:
    """Which points are near the solid's box, and the values there; ``low`` and ``high`` bound the points."""
    box_low, box_high = solid.box[0] - REACH, solid.box[1] + REACH
    if (low > box_high).any() or (high < box_low).any():
        return slice(0), np.empty(0)
    if (low >= box_low).all() and (high <= box_high).all():
        return slice(None), _measure_all(solid, points, low, high)
    near = (points[:, 0] > box_low[0]) & (points[:, 0] < box_high[0])
    for k in (1, 2):
        near &= (points[:, k] > box_low[k]) & (points[:, k] < box_high[k])
    index = np.nonzero(near)[0]
    if len(index) == 0:
        return slice(0), np.empty(0)
    return index, _measure_all(solid, points[index], np.maximum(low, box_low), np.minimum(high, box_high))


def _measure_all(solid: Solid, points: Array, low: Array, high: Array) -> Array:
    if isinstance(solid, Union):
        value = np.full(len(points), FAR)
        for member in solid.members:
            near, found = _measure_near(member, points, low, high)
            if len(found):
                value[near] = _blend(value[near], found, solid.blend)
        return value
    if isinstance(solid, Cut):
        value = _measure_all(solid.body, points, low, high)
        near, found = _measure_near(solid.tool, points, low, high)
        if len(found):
            value[near] = -_blend(-value[near], found, solid.blend)
        return value
    return solid.distance(points)


def _blend(a: Array, b: Array, width: float) -> Array:
    """Polynomial smooth minimum: equals min(a, b) where they differ by more than ``width``."""
    if width <= 0.0:
        return np.minimum(a, b)
    h = np.maximum(width - np.abs(a - b), 0.0) / width
    return np.minimum(a, b) - 0.25 * width * h * h


def list_leaves(solid: Solid) -> list[Leaf]:
    """Every leaf that adds matter (the tools of cuts are left out)."""
    if isinstance(solid, Union):
        return [leaf for member in solid.members for leaf in list_leaves(member)]
    if isinstance(solid, Cut):
        return list_leaves(solid.body)
    return [solid]


def name_regions(solid: Solid, points: Array) -> Array:
    """(n,) object array: region name of the nearest named leaf at each point."""
    best = np.full(len(points), np.inf)
    names = np.full(len(points), "", dtype=object)
    for leaf in list_leaves(solid):
        if not leaf.region and not getattr(leaf, "region_stops", ()):
            continue
        value = measure_field(leaf, points)
        closer = value < best
        best[closer] = value[closer]
        names[closer] = leaf.names_at(points[closer]) if isinstance(leaf, Loft | Tube | Fitted) else leaf.region
    return names


@dataclass(frozen=True)
class Grid:
    """A solid's field on grid points ``cell`` m apart from ``low`` (3,) m; where it is far from zero, only its sign."""

    low: Array
    cell: float
    volume: Array

    def value(self, points: Array) -> Array:
        """Field (n,) m at ``points`` (n, 3), straight between grid points: no feature is thinner than a cell."""
        from scipy.ndimage import map_coordinates

        places = ((points - self.low) / self.cell).T
        return np.asarray(map_coordinates(self.volume, places, order=1, mode="nearest", output=np.float64))


def polygonise(solid: Solid, cell: float, block: int = 16) -> tuple[Array, Array]:
    """Marching cubes of the zero level on a grid of ``cell`` m; see `sample_grid` and `cut_grid`."""
    return cut_grid(sample_grid(solid, cell, block))


def sample_grid(solid: Solid, cell: float, block: int = 16, thorough: bool = False) -> Grid:
    """The field of ``solid`` near its surface, on a grid of ``cell`` m.

    Blocks of ``block`` cells whose middle is farther from the surface than twice their own half diagonal are not
    evaluated; a thin part that reaches only into the edge of such a block is then lost, unless ``thorough``, which
    evaluates every block that a leaf's box reaches.
    """
    low, high = solid.box
    low = low - 2.5 * cell
    count = (np.ceil((high - low) / cell).astype(int) + 4 + block - 1) // block
    volume = np.full(tuple(count * block), FAR, dtype=np.float32)
    step = np.arange(block) * cell
    local = np.stack(np.meshgrid(step, step, step, indexing="ij"), axis=-1).reshape(-1, 3)
    corner = np.stack(np.meshgrid(*[np.arange(c) for c in count], indexing="ij"), axis=-1).reshape(-1, 3)
    half_diagonal = 0.5 * np.sqrt(3.0) * block * cell
    middle = measure_field(solid, low + (corner + 0.5) * (block * cell))
    is_near = np.abs(middle) < 2.0 * half_diagonal
    if thorough:
        margin = cell + 0.25 * REACH  # a cell reaches into the next block, and blends swell beyond the boxes
        first, last = low + corner * (block * cell) - margin, low + (corner + 1) * (block * cell) + margin
        for leaf in list_leaves(solid):
            is_near |= (middle > 0.0) & ((first <= leaf.box[1]) & (last >= leaf.box[0])).all(axis=1)
    for b in np.nonzero(is_near)[0]:
        place = tuple(slice(c * block, (c + 1) * block) for c in corner[b])
        volume[place] = measure_field(solid, low + corner[b] * (block * cell) + local).reshape(block, block, block)
    for b in np.nonzero(middle <= -2.0 * half_diagonal)[0]:
        volume[tuple(slice(c * block, (c + 1) * block) for c in corner[b])] = -FAR
    # A level that grazes a grid point makes needle triangles: keep it a twelfth of a cell away.
    volume = np.where(np.abs(volume) < cell / 12.0, np.copysign(np.float32(cell / 12.0), volume), volume)
    return Grid(low, cell, volume)


def cut_grid(grid: Grid) -> tuple[Array, Array]:
    """Marching cubes of the zero level: vertices (n, 3) float64 m, faces (m, 3) int32, outward.

    Only the largest shell is kept: what is left out are hollows closed off inside.
    """
    from skimage.measure import marching_cubes

    vertices, faces, _, _ = marching_cubes(grid.volume, 0.0, gradient_direction="descent")
    return _keep_largest(vertices.astype(np.float64) * grid.cell + grid.low, faces.astype(np.int64))


def _keep_largest(vertices: Array, faces: Array) -> tuple[Array, Array]:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    ones = np.ones(len(faces) * 2, dtype=np.int8)
    ends = (np.concatenate([faces[:, 0], faces[:, 1]]), np.concatenate([faces[:, 1], faces[:, 2]]))
    _, label = connected_components(coo_matrix((ones, ends), shape=(len(vertices),) * 2), directed=False)
    faces = faces[label[faces[:, 0]] == np.argmax(np.bincount(label))]
    used, compact = np.unique(faces, return_inverse=True)
    return vertices[used], np.ascontiguousarray(compact.reshape(-1, 3).astype(np.int32))
