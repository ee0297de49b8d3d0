"""Contact between the sheet and the body: prepare the body once, find who is near, keep what each contact carries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.kernels.distance import find_nearest
from drapesim.kernels.elastic import PAD
from drapesim.kernels.pairs import FACE_VERTEX, FLAT, NODE_VERTEX, Found, Surface, empty_found, find_contacts
from drapesim.kernels.relax import Contacts
from drapesim.kernels.tree import Tree, plant_tree
from drapesim.matter.body import Body
from drapesim.matter.sheet import Lattice

Array = np.ndarray

LIFTS = 60  # at most
LIFTED = 2e-5  # m, lack of clearance that is left to the relaxation
FEATURE = (1 << 30) - 1  # mask of a body feature in a contact's key


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
    low, high = np.minimum(start, end).astype(np.int64), np.maximum(start, end).astype(np.int64)
    name = low * len(vertices) + high
    order = np.argsort(name, kind="stable")
    twin = np.full(len(name), -1)
    same = name[order][1:] == name[order][:-1]
    first, second = order[:-1][same], order[1:][same]
    twin[first], twin[second] = second, first
    neighbour = np.where(twin >= 0, twin // 3, -1).reshape(-1, 3).astype(np.int32)

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


def feature_owners(triangles: Array) -> Array:
    """(t, 6) bool: corner 0-2 and edge 3-5 (corner k to k+1) belong to the first triangle that has them."""
    owns = np.zeros((len(triangles), 6), dtype=bool)
    _, first = np.unique(triangles.ravel(), return_index=True)
    owns[first // 3, first % 3] = True
    end = np.roll(triangles, -1, axis=1)
    name = np.minimum(triangles, end).astype(np.int64) * (int(triangles.max()) + 1) + np.maximum(triangles, end)
    _, first = np.unique(name.ravel(), return_index=True)
    owns[first // 3, 3 + first % 3] = True
    return owns


@dataclass(frozen=True)
class ContactSet:
    """Frozen contacts, and how they were found: the next search knows them again by their keys."""

    contacts: Contacts
    found: Found


def no_contacts() -> ContactSet:
    """A set for a sheet that touches nothing."""
    i, f = np.zeros(0, np.int64), np.zeros(0)
    contacts = Contacts(
        node=np.zeros((0, 3), np.int64), weight=np.zeros((0, 3)), normal=np.zeros((0, 3)), offset=f, friction=f,
        preload=f, anchor=np.zeros((0, 3)), force=np.zeros((0, 3)), last=f, touched=i,
        start=np.zeros(1, np.int64), entry=i, share=f,
    )  # fmt: skip
    return ContactSet(contacts, empty_found(0))


def search_contacts(
    field: BodyField,
    lattice: Lattice,
    owns: Array,
    x: Array,
    band: float,
    depth: float,
    half_thickness: float,
    friction: Array,
    before: ContactSet,
    wanted: Array | None = None,
) -> ContactSet:
    """Contacts of the sheet at ``x`` (n, 3); what a contact carried ``before`` (push and grip) goes on.

    ``owns``: `feature_owners` of the lattice. ``band`` and ``depth`` (m): how far outside and inside the body to look.
    ``half_thickness`` (m) of the cloth. ``friction`` (parts,) static coefficients. A contact that the last
    search did not know starts unloaded.
    ``wanted`` (m,): cloth triangles to search; the others keep what the last search found (all if None).
    """
    found = find_contacts(x, lattice.triangles, owns, field.surface, field.tree, band, depth, wanted)
    found = without_far_sides(found, x, field)
    if wanted is not None:
        found = with_kept(found, before.found, wanted, x, len(lattice.triangles))
    n = len(found.gap)
    flat = flat_index(lattice)
    at = np.einsum("ck,ckd->cd", found.weight, x[found.node])
    preload, anchor = np.zeros(n), at.copy()
    if len(before.found.key) and n:
        source = match_contacts(before.found.key, found.key)
        known = source >= 0
        old, taken = before.contacts, source[known]
        preload[known] = old.preload[taken]
        loaded = (old.force[taken] != 0.0).any(1)
        # of the grip only the tangential stretch is kept, turned into the new plane
        stretch = old.anchor[taken] - _cloth_point(old, x, flat)[taken]
        stretch -= _along(stretch, found.normal[known])
        anchor[known] = np.where(loaded[:, None], at[known] + stretch, at[known])
    return carry_contacts(lattice, found, half_thickness, friction, preload, anchor, np.zeros((n, 3)))


def carry_contacts(
    lattice: Lattice, found: Found, half_thickness: float, friction: Array, preload: Array, anchor: Array, force: Array
) -> ContactSet:
    """``found`` made ready for the relaxation, with what each contact carries: preload (K,) N, anchor, force (K, 3)."""
    flat = flat_index(lattice)
    start, touched, entry, share = incidence(flat[found.node], found.weight)
    contacts = Contacts(
        node=flat[found.node],
        weight=found.weight,
        normal=found.normal,
        offset=np.einsum("cd,cd->c", found.normal, found.point) + half_thickness,
        friction=np.ascontiguousarray(friction[found.part]),
        preload=preload,
        anchor=anchor,
        force=force,
        last=found.gap - half_thickness,
        touched=touched,
        start=start,
        entry=entry,
        share=share,
    )
    return ContactSet(contacts, found)


def lifted_out(
    field: BodyField, lattice: Lattice, owns: Array, x: Array, depth: float, half_thickness: float, held: Array | None
) -> Array:
    """Positions (n, 3) m with every cloth feature moved out of the body along its contact, for a start without a kick.

    ``depth`` (m): how deep a feature may lie and still be found. ``held`` (n,) bool: nodes that must stay.
    Jacobi steps: each contact asks its nodes to move by what it lacks, each node takes the mean of what it is asked.
    """
    x = x.copy()
    for _ in range(LIFTS):
        found = find_contacts(x, lattice.triangles, owns, field.surface, field.tree, half_thickness, depth)
        found = without_far_sides(found, x, field)
        lack = half_thickness - found.gap
        if not len(lack) or lack.max() < LIFTED:
            break
        share = found.weight / (found.weight**2).sum(1, keepdims=True)
        asked, asks = np.zeros_like(x), np.full(len(x), 1e-12)
        for k in range(3):
            np.add.at(asked, found.node[:, k], (share[:, k] * lack)[:, None] * found.normal * found.weight[:, k, None])
            np.add.at(asks, found.node[:, k], found.weight[:, k])
        move = asked / asks[:, None]
        if held is not None:
            move[held] = 0.0
        x += move
    return x


def with_kept(found: Found, before: Found, wanted: Array, x: Array, n_triangles: int) -> Found:
    """``found`` joined by what was known of the triangles not searched, in the order of the triangles."""
    searched = np.zeros(n_triangles, dtype=bool)
    searched[wanted] = True
    keep = ~searched[before.triangle]
    kept = Found(*(part[keep] for part in before))
    at = np.einsum("ck,ckd->cd", kept.weight, x[kept.node])
    kept = kept._replace(gap=np.einsum("cd,cd->c", kept.normal, at - kept.point))
    order = np.argsort(np.concatenate([kept.triangle, found.triangle]), kind="stable")
    return Found(*(np.ascontiguousarray(np.concatenate(pair)[order]) for pair in zip(kept, found, strict=True)))


def match_contacts(before: Array, now: Array) -> Array:
    """(K,) row of each new contact in the last search, -1 if it is new.

    The same pair of features is the same contact. A node that has slid from one face, edge or vertex of the body to
    the next is too, if it had one unmatched contact before and has one now; so is a body vertex under the cloth that
    has slid from one cloth triangle to the next.
    """
    order = np.argsort(before, kind="stable")
    slot = np.minimum(np.searchsorted(before, now, sorter=order), len(before) - 1)
    source = np.where(before[order[slot]] == now, order[slot], -1)
    for is_wanted, feature in (
        (lambda key: key >> 60 <= NODE_VERTEX, lambda key: (key >> 30) & FEATURE),
        (lambda key: key >> 60 == FACE_VERTEX, lambda key: key & FEATURE),
    ):
        free = np.ones(len(before), dtype=bool)
        free[source[source >= 0]] = False
        old = np.flatnonzero(free & is_wanted(before))
        new = np.flatnonzero((source < 0) & is_wanted(now))
        old_id, old_at, old_count = np.unique(feature(before[old]), return_index=True, return_counts=True)
        new_id, new_at, new_count = np.unique(feature(now[new]), return_index=True, return_counts=True)
        _, a, b = np.intersect1d(old_id[old_count == 1], new_id[new_count == 1], return_indices=True)
        source[new[new_at[new_count == 1][b]]] = old[old_at[old_count == 1][a]]
    return source


def _along(vector: Array, direction: Array) -> Array:
    return np.einsum("cd,cd->c", vector, direction)[:, None] * direction


def _cloth_point(contacts: Contacts, x: Array, flat: Array) -> Array:
    grid = np.zeros((int(flat.max()) + 1, 3))
    grid[flat] = x
    return np.einsum("ck,ckd->cd", contacts.weight, grid[contacts.node])


def flat_index(lattice: Lattice) -> Array:
    """(n,) index of each node on the flattened padded grid."""
    return ((lattice.ij[:, 0] + PAD).astype(np.int64) * (lattice.shape[1] + 2 * PAD)) + lattice.ij[:, 1] + PAD


def without_far_sides(found: Found, x: Array, field: BodyField) -> Found:
    """Drop contacts that see a thin part's far side: their cloth point is behind a face but not inside the body."""
    behind = np.flatnonzero(found.gap < 0.0)
    if not len(behind):
        return found
    points = np.einsum("ck,ckd->cd", found.weight[behind], x[found.node[behind]])
    distance, _, _ = find_nearest(points, field.surface, field.tree)
    keep = np.ones(len(found.gap), dtype=bool)
    keep[behind] = distance < 0.0
    return Found(*(np.ascontiguousarray(part[keep]) for part in found))


def incidence(node: Array, weight: Array) -> tuple[Array, Array, Array, Array]:
    """(start, touched, entry, share): for each touched node the contacts that act on it, in stored order."""
    contact, corner = np.nonzero(weight)
    owner = node[contact, corner]
    order = np.argsort(owner, kind="stable")
    touched, first = np.unique(owner[order], return_index=True)
    start = np.append(first, len(owner)).astype(np.int64)
    return start, touched.astype(np.int64), contact[order].astype(np.int64), weight[contact, corner][order]
