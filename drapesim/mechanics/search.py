"""The search for contacts: of the sheet with the body and with itself, joined into one list."""

from __future__ import annotations

import numpy as np

from drapesim.kernels.aim import aim_contacts
from drapesim.kernels.layers import SELF
from drapesim.kernels.pairs import NO_BODY, empty_found
from drapesim.mechanics.body_contact import find_body_contacts
from drapesim.mechanics.contact_list import ContactSet, carry_contacts, joined, picked, placed, taken_up
from drapesim.mechanics.self_contact import find_layer_contacts
from drapesim.mechanics.solve import Problem

Array = np.ndarray

DEPTH = 5e-3  # m, how deep inside the body a node may be and still be pushed out the way it came
LIFTS = 60  # at most
LIFTED = 2e-5  # m, lack of clearance that is left to the relaxation


def find_touching(
    problem: Problem,
    x: Array,
    band: float | None,
    layer_band: float | None,
    before: ContactSet,
    wanted: Array | None = None,
) -> tuple[ContactSet, Array]:
    """(contacts of the sheet at x (n, 3) m, some pairs (k, 2) of its triangles that cross).

    ``band`` (m): how far from the body to look; None keeps the contacts with the body as they were ``before``.
    ``layer_band`` (m): the same between layers. ``wanted`` (m,): cloth triangles to search for the body, all if None.
    What a contact carried before (push and grip) goes on.
    """
    n_body = int(np.count_nonzero(before.found.part != SELF))  # the rows with the body come first
    on_body, between = np.arange(n_body), np.arange(n_body, len(before.found.gap))
    crossed = np.zeros((0, 2), np.int64)
    if layer_band is not None:
        layers, crossed = find_layer_contacts(problem.weave, x, layer_band + problem.card.thickness)
        if band is None and not len(layers.gap) and not len(between):
            return before, crossed  # nothing new: most sheets lie clear of themselves most of the time
        between = np.full(len(layers.gap), -1)
    else:
        layers = placed(picked(before.found, between), x)
    if problem.field is None:
        body = empty_found(0)
    elif band is None:
        body = placed(picked(before.found, on_body), x)
    else:
        reach = band + 0.5 * problem.card.thickness
        weave, known = problem.weave, picked(before.found, on_body)
        body, on_body = find_body_contacts(problem.field, weave.triangles, weave.owns, x, reach, DEPTH, known, wanted)
    found = joined(body, layers)
    carried = taken_up(found, x, before, np.append(on_body, between))
    return carry_contacts(problem.lattice, found, problem.card.thickness, problem.friction, *carried), crossed


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
    for _ in range(LIFTS):
        found, _ = find_layer_contacts(problem.weave, x, thickness)
        if problem.field is not None:
            weave = problem.weave
            body, _ = find_body_contacts(problem.field, weave.triangles, weave.owns, x, 0.5 * thickness, DEPTH)
            found = joined(body, found)
        lack = np.where(found.part == SELF, thickness, 0.5 * thickness) - found.gap
        if not len(lack) or lack.max() < LIFTED:
            break
        share = found.weight / (found.weight**2).sum(1, keepdims=True)
        asked, asks = np.zeros_like(x), np.full(len(x), 1e-12)
        for k in range(found.node.shape[1]):
            weight = np.abs(found.weight[:, k])
            np.add.at(asked, found.node[:, k], (share[:, k] * lack * weight)[:, None] * found.normal)
            np.add.at(asks, found.node[:, k], weight)
        move = asked / asks[:, None]
        if problem.held is not None:
            move[problem.held] = 0.0
        x += move
    return x
