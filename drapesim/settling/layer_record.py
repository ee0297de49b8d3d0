"""Cloth on cloth: over each face of every node, the nearest other layer of the same sheet, and the gap to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drapesim.kernels.opposite import find_opposite
from drapesim.kernels.tree import Tree, plant_tree
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import inner_normals, sample_sheet
from drapesim.mechanics.contact_list import face_neighbours

Array = np.ndarray

INNER, OUTER, NONE = 0, 1, -1
SIDES = ("inner", "outer")
REACH = 0.02
"""m: how far a point looks for another layer. Marks farther apart than this are called clear of each other, as marks
are that stay farther from a body (`judging.verdicts.FAR`): our convention, no source."""


@dataclass(frozen=True)
class LayerRecord:
    """What lies across from n points of a sheet: column 0 out of the inner face, column 1 out of the outer one; SI.

    gap (n, 2): from face to face, the cloth's thickness taken off the way between mid-surfaces; inf where no other
    layer lies across within `REACH`, nan where there is no cloth. What counts as another layer says `kernels.opposite`.
    uv (n, 2, 2): that layer's point on the flat map, m (nan: none); triangle (n, 2) int32 into Lattice.triangles (-1)
    and weight (n, 2, 3) of its corners. met (n, 2) int8: the face of that layer that looks back: `INNER`, `OUTER`,
    `NONE`.
    """

    gap: Array
    uv: Array
    triangle: Array
    weight: Array
    met: Array

    def fields(self) -> Mapping[str, Array]:
        """Name -> array."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True)
class LayerField:
    """A sheet ready to be asked for its layers: positions (n, 3) m; normals, neighbours and boxes of its triangles."""

    lattice: Lattice
    x: Array
    normal: Array
    neighbour: Array
    tree: Tree
    thickness: float


def prepare_layers(lattice: Lattice, x: Array, thickness: float) -> LayerField:
    """``x`` (n, 3) m, finite; ``thickness`` of the cloth, m."""
    x = np.ascontiguousarray(x, dtype=np.float64)
    a, b, c = (x[lattice.triangles[:, k]] for k in range(3))
    area = np.cross(b - a, c - a)  # by the winding, which the nearest point of a triangle relies on
    normal = area / np.maximum(np.linalg.norm(area, axis=1, keepdims=True), 1e-300)
    neighbour = face_neighbours(lattice.triangles)
    return LayerField(lattice, x, normal, neighbour, plant_tree(x, lattice.triangles), thickness)


def record_layers(field: LayerField) -> LayerRecord:
    """The record at the nodes."""
    return _measure(field, field.x, field.lattice.uv, inner_normals(field.lattice, field.x))


def read_layers(field: LayerField, uv: Array) -> LayerRecord:
    """The record at flat-map places ``uv`` (m, 2) m, on the lattice's triangles; nan and -1 where there is no cloth."""
    points, normals = sample_sheet(field.lattice, field.x, uv)
    there = np.isfinite(points).all(1)
    found = _measure(field, points[there], uv[there], normals[there])
    n = len(uv)
    out = LayerRecord(np.full((n, 2), np.nan), np.full((n, 2, 2), np.nan), np.full((n, 2), -1, np.int32),
                      np.zeros((n, 2, 3)), np.full((n, 2), NONE, np.int8))  # fmt: skip
    for name, values in found.fields().items():
        getattr(out, name)[there] = values
    return out


def is_covered(gap: Array, facing: Array, layer_gap: Array, thickness: float) -> Array:
    """(n,) bool: does another layer lie between the body and that face of the cloth which looks at it?

    ``gap``, ``facing`` (n,) as `contact_record.measure_gap` gives them, ``layer_gap`` (n, 2) m of a `LayerRecord`: a
    layer lies between where at least half of its ``thickness`` (m) has room there, which no rounding makes.
    """
    side = np.where(facing < 0.0, OUTER, INNER)
    own = np.where(facing < 0.0, gap - thickness, gap)
    between = layer_gap[np.arange(len(gap)), side]
    with np.errstate(invalid="ignore"):
        return np.asarray(between + 0.5 * thickness < own)


def _measure(field: LayerField, points: Array, uv: Array, normals: Array) -> LayerRecord:
    lattice = field.lattice
    flat = np.ascontiguousarray(lattice.uv, dtype=np.float64)
    distance, triangle, weight, cosine = find_opposite(
        points,
        uv,
        normals,
        field.x,
        flat,
        lattice.triangles,
        field.normal,
        field.neighbour,
        field.tree,
        REACH + field.thickness,
    )
    there = triangle >= 0
    cosine = cosine * lattice.inner_sign
    place = np.einsum("nsk,nskd->nsd", weight, flat[lattice.triangles[triangle]])
    place[~there] = np.nan
    met = np.where(there, np.where(cosine > 0.0, INNER, OUTER), NONE).astype(np.int8)
    return LayerRecord(distance - field.thickness, place, triangle, weight, met)
