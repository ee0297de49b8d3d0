"""The balance of forces, measured anew: what is left of weight and elastic force after the best admissible contact.

Nothing the settling says of its contacts is believed. The places where cloth truly meets body or cloth are measured
from the positions; at each a force may push apart along the line between the two closest points, and hold across it
by at most the friction coefficient times the push. Those forces are sought that leave the least over: a convex problem
(least squares over Coulomb cones), solved by projected gradients with momentum (Beck and Teboulle, SIAM J. Imaging
Sci. 2 (2009) 183, restarted as by O'Donoghue and Candes, Found. Comput. Math. 15 (2015) 715; both from memory). The
forces of the settling are only where the search starts. What is left over is an upper bound of the true residual.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from drapesim.kernels.layers import SELF
from drapesim.kernels.pairs import Found
from drapesim.mechanics.body_contact import BodyField, find_body_contacts
from drapesim.mechanics.contact_list import ContactSet, joined
from drapesim.mechanics.independent import elastic_force
from drapesim.mechanics.self_contact import find_layer_contacts
from drapesim.mechanics.solve import Problem
from drapesim.settling.exact import measure_distance

Array = np.ndarray

CONTACT_SLACK = 1e-5
"""m: cloth farther than this from what it meets cannot push on it. What a contact is indented by when it carries load
(settling.level.SUNK) and as much again."""
DIRECTION_SLACK = 2e-6
"""m: a contact's two points must be each other's nearest to within this. At 0.2 mm, half the thickness of a thin linen,
that lets a push lean by at most 8 degrees (1 - cos = 0.01) over a body edge; on a face it cannot lean at all. Asked of
the cloth's point against the body only. Between layers a push may lean by acos(t / (t + CONTACT_SLACK)), 12 degrees for
cloth 0.45 mm thick: nearer than t - 0.05 mm the certificate fails by another figure."""
TURNS = 12_000
"""Of the search for forces, at most. 3,000 left 6e-4 to 1e-3 of a strip that had slipped from facet to facet, and from
no forces at all 2.5e-3 of a sheet of another engine's, at which 12,000 left 9e-4 and 40,000 the same."""
LOOK_EVERY = 25
ENOUGH = 0.2  # of each limit: to know more than that helps nobody


@dataclass(frozen=True)
class Meeting:
    """K places where the cloth meets body or cloth, as measured; rows as in `Found`."""

    node: Array  # (K, 4)
    weight: Array  # (K, 4)
    normal: Array  # (K, 3) unit: the way a push acts on the nodes of positive weight
    friction: Array  # (K,)
    key: Array  # (K,) int64


def find_meetings(problem: Problem, x: Array) -> Meeting:
    """All places where the cloth at ``x`` (n, 3) m lies within `CONTACT_SLACK` of touching body, support or itself."""
    weave, thickness = problem.weave, problem.card.thickness
    found, _ = find_layer_contacts(weave, x, thickness + CONTACT_SLACK)
    if problem.field is not None:
        reach = 0.5 * thickness + CONTACT_SLACK
        on_body = find_body_contacts(problem.field, weave.triangles, weave.owns, x, reach, 0.0)
        found = joined(on_body, found)
    way = np.einsum("ck,ckd->cd", found.weight, x[found.node]) - found.point
    apart = np.linalg.norm(way, axis=1)
    true = apart > 1e-9
    on_body_rows = np.flatnonzero(found.part != SELF)
    if len(on_body_rows) and problem.field is not None:
        true[on_body_rows] &= _are_nearest(found, x, apart, on_body_rows, problem.field)
    normal = way / np.maximum(apart, 1e-300)[:, None]
    return Meeting(
        found.node[true], found.weight[true], normal[true], problem.friction[found.part[true]], found.key[true]
    )


def _are_nearest(found: Found, x: Array, apart: Array, rows: Array, field: BodyField) -> Array:
    point = np.einsum("ck,ckd->cd", found.weight[rows], x[found.node[rows]])
    distance, _, _ = measure_distance(point, field)
    foot, _, _ = measure_distance(found.point[rows], field)
    return (np.abs(foot) < 1e-9) & (np.abs(distance - apart[rows]) < DIRECTION_SLACK)


def balance(problem: Problem, proposed: ContactSet | None, x: Array, limits: tuple[float, float]) -> Array:
    """(n, 3) N: net force left on each node at ``x`` (n, 3) m after the best admissible contact force.

    ``proposed``: the contacts of the settling, from which the search starts; without them it starts from no force and
    takes longer, so that all it needs is in a run's file. ``limits``: residual rms and max over nodal weight at which
    the search may end.
    """
    net = elastic_force(problem.lattice, problem.card, x, problem.held)
    net = net + problem.card.areal_density * problem.lattice.node_area[:, None] * problem.gravity
    if problem.held is not None:
        net[problem.held] = 0.0  # the hand takes up what is left
    meeting = find_meetings(problem, x)
    if not len(meeting.key):
        return net
    start = np.zeros((len(meeting.key), 3)) if proposed is None else _proposed_forces(meeting, proposed)
    return _least_rest(problem, meeting, net, start, limits)


def _proposed_forces(meeting: Meeting, proposed: ContactSet) -> Array:
    """(K, 3) N: the settling's force at each meeting that it lists too, else nothing."""
    key = proposed.found.key
    force = np.zeros((len(meeting.key), 3))
    if len(key):
        order = np.argsort(key, kind="stable")
        slot = np.minimum(np.searchsorted(key, meeting.key, sorter=order), len(key) - 1)
        known = key[order[slot]] == meeting.key
        force[known] = proposed.contacts.force[order[slot]][known]
    return force


def _least_rest(problem: Problem, meeting: Meeting, net: Array, force: Array, limits: tuple[float, float]) -> Array:
    k, n = len(meeting.key), len(net)
    rows = np.repeat(np.arange(k), meeting.node.shape[1])
    give = csr_matrix((meeting.weight.ravel(), (meeting.node.ravel(), rows)), (n, k))  # force on nodes from contacts
    light = 1.0 / problem.weight
    if problem.held is not None:
        light = np.where(problem.held, 0.0, light)
    # contacts on light or shared nodes are scaled, so that one step suits them all; a cone is the same at any scale
    crowd = np.asarray(np.abs(give).sum(1)).ravel() * light**2
    scale = 1.0 / np.sqrt(np.maximum(np.abs(give).T @ crowd, 1e-300))
    carry = csr_matrix(give.multiply(light[:, None]).multiply(scale[None, :]))
    back = csr_matrix(carry.T)
    step = 1.0 / _largest_square(carry, back)
    goal = net * light[:, None]
    f = into_cones(force / scale[:, None], meeting.normal, meeting.friction)
    ahead, momentum = f, 1.0
    rest = best = goal + carry @ f
    for turn in range(1, TURNS + 1):
        new = into_cones(ahead - step * (back @ (goal + carry @ ahead)), meeting.normal, meeting.friction)
        if float(((ahead - new) * (new - f)).sum()) > 0.0:
            momentum = 1.0  # the momentum leads uphill
        later = 0.5 * (1.0 + np.sqrt(1.0 + 4.0 * momentum**2))
        ahead = new + (momentum - 1.0) / later * (new - f)
        f, momentum = new, later
        if turn % LOOK_EVERY == 0:
            rest = goal + carry @ f
            size = (rest**2).sum(1)
            if size.sum() < (best**2).sum():
                best = rest
            if np.sqrt(size.mean()) < ENOUGH * limits[0] and np.sqrt(size.max()) < ENOUGH * limits[1]:
                break
    return best * problem.weight[:, None]


def into_cones(force: Array, normal: Array, friction: Array) -> Array:
    """The nearest forces (K, 3) that push along ``normal`` and hold across by at most ``friction`` times the push."""
    push = np.einsum("cd,cd->c", force, normal)
    across = force - push[:, None] * normal
    hold = np.linalg.norm(across, axis=1)
    inside = hold <= friction * push
    gone = friction * hold <= -push
    onto = np.maximum((push + friction * hold) / (1.0 + friction**2), 0.0)
    new_push = np.where(inside, push, np.where(gone, 0.0, onto))
    shrink = np.where(inside, 1.0, friction * new_push / np.maximum(hold, 1e-300))
    return new_push[:, None] * normal + shrink[:, None] * across


def _largest_square(carry: csr_matrix, back: csr_matrix) -> float:
    """The largest squared singular value by power steps from a fixed start, with a tenth for what they fall short."""
    v = np.ones(carry.shape[1])
    v[::2] = 0.5
    size = 1.0
    for _ in range(40):
        v = back @ (carry @ v)
        size = float(np.linalg.norm(v))
        v /= max(size, 1e-300)
    return 1.1 * size
