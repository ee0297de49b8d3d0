"""One lattice level brought to rest: the loop of relaxation, fresh contact, and damping that follows the motion."""

from __future__ import annotations

import time
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
BAND = (2.5e-4, 8e-3)  # m, least and largest distance at which contacts are listed
DAMPING = (4.0, 400.0)  # 1/s


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
    searched_at: Array | None = None  # padded positions at the last search
    band: float = BAND[1]
    steps: int = 0
    damping: float = DAMPING[0]
    history: list[tuple[float, float, float, float]] = field(default_factory=list)


def search(state: LevelState, pace: Pace, reach: float) -> None:
    """List contacts anew; ``reach`` (m) is how far the sheet may move before the next search."""
    problem, motion = state.problem, state.motion
    state.band = float(np.clip(2.0 * reach, *BAND))
    x = problem_positions(state)
    state.found = find_touching(problem, x, state.band, state.found)
    motion.touch[:] = 0.0
    state.searched_at = motion.x.copy()
    state.problem = with_contact_inertia(problem, state.found, pace)


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


def take_chunk(state: LevelState, pace: Pace) -> None:
    """One chunk of steps, after a fresh search if the sheet might otherwise meet what is not listed."""
    motion = state.motion
    stride = float(np.abs(motion.v).max()) * pace.dt * CHUNK
    moved = np.inf if state.searched_at is None else float(np.abs(motion.x - state.searched_at).max())
    if moved + stride > 0.5 * state.band:
        search(state, pace, 3.0 * stride)
    advance(state.problem, motion, state.found, pace, CHUNK)
    state.steps += CHUNK


def run_on(state: LevelState, steps: int, watch: Watch) -> float:
    """Drive a resting sheet on for ``steps``; returns the largest move of a node, m."""
    before = problem_positions(state)
    pace = choose_pace(state.problem, stiffest_tangent(state.problem, before), state.damping)
    farthest = 0.0
    for _ in range(-(-steps // CHUNK)):
        take_chunk(state, pace)
        farthest = max(farthest, float(np.linalg.norm(problem_positions(state) - before, axis=1).max()))
        watch(state, "watching it stay", *residuals(state.problem, state.motion))
    search(state, pace, 0.0)
    advance(state.problem, state.motion, state.found, pace, 0)
    return farthest


def relax_level(
    state: LevelState,
    goal: tuple[float, float],
    max_steps: int,
    sink: float,
    watch: Watch,
) -> bool:
    """Relax until rms and max residual are below ``goal`` with contacts freshly searched; False if out of steps.

    ``sink`` (m): largest indentation of a contact allowed at the end. The state is left consistent at any interrupt.
    """
    problem, motion = state.problem, state.motion
    tangent = stiffest_tangent(problem, problem_positions(state))
    pace = choose_pace(problem, tangent, state.damping)
    confirmed = 0
    look = None
    chunk = 0
    started = state.steps
    while state.steps - started < max_steps:
        take_chunk(state, pace)
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
            state.damping = float(np.clip(0.7 * state.damping + 0.3 * 2.0 * rate, *DAMPING))
        look = now
        load_contacts(state.found, pace.stiffness, PRELOAD_SHARE)
        if chunk % (4 * PRELOAD_EVERY) == 0:
            tangent = stiffest_tangent(problem, problem_positions(state))
        pace = choose_pace(problem, tangent, state.damping)
        watch(state, "settling", rms, top)
        if rms < goal[0] and top < goal[1] and sink_of(state.found) <= sink:
            confirmed += 1
            if confirmed >= 3:
                return True
            search(state, pace, 0.0)
            problem = state.problem
        else:
            confirmed = 0
    return False
