"""A binary tree of boxes over triangles: build by sorting along a space-filling curve, walk without recursion.

Leaf k holds triangles order[LEAF k : LEAF (k + 1)]. The tree is a complete binary heap: node 1 is the root, node i has
children 2 i and 2 i + 1, leaves are the last ``n_leaves`` nodes (a power of two; empty leaves have inverted boxes).
Triangles much larger than the rest (a slab's two halves) would spoil the boxes, so they are kept in a list of their
own that every query tests.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drapesim.kernels.jit import bare_kernel

LEAF = 4
STACK = 64
GROUP, WIDE = 8, 2.5  # triangles that one walk serves at most, and how much longer their box may be than one's


class Tree(NamedTuple):
    """Boxes low/high (2 n_leaves, 3); ``order`` triangle numbers by leaf; ``large`` triangles outside the tree."""

    low: np.ndarray
    high: np.ndarray
    order: np.ndarray
    large: np.ndarray


@bare_kernel
def spread_bits(value):
    """Put two zero bits between the low 21 bits of ``value``."""
    v = value & 0x1FFFFF
    v = (v | (v << 32)) & 0x1F00000000FFFF
    v = (v | (v << 16)) & 0x1F0000FF0000FF
    v = (v | (v << 8)) & 0x100F00F00F00F00F
    v = (v | (v << 4)) & 0x10C30C30C30C30C3
    v = (v | (v << 2)) & 0x1249249249249249
    return v


@bare_kernel
def curve_codes_into(code, centre, low, scale):
    """Position of each centre (n, 3) along the curve, into ``code`` (n,) int64."""
    for t in range(centre.shape[0]):
        a = np.int64((centre[t, 0] - low[0]) * scale)
        b = np.int64((centre[t, 1] - low[1]) * scale)
        c = np.int64((centre[t, 2] - low[2]) * scale)
        code[t] = spread_bits(a) | (spread_bits(b) << 1) | (spread_bits(c) << 2)


@bare_kernel
def boxes_into(low, high, vertices, triangles, order):
    """Fill the boxes of a complete tree from its leaves up."""
    n_leaves = low.shape[0] // 2
    n = order.shape[0]
    for leaf in range(n_leaves):
        at = n_leaves + leaf
        for k in range(3):
            low[at, k] = np.inf
            high[at, k] = -np.inf
        for s in range(leaf * LEAF, min(leaf * LEAF + LEAF, n)):
            for c in range(3):
                p = triangles[order[s], c]
                for k in range(3):
                    low[at, k] = min(low[at, k], vertices[p, k])
                    high[at, k] = max(high[at, k], vertices[p, k])
    for at in range(n_leaves - 1, 0, -1):
        for k in range(3):
            low[at, k] = min(low[2 * at, k], low[2 * at + 1, k])
            high[at, k] = max(high[2 * at, k], high[2 * at + 1, k])


def plant_tree(vertices: np.ndarray, triangles: np.ndarray) -> Tree:
    """Tree over ``triangles`` (t, 3) int32 with corners in ``vertices`` (n, 3)."""
    corners = vertices[triangles]
    extent = (corners.max(1) - corners.min(1)).max(1)
    is_large = extent > 10.0 * np.median(extent)
    if is_large.sum() > 64:  # then they are no exception and belong in the tree
        is_large[:] = False
    small = np.flatnonzero(~is_large)
    centre = np.ascontiguousarray(corners[small].mean(1))
    low = centre.min(0)
    scale = 2097151.0 / max(float((centre.max(0) - low).max()), 1e-30)
    code = np.empty(len(small), np.int64)
    curve_codes_into(code, centre, low, scale)
    order = small[np.argsort(code, kind="stable")].astype(np.int64)
    n_leaves = 1
    while n_leaves * LEAF < len(order):
        n_leaves *= 2
    tree = Tree(
        np.empty((2 * n_leaves, 3)), np.empty((2 * n_leaves, 3)), order, np.flatnonzero(is_large).astype(np.int64)
    )
    boxes_into(tree.low, tree.high, vertices, triangles, order)
    return tree


@bare_kernel
def overlaps(tree_low, tree_high, at, low, high):
    """True if box ``at`` meets the box low..high (3,)."""
    return (
        tree_low[at, 0] <= high[0]
        and tree_high[at, 0] >= low[0]
        and tree_low[at, 1] <= high[1]
        and tree_high[at, 1] >= low[1]
        and tree_low[at, 2] <= high[2]
        and tree_high[at, 2] >= low[2]
    )


@bare_kernel
def find_in_box(found, stack, low, high, vertices, triangles, tree):
    """Numbers of the triangles whose boxes meet low..high into ``found``; returns how many there are.

    If more than fit are met, the count goes on but only the first ``len(found)`` are kept.
    """
    n_leaves = tree.low.shape[0] // 2
    count = 0
    for s in range(tree.large.shape[0]):
        t = tree.large[s]
        meets = True
        for k in range(3):
            a = vertices[triangles[t, 0], k]
            b = vertices[triangles[t, 1], k]
            c = vertices[triangles[t, 2], k]
            if min(a, b, c) > high[k] or max(a, b, c) < low[k]:
                meets = False
        if meets:
            if count < found.shape[0]:
                found[count] = t
            count += 1
    top = 0
    if tree.order.shape[0] > 0:
        stack[0] = 1
        top = 1
    while top > 0:
        top -= 1
        at = stack[top]
        if not overlaps(tree.low, tree.high, at, low, high):
            continue
        if at < n_leaves:
            stack[top] = 2 * at + 1
            stack[top + 1] = 2 * at
            top += 2
            continue
        leaf = at - n_leaves
        for s in range(leaf * LEAF, min(leaf * LEAF + LEAF, tree.order.shape[0])):
            t = tree.order[s]
            meets = True
            for k in range(3):
                a = vertices[triangles[t, 0], k]
                b = vertices[triangles[t, 1], k]
                c = vertices[triangles[t, 2], k]
                if min(a, b, c) > high[k] or max(a, b, c) < low[k]:
                    meets = False
            if meets:
                if count < found.shape[0]:
                    found[count] = t
                count += 1
    return count


@bare_kernel
def span_of(x, triangles, t, k):
    """(low, high) m: how far triangle t of ``triangles`` (t, 3) over x (n, 3) reaches along axis k."""
    a = x[triangles[t, 0], k]
    b = x[triangles[t, 1], k]
    c = x[triangles[t, 2], k]
    return min(a, b, c), max(a, b, c)


@bare_kernel
def bound_triangle(low, high, t, x, triangles, margin):
    """The box round triangle t of ``triangles`` (t, 3) over x (n, 3), ``margin`` (m) wider on all sides."""
    for k in range(3):
        least, most = span_of(x, triangles, t, k)
        low[k] = least - margin
        high[k] = most + margin


@bare_kernel
def gather_group(w, last, wanted, x, cloth, band, depth, group, box, stack, low, high, vertices, triangles, tree):
    """(end, n): one walk of the tree for the ``cloth`` triangles ``wanted`` w .. end - 1, which lie close together.

    The n triangles nearer to any of them than its ``band`` (m,), or ``depth``, both in m, go into ``group``, their
    boxes into ``box`` (len(group), 6), lows and highs. Those near one of them are then found there in the order in
    which a walk of its own would have found them. If n is more than fit, only the count is right.
    """
    bound_triangle(low, high, wanted[w], x, cloth, max(band[w], depth))
    longest = WIDE * max(high[0] - low[0], high[1] - low[1], high[2] - low[2])
    end = w + 1
    while end < min(last, w + GROUP):
        margin = max(band[end], depth)
        fits = True
        for k in range(3):
            least, most = span_of(x, cloth, wanted[end], k)
            fits = fits and max(high[k], most + margin) - min(low[k], least - margin) <= longest
        if not fits:
            break
        for k in range(3):
            least, most = span_of(x, cloth, wanted[end], k)
            low[k] = min(low[k], least - margin)
            high[k] = max(high[k], most + margin)
        end += 1
    n = find_in_box(group, stack, low, high, vertices, triangles, tree)
    for s in range(min(n, group.shape[0])):
        for k in range(3):
            box[s, k], box[s, 3 + k] = span_of(vertices, triangles, group[s], k)
    return end, n


@bare_kernel
def box_apart(box, s, low, high, margin):
    """True if row s of ``box`` (lows, highs) lies more than ``margin`` outside the box low..high."""
    return (
        box[s, 0] > high[0] + margin
        or box[s, 3] < low[0] - margin
        or box[s, 1] > high[1] + margin
        or box[s, 4] < low[1] - margin
        or box[s, 2] > high[2] + margin
        or box[s, 5] < low[2] - margin
    )
