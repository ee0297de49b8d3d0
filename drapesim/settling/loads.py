"""Dead loads that hands, weights and bands lay on the cloth: forces at places of the flat map, whatever the lattice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import spread_forces
from drapesim.mechanics.contact_list import ContactSet
from drapesim.mechanics.energies import padded
from drapesim.mechanics.solve import Problem

Array = np.ndarray

RINGS, SECTORS = 5, 12  # of the points that stand for a round patch
LINE_POINTS = 41  # of a line's length, times LINE_ROWS across it
LINE_ROWS = 5
NEAR = 3e-5  # m: contacts that nearly touch at the start
SEED_TURNS = 300


@dataclass(frozen=True)
class PointLoads:
    """m forces: ``force`` (m, 3) N at flat-map places ``uv`` (m, 2) m."""

    uv: Array
    force: Array

    @property
    def total(self) -> Array:
        """(3,) N."""
        return np.asarray(self.force.sum(axis=0))


NOTHING = PointLoads(np.zeros((0, 2)), np.zeros((0, 3)))


def joined_loads(loads: list[PointLoads]) -> PointLoads:
    """All loads as one."""
    if not loads:
        return NOTHING
    return PointLoads(np.concatenate([each.uv for each in loads]), np.concatenate([each.force for each in loads]))


def lay_on(problem: Problem, loads: PointLoads) -> Array:
    """Put ``loads`` on the nodes of a problem just posed, besides their weight; returns them (n, 3) N."""
    force = spread_forces(problem.lattice, loads.uv, loads.force)
    problem.fields.load[...] += padded(problem.lattice, force)
    return force


def patch_points(lattice: Lattice, patch: tuple[tuple[float, float], ...], across: float) -> Array:
    """(m, 2) flat-map places that stand for a hand's patch, those off the cloth left out: a disc, or a line's strip.

    Each stands for the same area. If all are off it, as those of a hand wider than the cloth may be, its nodes
    under the hand stand for it.
    """
    size = np.array(lattice.cell.shape) * np.array([lattice.spacing_u, lattice.spacing_v])
    if len(patch) == 1:
        radius = 0.5 * across * np.sqrt((np.arange(RINGS) + 0.5) / RINGS)
        angle = (np.arange(SECTORS) + 0.5) * (2.0 * np.pi / SECTORS)
        points = np.asarray(patch[0]) + np.stack(
            [np.outer(radius, np.cos(angle)).ravel(), np.outer(radius, np.sin(angle)).ravel()], axis=1
        )
    else:
        a, b = np.asarray(patch[0]), np.asarray(patch[1])
        way = (b - a) / np.linalg.norm(b - a)
        side = np.array([-way[1], way[0]])
        share = (np.arange(LINE_POINTS) + 0.5) / LINE_POINTS
        off = across * ((np.arange(LINE_ROWS) + 0.5) / LINE_ROWS - 0.5)
        points = (a + share[:, None, None] * (b - a) + off[None, :, None] * side).reshape(-1, 2)
    inside = ((points >= 0.0) & (points <= size)).all(axis=1)
    return points[inside] if inside.any() else lattice.uv[patch_nodes(lattice, patch, across)]


def spread_patch(lattice: Lattice, patch: tuple[tuple[float, float], ...], across: float, force: Array) -> PointLoads:
    """``force`` (3,) N shared evenly by the patch."""
    points = patch_points(lattice, patch, across)
    return PointLoads(points, np.broadcast_to(np.asarray(force) / len(points), (len(points), 3)).copy())


def patch_nodes(lattice: Lattice, patch: tuple[tuple[float, float], ...], across: float) -> Array:
    """(n,) bool: nodes within half of ``across`` (m) of the patch's point or line; at least the nearest ones of it."""
    a = np.asarray(patch[0])
    way = np.asarray(patch[-1]) - a
    square = float(way @ way)
    off = lattice.uv - a
    share = np.clip(off @ way / square, 0.0, 1.0) if square > 0.0 else np.zeros(len(off))
    distance = np.linalg.norm(off - share[:, None] * way, axis=1)
    near = distance <= 0.5 * across + 1e-9
    if square == 0.0:
        return near if near.any() else distance <= distance.min() + 1e-9
    h = max(lattice.spacing_u, lattice.spacing_v)
    beside = distance < 0.5 * h + 1e-9  # a line holds on each lattice, however narrow the hand
    return near | beside


def seed_push(found: ContactSet, loads: Array) -> Array:
    """(K,) N: pushes of the listed contacts that nearly touch, which bear ``loads`` (n, 3) N best at once.

    Contacts are soft: left to find them out by being pressed in, a thumb's load sinks into the body by half a
    millimetre and is thrown back. Least squares over pushes alone, by projected gradients with momentum (Beck and
    Teboulle, SIAM J. Imaging Sci. 2 (2009) 183, from memory); where it ends early, less is borne, which does no harm.
    """
    contacts = found.contacts
    push = np.zeros(len(contacts.offset))
    near = np.flatnonzero(np.abs(contacts.last) < NEAR)
    if not len(near):
        return push
    node = found.found.node[near]
    rows = np.repeat(np.arange(len(near)), node.shape[1])
    weight = csr_matrix((found.found.weight[near].ravel(), (node.ravel(), rows)), (len(loads), len(near)))
    normal = contacts.normal[near]
    step = 1.0 / max(float((abs(weight).T @ np.asarray(abs(weight).sum(axis=1)).ravel()).max()), 1e-300)
    value = ahead = np.zeros(len(near))
    momentum = 1.0
    for _ in range(SEED_TURNS):
        rest = loads + weight @ (ahead[:, None] * normal)
        new = np.maximum(0.0, ahead - step * ((weight.T @ rest) * normal).sum(axis=1))
        later = 0.5 * (1.0 + np.sqrt(1.0 + 4.0 * momentum**2))
        ahead, value, momentum = new + (momentum - 1.0) / later * (new - value), new, later
    push[near] = value
    return push
