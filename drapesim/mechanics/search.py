"""The search for contacts: of the sheet with the body and with itself, joined into one list."""

from __future__ import annotations

import numpy as np

from drapesim.kernels.aim import aim_contacts
from drapesim.kernels.layers import SELF, layer_triangles
from drapesim.kernels.pairs import NO_BODY, Found, empty_found
from drapesim.kernels.relax import RUN
from drapesim.mechanics.body_contact import find_body_contacts
from drapesim.mechanics.contact_list import (
    Carried,
    ContactSet,
    carry_contacts,
    gathered,
    joined,
    picked,
    placed,
    taken_up,
)
from drapesim.mechanics.self_contact import find_layer_contacts
from drapesim.mechanics.solve import Problem

Array = np.ndarray

DEPTH = 5e-3  # m, how deep inside the body a node may be and still be pushed out the way it came
SEARCHES, LIFTS = 16, 12  # at most, and moves after each
NEARBY = 5e-4  # m, past the thickness: what is listed lest one contact's move makes another
SCATTERED = 1.5  # times the runs that contacts which carry something would fill, above which the list is sorted anew
LIFTED = 2e-5  # m, lack of clearance that is left to the relaxation


def find_touching(
    problem: Problem,
    x: Array,
    band: float | Array | None,
    layer_band: float | Array | None,
    before: ContactSet,
    wanted: Array | None = None,
    due: Array | None = None,
) -> tuple[ContactSet, Array]:
    """(contacts of the sheet at x (n, 3) m, some pairs (k, 2) of its triangles that cross).

    ``band`` (m, one or (t,) for each cloth triangle): how far from the body to look; None keeps the contacts with the
    body as they were ``before``.
    ``layer_band`` (m, one or (c,) for each cell): how far to look from each of two layers, past their thickness; None
    keeps those. ``wanted`` (m,): cloth triangles to search for the body, and ``due`` (c,) bool cells to search for
    layers, all if None. What a contact carried before (push and grip) goes on.
    """
    weave, old = problem.weave, before.found
    n_body = int(np.count_nonzero(old.part != SELF))  # the rows with the body come first
    on_body, between = np.arange(n_body), np.arange(n_body, len(old.gap))
    body, layers, crossed = empty_found(0), empty_found(0), np.zeros((0, 2), np.int64)
    if layer_band is not None:
        bands = np.broadcast_to(layer_band, len(weave.triangles) // 2)
        layers, crossed = find_layer_contacts(weave, x, problem.card.thickness, bands, due)
        is_due = np.ones(len(bands), dtype=bool) if due is None else due
        pair = layer_triangles(old.key[between], old.triangle[between], len(weave.triangles))
        between = between[~(is_due[pair[:, 0] // 2] | is_due[pair[:, 1] // 2])]
    if problem.field is not None and band is not None:
        reach = np.broadcast_to(band + 0.5 * problem.card.thickness, len(weave.triangles))
        reach = reach if wanted is None else reach[wanted]
        body = find_body_contacts(problem.field, weave.triangles, weave.owns, x, reach, DEPTH, wanted)
        searched = np.ones(len(weave.triangles), dtype=bool)
        if wanted is not None:
            searched[:] = False
            searched[wanted] = True
        on_body = on_body[~searched[old.triangle[on_body]]]
    if not len(layers.gap) and not len(body.gap) and len(on_body) + len(between) == len(old.gap):
        return before, crossed  # nothing new: most sheets lie clear of themselves most of the time
    new_body, new_layers = np.arange(len(body.gap)), np.arange(len(layers.gap))
    found = gathered((old, on_body), (body, new_body), (old, between), (layers, new_layers))
    origin = np.concatenate([on_body, np.full(len(body.gap), -1), between, np.full(len(layers.gap), -1)])
    found = placed(found, x)
    found, carried = sorted_by_load(found, taken_up(found, x, before, origin))
    return carry_contacts(problem.lattice, found, problem.card.thickness, problem.friction, *carried), crossed


def sorted_by_load(found: Found, carried: Carried) -> tuple[Found, Carried]:
    """Both (K rows each) with contacts that carry something first, of those with the body and of those between layers.

    They then fill few runs of the list (kernels.relax), and those runs whole. A list in which they nearly do is left.
    """
    preload, _, force, _ = carried
    is_loaded = (preload != 0.0) | (force[:, 0] != 0.0) | (force[:, 1] != 0.0) | (force[:, 2] != 0.0)
    runs = np.count_nonzero(np.diff(np.flatnonzero(is_loaded) // RUN, prepend=-1))
    if RUN * runs < SCATTERED * np.count_nonzero(is_loaded) + 2 * RUN:
        return found, carried
    is_layer = found.part == SELF
    groups = (is_loaded & ~is_layer, ~is_loaded & ~is_layer, is_loaded & is_layer, ~is_loaded & is_layer)
    order = np.concatenate([np.flatnonzero(group) for group in groups])
    preload, anchor, force, went = (values[order] for values in carried)
    return picked(found, order), (preload, anchor, force, went)


def aimed(problem: Problem, x_grid: Array, found: ContactSet) -> Array:
    """Aim the contacts that push anew at ``x_grid``, in place; (K,) bool, those that have left their features."""
    left = np.zeros(len(found.found.gap), dtype=np.bool_)
    if len(left):
        surface = problem.field.surface if problem.field is not None else NO_BODY
        flat = x_grid.reshape(3, -1)
        aim_contacts(
            left, flat, found.contacts, found.found.point, found.found.key, surface, len(problem.weave.triangles)
        )
    return left


def cleared(problem: Problem, x: Array) -> Array:
    """Positions x (n, 3) m with every cloth feature moved out of the body and off other layers, for a calm start.

    Jacobi steps: each contact asks its nodes to move by what it lacks, each node takes the mean of what it is asked.
    """
    x = x.copy()
    thickness = problem.card.thickness
    bands = np.full(len(problem.weave.triangles) // 2, 0.5 * NEARBY)
    for _ in range(SEARCHES):
        found, _ = find_layer_contacts(problem.weave, x, thickness, bands)
        if problem.field is not None:
            weave, reach = problem.weave, 0.5 * thickness + NEARBY
            body = find_body_contacts(problem.field, weave.triangles, weave.owns, x, reach, DEPTH)
            found = joined(body, found)
        apart = np.where(found.part == SELF, thickness, 0.5 * thickness)
        size = np.abs(found.weight)
        step = (found.weight / (found.weight**2).sum(1, keepdims=True) * size)[:, :, None] * found.normal[:, None]
        if not len(apart) or (apart - found.gap).max() < LIFTED:
            break
        listed = x.copy()
        for _ in range(LIFTS):
            lack = apart - placed(found, x).gap
            if lack.max() < LIFTED:
                break
            lacking = lack > 0.0
            node, asked = found.node[lacking].ravel(), (step[lacking] * lack[lacking, None, None]).reshape(-1, 3)
            asks = np.bincount(node, size[lacking].ravel(), len(x)) + 1e-12
            move = np.stack([np.bincount(node, asked[:, d], len(x)) for d in range(3)], axis=1) / asks[:, None]
            if problem.held is not None:
                move[problem.held] = 0.0
            x += move
            if np.abs(x - listed).max() > 0.5 * NEARBY:
                break
    return x
