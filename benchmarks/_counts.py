"""What the kernels of one step compute and carry, counted from their source: the one place that knows.

How it is counted, line by line from `kernels/elastic.py`, `kernels/relax.py` and `kernels/yarns.py`:

- `ops`: each sum, difference, product, comparison, maximum of two array values (or of one and a constant) is one; what
  does not change along a row is left out, since the compiler takes it out of the loop. A product and a sum are two,
  though one instruction may do both.
- `divides`, `roots`: apart, since each takes the divider for as long as twenty to forty products take.
- `near`: bytes of array elements read and written as the lines say. Most are rows of the ring buffers, which stay in
  the caches next to the core. What the compiler keeps in a register instead is still counted.
- `far`: bytes of arrays as long as the lattice or the contact list, each counted once for each sweep that reads it and
  once for each that writes it: what must travel if the lattice is larger than the cache. A sweep is one kernel that a
  parallel loop calls. What it has written a row before, or a strip before it comes back, it still has at hand.

Left out: the two rows that each block of the work does anew, the knots of the load-extension curves beyond `KNOTS`, the
slowing of nodes at the speed limit, the padding of the grid, lanes that a block has no row of yarns for, and the search
of a block for its first node with contacts.
`tests/unit/benchmarks` runs each kernel as plain Python on numbers that count, and compares; when it fails, the kernel
has changed and this table must follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from drapesim.kernels.relax import RUN
from drapesim.kernels.yarns import LANES, cut_strips

KNOTS = 2  # of a load-extension curve that a row of links passes: the two at the joint of push and pull


class Work(NamedTuple):
    """Of one unit (a link, a node, a contact, ...): operations, and bytes."""

    ops: float
    divides: float = 0.0
    roots: float = 0.0
    near: float = 0.0
    far: float = 0.0

    def times(self, count: float) -> Work:
        """The work of ``count`` units."""
        return Work(*(count * value for value in self))


def summed(*parts: Work) -> Work:
    """All of ``parts``."""
    return Work(*(sum(values) for values in zip(*parts, strict=True)))


LINK = Work(ops=20, divides=1, roots=1, near=8 * 25)
KNOT = Work(ops=5, near=8 * 3)  # for each link
HINGE = Work(ops=88, divides=1, roots=1, near=8 * 19)
CELL = Work(ops=132, divides=1, roots=1, near=8 * 52)
GATHER = Work(ops=60, near=8 * 90)  # all elements at one node
TAKE_OVER = Work(ops=0, near=8 * 6)  # the row's force into the lattice's
ELEMENTS = Work(ops=0, far=112)
"""Bytes a node: its place (24), five weights of elements (40), dead load (24) read, force written (24)."""
NODE_FORCE = summed(LINK.times(2), KNOT.times(2 * KNOTS), HINGE.times(2), CELL, GATHER, TAKE_OVER, ELEMENTS)
KICK = Work(ops=25, near=8 * 35, far=104)
"""A node's velocity after the forces, and into its strip. Far: velocity, force, contact force (72), lightness (8) read,
trial velocity written (24)."""
TIGHTEN_STRIP = Work(ops=60, divides=2, roots=1, near=8 * 88, far=88)
"""A link between two rows, there and back. Far: place (24), lightness, width (16) read, trial velocity read and written
(48)."""
AT_HAND = Work(ops=0, near=8 * 6, far=24)  # a node's trial velocity out of its strip into the rows at hand
TIGHTEN_ROWS = Work(ops=58, divides=2, roots=1, near=8 * 99, far=40)
"""A node and its link along the row. Far: place (24), lightness, width (16) read."""
MOVE = Work(ops=53, near=8 * 81, far=136)
"""A node's step. Far: velocity read and written (48), place written (24; read with the yarns), force and contact force
(48), inertia and its change (16) read."""
FINISH = summed(AT_HAND, TIGHTEN_ROWS, MOVE)

LOOK = Work(ops=1, near=8, far=8)  # at a run of contacts: how far nodes must go before one of it is looked at
OPEN_RUN = Work(ops=0, near=8 * 2, far=16)  # more, if one is: how far again, and how many push, written
ASLEEP = Work(ops=2, near=8, far=8)  # a contact too far off to push, in such a run: how far for this one
CONTACT = Work(ops=27, near=8 * 25, far=208)
"""One that is awake, carries nothing and does not push, on one node. Far: node numbers and weights (64), plane (32),
preload, last gap and when it wakes read and written (40), force and anchor written (48), the node's place (24)."""
CORNERS = Work(ops=19, near=8 * 13, far=72)  # more, if it acts on four nodes
PUSH = Work(ops=24, divides=1, roots=1, far=16)
"""More, if it pushes, and its grip holds. Far: its friction read, its number written."""

TOUCHED = Work(ops=7, divides=2, near=8 * 13, far=88)
"""A node with contacts. Far: its number, its own mass (16) read, contact force and share (32) written, inertia,
lightness, its change (40) read and written."""
COUNT_RUN = Work(ops=0, near=8, far=8)  # a run of contacts, in each block: how many of it push
PICK = Work(ops=12, near=8 * 13, far=72)
"""A contact that pushes, in each block: which, its nodes and weights, and that these lie behind the block."""
GIVEN = Work(ops=0, far=24)  # more, in the block where its nodes are: its force
ACTING = Work(ops=9, near=8 * 11)  # and for each of these nodes


class Counts(NamedTuple):
    """How many units one step has, on average."""

    nodes: float
    blocks: float  # that the work is cut into
    contacts: float
    open_runs: float  # runs of contacts that are looked over
    beside: float  # contacts in these that sleep
    awake: float  # contacts that do not, and of these:
    four: float  # those on four nodes
    pushing: float
    touched: float  # nodes with contacts
    acting: float  # nodes that those that push act on, one counted again for each


def work_of(kernels: str, counts: Counts) -> Work | None:
    """What one step of a parallel loop does that calls ``kernels``, names joined by " + "; None: one is not counted."""
    known: Mapping[str, Work] = {
        "press_contacts": summed(
            LOOK.times(counts.contacts / RUN),
            OPEN_RUN.times(counts.open_runs),
            ASLEEP.times(counts.beside),
            CONTACT.times(counts.awake),
            CORNERS.times(counts.four),
            PUSH.times(counts.pushing),
        ),
        "collect_touch": summed(
            TOUCHED.times(counts.touched),
            COUNT_RUN.times(counts.blocks * counts.contacts / RUN),
            PICK.times(counts.blocks * counts.pushing),
            GIVEN.times(counts.pushing),
            ACTING.times(counts.acting),
        ),
        "forces_of_block_into": NODE_FORCE.times(counts.nodes),
        "kick_rows": KICK.times(counts.nodes),
        "tighten_columns": TIGHTEN_STRIP.times(counts.nodes),
        "finish_rows": FINISH.times(counts.nodes),
        "carry_ballast": Work(0.0),  # once a call, as the next
        "note_gaps": Work(0.0),
    }
    names = kernels.split(" + ")
    return summed(*(known[name] for name in names)) if all(name in known for name in names) else None


ROW_BUFFERS = 8 * (4 * (3 + 6 + 9) + 3 + 6 + 6)
"""Bytes of the ring buffers and scratch rows of `forces_of_block_into` for each node of a row, and each thread."""
ROW_OUT = 8 * 3  # and of the row of forces that it sums into
LANE_ROWS = 8 * (10 + 4) * LANES  # the same of `finish_rows`: lanes, and velocity and its square by rows
STRIP_ROWS = 8 * (11 + 6 + 6 + 3 + 2)
"""Bytes a node of a strip's row that `tighten_strip` has at hand, in each thread: scratch of this link and of what the
last one passes on, place and velocity of both ends, lightness of both and width, two rows of its own."""
LATTICE = 24 * 5 + 8 * 10 + 24
"""Bytes a node of what a step goes through: place, velocity, trial velocity, force, contact force; weights, mass, own
inertia, inertia, its change, lightness; load."""
CONTACT_LIST = 64 + 24 + 8 * 6 + 24 * 2  # bytes a contact, without the list of touched nodes


def near_size(kernels: str, row: int, threads: int) -> float:
    """Bytes that a parallel loop goes through again and again, of all threads; ``row``: nodes of a row of the grid."""
    if "tighten_columns" in kernels:
        return float(STRIP_ROWS * np.diff(cut_strips(row, threads)).max() * threads)
    return (LANE_ROWS if "finish_rows" in kernels else ROW_BUFFERS) * row * threads
