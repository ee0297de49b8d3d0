"""Timing from outside: each parallel loop is clocked and counted, and nested calls are booked apart.

That the clocked loop takes the same steps, which compiles it a second time, is held in tests/validation.
"""

import time
from types import SimpleNamespace

import numba
import numpy as np
import pytest

from benchmarks._counts import Counts, work_of
from benchmarks._stages import BETWEEN, WRAPPED, Profile, Section, build_clocked, find, note_contacts, with_clocks
from benchmarks._tables import LABELS
from drapesim.kernels.relax import AWAKE, PUSHING, RUN, relax

needs_compiler = pytest.mark.skipif(bool(numba.config.DISABLE_JIT), reason="the clock is read by compiled code")

LOOP = """
@parallel_kernel
def step(n, x):
    for _ in range(n):
        if n > 1:
            for b in prange(4):
                press(b, x)
        for b in prange(4):
            lo = start(b)
            gather(lo, x)
            x[b] = sum_up(lo, x)
    return n
"""


def test_each_parallel_loop_gets_a_clock() -> None:
    text, names = with_clocks(LOOP)
    assert names == ["press", "gather + sum_up"]
    assert text.startswith("@parallel_kernel\ndef step(n, x, ticks, now):")
    calls: list[str] = []
    clock = iter(range(100))
    known = {
        "parallel_kernel": lambda function: function,
        "prange": range,
        "start": lambda b: b,
        "press": lambda *_: calls.append("press"),
        "gather": lambda *_: calls.append("gather"),
        "sum_up": lambda *_: 0.0,
        "WALL": 0,
        "WORK": 1,
        "tick": lambda *_: next(clock),
    }
    ticks = np.zeros((2, 2), np.int64)
    exec(text, known)  # noqa: S102 - the text is our own
    assert known["step"](2, np.zeros(4), ticks, None) == 2  # type: ignore[operator]
    assert calls == 2 * (4 * ["press"] + 4 * ["gather"])
    # a clock that goes on by one each time it is read: three between the clock's own two looks, one between the others
    np.testing.assert_array_equal(ticks, [[6, 2], [6, 2]])


@needs_compiler
def test_every_loop_of_the_steps_is_counted() -> None:
    _, names = build_clocked(relax)
    assert len(names) >= 3
    uncounted = [name for name in names if work_of(name, Counts(*[1.0] * len(Counts._fields))) is None]
    assert not uncounted, "give these a row in benchmarks/_counts.py, and a label in benchmarks/_tables.py"
    assert set(names) == set(LABELS)


@pytest.mark.parametrize("target", [target for _, target in WRAPPED])
def test_what_is_wrapped_is_there(target: str) -> None:
    owner, name = find(target)
    assert callable(getattr(owner, name)), "it has moved: follow it in benchmarks/_stages.py"


def test_time_in_an_inner_stage_is_not_booked_twice() -> None:
    profile = Profile(sections=[Section(nodes=0, row=0, threads=1, began=0.0)])
    inner = profile.timed("inner", lambda: time.sleep(0.02))

    def both() -> None:
        time.sleep(0.01)
        inner()

    profile.timed("outer", both)()
    stages = profile.sections[-1].stages
    assert 0.02 <= stages["inner"][0] < 0.2
    assert 0.01 <= stages["outer"][0] < 0.2
    assert all(work < wall for wall, work in stages.values())  # asleep, so not at work


def test_a_new_lattice_begins_a_section() -> None:
    profile = Profile()
    contacts = SimpleNamespace(
        offset=np.zeros(3), touched=np.zeros(2), weight=np.eye(3, 4), wake=np.zeros(3), run_wake=np.zeros(1)
    )

    def loop(steps: int, x: np.ndarray, contacts: SimpleNamespace, ticks: np.ndarray, now: np.ndarray) -> int:
        ticks[:] = [1_000_000, 500_000]
        return min(steps, 30)

    step = profile.timed_loop(loop, ["finish_rows"])
    for rows, steps, taken in ((5, 10, 10), (5, 40, 30), (9, 7, 7)):  # one of them ends early
        assert step(steps, np.zeros((3, rows, 6)), contacts) == taken
    coarse, fine = profile.sections
    assert (coarse.steps, fine.steps, coarse.row) == (40, 7, 6)
    assert coarse.ended > coarse.began
    assert coarse.loops["finish_rows"] == pytest.approx([2e-3, 1e-3])
    assert set(coarse.loops) == {"finish_rows", BETWEEN}
    assert coarse.contact_steps == 120


def test_contacts_are_looked_at_now_and_then() -> None:
    section = Section(nodes=0, row=0, threads=1, began=0.0)
    weight = np.array([[1.0, 0, 0, 0], [0.5, 0.5, 0, 0], [0.3, 0.3, 0.4, 0]])
    # two runs, of which the second sleeps as a whole: two contacts of the first are awake, and one of these pushes
    wake, run_wake = np.full(RUN + 2, 1e-3), np.array([PUSHING, 1e-3])
    wake[:2] = AWAKE, PUSHING
    weight = np.vstack([weight, np.tile([1.0, 0, 0, 0], (RUN - 1, 1))])
    n = len(wake)
    contacts = SimpleNamespace(offset=np.zeros(n), touched=np.zeros(2), weight=weight, wake=wake, run_wake=run_wake)
    note_contacts(section, contacts, 40, False)
    note_contacts(section, contacts, 40, True)
    assert (section.sampled, section.sampled_awake, section.sampled_four) == (40 * n, 80, 40)
    assert (section.sampled_runs, section.sampled_beside) == (40, 40 * (RUN - 2))
    assert (section.sampled_pushing, section.sampled_acting) == (40, 80)
    note_contacts(section, contacts, 10, True)  # a shorter call weighs less
    assert (section.sampled, section.sampled_awake, section.sampled_pushing) == (50 * n, 100, 50)
    assert (section.contact_steps, section.touched_steps) == (90 * n, 180)
