"""Contact between the sheet and the body: prepare the body once, find who is near."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.kernels.distance import find_nearest
from drapesim.kernels.pairs import FLAT, Found, Surface, find_contacts
from drapesim.kernels.tree import Tree, plant_tree
from drapesim.matter.body import Body
from drapesim.mechanics.contact_list import face_neighbours, feature_owners, picked

Array = np.ndarray


@dataclass(frozen=True)
class BodyField:
    """A body ready for contact: exact triangles, their neighbourhoods, and a tree of boxes."""

    body: Body
    surface: Surface
    tree: Tree


def prepare_body(body: Body) -> BodyField:
    """Neighbours, convexity and normals of every feature of ``body``, and the tree over its triangles."""
    vertices = np.ascontiguousarray(body.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(body.faces, dtype=np.int32)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    normal = cross / np.linalg.norm(cross, axis=1, keepdims=True)

    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    neighbour = face_neighbours(faces)
    edge = np.roll(vertices[faces], -1, axis=1) - vertices[faces]
    edge /= np.linalg.norm(edge, axis=2, keepdims=True)
    inward_next = np.cross(normal[neighbour], -edge)
    convex = (np.einsum("fkc,fc->fk", inward_next, normal) < -FLAT) & (neighbour >= 0)

    pairs = np.unique(np.concatenate([np.stack([start, end], 1), np.stack([end, start], 1)]), axis=0)
    ring_start = np.searchsorted(pairs[:, 0], np.arange(len(vertices) + 1)).astype(np.int64)

    angle = np.arccos(np.clip(-np.einsum("fkc,fkc->fk", edge, np.roll(edge, 1, axis=1)), -1.0, 1.0))
    vertex_normal = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(vertex_normal, faces[:, k], angle[:, k, None] * normal)
    vertex_normal /= np.maximum(np.linalg.norm(vertex_normal, axis=1, keepdims=True), 1e-30)

    surface = Surface(
        vertices=vertices,
        faces=faces,
        normal=normal,
        neighbour=neighbour,
        owns=feature_owners(faces),
        convex=convex,
        ring_start=ring_start,
        ring=np.ascontiguousarray(pairs[:, 1], dtype=np.int64),
        vertex_normal=vertex_normal,
        part=np.ascontiguousarray(body.part, dtype=np.int32),
    )
    return BodyField(body, surface, plant_tree(vertices, faces))


def find_body_contacts(
    field: BodyField,
    triangles: Array,
    owns: Array,
    x: Array,
    band: float | Array,
    depth: float,
    wanted: Array | None = None,
) -> Found:
    """Contacts of the cloth ``triangles`` (t, 3) at ``x`` (n, 3) m with the body, ``band`` (m) outside to ``depth`` in.

    ``wanted`` (m,): the triangles to search, all if None; ``band``: one, or one for each of them.
    """
    found = find_contacts(x, triangles, owns, field.surface, field.tree, band, depth, wanted)
    return without_far_sides(found, x, field)


def without_far_sides(found: Found, x: Array, field: BodyField) -> Found:
    """Drop contacts that see a thin part's far side: their cloth point is behind a face but not inside the body."""
    behind = np.flatnonzero(found.gap < 0.0)
    if not len(behind):
        return found
    points = np.einsum("ck,ckd->cd", found.weight[behind], x[found.node[behind]])
    distance, _, _ = find_nearest(points, field.surface, field.tree)
    keep = np.ones(len(found.gap), dtype=bool)
    keep[behind] = distance < 0.0
    return found if keep.all() else picked(found, keep)
