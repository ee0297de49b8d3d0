"""Landmarks: named points held on a surface by their face and place within it, through moves and onto other meshes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from drapesim.ground.outcome import InputError, gather_faults
from drapesim.matter.nearest import find_on_mesh

Array = np.ndarray

MOST_SNAP = 5e-3
"""m: a point farther off the surface is refused unless the file allows more. `common practice, no source`: a probe or a
pick on a screen is good to a few mm, while a wrong unit, axis or mesh puts points decimetres off."""
WORTH_SAYING = 1e-5  # m: shorter moves onto the surface are rounding
OTHER_UNITS = MappingProxyType({"m": 1e3, "cm": 10.0, "in": 25.4})  # numbers of these taken for mm are off by as much


@dataclass(frozen=True)
class Anchors:
    """Points fixed to the faces of one mesh: names; face (n,) int; weight (n, 3), barycentric, each row summing to 1;
    distance (n,) m by which each was moved to come to lie on the surface.
    """

    names: tuple[str, ...]
    face: Array
    weight: Array
    distance: Array


def anchor(
    landmarks: Mapping[str, Array], vertices: Array, faces: Array, most: float = MOST_SNAP, file: object = ""
) -> Anchors:
    """Fix ``landmarks`` (name to (3,) m) to the nearest points of the mesh.

    Raises `InputError` about ``file`` with every landmark that is farther than ``most`` (m) from the surface.
    """
    names = tuple(landmarks)
    if not names:
        return Anchors((), np.zeros(0, np.int32), np.zeros((0, 3)), np.zeros(0))
    points = np.array([landmarks[name] for name in names], dtype=np.float64)
    distance, point, face = find_on_mesh(points, vertices, faces)
    far = np.flatnonzero(distance > most)
    if len(far):
        remedy = _guess_slip(points, vertices, faces, most) or "correct it, or check mesh, axes and unit"
        raise gather_faults([
            InputError(file, f"landmarks_mm.{names[k]}", f"the point lies {1e3 * distance[k]:.1f} mm off the surface, "
                       f"more than {1e3 * most:g} mm", remedy) for k in far
        ])  # fmt: skip
    return Anchors(names, face, barycentric(point, vertices[faces[face]]), distance)


def _guess_slip(points: Array, vertices: Array, faces: Array, most: float) -> str:
    """A remedy if all points fit the surface in another unit; ""."""
    for unit, factor in OTHER_UNITS.items():
        scaled = points * factor
        low, high = vertices.min(axis=0) - most, vertices.max(axis=0) + most
        if not ((scaled >= low) & (scaled <= high)).all():
            continue
        if (find_on_mesh(scaled, vertices, faces)[0] <= most).all():
            return f"the points fit if their numbers are in {unit}; give them in mm"
    return ""


def barycentric(point: Array, corner: Array) -> Array:
    """(n, 3) weights of the corners (n, 3, 3) of the triangles that hold the points (n, 3); within 0 to 1."""
    a, b, c = (corner[:, k] for k in range(3))
    ab, ac, ap = b - a, c - a, point - a
    d00, d01, d11 = (np.einsum("ij,ij->i", p, q) for p, q in ((ab, ab), (ab, ac), (ac, ac)))
    d20, d21 = (np.einsum("ij,ij->i", ap, q) for q in (ab, ac))
    below = np.maximum(d00 * d11 - d01 * d01, 1e-300)
    v, w = (d11 * d20 - d01 * d21) / below, (d00 * d21 - d01 * d20) / below
    weight = np.clip(np.stack([1.0 - v - w, v, w], axis=1), 0.0, 1.0)
    return weight / weight.sum(axis=1, keepdims=True)


def follow(anchors: Anchors, vertices: Array, faces: Array) -> dict[str, Array]:
    """Name to (3,) m on a mesh of the same ``faces`` whose ``vertices`` have moved: smoothed, posed, scaled."""
    place = np.einsum("nk,nkc->nc", anchors.weight, vertices[faces[anchors.face]])
    return dict(zip(anchors.names, place, strict=True))


def carry_regions(region: Array, old: tuple[Array, Array], new: tuple[Array, Array]) -> tuple[Array, float]:
    """((k,) region of each face of the ``new`` mesh, largest distance m) from ``region`` (m,) of the ``old`` faces.

    Each is (vertices, faces); a new face takes the region of the old face nearest to its middle.
    """
    middle = new[0][new[1]].mean(axis=1)
    distance, _, face = find_on_mesh(middle, *old)
    return region[face].astype(np.int32), float(distance.max(initial=0.0))


def tell_moves(anchors: Anchors) -> str:
    """One sentence on the moves onto the surface that are worth saying; ""."""
    moved = anchors.distance > WORTH_SAYING
    if not moved.any():
        return ""
    worst = int(np.argmax(anchors.distance))
    n, most = int(moved.sum()), 1e3 * anchors.distance[worst]
    if n == 1:
        return f"The landmark '{anchors.names[worst]}' was moved {most:.2g} mm onto the surface."
    return f"{n} landmarks were moved onto the surface, by at most {most:.2g} mm ('{anchors.names[worst]}')."
