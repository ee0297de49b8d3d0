"""The table of what kernels compute and carry, against the kernels themselves run on numbers that count.

A row of it fails when a kernel has changed: then benchmarks/_counts.py must follow.
"""

from collections import Counter
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from benchmarks import _counts as counts
from benchmarks._counts import Counts, Work, near_size, summed, work_of
from drapesim.kernels import elastic, relax, yarns
from tests.unit.benchmarks.counting import Elements, counting_math

SHORT, LONG = 8, 40
PACE = relax.Pace(
    dt=1e-4, damping=1.0, stiffness=1.0, grip=1.0, dashpot=1.0, limit=1e9, hold_u=0.1, hold_v=0.1, lend=1e-3
)


class Maker:
    """Makes the arguments of a kernel for rows of n, all of them counting into one tally."""

    def __init__(self, n: int) -> None:
        self.n, self.tally, self.random = n, Counter[str](), np.random.default_rng(3)

    def some(self, *shape: int) -> Elements:
        return Elements(0.01 * self.random.random(shape or (self.n,)), self.tally)

    def same(self, value: float) -> Elements:
        return Elements(np.full(self.n, value), self.tally)

    def whole(self, values: Any) -> Elements:
        return Elements(np.asarray(values, dtype=np.int64), self.tally)


def links(make: Maker, knots: int) -> list[Any]:
    knot = np.array([-1.0] * knots + [np.inf])
    curve = [0.01, 0.02, 100.0, 0.0, knot, np.ones(knots + 1)]
    # all alike: the first of them is the most strained, so its strain is read again for the maximum but once
    return [*(make.same(float(k)) for k in range(9)), make.some(), *curve, *(make.some() for _ in range(3))]


def hinges(make: Maker) -> list[Any]:
    return [*(make.some() for _ in range(16)), 1e-5]


def cells(make: Maker) -> list[Any]:
    m = make.n + 1
    two = np.ones((2, 2))
    # a lock that holds both ways: else Python leaves out what the compiled row computes and throws away
    cloth = elastic.ClothConstants(0.01, 0.01, two[0], two[0], two, two, 40.0, -1.0, 3.0, 1.0, 1.0, 1.0)
    return [make.some(9, m), make.some(6, m), make.some(3, 4, m), 1, make.some(m), cloth]


def gather(make: Maker) -> list[Any]:
    m = make.n + 2 * elastic.PAD
    fields = SimpleNamespace(load=make.some(3, 4, m))
    buffers = [make.some(4, 3, m), make.some(4, 6, m), make.some(4, 9, m), make.some(3, m), make.some(6, m)]
    return [make.some(3, m), 1, fields, *buffers]


def kick(make: Maker) -> list[Any]:
    rows, m = 2 * elastic.PAD + 1, make.n
    return [0, m, *(make.some(3, rows, m) for _ in range(4)), make.some(rows, m), PACE]


def tighten_columns(make: Maker) -> list[Any]:
    rows = make.n + 2 * elastic.PAD  # one column of n nodes
    two = (make.some(rows, 1) for _ in range(2))
    return [0, 1, make.some(3, rows, 1), make.some(3, rows, 1), make.some(6, rows, 1), *two, 0.1]


def tighten_rows(make: Maker) -> list[Any]:
    m = make.n + 2 * elastic.PAD
    two = (make.some(yarns.LANES, m) for _ in range(2))
    return [0, yarns.LANES, make.some(3, yarns.LANES, m), make.some(3, yarns.LANES, m), *two, 0.1]


def move(make: Maker) -> list[Any]:
    m = make.n + 2 * elastic.PAD
    two = (make.some(4, m) for _ in range(2))
    return [1, 2, *(make.some(3, 4, m) for _ in range(5)), make.some(2, 4), *two, PACE]


def press(make: Maker, four: bool, pushing: bool, asleep: bool = False) -> list[Any]:
    weight = make.some(make.n, 4)
    if not four:
        weight.values[:, 1:] = 0.0
    contacts = SimpleNamespace(
        node=make.whole(np.zeros((make.n, 4))), weight=weight, normal=make.some(make.n, 3),
        offset=make.same(10.0 if pushing else -10.0), friction=make.same(1e9), preload=make.same(0.0),
        anchor=make.some(make.n, 3), force=make.some(make.n, 3), last=make.some(),
        wake=make.same(1.0 if asleep else relax.AWAKE),
    )  # fmt: skip
    return [0, make.n, make.some(3, 5), contacts, 0.0, 0.0, PACE, 0.5]


def collect(make: Maker, each: int, pushing: bool) -> list[Any]:
    """The inertia that is needed has changed."""
    n = make.n
    contacts = SimpleNamespace(
        touched=make.whole(np.arange(n)), start=make.whole(each * np.arange(n + 1)),
        entry=make.whole(np.arange(n * each)), slot=make.whole(np.zeros(n * each)), weight=make.some(n * each, 4),
        force=make.some(n * each, 3), wake=Elements(np.full(n * each, relax.PUSHING if pushing else 1.0), make.tally),
    )  # fmt: skip
    inertia = relax.Inertia(make.same(1.0), make.same(1.0), make.same(1.0))
    return [0, n, make.some(3, n), inertia, make.same(0.5), contacts, 1e-3]


def count(kernel: Any, arguments: Any, **how: Any) -> Work:
    """Work of one unit: a long row less a short one, so that what is done once a row drops out."""
    plain, totals = getattr(kernel, "py_func", kernel), []
    names = plain.__globals__
    usual = {name: names[name] for name in ("math", "np")}
    for n in (SHORT, LONG):
        make = Maker(n)
        values = arguments(make, **how)
        rows = SimpleNamespace(
            empty=lambda m, make=make: make.some(m),
            zeros=lambda shape, make=make: Elements(np.zeros(shape), make.tally),
        )
        names.update(math=counting_math(make.tally), np=rows)
        try:
            plain(*values)
        finally:
            names.update(usual)
        totals.append(make.tally)
    short, long = totals
    return Work(*((long[name] - short[name]) / (LONG - SHORT) for name in ("ops", "divides", "roots", "near")))


@pytest.mark.parametrize(
    ("kernel", "arguments", "how", "table"),
    [
        (elastic.links_into, links, {"knots": 0}, counts.LINK),
        (elastic.links_into, links, {"knots": 2}, summed(counts.LINK, counts.KNOT, counts.KNOT)),
        (elastic.bends_into, hinges, {}, counts.HINGE),
        (elastic.cells_into, cells, {}, counts.CELL),
        (elastic.gather_row, gather, {}, counts.GATHER),
        (relax.kick_columns, kick, {}, counts.KICK),
        (yarns.tighten_columns, tighten_columns, {}, counts.TIGHTEN_COLUMNS),
        (yarns.tighten_rows, tighten_rows, {}, counts.TIGHTEN_ROWS.times(yarns.LANES)),
        (relax.move_rows, move, {}, counts.MOVE),
        (relax.press_contacts, press, {"four": False, "pushing": False}, counts.CONTACT),
        (relax.press_contacts, press, {"four": False, "pushing": True}, summed(counts.CONTACT, counts.PUSH)),
        (relax.press_contacts, press, {"four": True, "pushing": False}, summed(counts.CONTACT, counts.CORNERS)),
        (relax.press_contacts, press, {"four": True, "pushing": False, "asleep": True}, counts.ASLEEP),
        (relax.collect_touch, collect, {"each": 0, "pushing": True}, counts.TOUCHED),
        (relax.collect_touch, collect, {"each": 3, "pushing": False}, summed(counts.TOUCHED, counts.ENTRY.times(3))),
        (
            relax.collect_touch,
            collect,
            {"each": 3, "pushing": True},
            # a node on which nothing pushes has a plain zero here, whose product does not count
            summed(counts.TOUCHED, counts.ENTRY.times(3), counts.ACTING.times(3), Work(ops=1)),
        ),
    ],
)
def test_the_table_says_what_the_kernel_does(kernel: Any, arguments: Any, how: dict[str, Any], table: Work) -> None:
    assert count(kernel, arguments, **how) == table._replace(far=0.0)


def test_the_buffers_are_those_that_the_kernels_make(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []

    def zeros(shape: Any) -> np.ndarray:
        made.append(8 * int(np.prod(shape)))
        return np.zeros(shape)

    def run(kernel: Any, *arguments: Any) -> int:
        """Bytes made where there are no rows to sweep: the buffers are made and nothing else is done."""
        made.clear()
        plain = getattr(kernel, "py_func", kernel)
        monkeypatch.setitem(plain.__globals__, "np", SimpleNamespace(zeros=zeros))
        plain(*arguments)
        return sum(made)

    x, flat = np.zeros((3, 4, 12)), np.zeros((4, 12))
    fields = elastic.LatticeFields(*[flat] * 8, x)
    of_forces = run(elastic.forces_of_block_into, x, np.zeros(3), 0, 0, x, fields, None)
    assert of_forces == 12 * (counts.ROW_BUFFERS + counts.ROW_OUT)
    assert run(yarns.tighten_rows, 0, 0, x, x, flat, flat, 0.1) == 12 * counts.LANE_ROWS


def test_rows_at_hand_are_those_of_the_stage() -> None:
    assert near_size("collect_touch + forces_of_block_into", 100, 2) == 200 * counts.ROW_BUFFERS
    assert near_size("tighten_rows + move_rows", 100, 2) == 200 * counts.LANE_ROWS
    assert near_size("kick_columns + tighten_columns", 100, 2) == 100 * counts.COLUMN_ROWS


def test_work_of_a_loop_is_that_of_its_kernels() -> None:
    step = Counts(nodes=100.0, contacts=12.0, awake=10.0, four=4.0, pushing=5.0, touched=20.0, entries=26.0, acting=6.0)
    work = work_of("collect_touch + forces_of_block_into", step)
    assert work is not None
    assert work.ops == 26 * 1 + 6 * 12 + 20 * 6 + 100 * (2 * 20 + 4 * 5 + 2 * 88 + 132 + 60)
    assert work.divides - 20 * 2 == work.roots == 100 * 5
    assert work.far == 20 * 96 + 26 * 16 + 6 * 64 + 100 * 112


def test_what_is_not_in_the_table_is_not_counted_as_nothing() -> None:
    assert work_of("smooth_rows", Counts(*[1.0] * 8)) is None
    assert work_of("move_rows + smooth_rows", Counts(*[1.0] * 8)) is None
