"""What every engine of `python -m benchmarks peers` is given, and how its node positions are judged.

The cloth is isotropic, because that is all general-purpose engines know: warp and weft alike, no Poisson's ratio,
shear modulus half the tensile one, the rigidity at 45 degrees one and a half times that along the yarns (what a hinge
on every edge of the triangles gives; measured from MuJoCo's forces). All are values of this benchmark and no fabric's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from drapesim.ground.references import find_rigidity, solve_cantilever
from drapesim.ground.units import GRAVITY
from drapesim.matter.body import Body, join, rest_on, slab, sphere
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.independent import elastic_force
from drapesim.mechanics.solve import Problem, pose_problem
from drapesim.settling import balance as balancing
from drapesim.settling.exact import count_body_crossings, count_self_crossings, penetration

Array = np.ndarray

TENSILE = 1000.0  # N/m
DENSITY = 0.19  # kg/m2
THICKNESS = 1e-3  # m
BENDING_LENGTH = 0.03  # m
BENDING = find_rigidity(BENDING_LENGTH, DENSITY * GRAVITY)  # N m
FRICTION = 0.4
SIDE = 0.6  # m, of the square sheet
RADIUS = 0.12  # m, of the ball
START = 1e-3  # m of air between the level sheet and the ball's top
BALL_SPLITS = 6  # 81,920 triangles, at most 8 um inside the true ball that other engines have
HOVER = 1e-4  # m of air across which a peer's cloth may still be carried: ten times what our own certificate allows
GAMMA = 8.0  # of the cantilever: its free length is two bending lengths
LIMITS = (1e-3, 1e-2)


@dataclass(frozen=True)
class Task:
    """One sheet to bring to rest: ``start`` (n, 3) m; ``held`` (n,) bool; on the ball and the plane, or in free air."""

    lattice: Lattice
    start: Array
    held: Array
    on_ball: bool


def make_card() -> FabricCard:
    """The cloth as our own engine takes it."""
    curve = np.array([[0.0, 0.0], [0.05, 0.05 * TENSILE]])
    return FabricCard(
        name="isotropic sheet",
        areal_density=DENSITY,
        thickness=THICKNESS,
        warp_curve=curve,
        weft_curve=curve,
        shear_rigidity=0.5 * TENSILE,
        locking_angle=1.5,
        bend_warp=BENDING,
        bend_weft=BENDING,
        bend_bias=1.5 * BENDING,
        friction=MappingProxyType({"limewood": FRICTION, "slate": FRICTION, "itself": FRICTION}),
    )


def make_body() -> Body:
    """The ball on the plane."""
    return join(rest_on(sphere(RADIUS, subdivisions=BALL_SPLITS)), slab(4.0, 4.0, 0.1))


def lay_on_ball(cells: int) -> Task:
    """A level square sheet of ``cells`` by ``cells`` just above the ball."""
    h = SIDE / cells
    lattice = Lattice(h, h, np.ones((cells, cells), dtype=bool))
    height = np.full(len(lattice.ij), 2.0 * RADIUS + 0.5 * THICKNESS + START)
    return Task(lattice, np.c_[lattice.uv - 0.5 * SIDE, height], np.zeros(len(lattice.ij), dtype=bool), True)


def clamp_strip(cells: int, half_cell: bool) -> Task:
    """A level strip, two cells wide, its first two rows held; x = 0 is where the clamp works, z = 0 its height.

    ``half_cell``: the hinge at the last held row is as soft as any other, so the clamp works in the middle of the held
    cell (peers); else at the last held row (ours, whose hinge there is that of half a cell).
    """
    length = BENDING_LENGTH * GAMMA ** (1.0 / 3.0)
    h = length / (cells + 0.5 * half_cell)
    lattice = Lattice(h, h, np.ones((cells + 1, 2), dtype=bool))
    x = np.c_[lattice.uv - [h * (1.0 - 0.5 * half_cell), h], np.zeros(len(lattice.ij))]
    return Task(lattice, x, lattice.ij[:, 0] < 2, False)


def tip_error(task: Task, x: Array) -> float:
    """Distance of the strip's end from that of the exact heavy elastica, over the free length."""
    last = task.lattice.ij[:, 0] == task.lattice.shape[0] - 1
    tip = x[last].mean(axis=0) / (BENDING_LENGTH * GAMMA ** (1.0 / 3.0))
    exact_x, exact_drop = solve_cantilever(GAMMA).tip
    return float(np.hypot(tip[0] - exact_x, tip[2] + exact_drop))


def pose(task: Task, hover: float = 0.0) -> Problem:
    """The task as our certificate sees it; cloth that clears what it lies on by ``hover`` (m) is still carried."""
    card = replace(make_card(), thickness=THICKNESS + 2.0 * hover)
    field = prepare_body(make_body()) if task.on_ball else None
    friction = np.full(2 if task.on_ball else 0, FRICTION)
    held = task.held if task.held.any() else None
    return pose_problem(task.lattice, card, field, friction, held, np.array([0.0, 0.0, -GRAVITY]), 1)


def rest_over_weight(problem: Problem, x: Array, elastic: Array | None = None) -> tuple[float, float]:
    """(rms, max) of what the best admissible contact forces leave over on free nodes, over nodal weight.

    ``elastic`` (n, 3) N: the elastic force of another engine's law at ``x``; ours if None. Its difference from ours is
    handed to the certificate's balance as a dead load, so that nothing else of the certificate changes.
    """
    if elastic is not None:
        mass = problem.card.areal_density * problem.lattice.node_area
        ours = elastic_force(problem.lattice, problem.card, x, problem.held)
        problem = replace(problem, gravity=problem.gravity + (elastic - ours) / mass[:, None])
    return _sizes(problem, x)


def _sizes(problem: Problem, x: Array) -> tuple[float, float]:
    size = np.linalg.norm(balancing.balance(problem, None, x, LIMITS), axis=1) / problem.weight
    if problem.held is not None:
        size = size[~problem.held]
    return float(np.sqrt(np.mean(size**2))), float(size.max())


def measure_shape(problem: Problem, x: Array) -> dict[str, float]:
    """Penetration (m) of the cloth's face into ball and plane, crossings with itself and with these."""
    triangles = problem.lattice.triangles
    figures = {"crossings": float(count_self_crossings(x, triangles)[0]), "penetration": 0.0, "body_crossings": 0.0}
    if problem.field is not None:
        figures["penetration"] = penetration(x, triangles, problem.field, 0.5 * THICKNESS)
        figures["body_crossings"] = float(count_body_crossings(x, triangles, problem.field)[0])
    return figures
