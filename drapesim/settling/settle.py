"""Settling: from a starting shape to certified rest, coarse lattice first.

Rest is decided by force alone (settling.level). The last level ends only when its residual holds after fresh contact
searches; then it is driven on for a further tenth of its steps to see whether it stays, and the certificate measures
everything again on its own path.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from drapesim.ground.outcome import Ending, InputError
from drapesim.kernels.jit import use_threads
from drapesim.kernels.pairs import Found
from drapesim.matter.body import Body
from drapesim.matter.fabric import FabricCard
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import sample_sheet
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import carry_contacts, force_between_layers, placed
from drapesim.mechanics.energies import unpadded
from drapesim.mechanics.search import cleared
from drapesim.mechanics.solve import (
    Slopes,
    choose_pace,
    pose_problem,
    positions,
    start_motion,
    take_inertia,
)
from drapesim.settling.certificate import Certificate, certify, stored_with_hands
from drapesim.settling.exact import count_self_crossings
from drapesim.settling.level import (
    DAMPING,
    GENTLE,
    NOT_MET,
    STRAY,
    Crossed,
    FellOff,
    LevelState,
    Progress,
    relax_level,
    run_on,
    search,
)
from drapesim.settling.loads import PointLoads, lay_on, seed_push

Array = np.ndarray

STANDARD = SettleSettings()

COARSE_PATIENCE = 12  # a fold narrower than a cell is for a finer lattice
COARSE_GOAL = (0.2, 2.0)  # residual at which a coarse level hands over: the finer one changes the folds anyway
LEAST_NODES = 150  # a lattice is not coarsened below this
SERIAL_NODES = 2500  # below this one thread steps faster than two that wait for each other
MOST_THREADS = 8  # more gain little: the sheet then fits the caches
KEEP_EVERY = 60.0  # s between checkpoints
SINK_SHARE = 0.6  # of the penetration limit that a contact may be indented
ENDINGS = {Crossed: Ending.STUCK, FellOff: Ending.FELL_OFF, FloatingPointError: Ending.NOT_FINITE}
AIM = 0.03  # of each residual limit: softer parts still creep by hundredths of a millimetre at the limit itself


@dataclass(frozen=True)
class SettledSheet:
    """The sheet at the end of a run, settled or not.

    x (n, 3) node positions m; contact_force (n, 3) N on each node from body and support, layer_force (n, 3) N from
    other layers of the cloth; reaction (n, 3) N that the hand must exert on held nodes; history (k, 4): seconds,
    spacing m, residual rms, residual max; rest: see `keep_rest`.
    """

    lattice: Lattice
    x: Array
    contact_force: Array
    layer_force: Array
    reaction: Array
    ending: Ending
    certificate: Certificate
    history: Array
    rest: Checkpoint | None = None


@dataclass(frozen=True)
class Checkpoint:
    """Where an interrupted settle was: enough to go on, grips and energy account included; SI.

    ``level`` counts from the coarsest. x, v (n, 3) over that level's nodes; spent (2, rows) J; ``opening`` (J) is the
    energy it began with and ``lent`` (J) what its start had pressed into contacts. caution, patience: see `LevelState`.
    found_*: the contacts as `Found` has them; preload, anchor, push: what each carried. slopes (2,) N/m: see `Slopes`,
    zero before the first step.
    """

    level: int
    x: Array
    v: Array
    spent: Array
    opening: float
    lent: float
    caution: float
    patience: int
    steps: int
    damping: float
    slopes: Array  # (2,) N/m
    inertia: Array  # (n,) kg, what nodes are moved with: their own and what contacts have lent
    seconds: float
    history: Array
    found_node: Array
    found_weight: Array
    found_normal: Array
    found_point: Array
    found_gap: Array
    found_part: Array
    found_key: Array
    found_triangle: Array
    preload: Array
    anchor: Array
    push: Array


class Interrupted(Exception):  # noqa: N818 - the user asked for it: no error
    """Raised by `settle` when it is stopped from outside; carries the checkpoint."""

    def __init__(self, checkpoint: Checkpoint) -> None:
        self.checkpoint = checkpoint
        super().__init__(Ending.INTERRUPTED.value)


class LayInterrupted(Interrupted):
    """Raised when it is stopped while hands are at work: each finished step is kept, and there is no checkpoint."""

    def __init__(self) -> None:
        Exception.__init__(self, Ending.INTERRUPTED.value)


def coarsened(lattice: Lattice) -> Lattice | None:
    """Lattice of twice the spacing on the same piece, or None if it does not divide into whole cells."""
    nu, nv = lattice.cell.shape
    if nu % 2 or nv % 2:
        return None
    quarters = lattice.cell.reshape(nu // 2, 2, nv // 2, 2)
    cell = np.asarray(quarters.all(axis=(1, 3)))
    if not np.array_equal(cell, quarters.any(axis=(1, 3))):
        return None
    return Lattice(2.0 * lattice.spacing_u, 2.0 * lattice.spacing_v, cell, lattice.inner_sign)


def pile_levels(lattice: Lattice, levels: int) -> list[Lattice]:
    """At most ``levels`` coarser lattices before the given one, coarsest first."""
    pile = [lattice]
    while len(pile) <= levels:
        coarse = coarsened(pile[0])
        if coarse is None or len(coarse.ij) < LEAST_NODES:
            break
        pile.insert(0, coarse)
    return pile


def sampled(fine: Lattice, coarse: Lattice, values: Array) -> Array:
    """Node values of the coarse lattice, taken from the fine nodes they coincide with."""
    stride = round(coarse.spacing_u / fine.spacing_u)
    return values[fine.index[coarse.ij[:, 0] * stride, coarse.ij[:, 1] * stride]]


def prolonged(coarse: Lattice, fine: Lattice, values: Array) -> Array:
    """Node positions of the fine lattice, on the very triangles of the coarse one.

    Linear on purpose: the coarse triangles do not cross the body; a smoother curve would cut through what they lie on.
    """
    return sample_sheet(coarse, values, fine.uv)[0]


def settle(
    lattice: Lattice,
    card: FabricCard,
    x0: Array,
    body: Body | None = None,
    held: Array | None = None,
    friction: Array | None = None,
    settings: SettleSettings = STANDARD,
    gravity: tuple[float, float, float] = (0.0, 0.0, -9.80665),
    progress: Callable[[Progress], None] | None = None,
    resume: Checkpoint | None = None,
    keep: Callable[[Checkpoint], object] | None = None,
    hands: PointLoads | None = None,
    worked: float = 0.0,
) -> SettledSheet:
    """Bring the sheet from ``x0`` (n, 3) m to rest on ``body`` and certify it.

    held: (n,) bool, nodes that do not move. friction: (parts,) static coefficients, from the card if not given.
    gravity: m/s2. keep: called with a checkpoint about once a minute. hands: dead loads of hands, weights and bands
    that stay; they belong to the balance and to the energy account. worked: see `certify`; for sheets that begin at
    rest under loads and are only to be confirmed (the press test). Raises `Interrupted` (with a checkpoint) when
    stopped by the keyboard, and `InputError` for a sheet that passes through itself at the start; a run that does not
    settle comes back with its ending and a certificate that says so.
    """
    started = time.monotonic() - (0.0 if resume is None else resume.seconds)
    if resume is None:
        refuse_crossed(lattice, x0)
    field = prepare_body(body) if body is not None else None
    if friction is None:
        friction = np.array([card.friction[part.surface] for part in body.parts]) if body is not None else np.zeros(0)
    threads = use_threads(MOST_THREADS)
    pile = pile_levels(lattice, settings.levels)
    history = [] if resume is None else [tuple(row) for row in resume.history]
    first = 0 if resume is None else resume.level
    x = sampled(lattice, pile[0], x0) if resume is None else resume.x
    is_lost = False  # the coarser level could not be brought to rest at all
    for number in range(first, len(pile)):
        level = pile[number]
        is_last = number == len(pile) - 1
        if number > first:
            x = sampled(lattice, level, x0) if is_lost else prolonged(pile[number - 1], level, x)
            is_lost = False
        marks = None if held is None else sampled(lattice, level, held)
        blocks = share_out(level, threads)
        problem = pose_problem(level, card, field, np.asarray(friction, float), marks, np.asarray(gravity), blocks)
        least = DAMPING[0] if is_last else GENTLE
        loads = None if hands is None else lay_on(problem, hands)
        if number > first:
            x = cleared(problem, x)
        state = LevelState(problem, start_motion(problem, x), history=history, damping=least, least_damping=least)
        if not is_last:
            state.patience = COARSE_PATIENCE
        if loads is not None:
            _press_in(state, loads)
        opening = stored_with_hands(problem, state.motion, loads)
        if resume is not None and number == first:
            opening = resume.opening
            take_up(state, resume)
        goal = (AIM * settings.residual_rms, AIM * settings.residual_max) if is_last else COARSE_GOAL
        watch = _Watch(progress, keep, number, len(pile), started, goal, opening)
        stay, failed, rested = np.inf, None, False
        try:
            sink = SINK_SHARE * settings.penetration
            looks = 3 if is_last else 1
            rested = relax_level(state, goal, settings.max_steps, sink if is_last else np.inf, watch, looks)
            while is_last and rested and stay > settings.stay:
                # a long soft pendulum still swings by millimetres at a thousandth of its weight: ask for less force
                goal = (0.5 * goal[0], 0.5 * goal[1])
                stay = run_on(state, max(1, state.steps // 10), watch)
                if stay > settings.stay:
                    rested = relax_level(state, goal, settings.max_steps, sink, watch)
            if is_last:
                certificate = certify(state, settings, stay, opening, time.monotonic() - started, loads, worked)
        except KeyboardInterrupt:
            raise Interrupted(watch.checkpoint(state)) from None
        except (FloatingPointError, Crossed, FellOff) as fault:
            if not is_last and not isinstance(fault, FloatingPointError):
                is_lost = True  # too coarse for these folds or this hold: the next lattice goes from its own start
                continue
            failed = ENDINGS[type(fault)]
            certificate = certify(state, settings, stay, opening, time.monotonic() - started, loads, worked)
            break
        x = positions(state.problem, state.motion)
    return _finished(state, lattice, certificate, rested, failed)


def _press_in(state: LevelState, loads: Array) -> None:
    """Give contacts the preloads that bear the dead ``loads`` (n, 3) N of hands; a level begins with none."""
    pace = choose_pace(state.problem, Slopes(1.0, 1.0), 0.0)
    if not search(state, pace, STRAY):
        return  # the sheet passes through itself: the first chunk finds that out
    contacts = state.found.contacts
    contacts.preload[:] = seed_push(state.found, loads)
    pushed = np.maximum(0.0, contacts.preload - pace.stiffness * contacts.last)
    state.lent = 0.5 * float((pushed**2).sum()) / pace.stiffness


def share_out(lattice: Lattice, threads: int) -> int:
    """Into how many blocks a step's work is cut, one a thread; searches may use all ``threads`` on any lattice."""
    return threads if len(lattice.ij) > SERIAL_NODES else 1


def refuse_crossed(lattice: Lattice, x0: Array) -> None:
    """Raise `InputError`, with the places on the flat map, if the sheet at ``x0`` (n, 3) m passes through itself."""
    if not np.isfinite(x0).all():
        return  # the certificate says so
    count, pairs = count_self_crossings(x0, lattice.triangles)
    if count:
        (u0, v0), (u1, v1) = (1e3 * lattice.uv[lattice.triangles[t]].mean(axis=0) for t in pairs[0])
        at = f"at u = {u0:.0f}, v = {v0:.0f} mm it meets u = {u1:.0f}, v = {v1:.0f} mm of the flat map"
        problem = f"the sheet passes through itself before it is let go ({count} places; {at})"
        raise InputError("", "lay", problem, "start it with its layers apart")


@dataclass
class _Watch:
    """Turns the level's looks into history and progress."""

    progress: Callable[[Progress], None] | None
    keep: Callable[[Checkpoint], object] | None
    level: int
    levels: int
    started: float
    goal: tuple[float, float]
    opening: float
    worst: float = 0.0
    kept: float = 0.0

    def __call__(self, state: LevelState, stage: str, rms: float, top: float) -> None:
        seconds = time.monotonic() - self.started
        spacing = state.problem.lattice.spacing_u
        if not state.history or seconds - state.history[-1][0] > 0.25:
            state.history.append((seconds, spacing, rms, top))
        if self.keep is not None and seconds - self.kept > KEEP_EVERY:
            self.kept = seconds
            self.keep(self.checkpoint(state))
        if self.progress is None:
            return
        self.worst = max(self.worst, rms)
        way = np.log(self.worst / self.goal[0])
        share = float(np.clip(np.log(self.worst / max(rms, 1e-300)) / way, 0.0, 1.0)) if way > 0 else 1.0
        self.progress(Progress(stage, spacing, self.level, self.levels, state.steps, rms, top, share, seconds))

    def checkpoint(self, state: LevelState) -> Checkpoint:
        """The state of this level, to go on from."""
        return keep_state(state, self.level, self.opening, time.monotonic() - self.started)


def keep_state(state: LevelState, level: int, opening: float, seconds: float) -> Checkpoint:
    """All of a moving ``state``, to be gone on from; the other arguments as in `Checkpoint`."""
    lattice, motion, contacts = state.problem.lattice, state.motion, state.found.contacts
    return Checkpoint(
        level=level,
        x=unpadded(lattice, motion.x),
        v=unpadded(lattice, motion.v),
        spent=motion.spent.copy(),
        opening=opening,
        lent=state.lent,
        caution=state.caution,
        patience=state.patience,
        steps=state.steps,
        damping=state.damping,
        slopes=np.array(state.slopes),
        inertia=unpadded(lattice, motion.inertia.mass),
        seconds=seconds,
        history=np.array(state.history).reshape(-1, 4),
        **{f"found_{name}": array for name, array in state.found.found._asdict().items()},
        preload=contacts.preload,
        anchor=contacts.anchor,
        push=contacts.force,
    )


def keep_rest(state: LevelState) -> Checkpoint:
    """What a sheet at rest must be taken up with to stay where it is: what contacts carry and have gripped.

    Of contacts only those that carry something, with no motion, no energy account and no history.
    """
    whole = keep_state(state, 0, 0.0, 0.0)
    rows = np.flatnonzero((whole.preload != 0.0) | (whole.push != 0.0).any(axis=1))
    names = [field.name for field in fields(Checkpoint) if field.name.startswith("found_")]
    carried: dict[str, Any] = {
        name: np.ascontiguousarray(getattr(whole, name)[rows]) for name in (*names, "preload", "anchor", "push")
    }
    found = placed(Found(*(carried[name] for name in names)), whole.x)  # gaps as they are now: nothing is under way
    still = {
        "found_gap": found.gap,
        "v": np.zeros_like(whole.v),
        "spent": np.zeros((2, 1)),
        "history": np.zeros((0, 4)),
    }
    return replace(whole, **{**carried, **still})


def take_up(state: LevelState, resume: Checkpoint) -> None:
    """Put a level back to where the checkpoint left it; the first search then knows its contacts again."""
    problem = state.problem
    state.motion = start_motion(problem, resume.x, resume.v)
    take_inertia(problem, state.motion, resume.inertia)
    state.motion.spent[:] = resume.spent
    state.steps, state.damping = resume.steps, resume.damping
    state.body = state.layers = state.calm = None  # where another list was searched for says nothing of this one
    state.slopes = Slopes(*resume.slopes.tolist()) if resume.slopes.any() else NOT_MET
    state.lent, state.caution, state.patience = resume.lent, resume.caution, resume.patience
    found = Found(*(getattr(resume, f"found_{name}") for name in Found._fields))
    carried = (resume.preload, resume.anchor, resume.push)
    state.found = carry_contacts(problem.lattice, found, problem.card.thickness, problem.friction, *carried)


def _finished(
    state: LevelState, final: Lattice, certificate: Certificate, rested: bool, failed: Ending | None
) -> SettledSheet:
    lattice, motion = state.problem.lattice, state.motion
    x = unpadded(lattice, motion.x)
    if len(x) != len(final.ij):  # a coarse level has failed: there is no sheet to show
        nothing = np.full((len(final.ij), 3), np.nan)
        history = np.array(state.history).reshape(-1, 4)
        ending = failed or Ending.NOT_FINITE
        return SettledSheet(final, nothing, nothing, nothing, nothing, ending, certificate, history)
    if certificate.settled:
        ending = Ending.SETTLED
    elif failed is not None:
        ending = failed
    elif not np.isfinite(x).all():
        ending = Ending.NOT_FINITE
    else:
        ending = Ending.CERTIFICATE_FAILED if rested else Ending.OUT_OF_STEPS
    touch = unpadded(lattice, motion.touch)
    reaction = np.zeros_like(x)
    if state.problem.held is not None:
        held = state.problem.held
        reaction[held] = -(unpadded(lattice, motion.force) + touch)[held]
    between = force_between_layers(state.found, len(x))
    history = np.array(state.history).reshape(-1, 4)
    rest = keep_rest(state) if certificate.settled else None
    return SettledSheet(lattice, x, touch - between, between, reaction, ending, certificate, history, rest)
