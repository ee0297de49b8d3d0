"""The lay plan at work: each step done by hands on a wide lattice, from the start to what is then settled finely.

Hands work on the widest lattice of the pile that is no wider than `SPACING`; finer lattices go on from its shape. Each
finished step is kept whole, so an interrupted lay goes on with the next one, and comes to the same bytes.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.kernels.jit import use_threads
from drapesim.matter.lay import (
    BindStep,
    Handling,
    LayStep,
    PressStep,
    PullStep,
    ReleaseStep,
    RestStep,
    SmoothStep,
    SpreadStep,
)
from drapesim.matter.lay_words import describe
from drapesim.matter.plan import Scene
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import sample_sheet, spread_forces
from drapesim.mechanics.body_contact import BodyField, prepare_body
from drapesim.settling.band import Strap, lay_strap, tie
from drapesim.settling.exact import measure_distance, part_field
from drapesim.settling.hands import FIRM, REST, Driven, Grip, Hands, start_hands
from drapesim.settling.lay_record import LayDone, StepDone
from drapesim.settling.level import CHUNK, Crossed, FellOff, Progress
from drapesim.settling.loads import PointLoads, joined_loads, patch_nodes, spread_patch
from drapesim.settling.settle import (
    LEAST_NODES,
    MOST_THREADS,
    Checkpoint,
    coarsened,
    keep_state,
    prolonged,
    refuse_crossed,
    share_out,
    take_up,
)
from drapesim.settling.starts import Begun, begin

Array = np.ndarray

SPACING = 0.030  # m: hands work on nodes no farther apart than this
GRAVITY = np.array([0.0, 0.0, -9.80665])  # m/s2
DEEPEST = 5e-3  # m that a target may lie inside the body: a landmark is good to some mm (matter.landmarks)
BAND_ROUNDS, BAND_REST, BAND_CHANGE = 12, (0.02, 0.2), 0.01  # of all its push together
BAND_RAMP, BAND_MIX = 60, 0.3  # chunks over which a band is tightened, and how much of each new look counts
ARC_PLACES = 24
FALLEN = ("fell off", "not done")  # outcomes of the step in which the cloth fell off, and of all after it


@dataclass(frozen=True)
class LayState:
    """A lay between two steps: the moving state, what is held and laid on, and what has been done."""

    sheet: Checkpoint
    hands: str  # JSON


@dataclass(frozen=True)
class Laid:
    """A sheet as the hands have left it, on the final lattice: x (n, 3) m, held (n,) bool, and the loads that stay."""

    x: Array
    held: Array
    loads: PointLoads | None
    levels: int  # coarser lattices to settle on before the final one: hands worked on the coarsest
    done: LayDone


def has_handling(scene: Scene) -> bool:
    """Is there anything that hands do after the start, or a start that hands hold?"""
    return len(scene.lay) > 1


def working_pile(lattice: Lattice) -> list[Lattice]:
    """From the lattice that hands work on to the given one."""
    pile = [lattice]
    while True:
        wider = coarsened(pile[0])
        if wider is None or len(wider.ij) < LEAST_NODES or max(wider.spacing_u, wider.spacing_v) > SPACING + 1e-9:
            return pile
        pile.insert(0, wider)


def check_targets(scene: Scene, body: BodyField) -> None:
    """`InputError` for a target or a place on the way that lies inside the body or the support."""
    for number, step in enumerate(scene.lay, start=1):
        if not isinstance(step, PullStep):
            continue
        places = [("to", step.to)] if step.to is not None else []
        places += [(f"via_mm[{k}]", place) for k, place in enumerate(step.via, start=1)]
        for key, place in places:
            for is_support, name in ((False, "body"), (True, "support")):
                field_of = part_field(body, is_support)
                if field_of is None:
                    continue
                deep = -float(measure_distance(np.array([place]), field_of)[0][0])
                if deep > DEEPEST:
                    problem = f"this place lies {1e3 * deep:.0f} mm inside the {name}"
                    raise InputError(str(scene.path), f"lay[{number}].{key}", problem, "give a place on or above it")


def handle(
    lattice: Lattice,
    scene: Scene,
    begun: Begun,
    progress: Callable[[Progress], None] | None = None,
    frame: Callable[[Array, str, float], None] | None = None,
    keep: Callable[[LayState], object] | None = None,
    resume: LayState | None = None,
) -> Laid:
    """Do the steps of the scene's lay after its start, which is ``begun`` on the final ``lattice``.

    ``frame`` is called with positions (n, 3) m on the working lattice, words and the sheet's own time (s); ``keep``
    after each finished step. Raises `InputError` where a step cannot be done at all.
    """
    pile = working_pile(lattice)
    scene = replace(scene, body=begun.body)
    work = _Work(pile[0], scene, begin_on(pile[0], scene, begun), progress, frame)
    if resume is None:
        refuse_crossed(pile[0], work.hands.x)
    else:
        work.take_up(resume)
    for number in range(len(work.done), len(scene.lay)):
        work.do(number)
        kept = work.keep()
        work.take_up(kept)  # every step begins alike, whether or not the lay was interrupted before it
        if keep is not None:
            keep(kept)
    return work.leave(pile, begun)


def begin_on(wide: Lattice, scene: Scene, begun: Begun) -> Begun:
    """The start on the working lattice: the same shape, with the body that ``begun`` has lifted already."""
    if isinstance(scene.lay[0], SpreadStep):
        nodes = wide.index.shape[0] - 1, wide.index.shape[1] - 1
        stride = _stride(len(begun.x), begun, wide, nodes)
        x, pinned = begun.x[stride], begun.pinned[stride]
        return replace(begun, x=x, pinned=pinned)
    return begin(wide, scene)


def _stride(count: int, begun: Begun, wide: Lattice, cells: tuple[int, int]) -> Array:
    """Numbers of the nodes of the final lattice that coincide with those of the ``wide`` one."""
    for k in range(8):
        fine = cells[0] * 2**k + 1, cells[1] * 2**k + 1
        if fine[0] * fine[1] == count:
            return np.asarray(wide.ij[:, 0] * 2**k * fine[1] + wide.ij[:, 1] * 2**k)
    raise ValueError(f"{len(begun.x)} nodes do not belong to the piece")


@dataclass
class _Work:
    """The lay while it is worked on."""

    lattice: Lattice
    scene: Scene
    begun: Begun
    progress: Callable[[Progress], None] | None
    frame: Callable[[Array, str, float], None] | None
    done: list[StepDone] = field(default_factory=list)

    def __post_init__(self) -> None:
        scene, lattice = self.scene, self.lattice
        self.started = time.monotonic()
        self.body = prepare_body(scene.body)
        friction = np.array([scene.fabric.friction[part.surface] for part in scene.body.parts])
        blocks = share_out(lattice, use_threads(MOST_THREADS))
        self.hands = start_hands(
            lattice, scene.fabric, self.body, friction, self.begun.x, self.begun.pinned, blocks, GRAVITY
        )
        self.hands.look = self.look
        if self.frame is not None:
            self.hands.frame = self.frame
        for name, nodes in self.begun.grips.items():
            self.hands.grips[name] = Grip((), 0.0, nodes)
        if self.begun.grips:
            self.hands.pose()
        self.hands.picture()

    def look(self, words: str, share: float, rms: float, top: float) -> None:
        """Progress over all steps."""
        if self.progress is None:
            return
        spacing, steps = self.lattice.spacing_u, self.hands.state.steps
        all_share = (len(self.done) + share) / len(self.scene.lay)
        seconds = time.monotonic() - self.started
        self.progress(Progress(words, spacing, 0, 2, steps, rms, top, min(all_share, 1.0), seconds))

    # Between steps.

    def keep(self) -> LayState:
        """All that the next step goes on from."""
        hands = self.hands
        said = {
            "grips": {name: [grip.patch, grip.across] for name, grip in hands.grips.items()},
            "loads": {name: [load.uv.tolist(), load.force.tolist()] for name, load in hands.loads.items()},
            "done": [vars(step) for step in self.done],
            "own_time": hands.own_time,
            "work": hands.work,
            "chunks": hands.chunks,
        }
        sheet = keep_state(hands.state, -1, 0.0, time.monotonic() - self.started)
        return LayState(deepcopy(sheet), json.dumps(said))  # its arrays go on changing

    def take_up(self, kept: LayState) -> None:
        """Go on from ``kept``."""
        hands, said = self.hands, json.loads(kept.hands)
        self.done = [StepDone(**step) for step in said["done"]]
        hands.own_time, hands.work, hands.chunks = said["own_time"], said["work"], said["chunks"]
        hands.grips = {}
        for name, (patch, across) in said["grips"].items():
            spots = tuple((u, v) for u, v in patch)
            nodes = patch_nodes(self.lattice, spots, across) if spots else self.begun.grips[name]
            hands.grips[name] = Grip(spots, across, nodes)
        hands.loads = {
            name: PointLoads(np.array(uv).reshape(-1, 2), np.array(force).reshape(-1, 3))
            for name, (uv, force) in said["loads"].items()
        }
        hands.pose()
        take_up(hands.state, deepcopy(kept.sheet))
        hands.renew()

    def leave(self, pile: list[Lattice], begun: Begun) -> Laid:
        """The sheet on the final lattice, with what stays on it."""
        final, x = pile[-1], self.hands.x
        for wide, fine in pairwise(pile):
            x = prolonged(wide, fine, x)
        held = begun.pinned.copy()
        for name, grip in self.hands.grips.items():
            held |= patch_nodes(final, grip.patch, grip.across) if grip.patch else begun.grips[name]
        loads = joined_loads(list(self.hands.loads.values())) if self.hands.loads else None
        load = np.zeros_like(x) if loads is None else spread_forces(final, loads.uv, loads.force)
        done = LayDone(self.lattice.spacing_u, tuple(self.done[1:]), begun.told, load, held)
        return Laid(x, held, loads, len(pile) - 1, done)

    # One step.

    def do(self, number: int) -> None:
        """Do step ``number`` (from 0; 0 lets the start come to rest) and note what became of it."""
        hands, step = self.hands, self.scene.lay[number]
        before_work, before_steps = hands.work, hands.state.steps
        if self.done and self.done[-1].outcome in FALLEN:
            nothing = self.describe(step), FALLEN[1], math.nan, 0.0, 0.0, hands.strain, 0  # type: ignore[arg-type]
            self.done.append(StepDone(*nothing))
            return
        hands.words = "letting the cloth down" if number == 0 else self.describe(step)
        try:
            if number == 0:
                ended = Driven("done" if hands.rest() else "not at rest", math.nan, 0.0)
            else:
                ended = self.act(number, step)  # type: ignore[arg-type]
        except FellOff:
            hands.let_go((*hands.grips, *hands.loads))  # nothing stays on cloth that lies nowhere
            ended = Driven(FALLEN[0], math.nan, 0.0)
        except (Crossed, FloatingPointError):
            problem = "on this way the sheet could move on only through itself"
            raise InputError(
                str(self.scene.path), f"lay[{number + 1}]", problem, "go another way, slower, or use a finer spacing"
            ) from None
        hands.picture()
        words, work = hands.words, hands.work - before_work
        steps = hands.state.steps - before_steps
        self.done.append(StepDone(words, ended.outcome, ended.shortfall, ended.force, work, hands.strain, steps))

    def describe(self, step: LayStep) -> str:
        """The step in words, its way as it lies before the hand."""
        cells, way = self.lattice.cell.shape, None
        size = cells[0] * self.lattice.spacing_u, cells[1] * self.lattice.spacing_v
        if isinstance(step, PullStep):
            start = self.hands.x[patch_nodes(self.lattice, step.patch, step.across)].mean(axis=0)
            way = np.asarray(step.by) if step.by is not None else np.asarray(step.to) - start
        return describe(step, size, way, self.scene.body.landmarks)

    def act(self, number: int, step: Handling) -> Driven:
        """What hands do in one step; they let the sheet rest at its end if it says so."""
        name = getattr(step, "name", "") or f"step {number + 1}"
        ended = Driven("done", math.nan, 0.0)
        if isinstance(step, PullStep):
            ended = self.pull(number, name, step)
        elif isinstance(step, PressStep):
            ended = self.press(name, step)
        elif isinstance(step, SmoothStep):
            ended = self.smooth(name, step)
        elif isinstance(step, BindStep):
            return self.bind(number, name, step)
        elif isinstance(step, ReleaseStep):
            self.hands.let_go(step.names or (*self.hands.grips, *self.hands.loads))
        is_to_rest = isinstance(step, RestStep) or step.settle
        if is_to_rest and not self.hands.rest(REST) and ended.outcome == "done":
            ended = replace(ended, outcome="not at rest")
        return ended

    def pull(self, number: int, name: str, step: PullStep) -> Driven:
        hands = self.hands
        grip = hands.take(name, step.patch, step.across)
        start = hands.x[grip.nodes].mean(axis=0)
        target = np.asarray(step.to) if step.by is None else self.refuse_inside(number, start + np.asarray(step.by))
        target = self.off_body(target)
        up = np.array([0.0, 0.0, step.lift])
        if step.arc > 0.0:
            angle = np.linspace(0.0, math.pi, ARC_PLACES + 1)[1:, None]
            share = 0.5 * (1.0 - np.cos(angle))
            points = start + share * (target - start) + np.sin(angle) * np.array([0.0, 0.0, step.arc])
        elif step.lift > 0.0:
            points = np.array([start + up, *step.via, target + up, target])
        else:
            points = np.array([*step.via, target]).reshape(-1, 3)
        way = hands.clear_way(start, points)
        ended = hands.drive(name, way, step.most_force, step.speed)
        if step.back and ended.outcome == "done":
            again = hands.drive(name, np.vstack([way[-2::-1], start]), step.most_force, step.speed)
            ended = Driven(again.outcome, again.shortfall, max(ended.force, again.force))
        if not step.keep:
            hands.let_go((name,))
        return ended

    def refuse_inside(self, number: int, place: Array) -> Array:
        """``place`` itself; `InputError` if it lies in the body or the support, where no hand can go."""
        for is_support, what in ((False, "body"), (True, "support")):
            field_of = part_field(self.body, is_support)
            deep = 0.0 if field_of is None else -float(measure_distance(place[None], field_of)[0][0])
            if deep > DEEPEST:
                problem = f"this way ends {1e3 * deep:.0f} mm inside the {what}"
                remedy = "give a shorter one or another direction; to push cloth against something, press"
                raise InputError(str(self.scene.path), f"lay[{number + 1}].by_mm", problem, remedy)
        return place

    def off_body(self, place: Array) -> Array:
        """``place`` moved out of body and support by the cloth's half thickness, if it is nearer."""
        room = 0.5 * self.scene.fabric.thickness + 1e-4
        for is_support in (True, False):
            field_of = part_field(self.body, is_support)
            if field_of is None:
                continue
            gap, foot, face = measure_distance(place[None], field_of)
            if gap[0] < room:
                out = (place - foot[0]) * np.sign(gap[0])
                size = float(np.linalg.norm(out))
                normal = field_of.surface.normal[face[0]] if size < 1e-6 else out / size
                place = foot[0] + room * normal
        return place

    def press(self, name: str, step: PressStep) -> Driven:
        hands = self.hands
        uv = np.mean(np.asarray(step.patch), axis=0)
        before = sample_sheet(self.lattice, hands.x, uv[None])[0][0]
        along = np.asarray(step.along) if step.along is not None else self.toward_body(before)
        hands.press(name, spread_patch(self.lattice, step.patch, step.across, step.force * along))
        rested = hands.rest(REST)
        if not step.keep:
            hands.let_go((name,))
        return Driven("done" if rested else "not at rest", math.nan, step.force)

    def toward_body(self, place: Array) -> Array:
        """Unit direction from ``place`` (3,) m to the nearest of the body (of the support if there is no body)."""
        field_of = part_field(self.body, False) or self.body
        gap, foot, face = measure_distance(place[None], field_of)
        way = (foot[0] - place) * np.sign(gap[0])
        size = float(np.linalg.norm(way))
        return np.asarray(-field_of.surface.normal[face[0]] if size < 1e-6 else way / size)

    def smooth(self, name: str, step: SmoothStep) -> Driven:
        hands, ended = self.hands, "done"
        a, b = np.asarray(step.patch[0]), np.asarray(step.patch[1])
        length = float(np.linalg.norm(b - a))
        for stroke in range(step.strokes):
            gone, hands.strained = 0.0, 0
            while gone < length and ended == "done":
                uv = a + (b - a) * (gone / length)
                near = np.stack([uv, np.clip(uv + 0.01 * (b - a) / length, 0.0, hands.lattice.uv.max(axis=0))])
                points, normals = sample_sheet(self.lattice, hands.x, near)
                way = points[1] - points[0]
                way /= max(float(np.linalg.norm(way)), 1e-12)
                grown = min(1.0, gone / step.across + 0.1)  # the hand comes down as it goes
                force = grown * (step.force * way + step.press * normals[0])
                hands.loads[name] = spread_patch(self.lattice, ((float(uv[0]), float(uv[1])),), step.across, force)
                hands.lay_on()
                hands.step_on((stroke + gone / length) / step.strokes)
                gone += step.speed * CHUNK * hands.dt
                if hands.strained >= 2:
                    ended = "strain limit"
            hands.let_go((name,))
        short = math.nan if ended == "done" else length - gone
        return Driven(ended, short, math.hypot(step.force, step.press))

    def bind(self, number: int, name: str, step: BindStep) -> Driven:
        hands, body = self.hands, self.scene.body
        support = np.array([part.is_support for part in body.parts], dtype=bool)[body.part]
        top = float(body.vertices[body.faces[support], 2].max()) if support.any() else 0.0
        strap = tie(self.lattice, hands.x, step, body, top + 0.5 * self.scene.fabric.thickness)
        if strap is None:
            problem = "the plane of this line does not meet the body, so there is nothing to bind"
            raise InputError(str(self.scene.path), f"lay[{number + 1}].line_mm", problem, "give a line over the body")
        is_done = tighten_band(hands, name, step, strap)
        return Driven("done" if is_done else "not at rest", math.nan, step.tension)


def tighten_band(hands: Hands, name: str, step: BindStep, strap: Strap) -> bool:
    """Tighten a band and let the sheet rest under it, its forces renewed until they no longer change; False if they do.

    Which cloth bears them depends on how it lies. They are frozen between two looks, and mixed with what they were.
    """
    lattice = hands.lattice
    force = 0.0 * lay_strap(lattice, hands.x, step, strap).force
    for k in range(1, BAND_RAMP + 1):  # slack at first, so that loose cloth is laid down before it is pressed
        hands.state.damping = hands.state.least_damping = FIRM
        new = lay_strap(lattice, hands.x, step, strap, k / BAND_RAMP)
        force = force + BAND_MIX * (new.force - force)
        hands.loads[name] = PointLoads(new.uv, force)
        hands.lay_on()
        hands.step_on(k / BAND_RAMP)
    for _ in range(BAND_ROUNDS):
        rested = hands.rest(BAND_REST)
        old, new = hands.loads[name], lay_strap(lattice, hands.x, step, strap)
        change = float(np.linalg.norm(new.force - old.force, axis=1).sum())
        if rested and change < BAND_CHANGE * float(np.linalg.norm(new.force, axis=1).sum()):
            return True
        hands.loads[name] = PointLoads(old.uv, 0.5 * (old.force + new.force))
        hands.lay_on()
    return False
