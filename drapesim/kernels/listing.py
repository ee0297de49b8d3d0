"""Bookkeeping of contact lists: where contacts are, who acts on a node, what each carries on."""

from __future__ import annotations

import numpy as np

from drapesim.kernels.jit import bare_kernel, kernel


@kernel
def weighted_places(x, node, weight):
    """(K, 3): the sums of weight (K, 4) times the rows node (K, 4) of x (n, 3)."""
    place = np.empty((node.shape[0], 3))
    for c in range(node.shape[0]):
        for d in range(3):
            place[c, d] = (
                weight[c, 0] * x[node[c, 0], d]
                + weight[c, 1] * x[node[c, 1], d]
                + weight[c, 2] * x[node[c, 2], d]
                + weight[c, 3] * x[node[c, 3], d]
            )
    return place


@kernel
def list_touched(node, n):
    """(M,) int64: those of n nodes that the rows of ``node`` (K, 4) name, in rising order."""
    is_touched = np.zeros(n, np.bool_)
    for c in range(node.shape[0]):
        for k in range(4):
            is_touched[node[c, k]] = True
    return np.flatnonzero(is_touched)


@kernel
def take_up_into(
    preload, anchor, force, went, place, normal, origin, is_turned, before, old_normal, old_offset, old_last,
    old_preload, old_anchor, old_force,
):  # fmt: skip
    """What each contact at ``place`` (K, 3) carries on from row ``origin`` (K,) of the last list, -1 if from none.

    ``before`` (J, 3): where the old contacts are now. Of a grip only the tangential stretch is kept, turned into the
    new plane where ``is_turned`` (K,). ``went`` (K,): by how much the gap has grown since ``old_last`` (J,).
    """
    for c in range(place.shape[0]):
        o = origin[c]
        for d in range(3):
            anchor[c, d] = place[c, d]
        if o < 0:
            continue
        gap = -old_offset[o]
        for d in range(3):
            gap += old_normal[o, d] * before[o, d]
        went[c] = gap - old_last[o]
        preload[c] = old_preload[o]
        is_loaded = False
        along = 0.0
        for d in range(3):
            force[c, d] = old_force[o, d]
            is_loaded = is_loaded or old_force[o, d] != 0.0
            along += normal[c, d] * (old_anchor[o, d] - before[o, d])
        for d in range(3):
            if not is_turned[c]:
                anchor[c, d] = old_anchor[o, d]
            elif is_loaded:
                anchor[c, d] += old_anchor[o, d] - before[o, d] - along * normal[c, d]


@bare_kernel
def copy_row(into, i, source, o):
    """Row o of ``source`` (kernels.pairs.Found) into row i of ``into``."""
    for k in range(4):
        into.node[i, k] = source.node[o, k]
        into.weight[i, k] = source.weight[o, k]
    for k in range(3):
        into.normal[i, k] = source.normal[o, k]
        into.point[i, k] = source.point[o, k]
    into.gap[i] = source.gap[o]
    into.part[i] = source.part[o]
    into.key[i] = source.key[o]
    into.triangle[i] = source.triangle[o]


@bare_kernel
def copy_rows(into, at, source, rows):
    """The ``rows`` (m,) of ``source`` into ``into`` from row ``at`` on."""
    for r in range(rows.shape[0]):
        copy_row(into, at + r, source, rows[r])


@bare_kernel
def pack_into(packed, found, room, count):
    """The runs' rows of ``found``, ``count`` (runs,) from row r room on in run r, one after the other."""
    at = 0
    for run in range(count.shape[0]):
        for r in range(count[run]):
            copy_row(packed, at, found, run * room + r)
            at += 1


@bare_kernel
def match_sorted(source, before, old_order, now, new_order):
    """Into ``source`` (K,) the row with the same name in ``before`` (J,) of each in ``now`` (K,), where there is one.

    Rows ``old_order``, ``new_order`` are in rising order of their names. Of equal names before the first counts.
    """
    o = 0
    for i in range(new_order.shape[0]):
        name = now[new_order[i]]
        while o < old_order.shape[0] and before[old_order[o]] < name:
            o += 1
        if o < old_order.shape[0] and before[old_order[o]] == name:
            source[new_order[i]] = old_order[o]


@bare_kernel
def match_single(source, before, old_order, now, new_order):
    """Like `match_sorted`, for names that stand just once in each list."""
    o = 0
    i = 0
    n_old = old_order.shape[0]
    n_new = new_order.shape[0]
    while i < n_new:
        name = now[new_order[i]]
        last = i
        while last + 1 < n_new and now[new_order[last + 1]] == name:
            last += 1
        while o < n_old and before[old_order[o]] < name:
            o += 1
        is_single = o < n_old and before[old_order[o]] == name
        is_single = is_single and not (o + 1 < n_old and before[old_order[o + 1]] == name)
        if is_single and last == i:
            source[new_order[i]] = old_order[o]
        i = last + 1
