"""One lattice level brought to rest: the loop of relaxation, fresh contact, and damping that follows the motion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from drapesim.kernels.relax import Pace
from drapesim.mechanics.body_contact import ContactSet, no_contacts
from drapesim.mechanics.solve import (
    Motion,
    Problem,
    advance,
    choose_pace,
    find_touching,
    positions,
    residuals,
    stiffest_tangent,
    with_contact_inertia,
)

Array = np.ndarray

CHUNK = 40  # steps between looks at the sheet
PRELOAD_EVERY = 5  # chunks between updates of the contact preloads
PRELOAD_SHARE = 0.5
SUNK = 5e-6  # m of indentation that is left alone: each raise of the preloads sets the sheet ringing
RATES = 6  # looks of which the slower half sets the damping: a burst somewhere must not overdamp the rest
REACH = 4.0  # chunks of the fastest motion between searches
STRIDE = 2e-3  # m, farthest move between looks at the contact list
STRAY = 1e-4  # m
BAND = (2.5e-4, 8e-3)  # m, least and largest distance at which contacts are listed
DAMPING = (4.0, 400.0)  # 1/s
GENTLE = 15.0  # 1/s, least damping on coarse levels: the sheet comes down at g / 15 = 0.65 m/s, as from a hand


@dataclass(frozen=True)
class Progress:
    """What a run says of itself while it works; the callback decides how to show it."""

    stage: str
    spacing: float  # m
    level: int  # 0 is the coarsest
    levels: int
    steps: int
    residual_rms: float
    residual_max: float
    share: float  # of this level's way to rest, on the logarithm of the residual, 0..1
    seconds: float


Watch = Callable[["LevelState", str, float, float], None]


@dataclass
class LevelState:
    """All that moves on one level; enough to stop and go on."""

    problem: Problem
    motion: Motion
    found: ContactSet = field(default_factory=no_contacts)
    searched_at: Array | None = None  # (t, 3, 3) corners of each cloth triangle when it was last searched, m
    band: Array | None = None  # (t,) m, how far that search looked
    steps: int = 0
    damping: float = 0.0
    least_damping: float = DAMPING[0]
    tangent: float = 0.0  # stiffest link slope met lately, N/m
    history: list[tuple[float, float, float, float]] = field(default_factory=list)


def search(state: LevelState, pace: Pace, reach: float, wanted: Array | None = None) -> None:
    """List contacts of the ``wanted`` cloth triangles anew (all if None), for moves of up to ``reach`` (m)."""
    problem, motion = state.problem, state.motion
    band = float(np.clip(2.0 * reach, *BAND))
    x = problem_positions(state)
    state.found = find_touching(problem, x, band, state.found, wanted)
    motion.touch[:] = 0.0
    corners = x[problem.lattice.triangles]
    if wanted is None:
        state.searched_at, state.band = corners, np.full(len(corners), band)
    else:
        assert state.searched_at is not None  # a part is searched after the whole
        assert state.band is not None
        state.searched_at[wanted], state.band[wanted] = corners[wanted], band
    state.problem = with_contact_inertia(problem, state.found, pace)
    # inertia lent to a moving node (or taken back) is energy that no force has given: book it
    change = state.problem.fields.mass - problem.fields.mass
    motion.spent -= 0.5 * change * (motion.v**2).sum(0)


def search_moved(state: LevelState, pace: Pace, step: float, steps: int) -> None:
    """Search where it is due before ``steps`` steps of at most ``step`` (m) each.

    A triangle is due when the coming moves could leave what its list covers, or when it has strayed so far that its
    frozen planes no longer tell the truth: a tenth of a millimetre once the sheet is slow.
    """
    if state.problem.field is None:
        return
    if state.searched_at is None or state.band is None:
        search(state, pace, REACH * step * CHUNK)
        return
    corners = problem_positions(state)[state.problem.lattice.triangles]
    moved = np.abs(corners - state.searched_at).max((1, 2))
    reach = max(STRAY, REACH * step * CHUNK)
    due = (moved + step * steps > 0.5 * state.band) | (moved > reach)
    if due.any():
        search(state, pace, reach, np.flatnonzero(due | (moved > 0.5 * reach)))


def problem_positions(state: LevelState) -> Array:
    """(n, 3) node positions, m."""
    return positions(state.problem, state.motion)


def load_contacts(found: ContactSet, stiffness: float, share: float) -> None:
    """Move the load that contacts carry by indentation into their preload, so that they carry it without sinking in."""
    contacts = found.contacts
    pushing = np.maximum(0.0, contacts.preload - stiffness * contacts.last)
    contacts.preload[:] += share * (pushing - contacts.preload)


def sink_of(found: ContactSet) -> float:
    """Deepest indentation (m) of a listed contact past the cloth's own half thickness."""
    last = found.contacts.last
    return max(0.0, -float(last.min())) if len(last) else 0.0


def slow_rate(before: tuple[Array, Array], after: tuple[Array, Array], mass: Array) -> float:
    """Angular frequency (1/s) of the motion alive between two looks: Rayleigh quotient -dx . df / (dx . m dx)."""
    dx, df = after[0] - before[0], after[1] - before[1]
    moved = float((mass * (dx**2).sum(0)).sum())
    stiff = -float((dx * df).sum())
    return float(np.sqrt(max(stiff, 0.0) / moved)) if moved > 0 else 0.0


def take_chunk(state: LevelState) -> Pace:
    """One chunk of steps, with a fresh search whenever the sheet might otherwise meet what is not listed."""
    motion = state.motion
    if state.tangent == 0.0:
        advance(state.problem, motion, state.found, choose_pace(state.problem, 1.0, 0.0), 0)  # meets the first strains
    left = CHUNK
    while left > 0:
        state.tangent = max(stiffest_tangent(state.problem, motion), 0.9 * state.tangent)
        pace = choose_pace(state.problem, state.tangent, state.damping)
        step = float(np.abs(motion.v).max()) * pace.dt  # farthest move in one step, m
        if not np.isfinite(step):
            raise FloatingPointError
        steps = left if step * left <= STRIDE else max(1, int(STRIDE / step))
        search_moved(state, pace, step, steps)
        advance(state.problem, motion, state.found, pace, min(steps, left))
        left -= steps
    state.steps += CHUNK
    return pace


def run_on(state: LevelState, steps: int, watch: Watch) -> float:
    """Drive a resting sheet on for ``steps``; returns the largest move of a node, m."""
    before = problem_positions(state)
    farthest = 0.0
    for _ in range(-(-steps // CHUNK)):
        pace = take_chunk(state)
        farthest = max(farthest, float(np.linalg.norm(problem_positions(state) - before, axis=1).max()))
        watch(state, "watching it stay", *residuals(state.problem, state.motion))
    advance(state.problem, state.motion, state.found, pace, 0)
    return farthest


def relax_level(
    state: LevelState,
    goal: tuple[float, float],
    max_steps: int,
    sink: float,
    watch: Watch,
    looks: int = 3,
) -> bool:
    """Relax until rms and max residual are below ``goal`` at ``looks`` looks on end; False if out of steps.

    Between these looks all contacts are searched anew.

    ``sink`` (m): largest indentation of a contact allowed at the end. The state is left consistent at any interrupt.
    """
    motion = state.motion
    confirmed = 0
    look = None
    rates: list[float] = []
    chunk = 0
    started = state.steps
    while state.steps - started < max_steps:
        pace = take_chunk(state)
        problem = state.problem
        chunk += 1
        if chunk % PRELOAD_EVERY:
            continue
        rms, top = residuals(problem, motion)
        if not np.isfinite(rms):
            raise FloatingPointError
        now = (motion.x.copy(), motion.force + motion.touch)
        if look is not None:
            rate = slow_rate(look, now, problem.fields.mass)
            if rate > 0.0:
                rates.append(rate)
            slow = sorted(rates[-RATES:])[: RATES // 2]
            if slow:
                state.damping = float(np.clip(2.0 * slow[-1], state.least_damping, DAMPING[1]))
        look = now
        if sink_of(state.found) > SUNK:
            load_contacts(state.found, pace.stiffness, PRELOAD_SHARE)
        watch(state, "settling", rms, top)
        if rms < goal[0] and top < goal[1] and sink_of(state.found) <= sink:
            confirmed += 1
            if confirmed >= looks:
                return True
            search(state, pace, 0.0)
            problem = state.problem
        else:
            confirmed = 0
    return False
