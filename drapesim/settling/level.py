"""One lattice level brought to rest: the loop of relaxation, fresh contact, and damping that follows the motion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from drapesim.kernels.layers import SELF, layer_triangles
from drapesim.kernels.relax import Pace
from drapesim.mechanics.contact_list import ContactSet, kept_apart, no_contacts
from drapesim.mechanics.search import aimed, find_touching
from drapesim.mechanics.solve import (
    Motion,
    Problem,
    Slopes,
    advance,
    choose_pace,
    plain_inertia,
    positions,
    residuals,
    shortened,
    steepest_slopes,
    top_speed,
)
from drapesim.settling.cover import Cover, cover_anew, find_strayed

Array = np.ndarray

CHUNK = 40  # steps between looks at the sheet
PRELOAD_EVERY = 5  # chunks between updates of the contact preloads
SUNK, HOVER = 12e-6, 8e-6  # m of indentation, and of gap pushed across, left alone: new preloads set the sheet ringing
UNDER = 0.8  # of what is allowed at the end: less is left alone only where it may stay
HOVER_SHARE = 0.3  # of the indentation allowed at the end that a contact may push across: the certificate allows 10 um
RATES = 6  # looks of which the slower half sets the damping: a burst somewhere must not overdamp the rest
EASY, EASY_SPEED, EASY_DAMPING = 400, 0.125, 2000.0
"""Steps at the start of a level that are shorter, by what, and their damping (1/s). Strained links of a start, and
kinks of the coarser lattice, go off in the quickest waves the lattice has: taken out here, they disturb nothing else.
At the usual step a sum of force times way misses percents of what a kinked load-extension curve does in such waves (the
rule is exact for straight curves only), and the energy does not close; at a quarter of it, 0.2 %."""
REACH = 4.0  # times the present speed that a node may come to have before the next look
STRIDE, STRIDE_IN_CELLS = 2e-3, 0.15  # m, and share of the spacing: farthest move between looks at the contact list
STRAY = 1e-4  # m
TOUCHING, SLID = 5e-4, 1e-3  # m
"""A triangle with a contact nearer than the first, and those that share a node with it, are searched again once they
have gone the second, however fast the sheet is: other features of the body are the nearest by then, and what is not
listed is sunk into unfelt."""
MOVED = 1e-10  # m
ROOM = 0.5  # of a cell's band that it may use up: the other one of a pair may too, in the same time or before
NEAR = 5e-5  # m, least way between looks
CAUTION = 0.25  # on the stride, each time the sheet has passed through itself
LEAST_CAUTION = 1e-5  # 20 nm a move
PATIENCE = 200  # times that a sheet may pass through itself on one lattice before it is given up
TRUST = 1.2  # on the stride, each chunk without
NOT_MET = Slopes(0.0, 0.0)
BAND = (2.5e-4, 8e-3)  # m, least and largest distance at which contacts are listed
DAMPING = (4.0, 400.0)  # 1/s
GENTLE = 15.0  # 1/s, least damping on coarse levels: the sheet comes down at g / 15 = 0.65 m/s at most, as from a hand


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


class Crossed(Exception):  # noqa: N818 - the sheet's fault, not the program's
    """The sheet passes through itself in moves as small as they get, or again and again."""


class FellOff(Exception):  # noqa: N818 - the lay's fault, not the program's
    """Nobody holds the sheet, and all of it has fallen below all that it could lie on: it would fall for ever."""


@dataclass(frozen=True)
class Calm:
    """Where the sheet was when it was last found free of crossings."""

    x: Array
    spent: Array
    kinetic: Array  # (NU,) J, what goes with the velocity
    found: ContactSet


@dataclass
class LevelState:
    """All that moves on one level; enough to stop and go on."""

    problem: Problem
    motion: Motion
    found: ContactSet = field(default_factory=no_contacts)
    body: Cover | None = None  # of the search for the body
    layers: Cover | None = None  # and of that for other layers, whose two triangles of a cell go together
    calm: Calm | None = None
    lent: float = 0.0  # J, put into contacts by the start or with their preloads: they may give it back
    caution: float = 1.0  # share of the usual stride between looks at the contact list
    patience: int = PATIENCE  # times that it may pass through itself yet
    steps: int = 0
    damping: float = 0.0
    least_damping: float = DAMPING[0]
    slopes: Slopes = NOT_MET  # how stiff the lattice was lately
    history: list[tuple[float, float, float, float]] = field(default_factory=list)


def search(
    state: LevelState,
    pace: Pace,
    reach: float,
    wanted: Array | None = None,
    due: Array | None = None,
    near: Array | None = None,
) -> bool:
    """List contacts anew, for moves of up to ``reach`` (m); False if the sheet passes through itself now.

    ``wanted`` (t,) bool: cloth triangles to search for the body; ``due`` (t,) bool: those to search for other layers,
    both of a cell; all if None. ``near`` (t,) bool: those that will be searched again after `SLID` and need not look
    farther, none if None. A state that passes through itself is not taken up.
    """
    problem, motion = state.problem, state.motion
    weave = problem.weave
    band = float(np.clip(2.0 * reach, *BAND))
    layer_band = min(band, weave.widest)
    bands = band if near is None else np.where(near, min(band, SLID + reach), band)
    x = problem_positions(state)
    of_body = bands if wanted is None or wanted.any() else None
    of_layers, cells = None, None
    if due is None or state.layers is None:
        of_layers = np.full(len(weave.triangles) // 2, layer_band)
    elif due.any():
        cells = due[::2]
        of_layers = np.where(cells, layer_band, state.layers.band[::2])
    triangles = None if wanted is None else np.flatnonzero(wanted)
    found, crossed = find_touching(problem, x, of_body, of_layers, state.found, triangles, cells)
    if len(crossed):
        return False
    state.found = found
    if state.body is None and state.steps == 0:
        state.lent = 0.5 * pace.stiffness * float((np.minimum(found.contacts.last, 0.0) ** 2).sum())
    motion.touch[:] = 0.0
    state.body = cover_anew(state.body, x, weave, bands, wanted)
    state.layers = cover_anew(state.layers, x, weave, layer_band, due)
    if due is None:
        kinetic = (0.5 * motion.inertia.mass * (motion.v**2).sum(0)).sum(1)
        state.calm = Calm(motion.x.copy(), motion.spent.copy(), kinetic, kept_apart(state.found))
    return True


def search_moved(state: LevelState, pace: Pace, way: float, left: Array) -> bool:
    """Search where it is due before nodes move by up to ``way`` (m); False if the sheet has crossed itself.

    A triangle is due when the coming moves could leave what its list covers, when it has strayed so far that its frozen
    planes no longer tell the truth (a tenth of a millimetre once the sheet is slow, see `SLID` near what touches), and
    when one of its contacts has ``left`` (K,) its features. Of two layers both move, so they have half the room. That
    they have not passed through each other anywhere is seen at the next look (`is_free`). Those around a triangle
    whose contact has left go with it, and those around one that touches go by its rule: what slides off a feature of
    the one, such as a node over the body's edge, comes on to a feature that another owns.
    """
    reach = max(STRAY, 2.0 * way)
    if state.body is None or state.layers is None:
        return search(state, pace, reach)
    x = problem_positions(state)
    weave, found = state.problem.weave, state.found.found
    between = found.part == SELF
    wanted = near = np.zeros(len(weave.triangles), dtype=bool)
    if state.problem.field is not None:
        near = beside(found.triangle[(state.found.contacts.last < TOUCHING) & ~between], weave.triangles, len(x))
        strays = np.where(near, min(reach, SLID), reach)
        wanted = find_strayed(state.body, x, weave, way, strays, 2.0 * ROOM)
        wanted |= beside(found.triangle[left & ~between], weave.triangles, len(x))
    due = find_strayed(state.layers, x, weave, way, reach if between.any() else np.inf, ROOM)
    gone = left & between
    left_by = layer_triangles(found.key[gone], found.triangle[gone], len(weave.triangles)).ravel()
    due[left_by] = True
    next_to = weave.neighbour[left_by]
    due[next_to[next_to >= 0]] = True  # what slides off one triangle comes on to another
    due = np.repeat(due.reshape(-1, 2).any(axis=1), 2)
    if not wanted.any() and not due.any():
        return True
    return search(state, pace, reach, wanted, due, near)


def beside(rows: Array, triangles: Array, n: int) -> Array:
    """(t,) bool: the ``triangles`` (t, 3) over n nodes that are among ``rows``, or share a node with one that is."""
    if not len(rows):
        return np.zeros(len(triangles), dtype=bool)
    of_node = np.zeros(n, dtype=bool)
    of_node[triangles[rows]] = True
    return np.asarray(of_node[triangles].any(axis=1))


def is_free(state: LevelState, pace: Pace) -> bool:
    """True if the sheet as it is passes nowhere through itself: what is looked at, shown or kept must not.

    Looked for anew only where it has moved since that was last known.
    """
    motion = state.motion
    if state.calm is None or np.abs(motion.x - state.calm.x).max() < MOVED:
        return True
    speed = top_speed(motion)
    way = min(STRIDE_IN_CELLS * state.problem.least_spacing, max(NEAR, REACH * speed * pace.dt * CHUNK))
    nothing = np.zeros(len(state.problem.weave.triangles), dtype=bool)
    if not search(state, pace, max(STRAY, 2.0 * min(STRIDE, way)), nothing, None):
        return False
    advance(state.problem, motion, state.found, pace, 0)  # the forces of contacts as they are listed now
    return True


def problem_positions(state: LevelState) -> Array:
    """(n, 3) node positions, m."""
    return positions(state.problem, state.motion)


def load_contacts(found: ContactSet, stiffness: float) -> float:
    """Move the load that contacts carry by indentation into their preload, so that they carry it without sinking in.

    Returns the energy (J) that this puts into them: they may give it back as they lift the sheet again.
    """
    contacts = found.contacts
    before = contacts.preload.copy()
    contacts.preload[:] = np.maximum(0.0, contacts.preload - stiffness * contacts.last)
    return float(((before - contacts.preload) * contacts.last).sum())


def sink_of(found: ContactSet) -> float:
    """Deepest indentation (m) of a listed contact past the cloth's own half thickness."""
    last = found.contacts.last
    return max(0.0, -float(last.min())) if len(last) else 0.0


def hover_of(found: ContactSet, stiffness: float) -> float:
    """Widest gap (m) across which a listed contact pushes: with a preload from when it carried more, it can."""
    contacts = found.contacts
    across = contacts.last[contacts.preload > stiffness * np.maximum(contacts.last, 0.0)]
    return max(0.0, float(across.max(initial=0.0)))


def slow_rate(before: tuple[Array, Array], after: tuple[Array, Array], mass: Array) -> float:
    """Angular frequency (1/s) of the motion alive between two looks: Rayleigh quotient -dx . df / (dx . m dx).

    0 where forces drive the motion on: the sheet is leaving an unstable place, which damping would only draw out.
    """
    dx, df = after[0] - before[0], after[1] - before[1]
    moved = float((mass * (dx**2).sum(0)).sum())
    stiff = -float((dx * df).sum())
    return float(np.sqrt(max(stiff, 0.0) / moved)) if moved > 0 else 0.0


def take_chunk(state: LevelState) -> Pace:
    """One chunk of steps, with a fresh search whenever the sheet might otherwise meet what is not listed.

    Returns the usual pace, which is not that of the easy steps at the start.
    """
    motion = state.motion
    if state.slopes is NOT_MET:
        unknown = choose_pace(state.problem, Slopes(1.0, 1.0), 0.0)
        advance(state.problem, motion, state.found, unknown, 0)  # meets the first strains
    left = CHUNK
    while left > 0:
        speed = top_speed(motion)
        if not np.isfinite(speed):
            raise FloatingPointError
        hasty = choose_pace(state.problem, state.slopes, state.damping).dt
        stride = min(STRIDE, STRIDE_IN_CELLS * state.problem.least_spacing) * state.caution
        way = min(stride, max(NEAR, REACH * speed * hasty * left))
        met, before = steepest_slopes(state.problem, motion, way), state.slopes
        state.slopes = Slopes(max(met.along, 0.9 * before.along), max(met.across, 0.9 * before.across))
        usual = choose_pace(state.problem, state.slopes, state.damping)
        pace = usual
        if state.steps < EASY:
            pace = shortened(usual, EASY_SPEED)._replace(damping=EASY_DAMPING)
        pace = pace._replace(limit=state.caution * pace.limit)  # or the first step alone would outrun a small stride
        # the first step is always taken, and nobody knows how long it will be
        cover = max(way, (1.5 if state.body is not None else 2.0) * pace.limit * pace.dt)
        gone = aimed(state.problem, motion.x, state.found)
        if not search_moved(state, usual, cover, gone):  # inertia is lent for the usual step, which comes after
            go_back(state)
            continue
        left -= advance(state.problem, motion, state.found, pace, left, way)
    state.steps += CHUNK
    state.caution = min(1.0, TRUST * state.caution)
    return usual


def go_back(state: LevelState) -> None:
    """Put a sheet that has passed through itself back to where it last had not, at rest, to go on in smaller moves.

    Raises `Crossed` if it passes through itself in the smallest of moves, or has done so too often.
    """
    motion, calm = state.motion, state.calm
    state.caution *= CAUTION
    state.patience -= 1
    if calm is None or state.caution < LEAST_CAUTION or state.patience < 0:
        raise Crossed
    motion.x[:], motion.v[:], motion.spent[:] = calm.x, 0.0, calm.spent
    motion.spent[0] += calm.kinetic
    motion.touch[:] = 0.0
    state.found = kept_apart(calm.found)
    motion.inertia = plain_inertia(state.problem)
    state.body = state.layers = None


def has_fallen_off(problem: Problem, x: Array) -> bool:
    """True if the sheet at ``x`` (n, 3) m lies, along its weight, below the lowest point of body and support for good.

    Nothing can bring it back if no node is held and none is drawn upward.
    """
    if problem.held is not None or problem.field is None or not problem.gravity.any():
        return False
    down = problem.gravity / np.linalg.norm(problem.gravity)
    if float(np.tensordot(down, problem.fields.load, 1).min()) < 0.0:
        return False
    lowest = float((problem.field.surface.vertices @ down).max())
    return float((x @ down).min()) > lowest + problem.card.thickness


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
    Raises `FellOff` as soon as the sheet can touch nothing any more.
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
        if not is_free(state, pace):
            go_back(state)
            confirmed = 0
            continue
        problem = state.problem
        rms, top = residuals(problem, motion)
        if not np.isfinite(rms):
            raise FloatingPointError
        if has_fallen_off(problem, problem_positions(state)):
            raise FellOff
        now = (motion.x.copy(), motion.force + motion.touch)
        if look is not None:
            rate = slow_rate(look, now, motion.inertia.mass)
            rates.append(rate)
            slow = sorted(rates[-RATES:])[: RATES // 2]
            if slow:
                state.damping = float(np.clip(2.0 * slow[-1], state.least_damping, DAMPING[1]))
        look = now
        sunk, hover = sink_of(state.found), hover_of(state.found, pace.stiffness)
        if sunk > min(SUNK, UNDER * sink) or hover > min(HOVER, UNDER * HOVER_SHARE * sink):
            state.lent += load_contacts(state.found, pace.stiffness)
        watch(state, "settling", rms, top)
        if rms < goal[0] and top < goal[1] and sunk <= sink and hover <= HOVER_SHARE * sink:
            confirmed += 1
            if confirmed >= looks:
                return True
            if not search(state, pace, 0.0):
                go_back(state)
                confirmed = 0
        else:
            confirmed = 0
    return False
