"""How the flat map distorts what prints on it: local scale, area and angle against the body, or a photograph of it.

The settled sheet's image is a map from the flat cloth (u, v) to points S of the body. Its gradient F = (S_u, S_v),
taken in each of the lattice's triangles, says everything: a length on the body comes out 1 / |S_u| as long along the
warp and 1 / |S_v| along the weft, an area 1 / |S_u x S_v| as large; the largest change of any angle is
2 asin((a - b) / (a + b)) with a >= b the singular values of F (J. P. Snyder, *Map Projections: A Working Manual*, USGS
Professional Paper 1395, 1987, p. 20 to 26, after Tissot; from memory). Against a straight-down photograph the same is
done with the horizontal parts of S, where the body can be seen from above.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from drapesim.judging.transfer import Laid, Source, is_seen, print_points, to_grid, whole_triangles
from drapesim.matter.nearest import find_near, plant_mesh

Array = np.ndarray

FINE = 2.5e-3  # m: borders of regions are found this finely, where neighbouring nodes see different ones
MOST_PIECES = 8  # a triangle's side is divided into at most as many
SEEN = 0.5  # share of a print that a photograph from above must see, to be compared with it
ELSEWHERE = "elsewhere"


@dataclass(frozen=True)
class Distortion:
    """Per triangle (t,) of the sheet that prints; ``triangles`` (t, 3) node numbers.

    stretch_u, stretch_v: |S_u|, |S_v|, body lengths to one of cloth; area: |S_u x S_v|; angle: the largest change of
    an angle, rad; shear: how far the images of warp and weft close from a right angle, rad. photo_*: the same against
    the straight-down photograph; ``seen``: all its corners take their image from what that photograph shows.
    """

    triangles: Array
    stretch_u: Array
    stretch_v: Array
    area: Array
    angle: Array
    shear: Array
    photo_u: Array
    photo_v: Array
    photo_area: Array
    photo_angle: Array
    seen: Array


@dataclass(frozen=True)
class RegionRow:
    """One region of the body as printed. flat, body, photo: areas m2 on cloth, on the body, in the photograph.

    widening, lengthening: the flat map's mean breadth along the weft, and length along the warp, over those on the
    body, less 1; photo_*: over those in the photograph, nan where that sees less than half. area_factor,
    photo_factor: flat area over body's, over photograph's. angle: mean of the largest angle change, rad (photo_angle
    likewise). asymmetry: (left - right) / (left + right) of the flat area, sides told by the body's middle plane, see
    `find_sides`; of a region that lies on one side alone nan.
    """

    name: str
    flat: float
    body: float
    photo: float
    widening: float
    lengthening: float
    photo_widening: float
    photo_lengthening: float
    angle: float
    photo_angle: float
    asymmetry: float

    @property
    def area_factor(self) -> float:
        """Flat area over the body's."""
        return _over(self.flat, self.body)

    @property
    def photo_factor(self) -> float:
        """Flat area over the photograph's."""
        return _over(self.flat, self.photo)


def measure_distortion(laid: Laid, source: Source) -> Distortion:
    """Local scale, area and angle in every triangle that prints."""
    triangles = whole_triangles(laid.lattice, source)
    grad = find_gradient(laid.lattice.uv, source.point, triangles)
    plan = grad[:, :2]
    seen = is_seen(laid, source.point)[triangles].all(axis=1)
    area, angle = _tissot(grad)
    photo_area, photo_angle = _tissot(plan)
    u, v = np.linalg.norm(grad[:, :, 0], axis=1), np.linalg.norm(grad[:, :, 1], axis=1)
    cosine = np.einsum("tk,tk->t", grad[:, :, 0], grad[:, :, 1]) / np.maximum(u * v, 1e-300)
    return Distortion(
        triangles, u, v, area, angle, np.arcsin(np.clip(cosine, -1.0, 1.0)),
        np.linalg.norm(plan[:, :, 0], axis=1), np.linalg.norm(plan[:, :, 1], axis=1), photo_area, photo_angle, seen,
    )  # fmt: skip


def find_gradient(uv: Array, values: Array, triangles: Array) -> Array:
    """(t, d, 2) gradient along u and v of node ``values`` (n, d), linear in each of ``triangles`` (t, 3)."""
    a, b, c = triangles.T
    flat = np.stack([uv[b] - uv[a], uv[c] - uv[a]], axis=2)  # (t, 2, 2): columns are the two sides
    side = np.stack([values[b] - values[a], values[c] - values[a]], axis=2)
    return np.asarray(side @ np.linalg.inv(flat))


def _tissot(grad: Array) -> tuple[Array, Array]:
    """(area factor (t,), largest change of an angle (t,) rad) of the gradients (t, d, 2)."""
    e = np.einsum("tk,tk->t", grad[:, :, 0], grad[:, :, 0])
    g = np.einsum("tk,tk->t", grad[:, :, 1], grad[:, :, 1])
    f = np.einsum("tk,tk->t", grad[:, :, 0], grad[:, :, 1])
    area = np.sqrt(np.maximum(e * g - f * f, 0.0))
    # (a - b)^2 and (a + b)^2 of the singular values, from a^2 + b^2 = e + g and a b = area
    less, more = np.sqrt(np.maximum(e + g - 2 * area, 0.0)), np.sqrt(e + g + 2 * area)
    return area, 2.0 * np.arcsin(np.clip(less / np.maximum(more, 1e-300), 0.0, 1.0))


def _find_faces(laid: Laid, points: Array) -> Array:
    """(k,) number in Body.faces of the figure's face nearest to each of ``points`` (k, 3)."""
    return _find_near(laid, points)[1] if len(points) else np.zeros(0, np.int64)


def _find_near(laid: Laid, points: Array) -> tuple[Array, Array]:
    """(point (k, 3) of the figure's surface, number (k,) of its face in Body.faces) nearest to ``points`` (k, 3)."""
    kept = np.sort(np.concatenate([laid.field.tree.order, laid.field.tree.large]))
    surface = laid.field.surface
    _, at, face = find_near(points, plant_mesh(surface.vertices, surface.faces[kept]))
    return at, np.asarray(kept[face])


def to_nodes(laid: Laid, triangles: Array, values: Array) -> Array:
    """(n,) mean of the triangles' ``values`` (t,) at each node, nan where none prints."""
    owner = triangles.ravel()
    known = np.repeat(np.isfinite(values), 3)
    n = len(laid.lattice.ij)
    total = np.bincount(owner[known], np.repeat(values, 3)[known], minlength=n)
    count = np.bincount(owner[known], minlength=n)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def sum_regions(laid: Laid, source: Source, distortion: Distortion) -> tuple[RegionRow, ...]:
    """One row for each region that prints, the largest first, what has no name last, then all together.

    A triangle whose corners see different regions is divided, each piece counted with the region at its image.
    """
    body = laid.field.body
    triangles = distortion.triangles
    lattice = laid.lattice
    half = 0.5 * lattice.spacing_u * lattice.spacing_v
    corner = body.region[source.face[triangles]]
    same = (corner == corner[:, :1]).all(axis=1)
    names = np.where(same, corner[:, 0], -1)
    whole = np.flatnonzero(same)
    split = np.flatnonzero(~same)
    pieces = int(np.clip(np.ceil(max(lattice.spacing_u, lattice.spacing_v) / FINE), 1, MOST_PIECES))
    weight = _spread(pieces)
    points = np.einsum("pc,tcd->tpd", weight, source.point[triangles[split]])
    found = body.region[_find_faces(laid, points.reshape(-1, 3))]
    owner = np.concatenate([whole, np.repeat(split, len(weight))])
    region = np.concatenate([names[whole], found])
    share = np.concatenate([np.full(len(whole), half), np.full(len(found), half / len(weight))])
    # where but one or two corners print, as much of the triangle counts
    share *= (source.strength[triangles] > 0.0).mean(axis=1)[owner]
    place = np.concatenate([source.point[triangles[whole]].mean(axis=1), points.reshape(-1, 3)])
    side = find_sides(laid, place)
    rows = []
    for number in (*np.unique(region[region >= 0]), -1):
        mine = region == number
        if mine.any():
            name = body.region_names[number] if number >= 0 else ELSEWHERE
            rows.append(_sum(name, distortion, owner[mine], share[mine], side[mine]))
    rows.sort(key=lambda row: (row.name == ELSEWHERE, -row.flat))
    if len(owner):
        rows.append(_sum("in all", distortion, owner, share, side))
    return tuple(rows)


def find_sides(laid: Laid, points: Array) -> Array:
    """(k,) m by which ``points`` (k, 3) lie to the right of the body's middle plane, as it lies in plan.

    That plane is square to the mean way from left to right of its landmarks that have a fellow ("left knee", "right
    knee", or "Patella (left)", "Patella (right)"), through the middles of these pairs; of a body without such names it
    is square to y, through the middle, with the left at -y.
    """
    marks = laid.field.body.landmarks
    fellow = {name: re.sub(r"\bleft\b", "right", name) for name in sorted(marks)}
    pairs = [(marks[name], marks[other]) for name, other in fellow.items() if other != name and other in marks]
    if pairs:
        left, right = np.array(pairs, dtype=np.float64).transpose(1, 0, 2)[:, :, :2]
        way = (right - left).mean(axis=0)
        size = float(np.linalg.norm(way))
        if size > 0.0:
            return np.asarray((points[:, :2] - (0.5 * (left + right)).mean(axis=0)) @ way / size)
    faces = laid.field.surface.faces[np.concatenate([laid.field.tree.order, laid.field.tree.large])]
    y = laid.field.surface.vertices[faces, 1]
    return np.asarray(points[:, 1] - 0.5 * (y.min() + y.max()))


def _spread(pieces: int) -> Array:
    """(pieces^2, 3) weights of the middles of a triangle cut into ``pieces``^2 alike."""
    rows = []
    for i in range(pieces):
        for j in range(pieces - i):
            rows.append((i + 1 / 3, j + 1 / 3))
            if j < pieces - i - 1:
                rows.append((i + 2 / 3, j + 2 / 3))
    first = np.array(rows) / pieces
    return np.column_stack([first, 1.0 - first.sum(axis=1)])


def _sum(name: str, distortion: Distortion, owner: Array, share: Array, side: Array) -> RegionRow:
    flat = float(share.sum())
    seen = distortion.seen[owner]
    left, right = float(share[side < 0.0].sum()), float(share[side >= 0.0].sum())
    two_sided = min(left, right) > 0.05 * flat
    photo = share * seen
    if float(photo.sum()) < SEEN * flat:  # a photograph that sees but the rim of a print has no breadth to compare
        photo = np.full(len(share), np.nan)
    return RegionRow(
        name=name,
        flat=flat,
        body=float(share @ distortion.area[owner]),
        photo=float(photo @ distortion.photo_area[owner]),
        widening=_over(flat, float(share @ distortion.stretch_v[owner])) - 1.0,
        lengthening=_over(flat, float(share @ distortion.stretch_u[owner])) - 1.0,
        photo_widening=_over(flat, float(photo @ distortion.photo_v[owner])) - 1.0,
        photo_lengthening=_over(flat, float(photo @ distortion.photo_u[owner])) - 1.0,
        angle=float(share @ distortion.angle[owner]) / flat,
        photo_angle=_over(float(photo @ distortion.photo_angle[owner]), float(photo.sum())),
        asymmetry=(left - right) / flat if two_sided else np.nan,
    )


def _over(above: float, below: float) -> float:
    return above / below if below > 0.0 else np.nan


@dataclass(frozen=True)
class Fit:
    """The similarity that carries places (k, 2) nearest to others: to = scale * turn @ from + shift.

    turn_angle rad; residual (k, 2) m: what is left, observed less fitted; rms m.
    """

    scale: float
    turn_angle: float
    shift: Array
    residual: Array
    is_mirrored: bool = False

    @property
    def rms(self) -> float:
        """Root mean square of the residuals' lengths, m."""
        return float(np.sqrt((self.residual**2).sum(axis=1).mean()))


def fit_similarity(start: Array, goal: Array, is_mirrored: bool = False) -> Fit:
    """Least-squares similarity from ``start`` (k, 2) to ``goal`` (k, 2), k >= 2 finite.

    S. Umeyama, IEEE Trans. Pattern Anal. Mach. Intell. 13 (1991) 376 (from memory). ``is_mirrored``: with a reflection.
    """
    a, b = start.mean(axis=0), goal.mean(axis=0)
    first, second = start - a, goal - b
    u, s, vt = np.linalg.svd(second.T @ first / len(start))
    sign = np.array([1.0, np.sign(np.linalg.det(u @ vt)) * (-1.0 if is_mirrored else 1.0)])
    turn = u @ np.diag(sign) @ vt
    spread = float((first**2).sum(axis=1).mean())
    scale = float(s @ sign) / max(spread, 1e-300)
    shift = b - scale * turn @ a
    residual = goal - (scale * start @ turn.T + shift)
    return Fit(scale, float(np.arctan2(turn[1, 0], turn[0, 0])), shift, residual, is_mirrored)


@dataclass(frozen=True)
class LandmarkRow:
    """One landmark: ``body`` (3,) m, ``uv`` (2,) m on the flat map (nan: not printed), ``strength``, ``miss`` m, and
    the ``residual`` (2,) m of the best similarity fit from the straight-down photograph (nan where not printed)."""

    name: str
    body: Array
    uv: Array
    strength: float
    miss: float
    residual: Array


def print_landmarks(laid: Laid, source: Source) -> tuple[tuple[LandmarkRow, ...], Fit | None]:
    """Where the body's landmarks print, and how a photograph from above would have to be scaled to fit them best.

    The fit is of those that a photograph sees. It needs three; without them it is None, and the residuals are nan.
    """
    names = sorted(laid.field.body.landmarks)
    if not names:
        return (), None
    places = np.array([laid.field.body.landmarks[name] for name in names], dtype=np.float64)
    printed = print_points(laid, source, places)
    shown = np.isfinite(printed.uv).all(axis=1) & (printed.strength > 0.0)
    uv = np.where(shown[:, None], printed.uv, np.nan)
    residual = np.full((len(names), 2), np.nan)
    fit = None
    seen = shown & is_seen(laid, _find_near(laid, places)[0])
    if seen.sum() >= 3:
        fit = fit_similarity(places[seen, :2], uv[seen], laid.lattice.inner_sign > 0)
        residual[seen] = fit.residual
    rows = zip(names, places, uv, printed.strength, printed.miss, residual, strict=True)
    return tuple(LandmarkRow(name, p, at, float(s), float(m), r) for name, p, at, s, m, r in rows), fit


def map_grid(laid: Laid, distortion: Distortion, values: Array) -> Array:
    """(nu, nv) of the triangles' ``values`` (t,), averaged at nodes, for drawing."""
    return to_grid(laid.lattice, to_nodes(laid, distortion.triangles, values))
