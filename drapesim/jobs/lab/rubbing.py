"""A sheet whose yarns rub when they bend: where it comes to rest when it was let down from flat.

The lattice is elastic. A cloth's bending also has friction, of a moment up to HB = 2HB / 2 a width against every bend
that grows, so it does not come down as far. Let down from flat, bends grow all the way: each hinge then bears B k + HB,
and where the weight asks for less than HB it stays all but straight. That is the elastic sheet with each hinge as stiff
as the chord of that law at the bend it has, which is found by turns: settle, look at the bends, set the hinges.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drapesim.kernels.elastic import LatticeFields
from drapesim.kernels.jit import use_threads
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.energies import is_turned, lattice_fields
from drapesim.mechanics.solve import Problem, pose_problem, positions, start_motion
from drapesim.settling.level import DAMPING, LevelState, relax_level

Array = np.ndarray

GRAVITY = np.array([0.0, 0.0, -9.80665])
STUCK = (
    0.05  # of HB / B: below that curvature a hinge bears in proportion to it, as friction needs a way to be drawn on
)
GOAL = (1e-3, 1e-2)  # residual of each turn, rms and max over nodal weight
MOST_STEPS = 60_000  # of each turn
MOST_TURNS = 60
CLOSE = 1e-4  # m, farthest move of a node in a turn at which the search ends


@dataclass(frozen=True)
class Rubbed:
    """x (n, 3) m at rest; turns and steps taken; moved: farthest move of a node in the last turn, m; did it rest?"""

    x: Array
    turns: int
    steps: int
    moved: float
    rested: bool


def let_down(lattice: Lattice, card: FabricCard, x0: Array, held: Array, moments: tuple[float, float]) -> Rubbed:
    """Rest of a sheet let down from ``x0`` (n, 3) m, all but flat, with HB ``moments`` (N) along warp and weft.

    ``held`` (n,) bool: nodes that do not move.
    Claim: moment balance with a spring and a slider side by side in each hinge, every slider having slipped the way of
    the bend (`references.hysteresis`, of a strip). Not in it: sliders that turn back where folds form, friction in
    twist and shear, and that 2HB is read at one curvature. So it is one computed rest,
    and no upper bound. It has no certificate: rest is told by the kernels' own residual.
    """
    use_threads(1)
    problem = pose_problem(lattice, card, None, np.zeros(0), held, GRAVITY, 1)
    own, broad = problem.fields, lattice_fields(lattice, card, GRAVITY)
    state = LevelState(problem, start_motion(problem, x0), damping=DAMPING[0])
    before, moved, turn, rested = x0, np.inf, 0, True
    while rested and moved >= CLOSE and turn < MOST_TURNS:
        turn += 1
        state.problem = replace(problem, fields=stiffened(problem, state.motion.x, own, broad, moments))
        rested = relax_level(state, GOAL, MOST_STEPS, np.inf, _watch, 1)
        x = positions(state.problem, state.motion)
        moved = float(np.linalg.norm(x - before, axis=1).max())
        before = x
    return Rubbed(before, turn, state.steps, moved, rested and moved < CLOSE)


def _watch(state: LevelState, stage: str, rms: float, top: float) -> None:
    """Nobody looks on."""


def stiffened(
    problem: Problem, x: Array, own: LatticeFields, broad: LatticeFields, moments: tuple[float, float]
) -> LatticeFields:
    """``own`` fields with hinges that bear, at the bends of ``x`` (3, NU, NV) m, what springs and friction bear.

    ``broad``: those of the sheet with nothing held, whose hinges' shares are the width that each stands for: at a clamp
    the spring is twice as stiff, since it is half a cell's, but friction's moment is what it is everywhere.
    """
    cloth = problem.cloth
    rub = moments[::-1] if is_turned(problem.lattice) else moments
    axes = ((own.bend_u, broad.bend_u, cloth.bend_u, cloth.hu), (own.bend_v, broad.bend_v, cloth.bend_v, cloth.hv))
    bend = []
    for axis, ((share, width, rigidity, h), hb) in enumerate(zip(axes, rub, strict=True), start=1):
        drawn = np.maximum(find_turns(x, axis), max(STUCK * hb / rigidity * h, 1e-12))
        bend.append(share + width * hb * h / (rigidity * drawn * (1.0 + drawn**2 / 24.0)))
    return own._replace(bend_u=bend[0], bend_v=bend[1])


def find_turns(x: Array, axis: int) -> Array:
    """(NU, NV) rad: turn of the yarn along ``axis`` (1 or 2) at each node of x (3, NU, NV) m; 0 at the grid's rim."""
    d = np.diff(x, axis=axis)
    here, there = (d[:, :-1], d[:, 1:]) if axis == 1 else (d[:, :, :-1], d[:, :, 1:])
    cross = np.linalg.norm(np.cross(here, there, axis=0), axis=0)
    turn = np.zeros(x.shape[1:])
    inner = (slice(1, -1), slice(None)) if axis == 1 else (slice(None), slice(1, -1))
    turn[inner] = np.arctan2(cross, (here * there).sum(axis=0))
    return turn
