"""Exact figures of a settled sheet: distance to body and support, crossings, and how deep the cloth's face lies in.

Nothing here knows of the contacts that the settling used: this is the second path by which the certificate checks them.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from drapesim.kernels.crossing import OPEN, find_crossings
from drapesim.kernels.distance import approach_into, find_nearest
from drapesim.kernels.tree import plant_tree
from drapesim.mechanics.body_contact import BodyField

Array = np.ndarray

PAIRS_KEPT = 1000


def part_field(field: BodyField, is_support: bool) -> BodyField | None:
    """``field`` with only the support (or only the rest) in its tree; None if nothing is left. Face numbers stay."""
    body = field.body
    of_part = np.array([part.is_support == is_support for part in body.parts], dtype=bool)
    kept = np.sort(np.concatenate([field.tree.order, field.tree.large]))
    kept = kept[of_part[body.part[kept]]]
    if not len(kept):
        return None
    if len(kept) == len(field.tree.order) + len(field.tree.large):
        return field
    tree = plant_tree(field.surface.vertices, np.ascontiguousarray(field.surface.faces[kept]))
    return BodyField(body, field.surface, tree._replace(order=kept[tree.order], large=kept[tree.large]))


def measure_distance(points: Array, field: BodyField) -> tuple[Array, Array, Array]:
    """(signed distance (n,) m, nearest point (n, 3) m, its face (n,) int32 into Body.faces) of ``points`` (n, 3) m.

    Negative inside. The sign is that of the nearest shell, so measure parts that overlap one by one (`part_field`).
    """
    return find_nearest(np.asarray(points, dtype=np.float64), field.surface, field.tree)


def count_self_crossings(x: Array, triangles: Array) -> tuple[int, Array]:
    """How many pairs of ``triangles`` (t, 3) of a sheet cross, and the first such pairs (k, 2).

    ``x`` (n, 3) m. Two triangles cross when their insides (without edges and corners) share a point: piercing counts,
    coplanar overlap counts, touching does not. The count is exact for the stored float64 positions. Pairs that share
    an edge are left out. Pairs that share a corner count when they pierce; that they overlap in one plane counts only
    if their normals are more than 78 degrees apart. At most ``PAIRS_KEPT`` pairs are given back.
    """
    x, triangles = _mesh(x, triangles)
    if not len(triangles):
        return 0, np.zeros((0, 2), np.int64)
    return _settle_open(find_crossings(x, triangles, x, triangles, plant_tree(x, triangles), True), x, triangles, x,
                        triangles)  # fmt: skip


def count_body_crossings(x: Array, triangles: Array, field: BodyField) -> tuple[int, Array]:
    """How many pairs (cloth triangle, body face) cross, and the first such pairs (k, 2); see `count_self_crossings`."""
    x, triangles = _mesh(x, triangles)
    surface = field.surface
    row = find_crossings(x, triangles, surface.vertices, surface.faces, field.tree, False)
    return _settle_open(row, x, triangles, surface.vertices, surface.faces)


def _mesh(x: Array, triangles: Array) -> tuple[Array, Array]:
    return np.ascontiguousarray(x, dtype=np.float64), np.ascontiguousarray(triangles, dtype=np.int32)


def _settle_open(row: Array, x: Array, triangles: Array, y: Array, faces: Array) -> tuple[int, Array]:
    """Decide the pairs that rounding left open and sort the pairs."""
    crossed = row[:, 2] != OPEN
    for k in np.flatnonzero(~crossed):
        crossed[k] = triangles_cross(x[triangles[row[k, 0]]], y[faces[row[k, 1]]])
    pairs = row[crossed, :2]
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    return len(pairs), pairs[:PAIRS_KEPT]


def triangles_cross(first: Array, second: Array) -> bool:
    """True if the insides of two triangles (3, 3) share a point: exact, in whole numbers.

    A triangle without area has no inside.
    """
    # Floats are whole multiples of a power of two: one common power makes all corners whole.
    ratios = [[float(c).as_integer_ratio() for c in p] for p in (*first, *second)]
    scale = max(below for p in ratios for _, below in p)
    a0, a1, a2, b0, b1, b2 = ([above * (scale // below) for above, below in p] for p in ratios)
    a, b = (a0, a1, a2), (b0, b1, b2)
    n, m = _cross(_minus(a1, a0), _minus(a2, a0)), _cross(_minus(b1, b0), _minus(b2, b0))
    if not any(n) or not any(m):
        return False
    side_b = [_dot(n, _minus(p, a0)) for p in b]
    side_a = [_dot(m, _minus(p, b0)) for p in a]
    if not any(side_b):
        return _overlap_in_plane(a, b, n)
    if not (min(side_a) < 0 < max(side_a) and min(side_b) < 0 < max(side_b)):
        return False
    course = _cross(n, m)
    low_a, high_a = _span(a, side_a, course)
    low_b, high_b = _span(b, side_b, course)
    return max(low_a, low_b) < min(high_a, high_b)


def _minus(p: list[int], q: list[int]) -> list[int]:
    return [p[0] - q[0], p[1] - q[1], p[2] - q[2]]


def _dot(p: list[int], q: list[int]) -> int:
    return p[0] * q[0] + p[1] * q[1] + p[2] * q[2]


def _cross(p: list[int], q: list[int]) -> list[int]:
    return [p[1] * q[2] - p[2] * q[1], p[2] * q[0] - p[0] * q[2], p[0] * q[1] - p[1] * q[0]]


def _span(corner: tuple[list[int], ...], side: list[int], course: list[int]) -> tuple[Fraction, Fraction]:
    """Where a triangle cuts the other one's plane: least and greatest place along ``course``."""
    place = [_dot(course, p) for p in corner]
    cuts = [Fraction(place[k]) for k in range(3) if side[k] == 0]
    for k in range(3):
        j = (k + 1) % 3
        if side[k] * side[j] < 0:
            cuts.append(Fraction(place[k] * side[j] - place[j] * side[k], side[j] - side[k]))
    return min(cuts), max(cuts)


def _overlap_in_plane(a: tuple[list[int], ...], b: tuple[list[int], ...], normal: list[int]) -> bool:
    """True if the insides of two triangles in one plane meet: no edge has the other triangle on its outer side."""
    drop = max(range(3), key=lambda k: abs(normal[k]))
    u, v = (k for k in range(3) if k != drop)

    def turn(p: list[int], q: list[int], r: list[int]) -> int:
        return (q[u] - p[u]) * (r[v] - p[v]) - (q[v] - p[v]) * (r[u] - p[u])

    for own, other in ((a, b), (b, a)):
        sense = 1 if turn(*own) > 0 else -1
        for k in range(3):
            if all(sense * turn(own[k], own[(k + 1) % 3], p) <= 0 for p in other):
                return False
    return True


def triangle_normals(x: Array, triangles: Array) -> Array:
    """(t, 3) unit normals by winding, of ``triangles`` (t, 3) with corners ``x`` (n, 3)."""
    a, b, c = (x[triangles[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    return cross / np.maximum(np.linalg.norm(cross, axis=1, keepdims=True), 1e-300)


def closest_approach(x: Array, triangles: Array, field: BodyField, band: float) -> Array:
    """(t,) m: least distance of each cloth triangle's mid-surface to the faces of ``field``; inf if ``band`` or more.

    The least over all node-face, vertex-triangle and edge-edge distances, unsigned. It means little for triangles that
    cross the body (`count_body_crossings`) or lie inside it (`measure_distance` of their nodes).
    """
    x, triangles = _mesh(x, triangles)
    distance = np.empty(len(triangles))
    approach_into(distance, x, triangles, triangle_normals(x, triangles), field.surface, field.tree, float(band))
    return distance


def penetration(x: Array, triangles: Array, field: BodyField, half_thickness: float) -> float:
    """How deep the cloth's face lies in the body or support, m, >= 0: the most over the cloth of half_thickness - d.

    d is the distance of the mid-surface, measured with exact triangles over the whole of each cloth triangle, and
    negative for nodes inside. If a cloth triangle crosses a face, it is at least half_thickness plus the depth of the
    deepest node inside. Body and support are measured one by one, so that they may touch or overlap.
    """
    x, triangles = _mesh(x, triangles)
    deepest = 0.0
    for is_support in (False, True):
        part = part_field(field, is_support)
        if part is None:
            continue
        near = closest_approach(x, triangles, part, half_thickness)
        signed, _, _ = measure_distance(x, part)
        least = min(float(near.min(initial=np.inf)), float(signed.min(initial=np.inf)))
        if count_body_crossings(x, triangles, part)[0]:
            least = min(least, 0.0)
        deepest = max(deepest, half_thickness - least)
    return deepest
