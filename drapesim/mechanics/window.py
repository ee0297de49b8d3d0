"""Windows on the sheet: parts of it that are relaxed by themselves while the rest stays where it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.kernels.elastic import PAD, LatticeFields
from drapesim.kernels.listing import list_by_node
from drapesim.kernels.relax import Contacts, Inertia, Pace, relax
from drapesim.mechanics.contact_list import ContactSet, live_part, put_back
from drapesim.mechanics.energies import padded
from drapesim.mechanics.solve import Motion, Problem

Array = np.ndarray

RING = 2  # held nodes round the moving ones: as far as an element reaches
SERIAL_NODES = 2500  # below this one thread is faster than two that wait for each other


@dataclass(frozen=True)
class Window:
    """A rectangle of the padded grid, its ring of held nodes and two more that are only looked at included.

    ``moves`` (R, C) bool: the nodes that move; ``weight`` (R, C) N: what their residuals are measured in; ``fields``:
    those of the problem, cut out.
    """

    rows: slice
    columns: slice
    moves: Array
    weight: Array
    fields: LatticeFields


def cut_window(problem: Problem, inside: Array) -> Window:
    """The window in which the nodes of the padded grid that are ``inside`` (NU, NV) bool move."""
    margin = PAD + RING
    cut = tuple(
        slice(max(0, int(used[0]) - margin), min(size, int(used[-1]) + 1 + margin))
        for size, used in zip(inside.shape, (np.flatnonzero(inside.any(1)), np.flatnonzero(inside.any(0))), strict=True)
    )
    fields = LatticeFields(*(np.ascontiguousarray(field[..., cut[0], cut[1]]) for field in problem.fields))
    moves = inside[cut] & (fields.free > 0.0)
    weight = padded(problem.lattice, problem.weight)[cut]
    return Window(cut[0], cut[1], moves, np.where(moves, weight, 1.0), fields._replace(light=fields.light * moves))


def window_residuals(motion: Motion, window: Window) -> Array:
    """(m,) net force over weight of each node that moves, at the last positions forces were computed for."""
    net = (motion.force + motion.touch)[:, window.rows, window.columns]
    return np.asarray(np.sqrt((net**2).sum(0))[window.moves] / window.weight[window.moves])


def advance_window(
    motion: Motion, window: Window, contacts: Contacts, problem: Problem, pace: Pace, steps: int, way: float
) -> int:
    """Take at most ``steps`` steps (0: only compute the forces) with the nodes of ``window`` alone, in place."""
    cut = (window.rows, window.columns)
    moves = window.moves
    rows, outer, part = contacts_within(motion, window, contacts)
    x, force, touch = (np.ascontiguousarray(grid[:, *cut]) for grid in (motion.x, motion.force, motion.touch))
    v = motion.v[:, *cut] * moves
    touch[:] = 0.0
    spent = np.zeros((2, x.shape[1]))
    mass = motion.inertia.mass[cut].copy()
    if steps > 0:  # what no live contact touches is given back at once, as for the whole sheet (mechanics.solve)
        alone = moves.copy()
        alone.reshape(-1)[part.touched] = False
        lent = np.where(alone, mass - window.fields.mass, 0.0)
        spent[0] += (0.5 * lent * (v**2).sum(0)).sum(1)
        mass[alone] = window.fields.mass[alone]
    inertia = Inertia(mass, moves / np.where(mass > 0.0, mass, 1.0), np.ones_like(mass))
    blocks = problem.blocks if moves.sum() > SERIAL_NODES else 1
    peak = np.zeros((blocks, 3))
    taken = relax(
        steps, way, np.zeros(blocks), peak, x, v, force, touch, spent, np.zeros_like(x), np.zeros((6, *moves.shape)),
        inertia, window.fields, problem.cloth, part, pace,
    )  # fmt: skip
    for grid, new in ((motion.x, x), (motion.v, v), (motion.force, force), (motion.touch, touch)):
        grid[:, *cut][:, moves] = new[:, moves]
    motion.inertia.mass[cut][moves] = inertia.mass[moves]
    motion.inertia.light[cut][moves] = inertia.light[moves]
    motion.inertia.turn[cut][moves] = 1.0
    motion.spent[:, window.rows] += spent
    motion.peak[0] = np.maximum(motion.peak[0], peak.max(0))
    contacts.anchor[rows] = part.anchor + outer
    contacts.force[rows], contacts.last[rows] = part.force, part.last
    return int(taken)


def contacts_within(motion: Motion, window: Window, contacts: Contacts) -> tuple[Array, Array, Contacts]:
    """(rows (L,) that act on nodes of the window, what their other nodes stand for (L, 3), those rows for its grid).

    Nodes that stay where they are add a constant to a contact's place; it goes into the plane and the anchor.
    """
    n_rows, n_columns = motion.x.shape[1:]
    index = np.full(n_rows * n_columns, -1)
    size = window.moves.size
    own = np.where(window.moves, np.arange(size).reshape(window.moves.shape), -1)
    index.reshape(n_rows, n_columns)[window.rows, window.columns] = own
    local = index[contacts.node]
    within = (local >= 0) & (contacts.weight != 0.0)
    rows = np.flatnonzero(within.any(axis=1))
    local, within = local[rows], within[rows]
    weight, node, normal = contacts.weight[rows], contacts.node[rows], contacts.normal[rows]
    outer = np.einsum("ck,dck->cd", np.where(within, 0.0, weight), motion.x.reshape(3, -1)[:, node])
    one = local[np.arange(len(rows)), within.argmax(axis=1)]
    local = np.where(within, local, one[:, None])  # a place that is not used repeats one that is
    weight = np.where(within, weight, 0.0)
    start, touched, entry, slot = list_by_node(local, weight, size)
    part = Contacts(
        node=local, weight=weight, normal=normal,
        offset=contacts.offset[rows] - np.einsum("cd,cd->c", normal, outer), friction=contacts.friction[rows],
        preload=contacts.preload[rows], anchor=contacts.anchor[rows] - outer, force=contacts.force[rows],
        last=contacts.last[rows], touched=touched, start=start, entry=entry, slot=slot,
    )  # fmt: skip
    return rows, outer, part


def advance_windows(
    problem: Problem, motion: Motion, found: ContactSet, windows: list[Window], paces: list[Pace], steps: int,
    way: float = np.inf, reach: float = np.inf,
) -> int:  # fmt: skip
    """`solve.advance` for the nodes of ``windows`` alone, each at its own pace; returns the fewest steps taken."""
    contacts = found.contacts
    rows, live = np.zeros(0, np.int64), contacts
    if np.isfinite(reach) and len(contacts.offset):
        rows, live = live_part(contacts, motion.x, reach)
    taken = [
        advance_window(motion, window, live, problem, pace, steps, way)
        for window, pace in zip(windows, paces, strict=True)
    ]
    put_back(contacts, rows, live)
    return min(taken)
