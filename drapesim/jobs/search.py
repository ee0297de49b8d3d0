"""The search for a lay: over what a scene leaves free, the lay that does most of what is claimed.

1. At the coarse spacing: the scene's own lay; the lay that the claims alone suggest; then, again and again, the lay
   that the best ones so far, moved, let expect (`judging.placement`), until nothing new comes of it.
2. Where more is free than how the cloth is put down: lays spread evenly over all of that, and from the best of them
   the derivative-free trust-region method COBYQA (Ragonneau and Zhang, in scipy) on the score, and 1. again.
3. The best lays that differ are settled at the scene's own spacing, and the best of these is moved as in 1.

Each lay is a run with its certificate. All choices come from what the lays answer and the scene's seed, so a search
that is walked again takes the same way (`jobs.tried`).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.jobs.run import check_spacing, make_folder
from drapesim.jobs.tried import Trials, TriedLay
from drapesim.judging.conflicts import all_conflicts
from drapesim.judging.placement import Put, find_targets, guess_put, predict_put
from drapesim.judging.shortfall import Ground, Pattern, take_pattern
from drapesim.matter.freedom import Axis, Freedom, read_freedom
from drapesim.matter.plan import Scene, read_scene
from drapesim.settling.level import Progress

Array = np.ndarray

OWN, GUESS, MOVED, SPREAD, VARIED, CONFIRMED = (
    "the scene's own", "first guess", "moved", "spread out", "varied", "confirmed",
)  # fmt: skip
MOVES, FINE_MOVES = 6, 3  # lays at most that come of moving the best ones, at each spacing
VAIN = 2  # moves in a row that come to nothing end it
POOL = 3  # lays whose predictions are averaged: each holds what folds happened to form
SPREAD_LAYS = 6  # for each further number that is free
FINENESS = {"mm": 0.5, "degrees": 0.05}  # values nearer than this are one lay; of other units 0.5 % of what is free
APART = 6.0  # times that, for two lays to be told apart among the best
WORSE = 0.1  # of the score, beyond the best one's: such lays are not worth confirming
LEVEL = 1e-3  # mm, of a shortfall that rounding alone makes
TRUST = (0.15, 0.01)  # of what is free: radius that COBYQA begins and ends with
PUTTING = ("place_mm", "turn_deg", "point_mm")  # keys of the first step that say how the cloth is put down


@dataclass(frozen=True)
class Nearest:
    """Of the lays that meet a claim, the one whose values lie nearest those of the best lay."""

    lay: TriedLay
    changes: tuple[float, ...]  # its values less the best lay's, in the axes' units
    gives_up: tuple[str, ...]  # claims that the best lay does not fail and this one does
    leaves_open: tuple[str, ...]  # claims that the best lay meets, and of which this one may


@dataclass(frozen=True)
class Unmet:
    """A claim that the best lay fails: by how many mm its tolerance or place falls short there, and who meets it."""

    mark: str
    short_mm: float
    nearest: Nearest | None


@dataclass(frozen=True)
class Conflict:
    """Claims of which no tried lay meets all; ``closest`` among the confirmed ones, and how much each falls short."""

    marks: tuple[str, ...]
    closest: TriedLay | None
    short_mm: tuple[float, ...]

    @property
    def worst_mm(self) -> float:
        """What every tolerance and place would have to give way for the closest lay to meet all."""
        return max(self.short_mm, default=float("nan"))


@dataclass(frozen=True)
class Pointed:
    """Where several settled lays, moved over their cloth, together let expect the least miss: ``values`` on the axes,
    and ``spread``, half of how far apart the lays' own answers lie. A guess, steadier than which lay came out best."""

    lays: tuple[int, ...]
    values: tuple[float, ...]
    spread: tuple[float, ...]


@dataclass(frozen=True)
class Found:
    """What came of a search. ``best``: the lays at the scene's spacing, the best first. ``allowances_mm``: by mark, the
    shortfall that the coarse spacing alone makes, measured on lays settled at both; it is granted to coarse lays.
    ``untold`` and ``cut_at``: of the conflicts, as in `judging.conflicts.Conflicts`."""

    freedom: Freedom
    scene: Scene
    tried: tuple[TriedLay, ...]
    best: tuple[TriedLay, ...]
    allowances_mm: dict[str, float]
    unmet: tuple[Unmet, ...]
    conflicts: tuple[Conflict, ...]
    pointed: Pointed | None
    untold: int = 0
    cut_at: int = 0


def search_scene(
    path: Path,
    out: Path,
    resume: bool = False,
    force: bool = False,
    progress: Callable[[Progress], None] | None = None,
    tell: Callable[[TriedLay | None, str, float], None] | None = None,
    expect: Callable[[int], None] = lambda _: None,
) -> Found:
    """Search for the lay of the scene at ``path`` that meets most claims; runs and journal go to the folder ``out``.

    ``progress`` hears of each settle, ``tell`` of each lay before (None) and after it is tried, with its stage and
    spacing (mm), ``expect`` at first how many lays there will be at the coarse spacing at most. ``resume`` goes on with
    an interrupted search, ``force`` replaces one. Raises `InputError` before anything is written, and
    `KeyboardInterrupt` or `Interrupted` when stopped, with all that was tried kept.
    """
    freedom = read_freedom(path)
    scene = read_scene(path)
    if not scene.marks:
        raise InputError(path, "flat_map.marks", "the scene has no marks, so no lay is better than another", "add them")
    check_spacing(freedom.spacing_mm, scene.sheet.length, scene.sheet.width)
    if freedom.spacing_mm < 1e3 * scene.sheet.spacing:
        problem = f"the search's spacing of {freedom.spacing_mm:g} mm is finer than the scene's"
        raise InputError(path, "search.coarse_spacing_mm", problem, "give at least the scene's")
    trials = Trials(freedom, scene, out, progress)
    trials.check(resume, force)
    make_folder(out)
    trials.start(resume)
    if tell is not None:
        trials.tell = tell
    walk = Walk(trials)
    expect(walk.most_coarse)
    walk.walk()
    return weigh(trials, walk.point())


class Walk:
    """The way from lay to lay; see the top of this file."""

    def __init__(self, trials: Trials) -> None:
        self.trials = trials
        self.axes = trials.freedom.axes
        self.low = np.array([axis.low for axis in self.axes])
        self.high = np.array([axis.high for axis in self.axes])
        self.fineness = np.array([FINENESS.get(a.unit, 0.005 * (a.high - a.low)) for a in self.axes])
        can_move = trials.put(trials.freedom.start) is not None and bool(take_pattern(trials.scene.marks).marks)
        self.putting = [n for n, axis in enumerate(self.axes) if can_move and is_putting(axis)]
        self.others = [n for n in range(len(self.axes)) if n not in self.putting]
        self.grounds: dict[int, tuple[Pattern, Ground | None]] = {}

    @property
    def most_coarse(self) -> int:
        """How many lays are tried at the coarse spacing at most."""
        granted = self.trials.freedom.most_lays
        return granted if self.others else min(granted, 2 + MOVES)

    def walk(self) -> None:
        coarse = self.trials.freedom.spacing_mm
        self.trials.try_lay(self.trials.freedom.start, coarse, OWN)
        if self.putting:
            self.guess(coarse)
            self.move(coarse, MOVES)
        if self.others:
            self.vary(coarse)
            if self.putting:
                self.move(coarse, MOVES)
        for lay in self.pick(coarse, self.trials.freedom.confirm):
            self.trials.try_lay(lay.values, self.trials.fine_mm, CONFIRMED)
        if self.putting:
            self.move(self.trials.fine_mm, FINE_MOVES)

    def lays(self, spacing: float) -> list[TriedLay]:
        """All tried at ``spacing`` (mm), the best first."""
        return sorted((lay for lay in self.trials.tried if lay.spacing_mm == spacing), key=lambda lay: lay.score)

    def is_full(self, spacing: float) -> bool:
        return spacing == self.trials.freedom.spacing_mm and len(self.lays(spacing)) >= self.trials.freedom.most_lays

    def are_near(self, a: Sequence[float] | Array, b: Sequence[float], times: float = 1.0) -> bool:
        return bool((np.abs(np.array(a) - np.array(b)) <= times * self.fineness).all())

    def guess(self, spacing: float) -> None:
        """The lay that the claims alone suggest."""
        targets = find_targets(self.trials.scene.marks, self.trials.scene.body)
        if len(targets[0]) < 2:
            return
        base = np.array(self.trials.freedom.start)
        low, high = self.low[self.putting], self.high[self.putting]
        values = guess_put(targets, lambda part: self.put(base, part), low, high, self.trials.scene.seed)
        self.trials.try_lay(self.filled(base, values), spacing, GUESS)

    def filled(self, base: Array, part: Array) -> Array:
        """``base`` with ``part`` on the axes that put the cloth down."""
        whole = np.array(base, float)
        whole[self.putting] = part
        return whole

    def put(self, base: Array, part: Array) -> Put:
        put = self.trials.put(self.filled(base, part))
        assert put is not None
        return put

    def read(self, lay: TriedLay) -> tuple[Pattern, Ground | None]:
        if lay.number not in self.grounds:
            self.grounds[lay.number] = self.trials.read(self.trials.load(lay))
        return self.grounds[lay.number]

    def move(self, spacing: float, most: int) -> None:
        """Try what the best lays let expect of the cloth put down otherwise, until nothing new or better comes."""
        vain = 0
        for _ in range(most):
            settled = [lay for lay in self.lays(spacing) if lay.settled]
            if not settled or self.is_full(spacing):
                return
            best = settled[0]
            values = self.predict(best, self.pool(best, settled))
            if any(self.are_near(values, lay.values) for lay in self.lays(spacing)):
                return
            lay = self.trials.try_lay(values, spacing, MOVED)
            vain = 0 if lay.settled and lay.score < best.score else vain + 1
            if vain == VAIN:
                return

    def pool(self, best: TriedLay, settled: Sequence[TriedLay]) -> list[TriedLay]:
        """The best lays that have the best one's values in all but how the cloth is put down."""
        others = np.array(best.values)[self.others]
        return [lay for lay in settled if (np.array(lay.values)[self.others] == others).all()][:POOL]

    def predict(self, best: TriedLay, pool: Sequence[TriedLay]) -> Array:
        """The best lay's values, with the cloth put down where the lays of ``pool`` together let expect least miss."""
        base = np.array(best.values)
        lays = []
        for lay in pool:
            pattern, ground = self.read(lay)
            put = self.trials.put(lay.values)
            assert put is not None
            if ground is not None:
                lays.append((put, ground))
        low, high = self.low[self.putting], self.high[self.putting]
        part, _ = predict_put(pattern, lays, lambda p: self.put(base, p), low, high, self.trials.scene.seed)
        return self.filled(base, part)

    def point(self) -> Pointed | None:
        """What the best lays at the scene's own spacing point to together; None where there are not two of them."""
        settled = [lay for lay in self.lays(self.trials.fine_mm) if lay.settled]
        if not self.putting or len(settled) < 2:
            return None
        pool = self.pool(settled[0], settled)
        if len(pool) < 2:
            return None
        alone = np.array([self.predict(settled[0], [lay]) for lay in pool])
        values, spread = self.predict(settled[0], pool), 0.5 * np.ptp(alone, axis=0)
        return Pointed(tuple(lay.number for lay in pool), tuple(values.tolist()), tuple(spread.tolist()))

    def vary(self, spacing: float) -> None:
        """Spread lays over all that is free besides, then COBYQA from the best."""
        from scipy.optimize import minimize
        from scipy.stats import qmc

        best = np.array(self.lays(spacing)[0].values)
        count = SPREAD_LAYS * len(self.others)
        count = min(count, max(1, (self.trials.freedom.most_lays - len(self.lays(spacing))) // 2))
        cube = qmc.LatinHypercube(len(self.others), seed=self.trials.scene.seed).random(count)
        span = self.high - self.low
        for row in cube:
            values = best.copy()
            values[self.others] = self.low[self.others] + span[self.others] * row
            if self.is_full(spacing):
                return
            self.trials.try_lay(values, spacing, SPREAD)
        left = self.trials.freedom.most_lays - len(self.lays(spacing))
        if left < len(self.axes) + 2:  # too few for a model of the score
            return
        start = (np.array(self.lays(spacing)[0].values) - self.low) / span

        def score(share: Array) -> float:
            values = self.low + span * np.clip(share, 0.0, 1.0)
            known = self.trials.find(values, spacing)
            if known is None and self.is_full(spacing):
                raise _Full
            return self.trials.try_lay(values, spacing, VARIED).score

        bounds = [(0.0, 1.0)] * len(span)
        options = {"maxfev": left, "initial_tr_radius": TRUST[0], "final_tr_radius": TRUST[1]}
        with contextlib.suppress(_Full):
            minimize(score, start, method="COBYQA", bounds=bounds, options=options)

    def pick(self, spacing: float, count: int) -> list[TriedLay]:
        """The best settled lays that differ from each other."""
        picked: list[TriedLay] = []
        for lay in [lay for lay in self.lays(spacing) if lay.settled]:
            is_new = not any(self.are_near(lay.values, other.values, APART) for other in picked)
            is_worth_it = not picked or lay.score <= picked[0].score + WORSE
            if is_new and is_worth_it and len(picked) < count:
                picked.append(lay)
        return picked


class _Full(Exception):  # noqa: N818 - no error: the lays that were granted are used up
    pass


def is_putting(axis: Axis) -> bool:
    """Is it a number that says how the cloth is put down?"""
    return axis.keys[:2] == ("lay", 0) and axis.keys[2] in PUTTING


def weigh(trials: Trials, pointed: Pointed | None = None) -> Found:
    """The best lays, what they do not meet, and which claims conflict among all that were tried."""
    settled = [lay for lay in trials.tried if lay.settled]
    best = sorted(
        (lay for lay in settled if trials.is_fine(lay.spacing_mm)),
        key=lambda lay: (-lay.met, -lay.undecided, lay.score, lay.number),
    )
    granted = measure_allowances(settled, trials.fine_mm)
    confirmed = {lay.values for lay in best}  # what a coarse lay of these answers, its fine twin answers better
    judged = [lay for lay in settled if trials.is_fine(lay.spacing_mm) or lay.values not in confirmed]
    failed = {lay.number: find_failed(lay, None if trials.is_fine(lay.spacing_mm) else granted) for lay in judged}
    sets = all_conflicts([failed[lay.number] for lay in judged])
    conflicts = []
    for marks in sets.sets:
        known = [lay for lay in best if all(mark in lay.short_mm for mark in marks)]
        closest = min(known, key=lambda lay: max(lay.short_mm[mark] for mark in marks), default=None)
        short = () if closest is None else tuple(closest.short_mm[mark] for mark in marks)
        conflicts.append(Conflict(marks, closest, short))
    unmet: tuple[Unmet, ...] = ()
    if best:
        spans = np.array([axis.high - axis.low for axis in trials.freedom.axes])
        unmet = tuple(
            Unmet(mark, best[0].short_mm.get(mark, float("nan")), _find_nearest(mark, best[0], judged, failed, spans))
            for mark in sorted(failed[best[0].number])
        )
    return Found(
        trials.freedom, trials.scene, tuple(trials.tried), tuple(best), granted, unmet, tuple(conflicts), pointed,
        sets.untold, sets.cut_at,
    )  # fmt: skip


def measure_allowances(settled: Sequence[TriedLay], fine_mm: float) -> dict[str, float]:
    """Mark -> mm: the most by which its claim falls shorter in a coarse lay than in the same lay at the scene's own
    spacing; 0 where no lay was settled at both."""
    fine = {lay.values: lay for lay in settled if lay.spacing_mm == fine_mm}
    pairs = [(lay, fine[lay.values]) for lay in settled if lay.spacing_mm != fine_mm and lay.values in fine]
    granted: dict[str, float] = {}
    for coarse, own in pairs:
        for mark, short in coarse.short_mm.items():
            granted[mark] = max(granted.get(mark, 0.0), short - own.short_mm[mark])
    return granted


def find_failed(lay: TriedLay, allowances: dict[str, float] | None) -> frozenset[str]:
    """The claims that a lay does not meet.

    At the scene's own spacing (``allowances`` None) by the verdicts; at the wide one by the verdicts too, if the claim
    falls short by more than is granted. What is undecided is not failed, but at the wide spacing, which leaves many
    verdicts open, where it falls short by more than is granted and the verdict's uncertainty together.
    """

    def fails(mark: str, meets: bool | None) -> bool:
        if allowances is None or mark not in lay.short_mm or meets is True:
            return meets is False
        doubt = 0.0 if meets is False else lay.doubt_mm.get(mark, math.inf)
        return lay.short_mm[mark] > allowances.get(mark, 0.0) + doubt + LEVEL

    return frozenset(mark for mark, meets in lay.meets.items() if fails(mark, meets))


def count_possible(found: Found, lay: TriedLay) -> int:
    """Claims that a lay meets or may meet, as far as its spacing tells."""
    return len(lay.meets) - len(find_failed(lay, None if lay in found.best else found.allowances_mm))


def _find_nearest(
    mark: str, best: TriedLay, settled: Sequence[TriedLay], failed: dict[int, frozenset[str]], spans: Array
) -> Nearest | None:
    def away(lay: TriedLay) -> float:
        return float(np.linalg.norm((np.array(lay.values) - np.array(best.values)) / spans))

    able = [lay for lay in settled if mark not in failed[lay.number]]
    if not able:
        return None
    lay = min(able, key=lambda lay: (away(lay), lay.number))
    changes = tuple(float(b - a) for a, b in zip(best.values, lay.values, strict=True))
    sure = {mark for mark, meets in best.meets.items() if meets is True} - failed[lay.number]
    is_open = tuple(sorted(mark for mark in sure if lay.meets.get(mark) is not True))
    return Nearest(lay, changes, tuple(sorted(failed[lay.number] - failed[best.number])), is_open)
