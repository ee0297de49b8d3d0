"""The press test: the least force that brings a mark of a finished run's sheet to the body, or what forbids it.

The sheet is taken up as the run left it, on the run's own lattice, with what was held and laid on and what its contacts
carry and grip, and comes to rest once more with nothing pressing: that is the state that each force is held against.
A force is spread over the mark by area, along the way from its middle to the nearest point of the body, and grows from
nothing at a hand's pace (`settling.hands`), so that friction acts as it does under a hand. Forces rise until the
claimed share of the mark touches, then the least is closed in on, each time on from the last sheet that did not touch.
The sheet found, its grips with it, is settled on with a certificate under its force, and the marks are judged there.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.ground.files import hash_bytes, spell_csv, write_text
from drapesim.ground.outcome import InputError
from drapesim.judging.pressing import (
    CROSSED,
    DONE,
    ELSEWHERE,
    LOST,
    MOST,
    STRAIN,
    UNREST,
    UNSURE,
    MarkGap,
    PressTest,
    find_lost,
    is_to_press,
    measure_marks,
    say_press,
)
from drapesim.judging.verdicts import judge_marks
from drapesim.kernels.jit import use_threads
from drapesim.matter.marks import Mark
from drapesim.matter.surface import link_strains, sample_sheet, spread_forces
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.solve import Slopes, choose_pace
from drapesim.settling.archive import Run
from drapesim.settling.certificate import stored_with_hands
from drapesim.settling.exact import measure_distance, part_field
from drapesim.settling.hands import EXACT_REST, start_hands
from drapesim.settling.level import Crossed, Progress
from drapesim.settling.loads import PointLoads, joined_loads
from drapesim.settling.settle import MOST_THREADS, Checkpoint, keep_state, settle, share_out, take_up

Array = np.ndarray

CSV_FILE, JSON_FILE = "press.csv", "press.json"
MOST_FORCE = 10.0  # N: a hand that smooths cloth down; common practice, no source
FIRST_SHARE = 0.01  # of the greatest force, that is tried first
GROWTH = (1.5, 4.0)  # from one force to the next while nothing touches
FINE = 0.01  # of the force, between what does it and what does not
TURNS = 20  # forces tried between the two, at most
CONFIRMS = 4  # certified sheets at most, each with a force larger by `FINE`
CONFIRM_STEPS = 60_000  # at most, for one of them: it starts from rest
MARGIN = 2e-5  # m, that the sheet may differ between the search and the certified sheet
GRAVITY = np.array([0.0, 0.0, -9.80665])  # m/s2


@dataclass(frozen=True)
class Trial:
    """The sheet at rest under one force (N): strain over the safe one, every mark, and all to go on from."""

    force: float
    rested: bool
    strain: float
    marks: dict[str, MarkGap]
    state: Checkpoint
    work: float  # J, that the force has done


def press_marks(
    run: Run,
    names: Sequence[str] = (),
    most: float = MOST_FORCE,
    progress: Callable[[Progress], None] | None = None,
    keep: Callable[[list[PressTest]], object] | None = None,
) -> list[PressTest]:
    """Test the marks that ``names`` says, else all that claim contact and do not have it in this lay.

    ``most``: greatest force, N; ``keep`` is called with the tests so far after each. Raises `InputError` for a run that
    did not settle, has no body, or whose marks leave nothing to press, for an unknown or unfit name, and for a force
    that is none.
    """
    chosen = choose_marks(run, names)
    if not (math.isfinite(most) and most > 0.0):
        raise InputError("", "--most-force", f"{most:g} N is no force to press with", "give a number above 0")
    press = _Press(run, progress)
    tests: list[PressTest] = []
    for mark in chosen:
        tests.append(press.test(mark, most))
        if keep is not None:
            keep(tests)
    return tests


def choose_marks(run: Run, names: Sequence[str] = ()) -> list[Mark]:
    """The marks to press, in the run's order; see `press_marks`."""
    if not run.certificate.settled:
        raise InputError("", "RUN", "its sheet did not settle, so there is nothing to press on", "settle it first")
    if part_field(prepare_body(run.body), False) is None:
        raise InputError("", "RUN", "there is no body to press the cloth to", "name a run with a body")
    known = {mark.name: (mark, verdict) for mark, verdict in zip(run.marks, run.verdicts, strict=True)}
    for name in names:
        if name not in known:
            listed = ", ".join(known) or "none"
            raise InputError("", "--mark", f'the run has no mark "{name}"', f"its marks are: {listed}")
        mark, verdict = known[name]
        if not is_to_press(mark, verdict):
            touches = verdict.meets is True and mark.claim.kind != "lies_clear"
            problem = "touches with nothing pressing" if touches else "claims no contact with the body"
            raise InputError("", "--mark", f'"{name}" {problem}', "name one that claims contact and does not have it")
    chosen = [m for m, v in known.values() if (m.name in names if names else is_to_press(m, v))]
    if not chosen:
        problem = "every mark that claims contact with the body has it with nothing pressing"
        raise InputError("", "RUN", problem, "there is nothing to press")
    return chosen


class _Press:
    """One run's sheet under a hand, and its state with nothing pressing."""

    def __init__(self, run: Run, progress: Callable[[Progress], None] | None) -> None:
        self.run, self.progress, self.started = run, progress, time.monotonic()
        lattice, fabric = run.lattice, run.fabric
        self.field = prepare_body(run.body)
        self.friction = np.array([fabric.friction[part.surface] for part in run.body.parts])
        self.held = run.hands.held if run.hands is not None else np.zeros(len(run.x), dtype=bool)
        blocks = share_out(lattice, use_threads(MOST_THREADS))
        self.hands = start_hands(
            lattice, fabric, self.field, self.friction, run.x.copy(), self.held, blocks, GRAVITY
        )  # fmt: skip
        self.hands.look = self.look
        if run.rest is not None:  # runs of before have not kept it: their sheets settle anew, and by how much is told
            take_up(self.hands.state, run.rest)
        self.staying = [] if run.hands is None else [PointLoads(lattice.uv, run.hands.load)]
        if self.staying:
            self.hands.loads["staying"] = self.staying[0]
            self.hands.lay_on()
        self.error = run.settle.penetration + run.settle.stay + MARGIN
        self.settles = 0
        self.hands.words = "resting with nothing pressing"
        self.base = self.rest(0.0)
        self.x = self.hands.x
        self.drift = float(np.linalg.norm(self.x - run.x, axis=1).max())

    def look(self, words: str, share: float, rms: float, top: float) -> None:
        if self.progress is not None:
            seconds = time.monotonic() - self.started
            steps = self.hands.state.steps
            self.progress(Progress(words, self.run.lattice.spacing_u, 0, 1, steps, rms, top, share, seconds))

    def rest(self, force: float) -> Trial:
        """Let the sheet rest under what is laid on, and measure it."""
        rested = self.hands.rest(EXACT_REST)
        self.settles += 1
        run, x = self.run, self.hands.x
        marks = measure_marks(run.marks, run.lattice, x, self.field, run.fabric, self.error)
        state = deepcopy(keep_state(self.hands.state, -1, 0.0, 0.0))  # its arrays go on changing
        return Trial(force, rested, self.strain_of(x), marks, state, self.hands.work)

    def strain_of(self, x: Array) -> float:
        """Largest extension of a link over the card's safe one."""
        strains = zip(link_strains(self.run.lattice, x), self.run.fabric.safe_strain, strict=True)
        return max(float(strain.max(initial=0.0)) / safe for strain, safe in strains)

    def aim(self, mark: Mark) -> tuple[Array, Array, Array]:
        """(uv (s, 2) m, share (s,), unit direction (3,)) of a force on the mark toward the nearest of the body."""
        points = sample_sheet(self.run.lattice, self.x, mark.samples)[0]
        there = np.isfinite(points).all(axis=1)
        share = mark.weights[there] / mark.weights[there].sum()
        middle = share @ points[there]
        figure = part_field(self.field, False)
        assert figure is not None
        gap, foot, face = measure_distance(middle[None], figure)
        way = (foot[0] - middle) * np.sign(gap[0])
        size = float(np.linalg.norm(way))
        way = -figure.surface.normal[face[0]] if size < 1e-6 else way / size
        return mark.samples[there], share, np.asarray(way)

    def test(self, mark: Mark, most: float) -> PressTest:
        """Press one mark."""
        self.hands.words = f"pressing {mark.name}"
        settles, steps = self.settles, self.hands.state.steps
        before = self.base.marks.get(mark.name)
        if before is None:
            problem = f'there is no cloth where the mark "{mark.name}" is drawn'
            raise InputError("", "--mark", problem, "name another mark")
        uv, share, way = self.aim(mark)

        def loads(force: float) -> PointLoads:
            return PointLoads(uv, force * share[:, None] * way)

        def touches(trial: Trial) -> bool:
            return trial.marks[mark.name].sure >= mark.claim.share - 1e-9

        def end(trial: Trial, below: float, stopped: str, x: Array | None = None) -> PressTest:
            x = trial.state.x if x is None else x
            moved = sample_sheet(self.run.lattice, x - self.x, uv)[0]
            is_known = {DONE: True, MOST: False, STRAIN: False, LOST: False, ELSEWHERE: False}
            return PressTest(
                mark=mark.name, touches=is_known.get(stopped), force=trial.force, below=below,
                way=(float(way[0]), float(way[1]), float(way[2])),
                shift=float(np.linalg.norm(moved, axis=1).max()),
                sheet_shift=float(np.linalg.norm(x - self.x, axis=1).max()), drift=self.drift, strain=self.strain_of(x),
                gap_before=before.gap, gap=trial.marks[mark.name].gap,
                lost=find_lost(self.others(mark), self.base.marks, trial.marks), stopped=stopped, most=most,
                settles=self.settles - settles, steps=self.hands.state.steps - steps,
            )  # fmt: skip

        def fault(trial: Trial) -> str:
            if not trial.rested:
                return UNREST
            if trial.strain > 1.0:
                return STRAIN
            return LOST if find_lost(self.others(mark), self.base.marks, trial.marks) else ""

        low, high = self.base, None
        if fault(low):
            return end(low, 0.0, fault(low))
        force = FIRST_SHARE * most
        try:
            while high is None:
                trial = self.load(low, loads(force), loads(low.force), force)
                if trial.rested and touches(trial):
                    high = trial
                elif fault(trial):
                    return end(trial, low.force, fault(trial))
                elif force >= most:
                    return end(trial, low.force, MOST)
                else:
                    gone = low.marks[mark.name].over - trial.marks[mark.name].over
                    left = trial.marks[mark.name].over * (force - low.force) / gone if gone > 0.0 else math.inf
                    growth = float(np.clip(1.0 + 1.05 * left / force, *GROWTH))
                    low, force = trial, min(most, growth * force)
            before_last = math.inf
            for _ in range(TURNS):
                width = high.force - low.force
                if width <= FINE * high.force:
                    break
                # a line between the two is slow where one of them is far off: then halve
                is_slow = width > 0.5 * before_last
                force = low.force + 0.5 * width if is_slow else self.guess(low, high, mark.name)
                before_last = width
                trial = self.load(low, loads(force), loads(low.force), force)
                if not trial.rested:
                    return end(trial, low.force, UNREST)
                low, high = (low, trial) if touches(trial) else (trial, high)
        except (Crossed, FloatingPointError):
            return end(low, low.force, CROSSED)
        if fault(high):
            return end(high, low.force, fault(high))
        return self.confirm(mark, high, loads, lambda *found: end(found[0], low.force, *found[1:]))

    def others(self, mark: Mark) -> list[Mark]:
        """All marks but this one."""
        return [other for other in self.run.marks if other.name != mark.name]

    def guess(self, low: Trial, high: Trial, name: str) -> float:
        """A force between the two, beside where a straight line between them touches: to the side not yet near."""
        width, off, over = high.force - low.force, low.marks[name].over, high.marks[name].over
        root = low.force + width * (off / (off - over) if off > 0.0 >= over else 0.5)
        step = 0.4 * FINE * high.force
        near = root + step if high.force - root > 2.0 * step else root - step
        return float(np.clip(near, low.force + 0.1 * width, high.force - 0.1 * width))

    def load(self, start: Trial, loads: PointLoads, before: PointLoads, force: float) -> Trial:
        """Go on from ``start``, which carries ``before``, to ``loads``: the difference grows from nothing."""
        hands = self.hands
        hands.loads = {"staying": self.staying[0]} if self.staying else {}
        if start.force > 0.0:
            hands.loads["before"] = before
        hands.work = start.work
        hands.pose()
        take_up(hands.state, deepcopy(start.state))
        hands.renew()
        hands.lay_on()
        hands.press("more", PointLoads(loads.uv, loads.force - before.force))
        return self.rest(force)

    def confirm(
        self, mark: Mark, found: Trial, loads: Callable[[float], PointLoads], end: Callable[..., PressTest]
    ) -> PressTest:
        """The certified sheet under the force found, or under one a little larger."""
        run, stopped, trial, x = self.run, UNSURE, found, found.state.x
        held = self.held if self.held.any() else None
        settings = replace(run.settle, levels=0, max_steps=min(run.settle.max_steps, CONFIRM_STEPS))
        for turn in range(CONFIRMS):
            force = found.force * (1.0 + turn * FINE)
            pressed = joined_loads([*self.staying, loads(force)])
            settled = settle(
                run.lattice, run.fabric, found.state.x, run.body, held=held, friction=self.friction, settings=settings,
                progress=self.progress, resume=self.begin(found.state, pressed), hands=pressed, worked=found.work,
            )  # fmt: skip
            self.settles += 1
            if not settled.certificate.settled:
                continue
            x = settled.x
            marks = measure_marks(run.marks, run.lattice, x, self.field, run.fabric, self.error)
            trial = replace(found, force=force, marks=marks, strain=self.strain_of(x))
            (verdict,) = judge_marks([mark], run.lattice, x, self.field, run.fabric, settled.certificate)
            if trial.strain > 1.0:
                stopped = STRAIN
            elif find_lost(self.others(mark), self.base.marks, marks):
                stopped = LOST
            elif verdict.meets:
                stopped = DONE
            elif verdict.contact_share_sure >= mark.claim.share - 1e-9:
                stopped = ELSEWHERE
            else:
                continue
            break
        return end(trial, stopped, x)

    def begin(self, state: Checkpoint, loads: PointLoads) -> Checkpoint:
        """``state`` to be settled on under ``loads``, with an energy account of its own that begins there."""
        hands = self.hands
        take_up(hands.state, deepcopy(state))
        problem, motion = hands.state.problem, hands.state.motion
        stored = stored_with_hands(problem, motion, spread_forces(self.run.lattice, loads.uv, loads.force))
        stiffness = choose_pace(problem, Slopes(1.0, 1.0), 0.0).stiffness  # of contacts, one for a lattice
        pressed = 0.5 * float((state.push**2).sum()) / stiffness  # J, which contacts may give back
        return replace(
            deepcopy(state), level=0, opening=stored, lent=pressed, seconds=0.0, v=np.zeros_like(state.v),
            spent=np.zeros_like(state.spent),
        )  # fmt: skip


# Kept beside the run.


def list_tests(tests: Sequence[PressTest]) -> list[dict[str, Any]]:
    """One flat entry a test: N, mm and per cent."""
    words = {True: "yes", False: "no", None: "undecided"}
    return [
        {
            "mark": t.mark, "touches_if_pressed": words[t.touches], "force_N": t.force, "not_enough_N": t.below,
            "way_x": t.way[0], "way_y": t.way[1], "way_z": t.way[2], "shift_mm": 1e3 * t.shift,
            "sheet_shift_mm": 1e3 * t.sheet_shift, "drift_mm": 1e3 * t.drift, "strain_of_safe_percent": 100 * t.strain,
            "gap_before_mm": 1e3 * t.gap_before, "gap_mm": 1e3 * t.gap, "lost": " ".join(t.lost), "stopped": t.stopped,
            "most_force_N": t.most, "settles": t.settles, "steps": t.steps, "said": say_press(t),
        }
        for t in tests
    ]  # fmt: skip


def write_presses(out: Path, run: Run, tests: Sequence[PressTest]) -> None:
    """press.csv and press.json in the folder ``out``: these ``tests``, and those of other marks from before."""
    kept = {test.mark: test for test in load_presses(out, run)} | {test.mark: test for test in tests}
    ordered = [kept[mark.name] for mark in run.marks if mark.name in kept]
    entries = list_tests(ordered)
    rows = [[f"{v:.6g}" if isinstance(v, float) else v for v in entry.values()] for entry in entries]
    write_text(out / CSV_FILE, spell_csv(list(entries[0]), rows))
    whole = {"sheet": _name_sheet(run), "marks": entries, "tests": [asdict(test) for test in ordered]}
    write_text(out / JSON_FILE, json.dumps(whole, indent=1) + "\n")


def load_presses(folder: Path, run: Run) -> list[PressTest]:
    """The tests that are kept in ``folder``; none if there are none, or they are of another sheet than the run's.

    A file of another version, or not ours, holds none: it must not cost a run its report.
    """
    path = folder / JSON_FILE
    if not path.is_file():
        return []
    try:
        whole = json.loads(path.read_text())
        if whole["sheet"] != _name_sheet(run):
            return []
        return [PressTest(**{**row, "way": tuple(row["way"]), "lost": tuple(row["lost"])}) for row in whole["tests"]]
    except (ValueError, KeyError, TypeError):
        return []


def _name_sheet(run: Run) -> str:
    return hash_bytes(np.ascontiguousarray(run.x).tobytes())
