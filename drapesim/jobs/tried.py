"""Tried: lays that a search has settled, each a run of its own, and the journal that remembers them.

The journal is a file of lines, one JSON object each, that is only ever added to: a head that says which search it is,
then one line a lay once its run has been written. A search is a function of what its lays answer; so to go on, it
walks its way again from the start and takes every lay that is in the journal from there. Seconds are not in it: the
same search writes the same bytes however often it was interrupted.
"""

from __future__ import annotations

import json
import math
import os
import re
import shutil
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from drapesim import __version__
from drapesim.ground.files import hash_bytes, write_text
from drapesim.ground.outcome import InputError
from drapesim.jobs.run import run_scene
from drapesim.judging.placement import Put
from drapesim.judging.shortfall import Ground, Pattern, least_tolerances, miss_claims, spread_ground, take_pattern
from drapesim.matter.answers import Verdict
from drapesim.matter.freedom import Freedom, tidy, varied, vary
from drapesim.matter.lay import LowerStep
from drapesim.matter.plan import Scene, parse_scene
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.archive import CHECKPOINT_FILE, RUN_FILE, Run, load_run
from drapesim.settling.exact import part_field
from drapesim.settling.lay_archive import LAY_FILE
from drapesim.settling.level import Progress
from drapesim.settling.steps import flat_axes

Array = np.ndarray

JOURNAL_FILE = "journal.jsonl"
LAYS, FORMS = "lays", "forms"
WRITTEN = ("search.html", "search.json", "lays.csv", "pictures/chart.png", "pictures/maps.png")  # besides, when it ends
REFUSED = "REFUSED"  # the ending of a lay that could not even be begun
MISSED = 1.0  # miss of a claim in a lay that did not settle
MOST_STEPS = 100_000  # on each lattice of a lay, where the scene grants more: some coarse lattice never comes to rest,
# and one such lay would hold up the search for an hour; a last lattice that needs more is left as unsettled


@dataclass(frozen=True)
class TriedLay:
    """One lay that was tried: ``values`` on the search's axes, in their units, at a node spacing.

    ``stage``: what it was tried for; ``ending``: the settle's, by name, or `REFUSED`. By mark: ``meets`` (does it do
    what is claimed, None: undecided), ``miss`` (0 to 1) and ``short_mm`` (how far tolerance or place fall short) of
    those that the body can judge; ``doubt_mm``: the verdict's uncertainty of the gap.
    ``score``: the mean miss, the less the better.
    """

    number: int
    stage: str
    spacing_mm: float
    values: tuple[float, ...]
    ending: str
    settled: bool
    reason: str
    steps: int
    score: float
    meets: dict[str, bool | None]
    miss: dict[str, float]
    short_mm: dict[str, float]
    doubt_mm: dict[str, float] = field(default_factory=dict)

    @property
    def met(self) -> int:
        """Claims met for sure."""
        return sum(answer is True for answer in self.meets.values())

    @property
    def undecided(self) -> int:
        return sum(answer is None for answer in self.meets.values())

    @property
    def folder(self) -> str:
        """Its run's folder within the search's."""
        return f"{LAYS}/{self.number:03d}"


class Trials:
    """All lays tried so far in the folder ``out``, and the way to try another."""

    def __init__(
        self, freedom: Freedom, scene: Scene, out: Path, progress: Callable[[Progress], None] | None = None
    ) -> None:
        self.freedom, self.scene, self.out, self.progress = freedom, scene, out, progress
        self.tried: list[TriedLay] = []  # so far on this walk
        self.made = freedom.body_values(freedom.start), scene  # the scene whose body was made last: it takes seconds
        self.known: dict[tuple[tuple[float, ...], float], TriedLay] = {}  # from the journal
        self.tell: Callable[[TriedLay | None, str, float], None] = lambda *_: None

    @cached_property
    def fingerprint(self) -> str:
        """Equal for equal input."""
        form = "" if self.freedom.form is None else self.freedom.form.sha256
        parts = [__version__, sorted(self.scene.inputs.items()), form, self.freedom.scene.text]
        return hash_bytes(json.dumps(parts).encode())

    # journal

    def check(self, resume: bool, force: bool) -> None:
        """Raise `InputError` where a search must not be begun, or cannot be gone on with. Nothing is written."""
        path = self.out / JOURNAL_FILE
        if self.out.exists() and not self.out.is_dir():
            raise InputError(self.out, "", "this is a file, not a folder", "name a folder for the search")
        if not resume:
            if path.exists() and not force:
                remedy = "go on with --resume, name another folder, or replace it with --force"
                raise InputError(self.out, "", "the folder holds a search", remedy)
            return
        if not path.is_file():
            raise InputError(self.out, "", "there is no search to go on with", "start without --resume")
        if read_journal(path)[0].get("search") != self.fingerprint:
            problem = "the search in this folder is of another input: the scene or a file that it names has changed"
            raise InputError(path, "", problem, "put the input back as it was, or start anew with --force")

    def start(self, resume: bool) -> None:
        """Begin the journal, or take up the one that is there; the folder exists."""
        path = self.out / JOURNAL_FILE
        if not resume:
            is_replaced = path.exists()
            write_text(path, json.dumps({"search": self.fingerprint}) + "\n")
            if is_replaced:  # only now: whatever stops this, no journal names lays that are gone
                self.clear()
            return
        _, lines, length = read_journal(path)
        with path.open("r+b") as file:
            file.truncate(length)
        lays = [TriedLay(**{**line, "values": tuple(line["values"])}) for line in lines]
        self.known = {(lay.values, lay.spacing_mm): lay for lay in lays}

    def clear(self) -> None:
        """Remove what a search that is replaced has left."""
        shutil.rmtree(self.out / LAYS, ignore_errors=True)
        for name in WRITTEN:
            (self.out / name).unlink(missing_ok=True)
        for path in self.out.glob("best-*.toml"):
            if re.fullmatch(r"best-\d+", path.stem):
                path.unlink()

    def note(self, lay: TriedLay) -> None:
        """Add a lay to the journal, and see it on the disk."""
        with (self.out / JOURNAL_FILE).open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(lay)) + "\n")
            file.flush()
            os.fsync(file.fileno())

    # lays

    def find(self, values: Sequence[float] | Array, spacing_mm: float) -> TriedLay | None:
        """The lay of these values, if it has been tried on this walk."""
        wanted = tuple(tidy(value) for value in values)
        return next((lay for lay in self.tried if lay.values == wanted and lay.spacing_mm == spacing_mm), None)

    def try_lay(self, values: Sequence[float] | Array, spacing_mm: float, stage: str) -> TriedLay:
        """Settle and judge the lay of ``values``, or take it from the journal."""
        values = tuple(tidy(float(value)) for value in values)
        seen = self.find(values, spacing_mm)
        if seen is not None:
            return seen
        known = self.known.get((values, spacing_mm))
        if known is not None:
            self.tried.append(known)
            return known
        number = 1 + max([0, *(lay.number for lay in (*self.tried, *self.known.values()))])
        self.tell(None, stage, spacing_mm)
        empty = TriedLay(number, stage, spacing_mm, values, REFUSED, False, "", 0, MISSED, {}, {}, {})
        try:
            run = self.settle(self.build(values), empty)
        except InputError as fault:
            answer = dict.fromkeys([mark.name for mark in self.scene.marks])
            lay = replace(empty, reason=str(fault), meets=answer)
        else:
            lay = self.judge(run, empty)
        self.note(lay)
        self.tried.append(lay)
        self.tell(lay, stage, spacing_mm)
        return lay

    def build(self, values: Sequence[float] | Array) -> Scene:
        """The scene with ``values`` on its axes. Raises `InputError` for values that make none."""
        document = vary(self.freedom, values, self.out / FORMS)
        key = self.freedom.body_values(values)
        if key != self.made[0]:
            self.made = key, parse_scene(document)
        made = self.made[1]
        scene = parse_scene(document, made.body)
        return replace(scene, inputs={**made.inputs, **scene.inputs})

    def settle(self, scene: Scene, lay: TriedLay) -> Run:
        """The lay's run, from where it was interrupted if it was."""
        folder = self.out / lay.folder
        steps = min(scene.settle.max_steps, MOST_STEPS)
        scene = replace(scene, settle=replace(scene.settle, max_steps=steps))
        begun = any((folder / name).is_file() for name in (CHECKPOINT_FILE, LAY_FILE))
        if begun:
            try:
                return run_scene(scene, folder, self.progress, True, lay.spacing_mm)
            except InputError:  # it was of another lay: the journal lost its last line
                pass
        return run_scene(scene, folder, self.progress, False, lay.spacing_mm, force=True)

    def is_fine(self, spacing_mm: float) -> bool:
        """Is this the scene's own spacing, at which lays are confirmed?"""
        return spacing_mm == self.fine_mm

    @property
    def fine_mm(self) -> float:
        return float(self.freedom.scene.data["sheet"]["spacing_mm"])

    def judge(self, run: Run, lay: TriedLay) -> TriedLay:
        """``lay`` with what its ``run`` answers."""
        pattern, ground = self.read(run)
        names = [mark.name for mark in pattern.marks]
        settled = run.certificate.settled
        miss = miss_claims(pattern, ground) if ground is not None else np.full(len(names), MISSED)
        short = least_tolerances(pattern, ground) if ground is not None else np.full(len(names), np.nan)
        if not settled:
            miss = np.maximum(miss, MISSED)
        meetings = [0.0 if v.meets else 1.0 for v in run.verdicts if v.mark not in names]
        total = [*miss.tolist(), *meetings]
        return replace(
            lay,
            ending=run.ending.name,
            settled=settled,
            reason="" if settled else run.ending.value,
            steps=run.certificate.steps,
            score=round(sum(total) / max(1, len(total)), 9),
            meets={verdict.mark: verdict.meets for verdict in run.verdicts},
            miss=_rounded(names, miss),
            short_mm=_rounded(names, 1e3 * short),
            doubt_mm={v.mark: d for v in run.verdicts if math.isfinite(d := _doubt_mm(v))},
        )

    def read(self, run: Run) -> tuple[Pattern, Ground | None]:
        """The marks of a run that the body can judge, and its tables; none if there is nothing to touch."""
        figure = part_field(prepare_body(run.body), False)
        pattern = take_pattern(run.marks)
        if figure is None or not np.isfinite(run.x).all():
            return pattern, None
        return pattern, spread_ground(pattern, run.lattice, run.x, run.contact, figure, run.fabric.thickness)

    def load(self, lay: TriedLay) -> Run:
        """The run of a lay that was tried."""
        return load_run(self.out / lay.folder / RUN_FILE)

    def put(self, values: Sequence[float] | Array) -> Put | None:
        """How the cloth is put down flat by ``values``; None for starts that do not put it down flat."""
        data = varied(self.freedom, values)[0]["lay"][0]
        sign = self.scene.sheet.inner_sign * {"lower": 1, "spread": -1}.get(data["do"], 0)
        if sign == 0:
            return None
        point, place = (1e-3 * np.array(data[key], float) for key in ("point_mm", "place_mm"))
        turn = float(np.radians(data.get("turn_deg", 0.0)))
        return Put(point, place, flat_axes(LowerStep((0.0, 0.0), (0.0, 0.0), turn), sign))


def read_journal(path: Path) -> tuple[dict[str, Any], list[dict[str, Any]], int]:
    """The head, the lays and the length in bytes of a journal; a line that was not written to its end is left out."""
    content = path.read_bytes()
    length = content.rfind(b"\n") + 1
    try:
        head, *lines = [json.loads(line) for line in content[:length].splitlines()]
    except ValueError:
        raise InputError(path, "", "this is no journal of a search", "start anew with --force") from None
    return head, lines, length


def _doubt_mm(verdict: Verdict) -> float:
    """By how much the verdict lets a gap be in error."""
    hysteresis = 0.0 if math.isnan(verdict.hysteresis) else verdict.hysteresis
    return round(1e3 * (verdict.uncertainty + hysteresis), 6)


def _rounded(names: Sequence[str], values: Array) -> dict[str, float]:
    return {name: round(float(value), 6) for name, value in zip(names, values, strict=True)}
