"""Bookkeeping of contact lists: where contacts are, who acts on a node, what each carries on."""

from __future__ import annotations

import numpy as np

from drapesim.kernels.jit import kernel


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
def is_named_before(node, c, k):
    """True if the node at place k of row c stands at an earlier place too."""
    named = False
    for m in range(k):
        named = named or node[c, m] == node[c, k]
    return named


@kernel
def list_by_node(node, weight, n):
    """(start, touched, entry, slot): for each touched one of n nodes the rows of ``node`` (K, 4) with it, in order.

    A place whose ``weight`` (K, 4) happens to be zero counts, unless its node is named before it: the weight may grow.
    """
    count = np.zeros(n + 1, np.int64)
    for c in range(node.shape[0]):
        for k in range(4):
            if weight[c, k] != 0.0 or (k > 0 and not is_named_before(node, c, k)):
                count[node[c, k] + 1] += 1
    n_touched = 0
    for a in range(n):
        n_touched += 1 if count[a + 1] > 0 else 0
    start = np.zeros(n_touched + 1, np.int64)
    touched = np.empty(n_touched, np.int64)
    m = 0
    for a in range(n):
        if count[a + 1] > 0:
            touched[m] = a
            start[m + 1] = start[m] + count[a + 1]
            m += 1
        count[a + 1] += count[a]
    entry = np.empty(count[n], np.int64)
    slot = np.empty(count[n], np.int64)
    for c in range(node.shape[0]):
        for k in range(4):
            if weight[c, k] != 0.0 or (k > 0 and not is_named_before(node, c, k)):
                at = count[node[c, k]]
                entry[at] = c
                slot[at] = k
                count[node[c, k]] = at + 1
    return start, touched, entry, slot


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
