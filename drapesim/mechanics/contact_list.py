"""The contact list: what a search has found, made ready for the relaxation, with what each contact carries.

Contacts with the body and of the cloth with itself are rows of one list; a contact is known again in the next search
by its key.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.kernels.layers import LAYER_NODE, SELF
from drapesim.kernels.listing import (
    copy_rows,
    list_touched,
    match_single,
    match_sorted,
    take_up_into,
    weighted_places,
)
from drapesim.kernels.pairs import EDGE_EDGE, FACE_VERTEX, NODE_VERTEX, Found, empty_found
from drapesim.kernels.relax import FRESH, RUN, Contacts
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.energies import grid_place, grid_shape

Array = np.ndarray

Carried = tuple[Array, Array, Array, Array]
"""What contacts carry: preload (K,) N, anchor (K, 3) m, force (K, 3) N, and by how much gaps grew, went (K,) m."""

FEATURE = (1 << 30) - 1  # mask of one feature in a contact's key


@dataclass(frozen=True)
class ContactSet:
    """Frozen contacts, and how they were found: the next search knows them again by their keys."""

    contacts: Contacts
    found: Found


def no_contacts() -> ContactSet:
    """A set for a sheet that touches nothing."""
    i, f = np.zeros(0, np.int64), np.zeros(0)
    contacts = Contacts(
        node=np.zeros((0, 4), np.int64), weight=np.zeros((0, 4)), normal=np.zeros((0, 3)), offset=f, friction=f,
        preload=f, anchor=np.zeros((0, 3)), force=np.zeros((0, 3)), last=f, wake=f, run_wake=f, pushing=i,
        n_pushing=i, touched=i,
    )  # fmt: skip
    return ContactSet(contacts, empty_found(0))


def carry_contacts(
    lattice: Lattice,
    found: Found,
    thickness: float,
    friction: Array,
    preload: Array,
    anchor: Array,
    force: Array,
    went: Array | None = None,
) -> ContactSet:
    """``found`` made ready for the relaxation, with what each contact carries: preload (K,) N, anchor, force (K, 3).

    ``went`` (K,) m: by how much its gap grew in the last step, nothing if not given; its dashpot wants to know.
    ``thickness`` (m) of the cloth: half of it parts a mid-surface from the body, all of it two mid-surfaces.
    ``friction`` (parts + 1,): static coefficient of each part of the body, and last of the cloth on itself.
    """
    flat = flat_index(lattice)
    apart = np.where(found.part == SELF, thickness, 0.5 * thickness)
    node = flat[found.node]
    n, runs = len(node), -(-len(node) // RUN)
    contacts = Contacts(
        node=node,
        weight=found.weight,
        normal=found.normal,
        offset=np.einsum("cd,cd->c", found.normal, found.point) + apart,
        friction=np.ascontiguousarray(friction[found.part]),
        preload=preload,
        anchor=anchor,
        force=force,
        last=found.gap - apart - (0.0 if went is None else went),
        wake=np.full(n, FRESH),
        run_wake=np.full(runs, FRESH),
        pushing=np.empty(n, np.int64),
        n_pushing=np.zeros(runs, np.int64),
        touched=list_touched(node, int(np.prod(grid_shape(lattice)))),
    )
    return ContactSet(contacts, found)


def match_contacts(before: Array, now: Array) -> Array:
    """(K,) row of each new contact in the last search, -1 if it is new.

    The same pair of features is the same contact. A node that has slid from one face, edge or vertex of the body to
    the next is too, if it had one unmatched contact before and has one now; so is an edge that has slid along the
    body's edges, a node that has slid over another layer of the cloth, and a body vertex under the cloth that has slid
    from one cloth triangle to the next.
    """
    source = np.full(len(now), -1)
    match_sorted(source, before, np.argsort(before, kind="stable"), now, np.argsort(now, kind="stable"))
    free = np.ones(len(before), dtype=bool)
    free[source[source >= 0]] = False
    old, new = np.flatnonzero(free), np.flatnonzero(source < 0)
    old_name, new_name = slid_name(before[old]), slid_name(now[new])
    old, new = old[old_name >= 0], new[new_name >= 0]
    old_name, new_name = old_name[old_name >= 0], new_name[new_name >= 0]
    slid = np.full(len(new), -1)
    match_single(slid, old_name, np.argsort(old_name), new_name, np.argsort(new_name))
    source[new[slid >= 0]] = old[slid[slid >= 0]]
    return source


def slid_name(key: Array) -> Array:
    """(K,) by what a contact is known again once it has slid on: the feature that stays its own; -1 if by none."""
    kind, own = key >> 60, (key >> 30) & FEATURE
    name = np.where(kind <= NODE_VERTEX, own, -1)
    for n, of_kind in enumerate((EDGE_EDGE, LAYER_NODE, FACE_VERTEX), start=1):
        chosen = kind == of_kind
        name[chosen] = (n << 32) | (key[chosen] & FEATURE if of_kind == FACE_VERTEX else own[chosen])
    return name


def taken_up(found: Found, x: Array, before: ContactSet, origin: Array) -> Carried:
    """(preload (K,) N, anchor and force (K, 3), went (K,) m) of ``found`` at ``x`` (n, 3): known contacts go on.

    ``origin`` (K,): row before of a contact that was not searched anew, else -1. Of a grip only the tangential stretch
    is kept, turned into the new plane. A contact that the last search did not know starts unloaded.
    """
    n, old = len(found.gap), before.contacts
    preload, anchor, force, went = np.zeros(n), np.empty((n, 3)), np.zeros((n, 3)), np.zeros(n)
    new = np.flatnonzero(origin < 0)
    is_open = np.ones(len(before.found.key), dtype=bool)
    is_open[origin[origin >= 0]] = False
    lost = np.flatnonzero(is_open)
    is_turned = np.zeros(n, dtype=bool)  # those that were not searched lie in their old planes
    if len(lost) and len(new):
        match = match_contacts(before.found.key[lost], found.key[new])
        known = np.flatnonzero(match >= 0)
        origin = origin.copy()
        origin[new[known]] = lost[match[known]]
        is_turned[new[known]] = True
    take_up_into(
        preload, anchor, force, went, weighted_places(x, found.node, found.weight), found.normal, origin, is_turned,
        weighted_places(x, before.found.node, old.weight), old.normal, old.offset, old.last, old.preload, old.anchor,
        old.force,
    )  # fmt: skip
    return preload, anchor, force, went


def flat_index(lattice: Lattice) -> Array:
    """(n,) index of each node on the flattened padded grid."""
    row, column = grid_place(lattice)
    return row * grid_shape(lattice)[1] + column


def force_between_layers(found: ContactSet, n: int) -> Array:
    """(n, 3) N: what the cloth's own layers do to each of its n nodes."""
    rows = np.flatnonzero(found.found.part == SELF)
    total = np.zeros((n, 3))
    for k in range(found.found.node.shape[1]):
        share = found.found.weight[rows, k, None] * found.contacts.force[rows]
        np.add.at(total, found.found.node[rows, k], share)
    return total


def kept_apart(found: ContactSet) -> ContactSet:
    """A copy that does not share what contacts carry."""
    names = (
        "weight", "normal", "offset", "preload", "anchor", "force", "last", "wake", "run_wake", "pushing", "n_pushing",
    )  # fmt: skip
    carried = {name: getattr(found.contacts, name).copy() for name in names}
    places = {"weight": carried["weight"], "normal": carried["normal"], "point": found.found.point.copy()}
    return ContactSet(found.contacts._replace(**carried), found.found._replace(**places))


def joined(*parts: Found) -> Found:
    """The rows of each of ``parts``, one after the other."""
    return gathered(*((part, np.arange(len(part.gap))) for part in parts))


def gathered(*parts: tuple[Found, Array]) -> Found:
    """The chosen rows (m,) of each of ``parts``, one after the other."""
    found = empty_found(sum(len(rows) for _, rows in parts))
    at = 0
    for part, rows in parts:
        copy_rows(found, at, part, rows)
        at += len(rows)
    return found


def picked(found: Found, rows: Array) -> Found:
    """The chosen rows (numbers, or a mask) of ``found``."""
    return gathered((found, np.flatnonzero(rows) if rows.dtype == np.bool_ else rows))


def placed(found: Found, x: Array) -> Found:
    """``found`` with the gaps that its frozen planes have at ``x`` (n, 3)."""
    way = weighted_places(x, found.node, found.weight) - found.point
    return found._replace(gap=np.einsum("cd,cd->c", found.normal, way))


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


def face_neighbours(triangles: Array) -> Array:
    """(t, 3) int32: the triangle across each edge (corner k to k+1), -1 at a border."""
    start, end = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    low, high = np.minimum(start, end).astype(np.int64), np.maximum(start, end).astype(np.int64)
    name = low * (int(triangles.max()) + 1) + high
    order = np.argsort(name, kind="stable")
    twin = np.full(len(name), -1)
    same = name[order][1:] == name[order][:-1]
    first, second = order[:-1][same], order[1:][same]
    twin[first], twin[second] = second, first
    return np.where(twin >= 0, twin // 3, -1).reshape(-1, 3).astype(np.int32)
