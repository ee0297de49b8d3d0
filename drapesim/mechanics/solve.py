"""One lattice under relaxation: the moving state, its pace, and the few questions the settle loop asks of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from drapesim.kernels.ballast import MOST_SINE, shear_response
from drapesim.kernels.elastic import ClothConstants, LatticeFields, zeros_in_lines
from drapesim.kernels.jit import limited_to
from drapesim.kernels.relax import AWAKE, FRESH, Inertia, Pace, Scratch, relax, scratch_of
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import BodyField
from drapesim.mechanics.contact_list import ContactSet
from drapesim.mechanics.energies import (
    Curve,
    cloth_constants,
    is_turned,
    lattice_fields,
    lightness,
    padded,
    smooth_curve,
    unpadded,
)
from drapesim.mechanics.independent import elastic_energies
from drapesim.mechanics.self_contact import Weave, prepare_weave

Array = np.ndarray

TIME_STEP_SHARE = 0.7  # of the largest step that is stable where nothing changes meanwhile
CONTACT_STIFFNESS = 2.0  # in units of the stiffness that sets the longest time step
BALLAST = 4.0  # times as stiff as flat: up to here inertia alone makes up for it, from here on steps are shorter too
FASTEST = 1.0  # m/s, a hand's speed
MOST_OF_THICKNESS = 0.15  # that a kick makes a node go in a step: contact stops it within about a step's way


@dataclass
class Motion:
    """The moving state of one lattice; all arrays on the padded grid. Its owner is the settle loop."""

    x: Array  # (3, NU, NV) m
    v: Array  # m/s, half a step behind
    force: Array  # elastic + dead load, N
    touch: Array  # contact, N
    spent: Array  # (2, NU) J, by rows: what damping has taken out of the sheet, and what contact has
    inertia: Inertia  # moved with: own and lent by contacts
    peak: Array  # (blocks, 3) largest strain along each axis of the grid, and sine of yarn angle, since last cleared
    scratch: Scratch


class Slopes(NamedTuple):
    """How stiff a lattice is, N/m: what the time step and the yarns' implicit solve are chosen from."""

    along: float  # largest slope of the load-extension curves
    across: float  # what tension, and shear at the largest yarn angle, add to the stiffness of the quickest wave


@dataclass(frozen=True)
class Problem:
    """What does not move while one lattice is relaxed."""

    lattice: Lattice
    card: FabricCard
    field: BodyField | None
    friction: Array  # (parts + 1,) static coefficients of the body's parts, and of the cloth on itself
    held: Array | None
    gravity: Array  # (3,)
    fields: LatticeFields
    cloth: ClothConstants
    weave: Weave
    weight: Array  # (n,) N, what residuals are measured in
    blocks: int
    curves: tuple[Curve, Curve]  # along the axes of the padded grid

    @property
    def least_spacing(self) -> float:
        """The smaller of the two spacings of the lattice, m."""
        return min(self.lattice.spacing_u, self.lattice.spacing_v)


def pose_problem(
    lattice: Lattice,
    card: FabricCard,
    field: BodyField | None,
    friction: Array,
    held: Array | None,
    gravity: Array,
    blocks: int,
) -> Problem:
    """Gather all fixed arrays of one lattice.

    ``field``: the body, None for a sheet that meets none. ``friction`` (parts,): static coefficient of each body part.
    ``held`` (n,) bool: nodes that do not move. ``gravity`` (3,) m/s2. ``blocks``: into how many the work is cut.
    """
    fields = lattice_fields(lattice, card, gravity, held)
    curves = (
        smooth_curve(card.warp_curve, card.compression_ratio),
        smooth_curve(card.weft_curve, card.compression_ratio),
    )
    size = float(np.linalg.norm(gravity))
    return Problem(
        lattice=lattice,
        card=card,
        field=field,
        friction=np.append(friction, card.self_friction),
        held=held,
        gravity=gravity,
        fields=fields,
        cloth=cloth_constants(card, lattice),
        weave=prepare_weave(lattice),
        weight=card.areal_density * lattice.node_area * (size if size > 0 else 9.80665),
        blocks=blocks,
        curves=(curves[1], curves[0]) if is_turned(lattice) else curves,
    )


def start_motion(problem: Problem, x: Array, v: Array | None = None) -> Motion:
    """State at positions x (n, 3) m, at rest unless v (n, 3) m/s is given."""
    grid = padded(problem.lattice, x)
    velocity = zeros_in_lines(*grid.shape) if v is None else padded(problem.lattice, v)
    return Motion(
        grid,
        velocity,
        zeros_in_lines(*grid.shape),
        zeros_in_lines(*grid.shape),
        np.zeros((2, grid.shape[1])),
        plain_inertia(problem),
        np.zeros((problem.blocks, 3)),
        scratch_of(grid.shape[1:], problem.blocks),
    )


def plain_inertia(problem: Problem) -> Inertia:
    """What nodes that nothing has lent any inertia move with."""
    fields = problem.fields
    return Inertia(np.zeros_like(fields.mass), fields.mass.copy(), fields.light.copy(), np.ones_like(fields.mass))


def positions(problem: Problem, motion: Motion) -> Array:
    """(n, 3) node positions, m."""
    return unpadded(problem.lattice, motion.x)


def steepest_slopes(problem: Problem, motion: Motion, way: float = 0.0) -> Slopes:
    """How stiff the lattice is at the strains and yarn angles that occurred lately; clears the record of them.

    ``way`` (m): how far nodes may go before the next look, and shear their cells, which may lock meanwhile.
    """
    peak = np.maximum(motion.peak.max(0), 0.0)
    motion.peak[:] = 0.0
    along, pull = 0.0, 0.0
    h = problem.least_spacing
    for curve, e in zip(problem.curves, peak[:2], strict=True):
        along = max(along, float(curve.tangent(np.linspace(0.0, e, 9)).max()))
        pull += float(curve.tension(e))
    # 8: a single cell swings twice as stiffly as one among many, and those at edges and corners are nearly single
    return Slopes(along, 4.0 * pull + 8.0 * shear_slope(problem.cloth, float(peak[2]) + way / h))


def shear_slope(cloth: ClothConstants, sine: float) -> float:
    """Slope (N/m) of the shear stress over the sine of the yarn angle, at that sine."""
    return float(shear_response(min(sine, MOST_SINE), cloth)[1])


def choose_pace(problem: Problem, slopes: Slopes, damping: float) -> Pace:
    """Time step from the quickest wave of shear, bend and tension: stretch along the yarns is solved at any step.

    Up to `BALLAST` times the stiffness of a flat sheet at rest it is the longest: nodes are lent inertia (`borne`).

    ``damping`` (1/s). Contacts have one stiffness as long as a lattice is relaxed, since what they carry depends on it:
    some times what sets the longest step, against inertia that they are lent while they push (kernels.relax).
    """
    card = problem.card
    flat = flat_stiffness(problem)
    excess = max(1.0, (slopes.across + bend_stiffness(problem)) / flat)
    # in wild motion every place may be as stiff as the stiffest within a few steps: then the step is short for all
    borne = flat * min(excess, max(1.0, (excess / BALLAST) ** 2))
    dt = _stable_step(problem, borne)
    link = CONTACT_STIFFNESS * flat
    hold = dt**2 * slopes.along
    dashpot = 0.5 * link
    # so much that the step stays stable; for the longest step, so the same contacts always lend the same
    lend = 0.25 * longest_step(problem) ** 2 / TIME_STEP_SHARE**2 * (link + 0.5 * dashpot)
    limit = min(FASTEST, MOST_OF_THICKNESS * card.thickness / dt)
    cloth = problem.cloth
    return Pace(
        dt=float(dt), damping=damping, stiffness=link, grip=link, dashpot=dashpot, limit=float(limit),
        borne=borne, bend=bend_stiffness(problem),
        hold_u=float(hold * cloth.hv / cloth.hu), hold_v=float(hold * cloth.hu / cloth.hv), lend=lend,
    )  # fmt: skip


def bend_stiffness(problem: Problem) -> float:
    """N/m, what bending and twist add to the stiffness of the quickest wave."""
    card = problem.card
    return 32.0 * max(card.bend_warp, card.bend_weft, card.twist) / problem.least_spacing**2


def longest_step(problem: Problem) -> float:
    """s, the time step of a flat sheet at rest: none is longer."""
    return _stable_step(problem, flat_stiffness(problem))


def flat_stiffness(problem: Problem) -> float:
    """N/m, of the quickest wave of a flat sheet at rest, by the measure of `Slopes`, with bending in it."""
    return 8.0 * problem.card.shear_rigidity + bend_stiffness(problem)


def _stable_step(problem: Problem, stiff: float) -> float:
    return TIME_STEP_SHARE * 2.0 * problem.least_spacing * float(np.sqrt(problem.card.areal_density / stiff))


def shortened(pace: Pace, share: float) -> Pace:
    """``pace`` with steps of ``share`` of its own; contacts stay as stiff as they are."""
    hold = share**2
    return pace._replace(dt=share * pace.dt, hold_u=hold * pace.hold_u, hold_v=hold * pace.hold_v)


def take_inertia(problem: Problem, motion: Motion, mass: Array) -> None:
    """Move nodes with the inertia ``mass`` (n,) kg from here on, as they were before."""
    motion.inertia.mass[:] = padded(problem.lattice, mass)
    motion.inertia.light[:] = lightness(motion.inertia.mass, problem.fields.free)


def advance(problem: Problem, motion: Motion, found: ContactSet, pace: Pace, steps: int, way: float = np.inf) -> int:
    """Take at most ``steps`` steps in place (0: only compute the forces); returns how many were taken.

    ``way`` (m): no node goes farther, but one step is always taken.
    """
    contacts = found.contacts
    contacts.wake[:] = contacts.run_wake[:] = FRESH if steps > 0 else AWAKE
    with limited_to(problem.blocks):
        taken = relax(
            steps, way, pace.dt * top_speed(motion), motion.x, motion.v, motion.force, motion.touch, motion.spent,
            motion.peak, motion.scratch, motion.inertia, problem.fields, problem.cloth, contacts, pace,
        )  # fmt: skip
    return int(taken)


def residuals(problem: Problem, motion: Motion) -> tuple[float, float]:
    """(rms, max) of the net force on free nodes over nodal weight, at the last positions forces were computed for."""
    net = (motion.force + motion.touch) * problem.fields.free
    size = np.sqrt((unpadded(problem.lattice, net) ** 2).sum(1)) / problem.weight
    return float(np.sqrt(np.mean(size**2))), float(size.max())


def top_speed(motion: Motion) -> float:
    """m/s, of the quickest node, half a step behind."""
    return float(np.sqrt((motion.v**2).sum(0).max()))


def kinetic_energy(motion: Motion) -> float:
    """J, of the half-step velocity."""
    return float(0.5 * (motion.inertia.mass * (motion.v**2).sum(0)).sum())


def stored_energy(problem: Problem, motion: Motion) -> float:
    """Elastic + height + motion, J, by the independent energies."""
    x = positions(problem, motion)
    energy = elastic_energies(problem.lattice, problem.card, x, problem.held)
    mass = problem.card.areal_density * problem.lattice.node_area
    return sum(energy.values()) - float((mass * (x @ problem.gravity)).sum()) + kinetic_energy(motion)
