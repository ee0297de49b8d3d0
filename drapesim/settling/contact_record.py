"""The contact record: per node, how far from the body, what touches, and what it carries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drapesim.matter.body import Body
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import inner_normals, link_strain_means, shear_angles
from drapesim.mechanics.body_contact import BodyField, prepare_body
from drapesim.mechanics.energies import smooth_curve
from drapesim.settling.exact import measure_distance, part_field

Array = np.ndarray


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
    hysteresis: how far friction between the yarns may hold the node from where it is, m (`judging.hysteresis.carry`);
    None where the card gives no bending hysteresis.
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
    hysteresis: Array | None = None

    def fields(self) -> Mapping[str, Array]:
        """Name -> array, for archives and tables; what is not known is left out."""
        everything = ((name, getattr(self, name)) for name in self.__dataclass_fields__)
        return {name: values for name, values in everything if values is not None}


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
    along the sheet's normal, over the node's area: pressure from edge and face contacts is shared out to the nodes of
    the touching cloth, so a node may show pressure without touching. Strain is the mean over a node's links, tension
    the card's curve at that strain, the shear angle the mean over a node's cells of asin of the cosine between the
    yarns (positive where the angle between +u and +v has closed).
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
