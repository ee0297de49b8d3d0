"""Hands at work on one lattice: grips that are moved, loads that are laid on, and the reaction that hands feel.

Held nodes are moved at a hand's speed while the sheet relaxes (settling.level.take_chunk); the hand's force is the
reaction summed over its patch. A hand at its limit of force stops: from then on it pulls with just that force toward
its target as a dead load, until the sheet rests, so that the shortfall is a figure of rest and not of haste.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import link_strains, spread_forces
from drapesim.mechanics.body_contact import BodyField
from drapesim.mechanics.energies import grid_place, lattice_fields, padded, unpadded
from drapesim.mechanics.solve import Problem, pose_problem, residuals, start_motion
from drapesim.settling.exact import measure_distance, part_field
from drapesim.settling.level import (
    CHUNK,
    GENTLE,
    HOVER,
    PATIENCE,
    PRELOAD_EVERY,
    SUNK,
    LevelState,
    go_back,
    hover_of,
    is_free,
    load_contacts,
    problem_positions,
    relax_level,
    sink_of,
    take_chunk,
)
from drapesim.settling.loads import PointLoads, joined_loads, patch_nodes, spread_patch

Array = np.ndarray
Patch = tuple[tuple[float, float], ...]

ARRIVED = 2e-5  # m from the target that counts as there; what is left is a strain of a thousandth at most
REST = (0.05, 0.5)  # residual, rms and max in node weights, at which a step counts as settled
EXACT_REST = (2e-3, 2e-2)  # the same for a hand that pulls with its greatest force: its shortfall is told
REST_STEPS = 60_000  # at most, for one rest
FIRST_STEP = 1e-3  # s, before one has been taken
RAMP = 40  # chunks over which a load grows
FIRM = 60.0  # 1/s, damping meanwhile: cloth under a hand does not fling about
STRAINED_LOOKS = 2  # on end that the safe extension is exceeded, before a hand stops
TURNS = 6  # of the pull's direction, at most
SAME_WAY = 0.01  # rad
NEARLY = 0.99  # of its greatest force, at which a hand stops moving and pulls
GENTLY, SLOWEST = 0.2, 0.05  # share of that force over which it slows down before, and to what share of its speed
CLEAR = 2e-3  # m, that a hand's way keeps from body and support
STRIDE = 0.01  # m, between the places at which a way is looked at
DEEP, WAY_ROUNDS = 0.02, 4  # m inside, from which a way is led over and not round; times that it is looked at
FRAME_WAY = 4e-3  # m that some node has moved since the last picture


@dataclass(frozen=True)
class Grip:
    """A patch that a hand holds: of the flat map, and its nodes (n,) bool on the lattice that hands work on."""

    patch: Patch
    across: float
    nodes: Array


@dataclass(frozen=True)
class Driven:
    """How a move ended: outcome as in `lay_record.StepDone`, shortfall m, largest force N of the hand."""

    outcome: str
    shortfall: float
    force: float


class _Passed(Exception):  # noqa: N818 - the pull has come past its target: no error
    pass


@dataclass
class Hands:
    """All that moves while hands work; its owner is the handling loop.

    ``look`` is called at each look with (words, share of the step, residual rms, residual max) for progress, and
    ``frame`` with positions (n, 3) m, words and the sheet's own time (s) for pictures.
    """

    lattice: Lattice
    card: FabricCard
    body: BodyField | None
    state: LevelState
    pinned: Array
    gravity: Array
    look: Callable[[str, float, float, float], None] = lambda *_: None
    frame: Callable[[Array, str, float], None] = lambda *_: None
    grips: dict[str, Grip] = field(default_factory=dict)
    loads: dict[str, PointLoads] = field(default_factory=dict)
    words: str = ""
    work: float = 0.0  # J, done by hands
    own_time: float = 0.0  # s, the sheet's
    strain: float = 0.0  # largest, over the safe one, at the last look
    strained: int = 0  # looks on end
    chunks: int = 0
    load: Array | float = 0.0  # (n, 3) N, of all that is laid on
    pictured: Array | None = None
    dt: float = FIRST_STEP

    @property
    def x(self) -> Array:
        """(n, 3) m."""
        return problem_positions(self.state)

    # What is held and laid on.

    def pose(self) -> None:
        """Take up the present grips and loads; velocities, contacts and the energy account go on."""
        old, motion = self.state.problem, self.state.motion
        held = self.pinned.copy()
        for grip in self.grips.values():
            held |= grip.nodes
        held_or_none = held if held.any() else None
        x, v = self.x, unpadded(self.lattice, motion.v)
        v[held] = 0.0
        fields = lattice_fields(self.lattice, self.card, self.gravity, held_or_none)
        problem = replace(old, held=held_or_none, fields=fields)
        new = start_motion(problem, x, v)
        new.spent[:] = motion.spent
        self.state = replace(self.state, problem=problem, motion=new, body=None, layers=None)
        self.state.steps = max(self.state.steps, 1)
        self.lay_on()

    def renew(self) -> None:
        """Forget all that is only there for speed, so that what comes next depends on what is kept alone."""
        self.state = replace(
            self.state, body=None, layers=None, calm=None, caution=1.0, patience=PATIENCE, least_damping=GENTLE
        )
        self.dt, self.strained = FIRST_STEP, 0

    def lay_on(self) -> None:
        """Put the present loads on the nodes."""
        problem = self.state.problem
        total = joined_loads(list(self.loads.values()))
        self.load = spread_forces(self.lattice, total.uv, total.force)
        problem.fields.load[...] = self.gravity[:, None, None] * problem.fields.mass + padded(self.lattice, self.load)

    def reaction(self, grip: Grip) -> Array:
        """(3,) N that the hand exerts on its patch."""
        motion = self.state.motion
        return -np.asarray(unpadded(self.lattice, motion.force + motion.touch)[grip.nodes].sum(axis=0))

    # Time goes on.

    def step_on(self, share: float = 0.0) -> None:
        """One chunk of relaxation, and every few chunks a look at the sheet; books the work of all that is laid on."""
        state, before = self.state, self.x
        pace = take_chunk(state)
        self.dt = pace.dt
        self.own_time += CHUNK * pace.dt
        self.chunks += 1
        is_look = self.chunks % PRELOAD_EVERY == 0
        is_whole = not is_look or is_free(state, pace)
        if not is_whole:
            go_back(state)
        self.work += float((self.load * (self.x - before)).sum())
        if not (is_look and is_whole):
            return
        if sink_of(state.found) > SUNK or hover_of(state.found, pace.stiffness) > HOVER:
            load_contacts(state.found, pace.stiffness)
        self.look_at(share)

    def look_at(self, share: float) -> None:
        """Measure strain, tell progress, and take a picture if something has moved."""
        x = self.x
        if not np.isfinite(x).all():
            raise FloatingPointError
        strains = link_strains(self.lattice, x)
        self.strain = max(
            float(e.max(initial=0.0)) / safe for e, safe in zip(strains, self.card.safe_strain, strict=True)
        )
        self.strained = self.strained + 1 if self.strain > 1.0 else 0
        self.look(self.words, share, *residuals(self.state.problem, self.state.motion))
        if self.pictured is None or np.abs(x - self.pictured).max() > FRAME_WAY:
            self.picture()

    def picture(self) -> None:
        """One frame of the film."""
        self.pictured = self.x
        self.frame(self.pictured, self.words, self.own_time)

    def rest(self, goal: tuple[float, float] = REST, steps: int = REST_STEPS) -> bool:
        """Let the sheet come to rest; False if it did not within ``steps``."""
        before = self.x
        started = self.state.steps
        self.state.least_damping = GENTLE

        def watch(state: LevelState, stage: str, rms: float, top: float) -> None:
            del stage, top
            self.look_at(min(1.0, (state.steps - started) / steps) if rms > goal[0] else 1.0)

        try:
            return relax_level(self.state, goal, steps, np.inf, watch, looks=1)
        finally:
            self.work += float((self.load * (self.x - before)).sum())

    # What hands do.

    def take(self, name: str, patch: Patch, across: float) -> Grip:
        """Take hold of a patch where it is."""
        grip = Grip(patch, across, patch_nodes(self.lattice, patch, across))
        self.grips[name] = grip
        self.pose()
        return grip

    def let_go(self, names: tuple[str, ...]) -> None:
        """Release the grips and take off the loads that are named."""
        for name in names:
            self.grips.pop(name, None)
            self.loads.pop(name, None)
        self.pose()

    def drive(self, name: str, way: Array, most: float, speed: float) -> Driven:
        """Move the grip's middle along ``way`` (k, 3) m to its end, with at most ``most`` N."""
        grip, target, force = self.grips[name], way[-1], 0.0
        for slower in (1.0, 0.3, 0.1):
            ended, top = self._move(grip, way, most, slower * speed)
            force = max(force, top)
            if ended == "force limit":
                if not self._pull(name, target, most):
                    return Driven(ended, self._short(grip, target), most)
                self.take(name, grip.patch, grip.across)  # the drag of haste had used up the force: go on slower
                way = way[-1:]
                continue
            return Driven(ended, self._short(grip, target) if ended != "done" else 0.0, force)
        return Driven("done", self._short(grip, target), force)

    def _short(self, grip: Grip, target: Array) -> float:
        return float(np.linalg.norm(target - self.x[grip.nodes].mean(axis=0)))

    def _move(self, grip: Grip, way: Array, most: float, speed: float) -> tuple[str, float]:
        """Move held nodes; ("done" or why it stopped, largest force N)."""
        row, column = (place[grip.nodes] for place in grid_place(self.lattice))
        self.strained, leg, top, above, size = 0, 0, 0.0, 0, 0.0
        self.state.damping = self.state.least_damping = GENTLE
        whole = _length(np.vstack([self.x[grip.nodes].mean(axis=0), way]))
        while True:
            middle = self.x[grip.nodes].mean(axis=0)
            left = way[leg] - middle
            far, stride = float(np.linalg.norm(left)), speed * CHUNK * self.dt
            if leg + 1 < len(way) and far < stride:
                leg += 1
                continue
            if far < ARRIVED:
                self.state.motion.v[:, row, column] = 0.0
                return "done", top
            # gently up to the limit: friction would keep what haste has drawn on too far
            pace = min(speed * float(np.clip((1.0 - size / most) / GENTLY, SLOWEST, 1.0)), far / (CHUNK * self.dt))
            # a held node goes on with the velocity that it is given, less what damping takes of it in each step
            kept = (1.0 - 0.5 * GENTLE * self.dt) / (1.0 + 0.5 * GENTLE * self.dt)
            made_up = CHUNK * (1.0 - kept) / (kept * (1.0 - kept**CHUNK))
            self.state.motion.v[:, row, column] = (pace * made_up * left / far)[:, None]
            self.step_on(1.0 - (far + _length(way[leg:])) / max(whole, 1e-9))
            felt = self.reaction(grip)
            self.work += float(felt @ (self.x[grip.nodes].mean(axis=0) - middle))
            size = float(np.linalg.norm(felt))
            above = above + 1 if size > NEARLY * most else 0
            if above >= 2:
                self.state.motion.v[:, row, column] = 0.0
                return "force limit", most
            top = max(top, min(size, most))
            if self.strained >= STRAINED_LOOKS:
                self.state.motion.v[:, row, column] = 0.0
                return "strain limit", top

    def _pull(self, name: str, target: Array, most: float) -> bool:
        """Pull with ``most`` N toward ``target`` until the sheet rests; True if the patch has come past the target."""
        grip = self.grips.pop(name)
        self.pose()
        before = None
        for _ in range(TURNS):
            left = target - self.x[grip.nodes].mean(axis=0)
            way = left / max(float(np.linalg.norm(left)), 1e-12)
            if before is not None and float(np.linalg.norm(way - before)) < SAME_WAY:
                break
            before = way
            self.loads[name] = spread_patch(self.lattice, grip.patch, grip.across, most * way)
            self.lay_on()
            if self._pull_to_rest(grip, target, way):
                del self.loads[name]
                self.lay_on()
                return True
        self.grips.pop(name, None)
        return False

    def _pull_to_rest(self, grip: Grip, target: Array, way: Array) -> bool:
        look = self.look

        def passed(words: str, share: float, rms: float, top: float) -> None:
            look(words, share, rms, top)
            if float((target - self.x[grip.nodes].mean(axis=0)) @ way) < 0.0:
                raise _Passed

        self.look = passed
        try:
            self.rest(EXACT_REST)
        except _Passed:
            return True
        finally:
            self.look = look
        return False

    def press(self, name: str, loads: PointLoads) -> None:
        """Lay ``loads`` on, growing from nothing."""
        self.state.damping = self.state.least_damping = FIRM
        for k in range(1, RAMP + 1):
            self.loads[name] = PointLoads(loads.uv, loads.force * (k / RAMP))
            self.lay_on()
            self.step_on(k / RAMP)

    def clear_way(self, start: Array, points: Array) -> Array:
        """The way from ``start`` by way of ``points`` (k, 3) m, round body and support wherever it would run into them.

        Places a little inside are moved straight out, deeper ones up.
        """
        path = np.vstack([start, points])
        for _ in range(WAY_ROUNDS):
            path = _divided(path)
            if self.body is None or self._moved_out(path[1:-1]) == 0:
                break
        return path[1:]

    def _moved_out(self, path: Array) -> int:
        """Move places (k, 3) m out of body and support, in place; returns how many had to be."""
        room, count = 0.5 * self.card.thickness + CLEAR, 0
        for is_support in (True, False):
            of_part = None if self.body is None else part_field(self.body, is_support)
            for _ in range(200 if of_part is not None and len(path) else 0):
                assert of_part is not None
                gap, foot, face = measure_distance(path, of_part)
                low = gap < 0.99 * room
                if not low.any():
                    break
                count += int(low.sum())
                near = low & (gap > -DEEP)
                out = (path[near] - foot[near]) * np.sign(gap[near])[:, None]
                size = np.linalg.norm(out, axis=1, keepdims=True)
                out = np.where(size > 1e-6, out / np.maximum(size, 1e-12), of_part.surface.normal[face[near]])
                path[near] = foot[near] + room * out
                path[low & ~near, 2] += STRIDE
        return count


def _divided(path: Array) -> Array:
    """The same way with no two places farther apart than `STRIDE`."""
    way = [path[:1]]
    for a, b in pairwise(path):
        count = max(1, int(np.ceil(np.linalg.norm(b - a) / STRIDE)))
        way.append(a + (b - a) * (np.arange(1, count + 1) / count)[:, None])
    return np.concatenate(way)


def _length(points: Array) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def start_hands(
    lattice: Lattice,
    card: FabricCard,
    body: BodyField | None,
    friction: Array,
    x: Array,
    pinned: Array,
    blocks: int,
    gravity: Array,
) -> Hands:
    """Hands beside a sheet at ``x`` (n, 3) m that nobody holds but for what is ``pinned`` (n,) bool."""
    held = pinned if pinned.any() else None
    problem: Problem = pose_problem(lattice, card, body, friction, held, gravity, blocks)
    state = LevelState(problem, start_motion(problem, x), damping=GENTLE, least_damping=GENTLE)
    return Hands(lattice, card, body, state, pinned, gravity)
