"""Starting states: how the cloth is before hands let it down. Every link has its own length, on every lattice.

All but the flat one are cylinders: along one yarn direction the cloth runs through a profile given by the heading of
each link, so that lengths are kept to rounding; across it is straight.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.body import Body
from drapesim.matter.lay import STARTS, FoldStep, HangStep, LowerStep, RollStep, SpreadStep
from drapesim.matter.plan import Scene
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.exact import measure_distance, part_field
from drapesim.settling.steps import flat_axes, highest_under, lower_flat

Array = np.ndarray

PINNED = 5e-4  # m: cloth on the support nearer than this to touching the body is pinned by the body's weight
FARTHEST_PINNED = 5e-3  # m: on a wide lattice no node may lie so near; then the nearest are
NARROWEST = 2.0  # times the thickness, that layers of a start must be apart


@dataclass(frozen=True)
class Begun:
    """The cloth before it is let go: x (n, 3) m; the body as it lies then; held (n,) bool by grips and by weight.

    ``grips``: name -> (n,) bool. ``pinned`` (n,) bool: under the body's weight. ``told``: one sentence each.
    """

    x: Array
    body: Body
    pinned: Array
    grips: MappingProxyType[str, Array]
    told: tuple[str, ...] = ()


def begin(lattice: Lattice, scene: Scene) -> Begun:
    """The scene's start on ``lattice``. Raises `InputError` naming the lay entry where it cannot be."""
    step, where = scene.lay[0], "lay[1]"
    nobody = np.zeros(len(lattice.ij), dtype=bool)
    half, file = 0.5 * scene.fabric.thickness, str(scene.path)
    for number, later in enumerate(scene.lay[1:], start=2):
        if isinstance(later, STARTS):
            problem = "the sheet has been lowered already"
            raise InputError(file, f"lay[{number}]", problem, "begin once, and go on with what hands do")
    if isinstance(step, LowerStep):
        x = lower_flat(lattice, step, scene.body, half, file, where)
        return Begun(x, scene.body, nobody, MappingProxyType({}))
    if isinstance(step, SpreadStep):
        return _spread(lattice, step, scene, where)
    if isinstance(step, FoldStep | RollStep):
        return _folded_or_rolled(lattice, step, scene, where)
    assert isinstance(step, HangStep)
    return _hung(lattice, step, scene, where)


def run_profile(spacing: float, count: int, heading: Callable[[Array], Array]) -> tuple[Array, Array]:
    """(along, height) (count + 1,) m of nodes whose links, ``spacing`` m each, point as ``heading`` (rad) says.

    ``heading`` is given the places (m) of the links' middles.
    """
    angle = heading((np.arange(count) + 0.5) * spacing)
    along = np.concatenate([[0.0], np.cumsum(np.cos(angle))]) * spacing
    return along, np.concatenate([[0.0], np.cumsum(np.sin(angle))]) * spacing


def fold_heading(fold: float, radius: float) -> Callable[[Array], Array]:
    """Level, then over itself by a half circle of ``radius`` m whose middle is at ``fold`` m, then level back."""
    return lambda s: np.clip((s - fold) / radius + 0.5 * math.pi, 0.0, math.pi)


def roll_heading(begin_at: float, end: float, core: float, pitch: float) -> Callable[[Array], Array]:
    """Level up to ``begin_at`` m, then a spiral on top of it, inward to the radius ``core`` m at ``end`` m.

    A radius r that shrinks by ``pitch`` m a turn has r^2 = R^2 - (pitch / pi) s; it has turned by 2 pi (R - r) / pitch.
    """
    outer = math.sqrt(core**2 + pitch * (end - begin_at) / math.pi)

    def heading(s: Array) -> Array:
        rolled = np.clip(s - begin_at, 0.0, end - begin_at)
        return (outer - np.sqrt(outer**2 - pitch * rolled / math.pi)) * (2.0 * math.pi / pitch)

    return heading


def hang_heading(line: float, radius: float) -> Callable[[Array], Array]:
    """Straight up, over a bar of ``radius`` m that the place ``line`` m lies on top of, and straight down."""
    return lambda s: np.clip((line - s) / radius, -0.5 * math.pi, 0.5 * math.pi)


def _across(lattice: Lattice, along: str) -> tuple[Array, Array, float, int]:
    """Of the nodes: number along, place across (m); of the links along: length (m) and count."""
    axis = 0 if along == "warp" else 1
    spacing = (lattice.spacing_u, lattice.spacing_v)[axis]
    return lattice.ij[:, axis], lattice.uv[:, 1 - axis], spacing, lattice.cell.shape[axis]


def _folded_or_rolled(lattice: Lattice, step: FoldStep | RollStep, scene: Scene, where: str) -> Begun:
    number, across, spacing, count = _across(lattice, step.along)
    thickness = scene.fabric.thickness
    if isinstance(step, FoldStep):
        apart, key, heading = step.apart, "apart_mm", fold_heading(step.fold, 0.5 * step.apart)
        # links over a half circle turn by at most a right angle each, or the chords would pass through one another
        least = max(NARROWEST * thickness, 4.0 * spacing / math.pi)
    else:
        end = count * spacing
        apart, key, heading = step.pitch, "pitch_mm", roll_heading(step.begin, end, step.core, step.pitch)
        least = NARROWEST * thickness + spacing**2 / (
            4.0 * step.core
        )  # chords of neighbouring turns, against each other
    if apart < least:
        problem = f"layers {1e3 * apart:g} mm apart would pass through each other on nodes {1e3 * spacing:.3g} mm apart"
        raise InputError(str(scene.path), f"{where}.{key}", problem, f"give at least {1e3 * least:.3g} mm")
    along, height = run_profile(spacing, count, heading)
    axes = flat_axes(LowerStep(step.point, step.place, step.turn), lattice.inner_sign)
    axis = 0 if step.along == "warp" else 1
    flat = np.empty((len(lattice.ij), 2))
    flat[:, axis], flat[:, 1 - axis] = along[number], across
    top = _top_under(flat, axes, step.point, step.place, scene, where)
    base = top + step.clearance + 0.5 * thickness - float(min(0.0, height.min()))
    plan = np.asarray(step.place) + (flat - np.asarray(step.point)) @ axes
    x = np.column_stack([plan, base + height[number]])
    return Begun(x, scene.body, np.zeros(len(x), dtype=bool), MappingProxyType({}))


def _hung(lattice: Lattice, step: HangStep, scene: Scene, where: str) -> Begun:
    number, across, spacing, count = _across(lattice, step.along)
    radius = step.radius + 0.5 * scene.fabric.thickness
    along, height = run_profile(spacing, count, hang_heading(step.line, radius))
    middle = np.interp(step.line, np.arange(count + 1) * spacing, along)
    axis = 0 if step.along == "warp" else 1
    turn = step.turn + axis * lattice.inner_sign * 0.5 * math.pi  # it is that of the yarns that hang
    axes = flat_axes(LowerStep((0.0, 0.0), step.place, turn), lattice.inner_sign)
    flat = np.empty((len(lattice.ij), 2))
    flat[:, axis], flat[:, 1 - axis] = along[number] - middle, across - 0.5 * float(across.max())
    top = _top_under(flat, axes, (0.0, 0.0), step.place, scene, where)
    plan = np.asarray(step.place) + flat @ axes
    x = np.column_stack([plan, top + step.height + height[number] - float(height.min())])
    on_bar = np.abs(lattice.uv[:, axis] - step.line) <= max(0.5 * math.pi * radius, 0.5 * spacing) + 1e-9
    grips = MappingProxyType({"bar": on_bar})
    return Begun(x, scene.body, np.zeros(len(x), dtype=bool), grips)


def _top_under(flat: Array, axes: Array, point: tuple[float, float], place: tuple[float, float], scene: Scene,
               where: str) -> float:  # fmt: skip
    """Highest z (m) of the body under the box of ``flat`` (n, 2), which lies with ``point`` over ``place``."""
    low, high = flat.min(axis=0), flat.max(axis=0)
    body = scene.body
    below = (body.vertices[:, :2] - np.asarray(place)) @ axes.T + np.asarray(point) - low
    top = highest_under(np.column_stack([below, body.vertices[:, 2]]), body.faces, high - low)
    if not np.isfinite(top):
        x, y = (1e3 * value for value in place)
        problem = f"nothing lies under the sheet at place_mm = [{x:g}, {y:g}]; it would fall without end"
        raise InputError(str(scene.path), where, problem, "move the place over the body or the support")
    return top


def _spread(lattice: Lattice, step: SpreadStep, scene: Scene, where: str) -> Begun:
    body, thickness = scene.body, scene.fabric.thickness
    support = np.array([part.is_support for part in body.parts], dtype=bool)
    file = str(scene.path)
    if not support.any():
        raise InputError(file, where, "there is no support to spread the cloth on", "give the scene a [support]")
    on_support = np.unique(body.faces[support[body.part]])
    top = float(body.vertices[on_support, 2].max())
    of_body = np.unique(body.faces[~support[body.part]])
    axes = flat_axes(LowerStep(step.point, step.place, step.turn), -lattice.inner_sign)  # inner side up
    plan = np.asarray(step.place) + (lattice.uv - np.asarray(step.point)) @ axes
    x = np.column_stack([plan, np.full(len(plan), top + 0.5 * thickness)])
    if float(body.vertices[of_body, 2].min()) < top - 1e-6:
        problem = "the body lies lower than the support's top, so no cloth can be spread under it"
        raise InputError(file, where, problem, "spread on a slab, a table, a floor or a bed without a depression")
    lifted = raise_body(body, of_body, thickness)
    pinned, reach = pin_under(x, lifted, of_body, 0.5 * thickness)
    told = (
        f"The body was lifted by the cloth's thickness, {1e3 * thickness:.3g} mm; it is rigid and keeps that height. "
        f"{int(pinned.sum())} nodes that lie within {1e3 * reach:.2g} mm of touching it from below are pinned by its "
        "weight.",
    )
    return Begun(x, lifted, pinned, MappingProxyType({}), told)


def raise_body(body: Body, vertices: Array, by: float) -> Body:
    """``body`` with its ``vertices`` (k,) and all its landmarks ``by`` m higher."""
    moved = body.vertices.copy()
    moved[vertices, 2] += by
    landmarks = {name: np.asarray(place) + np.array([0.0, 0.0, by]) for name, place in body.landmarks.items()}
    return replace(body, vertices=moved, landmarks=MappingProxyType(landmarks))


def pin_under(x: Array, body: Body, vertices: Array, half: float) -> tuple[Array, float]:
    """(n,) bool: nodes of the flat cloth that the body's weight pins; and the distance (m) that counts as touching."""
    field = part_field(prepare_body(body), is_support=False)
    assert field is not None
    low, high = body.vertices[vertices, :2].min(axis=0), body.vertices[vertices, :2].max(axis=0)
    near = np.flatnonzero(((x[:, :2] >= low) & (x[:, :2] <= high)).all(axis=1))
    pinned = np.zeros(len(x), dtype=bool)
    if not len(near):
        return pinned, PINNED
    gap = np.abs(measure_distance(x[near], field)[0]) - half
    reach = PINNED
    while reach < FARTHEST_PINNED and not (gap <= reach).any():
        reach *= 2.0
    pinned[near[gap <= reach]] = True
    return pinned, reach
