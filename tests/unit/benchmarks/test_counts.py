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

SHORT, LONG = 8, relax.RUN
PACE = relax.Pace(
    dt=1e-4,
    damping=1.0,
    stiffness=1.0,
    grip=1.0,
    dashpot=1.0,
    limit=1e9,
    hold_u=0.1,
    hold_v=0.1,
    borne=1.0,
    bend=0.0,
    lend=1e-3,
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


def strips(make: Maker, m: int, rows: int) -> SimpleNamespace:
    """Of one block, with one strip."""
    return SimpleNamespace(
        border=np.array([0, m]), trial=make.some(1, 3, rows, m), lanes=make.some(1, 10, yarns.LANES * m),
        rows=make.some(1, 4, yarns.LANES, m), fastest=make.some(1),
    )  # fmt: skip


def kick(make: Maker) -> list[Any]:
    scratch = strips(make, make.n, 2)
    return [0, 1, 2, scratch, *(make.some(3, 2, make.n) for _ in range(3)), make.some(2, make.n), PACE]


def tighten_strip(make: Maker) -> list[Any]:
    rows = make.n + 2 * elastic.PAD  # one column of n nodes
    two = (make.some(rows, 1) for _ in range(2))
    return [0, 1, make.some(3, rows, 1), make.some(3, rows, 1), make.some(7, rows, 1), *two, 0.1]


def tighten_rows(make: Maker) -> list[Any]:
    m = make.n + 2 * elastic.PAD
    two = (make.some(yarns.LANES, m) for _ in range(2))
    lanes = make.some(10, yarns.LANES * m)
    return [0, yarns.LANES, make.some(3, yarns.LANES, m), make.some(3, yarns.LANES, m), lanes, *two, 0.1]


def move(make: Maker) -> list[Any]:
    m = make.n + 2 * elastic.PAD
    inertia = relax.Inertia(*(make.some(4, m) for _ in range(4)))
    x, v, force, touch = (make.some(3, 4, m) for _ in range(4))
    return [1, x, v, make.some(3, m), force, touch, make.some(2, 4), inertia, make.some(4, m), PACE.dt]


def finish(make: Maker) -> list[Any]:
    m, rows = make.n + 2 * elastic.PAD, yarns.LANES
    inertia = relax.Inertia(*(make.some(rows, m) for _ in range(4)))
    x, v, force, touch = (make.some(3, rows, m) for _ in range(4))
    scratch = strips(make, m, rows)
    return [0, 0, rows, x, v, force, touch, make.some(2, rows), scratch, inertia, make.some(rows, m), PACE]


def press(make: Maker, four: bool, pushing: bool, asleep: bool = False) -> list[Any]:
    """One run of n contacts, that is looked over."""
    weight = make.some(make.n, 4)
    if not four:
        weight.values[:, 1:] = 0.0
    contacts = SimpleNamespace(
        node=make.whole(np.zeros((make.n, 4))), weight=weight, normal=make.some(make.n, 3),
        offset=make.same(10.0 if pushing else -10.0), friction=make.same(1e9), preload=make.same(0.0),
        anchor=make.some(make.n, 3), force=make.some(make.n, 3), last=make.some(),
        wake=make.same(1.0 if asleep else relax.AWAKE), run_wake=Elements(np.zeros(1), make.tally),
        pushing=make.whole(np.zeros(make.n)), n_pushing=make.whole(np.zeros(1)),
    )  # fmt: skip
    return [0, 1, make.some(3, 5), contacts, 0.0, 0.0, PACE, 0.5]


def press_runs(make: Maker, asleep: bool) -> list[Any]:
    """Runs without contacts."""
    contacts = SimpleNamespace(
        offset=np.zeros(0), run_wake=make.same(1.0 if asleep else relax.AWAKE), n_pushing=make.whole(np.zeros(make.n))
    )
    return [0, 1, make.some(3, 5), contacts, 0.0, 0.0, PACE, 0.5]


def collect(make: Maker, touched: int = 0, runs: int = 0, pushing: int = 0, here: bool = True) -> list[Any]:
    """For each of n so many touched nodes, runs in which nothing pushes, and contacts that push on four nodes.

    These nodes lie in the block, or behind it. The inertia that is needed has changed.
    """
    n = make.n
    size = max(1, runs * n)
    n_pushing = np.zeros(size)
    n_pushing[0] = pushing * n
    contacts = SimpleNamespace(
        touched=make.whole(np.arange(touched * n)), n_pushing=make.whole(n_pushing), pushing=make.whole(np.arange(n)),
        node=make.whole(np.full((n, 4), 0 if here else n)), weight=make.some(n, 4), force=make.some(n, 3),
    )  # fmt: skip
    inertia = relax.Inertia(make.same(0.5), make.same(1.0), make.same(1.0), make.same(1.0))
    return [0, n, make.some(3, n), make.same(0.0), inertia, contacts, 1e-3]


def count(kernel: Any, arguments: Any, **how: Any) -> Work:
    """Work of one unit: a long row less a short one, so that what is done once a row drops out."""
    totals = []
    for n in (SHORT, LONG):
        make = Maker(n)
        values = arguments(make, **how)
        rows = SimpleNamespace(inf=np.inf, searchsorted=lambda array, value: int(np.searchsorted(array.values, value)))
        with pytest.MonkeyPatch.context() as patch:
            for module in (elastic, relax, yarns):
                for name, value in vars(module).items():
                    if hasattr(value, "py_func"):
                        patch.setitem(vars(module), name, value.py_func)
                patch.setitem(vars(module), "math", counting_math(make.tally))
                patch.setitem(vars(module), "np", rows)
            getattr(kernel, "py_func", kernel)(*values)
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
        (relax.kick_rows, kick, {}, counts.KICK),
        (yarns.tighten_strip, tighten_strip, {}, counts.TIGHTEN_STRIP),
        (yarns.tighten_rows, tighten_rows, {}, counts.TIGHTEN_ROWS.times(yarns.LANES)),
        (relax.move_row, move, {}, counts.MOVE),
        (relax.finish_rows, finish, {}, counts.FINISH.times(yarns.LANES)),
        (relax.press_contacts, press_runs, {"asleep": True}, counts.LOOK),
        (relax.press_contacts, press_runs, {"asleep": False}, summed(counts.LOOK, counts.OPEN_RUN)),
        (relax.press_contacts, press, {"four": False, "pushing": False}, counts.CONTACT),
        (relax.press_contacts, press, {"four": False, "pushing": True}, summed(counts.CONTACT, counts.PUSH)),
        (relax.press_contacts, press, {"four": True, "pushing": False}, summed(counts.CONTACT, counts.CORNERS)),
        (relax.press_contacts, press, {"four": True, "pushing": False, "asleep": True}, counts.ASLEEP),
        (relax.collect_touch, collect, {"touched": 1}, counts.TOUCHED),
        (relax.collect_touch, collect, {"runs": 1}, counts.COUNT_RUN),
        (relax.collect_touch, collect, {"pushing": 1, "here": False}, counts.PICK),
        (relax.collect_touch, collect, {"pushing": 1}, summed(counts.PICK, counts.ACTING.times(4))),
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
    scratch = relax.scratch_of((20, 16), 3)
    assert scratch.lanes.nbytes + scratch.rows.nbytes == 3 * 16 * counts.LANE_ROWS


def test_rows_at_hand_are_those_of_the_stage() -> None:
    assert near_size("collect_touch + forces_of_block_into + kick_rows", 104, 2) == 208 * counts.ROW_BUFFERS
    assert near_size("finish_rows", 104, 2) == 208 * counts.LANE_ROWS
    assert near_size("tighten_columns", 104, 2) == 2 * 56 * counts.STRIP_ROWS  # 13 lines of 8: strips of 6 and of 7
    assert near_size("tighten_columns", 400, 2) == 2 * 72 * counts.STRIP_ROWS  # more than fit in one strip each


def test_work_of_a_loop_is_that_of_its_kernels() -> None:
    step = Counts(
        nodes=100.0, blocks=3.0, contacts=320.0, open_runs=4.0, beside=100.0, awake=10.0, four=4.0, pushing=5.0,
        touched=20.0, acting=6.0,
    )  # fmt: skip
    work = work_of("collect_touch + forces_of_block_into", step)
    assert work is not None
    assert work.ops == 20 * 7 + 3 * 5 * 12 + 6 * 9 + 100 * (2 * 20 + 4 * 5 + 2 * 88 + 132 + 60)
    assert work.divides - 20 * 2 == work.roots == 100 * 5
    assert work.far == 20 * 88 + 3 * 10 * 8 + 3 * 5 * 72 + 5 * 24 + 100 * 112
    pressed = work_of("press_contacts", step)
    assert pressed is not None
    assert pressed.ops == 10 * 1 + 100 * 2 + 10 * 27 + 4 * 19 + 5 * 24


def test_what_is_not_in_the_table_is_not_counted_as_nothing() -> None:
    assert work_of("smooth_rows", Counts(*[1.0] * len(Counts._fields))) is None
    assert work_of("finish_rows + smooth_rows", Counts(*[1.0] * len(Counts._fields))) is None
