"""Where the time of a settle goes: its functions timed from outside, by name, without a line in the engine.

Functions that Python calls are wrapped. The step loop is one compiled call with several parallel loops in it; it is
compiled once more from its own source with a clock before and after each of them, so an edit of the loop shows here by
itself: a stage is named by the kernels that its loop calls. The steps are the same to the last bit.
"""

from __future__ import annotations

import ast
import functools
import importlib
import importlib.util
import inspect
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np

from drapesim.kernels.relax import AWAKE, PUSHING, RUN

Array = np.ndarray

LOOP = "drapesim.mechanics.solve:relax"
"""The compiled step loop, where it is called from; it returns how many steps it took."""
BETWEEN = "between the parallel loops"  # what is left of the loop's time beside its parallel loops
WRAPPED = (
    ("search for the body", "drapesim.mechanics.search:find_body_contacts"),
    ("search for layers", "drapesim.mechanics.search:find_layer_contacts"),
    ("contacts aimed anew", "drapesim.settling.level:aimed"),
    ("contact lists", "drapesim.settling.level:find_touching"),
    ("contact lists", "drapesim.settling.level:find_strayed"),
    ("certificate: contact forces", "drapesim.settling.certificate:balance"),
    ("certificate: stability", "drapesim.settling.certificate:find_stability"),
    ("certificate: all else", "drapesim.settling.settle:certify"),
)
"""(stage, where a function is called from). Time in a wrapped function that another calls counts for the inner one."""
SAMPLE_EVERY = 20  # calls of the loop between looks at how many contacts push
CLOCK = """
@kernel
def tick(clock, now):
    clock_gettime(clock, now.ctypes)
    return now[0] * 1000000000 + now[1]
"""
WALL, WORK = "time.CLOCK_MONOTONIC", "time.CLOCK_PROCESS_CPUTIME_ID"  # the second is that of all threads together


@dataclass
class Section:
    """What was done on one lattice.

    ``loops`` are the parallel loops of the step loop, ``stages`` the functions of `WRAPPED`; for each, seconds of the
    clock and seconds of processors, which do not overlap.
    """

    nodes: int
    row: int  # nodes of a row of the grid
    threads: int
    began: float
    ended: float = 0.0
    steps: int = 0
    contact_steps: float = 0.0  # sum over steps of the contacts listed
    touched_steps: float = 0.0
    sampled: int = 0  # contacts sampled, each once for every step of the call, and of these:
    sampled_runs: int = 0  # runs of them with one that is awake
    sampled_beside: int = 0  # those in such runs that are not
    sampled_awake: int = 0
    sampled_four: int = 0  # of the awake
    sampled_pushing: int = 0
    sampled_acting: int = 0  # nodes, summed over those that push
    stages: dict[str, list[float]] = field(default_factory=dict)
    loops: dict[str, list[float]] = field(default_factory=dict)


def add(spent: dict[str, list[float]], name: str, wall: float, work: float) -> None:
    """Add seconds of clock and processors to what ``name`` has spent."""
    before = spent.get(name, [0.0, 0.0])
    spent[name] = [before[0] + wall, before[1] + work]


@dataclass
class Profile:
    """Collects sections while a settle runs; ``missing`` names what was to be timed and is not there any more."""

    sections: list[Section] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    inner: list[Array] = field(default_factory=list)  # for each open call, seconds (2,) in wrapped calls below it
    shape: tuple[int, ...] = ()

    def timed(self, stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """``function`` with its own time, less that of wrapped calls in it, booked on ``stage``."""

        @functools.wraps(function)
        def call(*arguments: Any, **named: Any) -> Any:
            self.inner.append(np.zeros(2))
            begun = read_clocks()
            try:
                return function(*arguments, **named)
            finally:
                spent = read_clocks() - begun
                own = spent - self.inner.pop()
                if self.sections:  # before the first step there is no lattice to book it on
                    add(self.sections[-1].stages, stage, *own.tolist())
                if self.inner:
                    self.inner[-1] += spent

        return call

    def timed_loop(self, loop: Callable[..., Any], names: list[str]) -> Callable[..., Any]:
        """The clocked ``loop`` in the place of the usual one."""
        from numba import get_num_threads

        ticks, now = np.zeros((len(names), 2), np.int64), np.zeros(2, np.int64)
        calls = 0

        def call(*arguments: Any) -> int:
            nonlocal calls
            x = next(array for array in arguments if getattr(array, "ndim", 0) == 3)
            if x.shape != self.shape:
                self.shape = x.shape
                self.end()
                self.sections.append(Section(0, x.shape[2], get_num_threads(), time.perf_counter()))
            section = self.sections[-1]
            ticks[:] = 0
            begun = read_clocks()
            steps = int(loop(*arguments, ticks, now))
            spent = read_clocks() - begun
            if self.inner:
                self.inner[-1] += spent
            inside = 1e-9 * ticks
            for name, seconds in zip(names, inside, strict=True):
                add(section.loops, name, *seconds.tolist())
            add(section.loops, BETWEEN, *(spent - inside.sum(axis=0)).tolist())
            section.steps += steps
            contacts = next(record for record in arguments if hasattr(record, "touched"))
            note_contacts(section, contacts, steps, calls % SAMPLE_EVERY == 0)
            calls += 1
            return steps

        return call

    def clear(self) -> None:
        """Forget what was booked so far."""
        self.sections.clear()
        self.shape = ()

    def end(self) -> None:
        """Close the lattice that was being worked on."""
        if self.sections:
            self.sections[-1].ended = time.perf_counter()


def read_clocks() -> Array:
    """(2,) s: the clock, and what all threads of this process have worked."""
    return np.array([time.perf_counter(), time.process_time()])


def note_contacts(section: Section, contacts: Any, steps: int, sample: bool) -> None:
    """Add up how many contacts took part; every now and then also how many of them push, and act on four nodes."""
    section.contact_steps += steps * len(contacts.offset)
    section.touched_steps += steps * len(contacts.touched)
    if sample and steps:  # calls are of any length: weigh them by it
        section.sampled += steps * len(contacts.offset)
        awake = contacts.wake <= AWAKE
        is_open = contacts.run_wake <= AWAKE
        section.sampled_runs += steps * int(np.count_nonzero(is_open))
        section.sampled_beside += steps * int(np.count_nonzero(np.repeat(is_open, RUN)[: len(awake)] & ~awake))
        section.sampled_awake += steps * int(np.count_nonzero(awake))
        section.sampled_four += steps * int(np.count_nonzero(contacts.weight[awake, 1:].any(axis=1)))
        pushing = contacts.wake == PUSHING
        section.sampled_pushing += steps * int(np.count_nonzero(pushing))
        section.sampled_acting += steps * int(np.count_nonzero(contacts.weight[pushing]))


def with_clocks(source: str) -> tuple[str, list[str]]:
    """(source of the function with a clock round each parallel loop, the names of these loops in their order).

    The function gets two more arguments: ``ticks`` (loops, 2), to which the nanoseconds of clock and processors of each
    loop are added, and ``now`` (2,), scratch. Its decorator is kept. A loop is named by the kernels
    it calls, joined by " + ".
    """
    tree = ast.parse(source)
    function = tree.body[0]
    assert isinstance(function, ast.FunctionDef)
    function.args.args += [ast.arg("ticks"), ast.arg("now")]
    names: list[str] = []

    def clocked(statements: list[ast.stmt]) -> Iterator[ast.stmt]:
        for statement in statements:
            if is_parallel(statement):
                at = len(names)
                names.append(" + ".join(kernels_in(statement)))
                yield from ast.parse("since, worked = tick(WALL, now), tick(WORK, now)").body
                yield statement
                yield from ast.parse(f"ticks[{at}, 1] += tick(WORK, now) - worked").body
                yield from ast.parse(f"ticks[{at}, 0] += tick(WALL, now) - since").body
                continue
            for block in ("body", "orelse"):
                if isinstance(statement, ast.For | ast.If | ast.While):
                    setattr(statement, block, list(clocked(getattr(statement, block))))
            yield statement

    function.body = list(clocked(function.body))
    return ast.unparse(ast.fix_missing_locations(tree)) + "\n", names


def is_parallel(statement: ast.stmt) -> bool:
    """True for `for ... in prange(...)`."""
    return (
        isinstance(statement, ast.For)
        and isinstance(statement.iter, ast.Call)
        and isinstance(statement.iter.func, ast.Name)
        and statement.iter.func.id == "prange"
    )


def kernels_in(loop: ast.stmt) -> list[str]:
    """What a parallel loop calls for what it does, in order: as statements, or to keep the result in an array."""
    calls = [
        node.value.func
        for node in ast.walk(loop)
        if isinstance(node, ast.Expr) or (isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Subscript))
        if isinstance(node.value, ast.Call)
    ]
    return list(dict.fromkeys(call.id for call in calls if isinstance(call, ast.Name)))


def build_clocked(loop: Any) -> tuple[Callable[..., Any], list[str]]:
    """(the compiled step loop with clocks, names of its parallel loops).

    It is written to a file in the folder of compiled kernels, which is a new one after any edit of them; so it is
    compiled once.
    """
    from drapesim.kernels.jit import CACHE_FOLDER

    plain: FunctionType = loop.py_func
    text, names = with_clocks(inspect.getsource(plain))
    known = [name for name in plain.__code__.co_names if name in plain.__globals__ and name not in ("prange", "np")]
    lines = [
        '"""The step loop with a clock round each parallel loop; written by the benchmark `settle`."""',
        "import time",
        "import numpy as np",
        "from numba import types",
        "from drapesim.kernels.jit import kernel, parallel_kernel, prange",
        f"from {plain.__module__} import {', '.join(sorted(set(known)))}",
        'clock_gettime = types.ExternalFunction("clock_gettime", types.intc(types.intc, types.voidptr))',
        f"WALL, WORK = {WALL}, {WORK}",
        CLOCK,
        text,
    ]
    path = CACHE_FOLDER / "drapesim_clocked_loop.py"
    content = "\n".join(lines)
    if not path.exists() or path.read_text(encoding="utf-8") != content:
        path.write_text(content, encoding="utf-8")
    return getattr(load_file(path), plain.__name__), names


def load_file(path: Path) -> Any:
    """The module in a file; numba wants it known by its name, to find compiled code again."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules[path.stem] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def put_in_place() -> Profile:
    """Wrap what `WRAPPED` and `LOOP` name; what is not there is noted as missing, and its time counts elsewhere."""
    profile = Profile()
    for stage, target in WRAPPED:
        owner, name = find(target)
        if not hasattr(owner, name):
            profile.missing.append(target)
            continue
        setattr(owner, name, profile.timed(stage, getattr(owner, name)))
    owner, name = find(LOOP)
    if not hasattr(owner, name):
        profile.missing.append(LOOP)
        return profile
    setattr(owner, name, profile.timed_loop(*build_clocked(getattr(owner, name))))
    return profile


def find(target: str) -> tuple[Any, str]:
    """(module, name in it) of "module:name"."""
    module, _, name = target.partition(":")
    return importlib.import_module(module), name
