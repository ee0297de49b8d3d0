"""What the kernels of one step compute and carry, counted from their source: the one place that knows.

How it is counted, line by line from `kernels/elastic.py`, `kernels/relax.py` and `kernels/yarns.py`:

- `ops`: each sum, difference, product, comparison, maximum of two array values (or of one and a constant) is one; what
  does not change along a row is left out, since the compiler takes it out of the loop. The kernels are compiled without
  fusing a product and a sum, so these are also instructions a lane.
- `divides`, `roots`: apart, since each takes the divider for as long as twenty to forty products take.
- `near`: bytes of array elements read and written as the lines say. Most are rows of the ring buffers, which stay in
  the caches next to the core. What the compiler keeps in a register instead is still counted.
- `far`: bytes of arrays as long as the lattice or the contact list, each counted once for each sweep that reads it and
  once for each that writes it: what must travel if the lattice is larger than the cache. A sweep is one kernel; that
  for the yarns across the rows is two, there and back. What a sweep has written a row before it still has at hand.

Left out: the two rows that each block of the work does anew, the knots of the load-extension curves beyond `KNOTS`, the
slowing of nodes at the speed limit, the padding of the grid, and lanes that a block has no row of yarns for.
`tests/unit/benchmarks` runs each kernel as plain Python on numbers that count, and compares; when it fails, the kernel
has changed and this table must follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from drapesim.kernels.yarns import LANES

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
KICK = Work(ops=25, near=8 * 29, far=104)
"""A node's velocity after the forces. Far: velocity, force, contact force (72), lightness (8) read, trial velocity
written (24)."""
TIGHTEN_COLUMNS = Work(ops=63, divides=2, roots=1, near=8 * 97, far=224)
"""A link between two rows. Far, there: place and trial velocity (48), lightness, width (16) read, scratch (48) written;
back: scratch (48), lightness (8) read, impulse (8) written, trial velocity read and written (48)."""
TIGHTEN_ROWS = Work(ops=56, divides=2, roots=1, near=8 * 93, far=88)
"""A node and its link along the row. Far: place (24), lightness, width (16) read, trial velocity read and written
(48)."""
MOVE = Work(ops=53, near=8 * 81, far=184)
"""A node's step. Far: place and velocity read and written (96), trial velocity, force, contact force (72), inertia and
its change (16) read."""

ASLEEP = Work(ops=1, near=8, far=8)  # a contact too far off to push: how far nodes must go before it is looked at
CONTACT = Work(ops=25, near=8 * 24, far=208)
"""One that is awake, carries nothing and does not push, on one node. Far: node numbers and weights (64), plane (32),
preload, last gap and when it wakes read and written (40), force and anchor written (48), the node's place (24)."""
CORNERS = Work(ops=19, near=8 * 13, far=72)  # more, if it acts on four nodes
PUSH = Work(ops=25, divides=1, roots=1, far=8)  # more, if it pushes, and its grip holds
TOUCHED = Work(ops=6, divides=2, near=8 * 13, far=96)
"""A node with contacts. Far: its number, its range (24), its own mass (8) read, contact force (24) written, inertia,
lightness, its change (40) read and written."""
ENTRY = Work(ops=1, near=8 * 2, far=16)  # one contact at one node, that does not push: which, and that it does not
ACTING = Work(ops=12, near=8 * 9, far=64)  # more, if it pushes: which of its weights, its force, all its weights


class Counts(NamedTuple):
    """How many units one step has, on average."""

    nodes: float
    contacts: float
    awake: float  # contacts that are looked at, and of these:
    four: float  # those on four nodes
    pushing: float
    touched: float  # nodes with contacts
    entries: float  # contacts at nodes
    acting: float  # those of them that push


def work_of(kernels: str, counts: Counts) -> Work | None:
    """What one step of a parallel loop does that calls ``kernels``, names joined by " + "; None: one is not counted."""
    known: Mapping[str, Work] = {
        "press_contacts": summed(
            ASLEEP.times(counts.contacts - counts.awake),
            CONTACT.times(counts.awake),
            CORNERS.times(counts.four),
            PUSH.times(counts.pushing),
        ),
        "collect_touch": summed(
            TOUCHED.times(counts.touched), ENTRY.times(counts.entries), ACTING.times(counts.acting)
        ),
        "forces_of_block_into": NODE_FORCE.times(counts.nodes),
        "kick_columns": KICK.times(counts.nodes),
        "tighten_columns": TIGHTEN_COLUMNS.times(counts.nodes),
        "tighten_rows": TIGHTEN_ROWS.times(counts.nodes),
        "note_gaps": Work(0.0),  # once a call
        "move_rows": MOVE.times(counts.nodes),
    }
    names = kernels.split(" + ")
    return summed(*(known[name] for name in names)) if all(name in known for name in names) else None


ROW_BUFFERS = 8 * (4 * (3 + 6 + 9) + 3 + 6 + 6)
"""Bytes of the ring buffers and scratch rows of `forces_of_block_into` for each node of a row, and each thread."""
ROW_OUT = 8 * 3  # and of the row of forces that it sums into
LANE_ROWS = 8 * (3 + 3 + 6) * LANES  # the same of `tighten_rows`
COLUMN_ROWS = 8 * (11 + 6 + 6 + 3 + 1)
"""Bytes a node of a row that `tighten_columns` has at hand, of all threads together: scratch of this link and of what
the last one passes on, place and velocity of both ends, lightness of both and width, a row of its own."""
LATTICE = 24 * 5 + 8 * 6 + 8 * 9 + 24
"""Bytes a node of what a step goes through: place, velocity, trial velocity, force, contact force; scratch of the yarns
across the rows; weights, own mass, inertia, its change, lightness; load."""
CONTACT_LIST = 64 + 24 + 8 * 5 + 24 * 2  # bytes a contact, without the lists of touched nodes


def near_size(kernels: str, row: int, threads: int) -> float:
    """Bytes that a parallel loop goes through again and again, of all threads; ``row``: nodes of a row of the grid."""
    if "tighten_columns" in kernels:
        return COLUMN_ROWS * row  # each thread has its own columns
    return (LANE_ROWS if "tighten_rows" in kernels else ROW_BUFFERS) * row * threads
