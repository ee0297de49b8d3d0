"""The contact record: per node, how far from the body, what touches, and what it carries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drapesim.matter.body import Body
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import BodyField, prepare_body
from drapesim.mechanics.energies import smooth_curve
from drapesim.settling.exact import measure_distance, part_field

Array = np.ndarray

ON_LINE = 1e-9
"""A point nearer than this many cells to a yarn line may be read from the cell on its other side."""


@dataclass(frozen=True)
class ContactRecord:
    """Parallel arrays over the n lattice nodes, SI.

    gap: signed distance from the body-facing face of the cloth to the nearest body surface (support excluded), m;
    inf where there is no body.
    support_gap: the same to the support, m (inf where there is none).
    body_point (n, 3): nearest body point; body_face (n,) int32 into Body.faces; region (n,) int32 (-1 none);
    landmark (n,) int32: nearest landmark's position in sorted(body.landmarks) (-1 none).
    facing (n,): cosine between the inner normal and the direction to the nearest body point.
    pressure: contact force over nodal area, Pa, body and support together; tension_warp/weft N/m; strain_warp/weft;
    shear_angle rad; slope: angle of the sheet from horizontal, rad.
    """

    gap: Array
    support_gap: Array
    body_point: Array
    body_face: Array
    region: Array
    landmark: Array
    facing: Array
    pressure: Array
    tension_warp: Array
    tension_weft: Array
    strain_warp: Array
    strain_weft: Array
    shear_angle: Array
    slope: Array

    def fields(self) -> Mapping[str, Array]:
        """Name -> array, for archives and tables."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True)
class GapReading:
    """What `measure_gap` finds for n points: gap (n,) m, facing (n,), nearest point (n, 3) m and face (n,) int32."""

    gap: Array
    facing: Array
    point: Array
    face: Array


def record_contact(
    lattice: Lattice, card: FabricCard, x: Array, contact_force: Array, body: Body | BodyField
) -> ContactRecord:
    """Measure the contact record of the sheet at ``x`` (n, 3) m with exact triangles.

    ``contact_force`` (n, 3) N: of body and support on each node. ``body``: prepared, or as it is.
    gap = d - t/2 where the inner normal points to the body (facing >= 0), else d + t/2, with d the signed distance of
    the node to the body and t the thickness of the card; see `measure_gap`. pressure is the part of the contact force
    along the sheet's normal, over the node's area. Strain is the mean over a node's links, tension the card's curve at
    that strain, the shear angle the mean over a node's cells of asin of the cosine between the yarns (positive where
    the angle between +u and +v has closed).
    """
    field = body if isinstance(body, BodyField) else prepare_body(body)
    normal = inner_normals(lattice, x)
    half = 0.5 * card.thickness
    n = len(x)
    figure, support = part_field(field, False), part_field(field, True)
    reading = _nothing(n) if figure is None else measure_gap(x, normal, figure, half)
    region = np.full(n, -1, np.int32)
    there = reading.face >= 0
    region[there] = field.body.region[reading.face[there]]
    strain = link_strain_means(lattice, x)
    return ContactRecord(
        gap=reading.gap,
        support_gap=np.full(n, np.inf) if support is None else measure_gap(x, normal, support, half).gap,
        body_point=reading.point,
        body_face=reading.face,
        region=region,
        landmark=nearest_landmark(reading.point, field.body),
        facing=reading.facing,
        pressure=np.abs(_dot(contact_force, normal)) / lattice.node_area,
        tension_warp=smooth_curve(card.warp_curve, card.compression_ratio).tension(strain[0]),
        tension_weft=smooth_curve(card.weft_curve, card.compression_ratio).tension(strain[1]),
        strain_warp=strain[0],
        strain_weft=strain[1],
        shear_angle=shear_angles(lattice, x),
        slope=np.arccos(np.clip(np.abs(normal[:, 2]), 0.0, 1.0)),
    )


def measure_gap(points: Array, normals: Array, field: BodyField, half_thickness: float) -> GapReading:
    """Gap and facing of ``points`` (n, 3) m on the mid-surface with unit inner ``normals`` (n, 3), to ``field``.

    facing is the cosine between the inner normal and the way to the body: towards the nearest point from outside, away
    from it from inside. gap = d - half_thickness if facing >= 0, else d + half_thickness, with d the signed distance.
    Rows with a NaN point give NaN, and face -1.
    """
    known = np.isfinite(points).all(1)
    out = _nothing(len(points))
    out.gap[:] = np.nan
    if not known.any():
        return out
    d, point, face = measure_distance(points[known], field)
    way = points[known] - point
    length = np.linalg.norm(way, axis=1)
    # on the surface itself the way is lost to rounding: the face normal stands in for it
    outward = np.where(
        (length > 1e-12)[:, None], way * (np.sign(d) / np.maximum(length, 1e-300))[:, None], field.surface.normal[face]
    )
    facing = -_dot(normals[known], outward)
    out.gap[known] = np.where(facing >= 0.0, d - half_thickness, d + half_thickness)
    out.facing[known], out.point[known], out.face[known] = facing, point, face
    return out


def _nothing(n: int) -> GapReading:
    return GapReading(np.full(n, np.inf), np.full(n, np.nan), np.full((n, 3), np.nan), np.full(n, -1, np.int32))


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("nk,nk->n", a, b)


def inner_normals(lattice: Lattice, x: Array) -> Array:
    """(n, 3) unit normals at the nodes, out of the inner side: from the two links of each cell that meet at the node.

    Each cell weighs as much as the parallelogram of its two links. Symmetric, whichever way the cell's diagonal runs.
    """
    corner = _cell_corners(lattice)  # in order round the cell, so that next x previous is x_u x x_v at each
    total = np.zeros_like(x)
    for k in range(4):
        here, after, before = x[corner[:, k]], x[corner[:, (k + 1) % 4]], x[corner[:, k - 1]]
        area = np.cross(after - here, before - here)
        for c in range(3):
            total[:, c] += np.bincount(corner[:, k], area[:, c], minlength=len(x))
    return lattice.inner_sign * total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)


def _cell_corners(lattice: Lattice) -> Array:
    """(cells, 4) node numbers round each cell that is cloth: (i, j), (i+1, j), (i+1, j+1), (i, j+1)."""
    i, j = np.nonzero(lattice.cell)
    index = lattice.index
    return np.stack([index[i, j], index[i + 1, j], index[i + 1, j + 1], index[i, j + 1]], 1)


def link_strain_means(lattice: Lattice, x: Array) -> tuple[Array, Array]:
    """Engineering strain (n,) along warp and weft: the mean over the one or two links at each node."""
    means = []
    for axis, h in enumerate((lattice.spacing_u, lattice.spacing_v)):
        line = np.moveaxis(lattice.index, axis, 0)
        cell = np.moveaxis(lattice.cell, axis, 0)
        there = np.pad(cell, ((0, 0), (1, 0))) | np.pad(cell, ((0, 0), (0, 1)))
        a, b = line[:-1][there], line[1:][there]
        strain = np.linalg.norm(x[b] - x[a], axis=1) / h - 1.0
        ends = np.concatenate([a, b])
        total = np.bincount(ends, np.concatenate([strain, strain]), minlength=len(x))
        means.append(total / np.bincount(ends, minlength=len(x)))
    return means[0], means[1]


def shear_angles(lattice: Lattice, x: Array) -> Array:
    """(n,) rad: mean over the cells at each node of asin(t_u . t_v), with t_u, t_v the cell's unit mid-lines."""
    corner = _cell_corners(lattice)
    x00, x10, x11, x01 = (x[corner[:, k]] for k in range(4))
    tu, tv = x10 - x00 + x11 - x01, x01 - x00 + x11 - x10
    size = np.maximum(np.linalg.norm(tu, axis=1) * np.linalg.norm(tv, axis=1), 1e-300)
    angle = np.arcsin(np.clip(_dot(tu, tv) / size, -1.0, 1.0))
    owner = corner.ravel()
    return np.bincount(owner, np.repeat(angle, 4), minlength=len(x)) / np.bincount(owner, minlength=len(x))


def nearest_landmark(points: Array, body: Body) -> Array:
    """(n,) int32: position in sorted(body.landmarks) of the landmark nearest to each point (-1: none, or point NaN)."""
    names = sorted(body.landmarks)
    nearest = np.full(len(points), -1, np.int32)
    least = np.full(len(points), np.inf)
    for k, name in enumerate(names):
        distance = np.linalg.norm(points - np.asarray(body.landmarks[name]), axis=1)
        closer = distance < least
        nearest[closer], least[closer] = k, distance[closer]
    return nearest


def sample_sheet(lattice: Lattice, x: Array, uv: Array) -> tuple[Array, Array]:
    """(points (m, 3) m, inner normals (m, 3) unit) of the sheet at flat-map places ``uv`` (m, 2) m.

    The points lie exactly on ``lattice.triangles``; the normals are those of the nodes, interpolated in the same
    triangles. NaN where there is no cloth at ``uv``.
    """
    cells = lattice.cell.shape
    place = np.asarray(uv, dtype=np.float64) / np.array([lattice.spacing_u, lattice.spacing_v])
    inside = ((place >= -ON_LINE) & (place <= np.array(cells) + ON_LINE)).all(1)
    place = np.where(inside[:, None], place, 0.0)
    low = np.clip(np.floor(place), 0, np.array(cells) - 1).astype(np.int64)
    there = inside & lattice.cell[low[:, 0], low[:, 1]]
    for du, dv in ((-1, 0), (0, -1), (-1, -1), (1, 0), (0, 1), (1, 1), (-1, 1), (1, -1)):
        # on the border between a cell that is cloth and one that is missing, take the one that is cloth
        other = low + np.array([du, dv])
        allowed = ~there & inside & (other >= 0).all(1) & (other < np.array(cells)).all(1)
        rest = place - other
        allowed &= ((rest >= -ON_LINE) & (rest <= 1.0 + ON_LINE)).all(1)
        allowed[allowed] = lattice.cell[other[allowed, 0], other[allowed, 1]]
        low[allowed] = other[allowed]
        there |= allowed
    f, g = np.clip(place - low, 0.0, 1.0).T
    i, j = low.T
    corner = np.stack(
        [lattice.index[i, j], lattice.index[i + 1, j], lattice.index[i + 1, j + 1], lattice.index[i, j + 1]], 1
    )
    # the diagonal runs from corner 0 to 2 in even cells and from 1 to 3 in odd ones, see Lattice.triangles
    even = np.stack([1.0 - np.maximum(f, g), np.maximum(f - g, 0.0), np.minimum(f, g), np.maximum(g - f, 0.0)], 1)
    past = np.maximum(f + g - 1.0, 0.0)
    odd = np.stack([np.maximum(1.0 - f - g, 0.0), f - past, past, g - past], 1)
    weight = np.where(((i + j) % 2 == 0)[:, None], even, odd)
    points = np.einsum("mk,mkd->md", weight, x[corner])
    normals = np.einsum("mk,mkd->md", weight, inner_normals(lattice, x)[corner])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    points[~there], normals[~there] = np.nan, np.nan
    return points, normals
