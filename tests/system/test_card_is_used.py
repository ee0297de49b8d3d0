"""Every entry of the fabric card is used, and moves what it must and nothing else.

A figure is what somebody could measure on the cloth, worked out by the code that settles and judges: kernels' forces on
sheets of simple shape, contacts as the search lists them, strains as the verdicts watch them. For each entry the card
is changed in this one place; every figure must then have its closed form, and only those named may have moved.
"""

import math
from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest

from drapesim.ground.references.hysteresis import solve_shape_band
from drapesim.ground.units import GRAVITY
from drapesim.judging.hysteresis import carry
from drapesim.judging.verdicts import find_strained
from drapesim.kernels.elastic import PAD, forces_of_block_into
from drapesim.kernels.layers import SELF
from drapesim.matter.body import box, join, slab
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.energies import cloth_constants, lattice_fields, padded, smooth_curve, unpadded
from drapesim.mechanics.search import find_touching
from drapesim.mechanics.solve import Slopes, advance, choose_pace, pose_problem, start_motion
from drapesim.settling.contact_record import record_contact

H, HV = 0.01, 0.008  # m, spacings along warp and weft
CELLS = 8
PULLED, PUSHED, OVER = 0.012, -0.01, 0.025  # strains
ANGLE, STEEP = 0.2, 0.5  # rad, yarn angles before and past locking
SINK, DRAWN = 1e-5, 1e-3  # m: how deep the test sheets lie in what they touch, and how far their grip is drawn

CARD = FabricCard(
    name="test values", areal_density=0.2, thickness=4e-4,
    warp_curve=np.array([[0.0, 0.0], [0.005, 4.0], [PULLED, 20.0], [0.03, 200.0]]),
    weft_curve=np.array([[0.0, 0.0], [0.004, 6.0], [PULLED, 26.0], [0.05, 300.0]]),
    shear_rigidity=40.0, locking_angle=0.3, bend_warp=1.2e-5, bend_weft=8e-6, bend_bias=7e-6,
    friction={"wood": 0.3, "slate": 0.45, "itself": 0.35}, compression_ratio=0.5, safe_strain=(0.03, 0.03),
    bend_hysteresis=(2e-4, 3e-4),
)  # fmt: skip


def moved_curve(points):
    """The curve with a stiffer third point."""
    moved = points.copy()
    moved[2, 1] *= 1.3
    return moved


def with_friction(surface, coefficient):
    return {"friction": {**CARD.friction, surface: coefficient}}


# entry -> (the card's change, the figures that move)
CASES = {
    "areal_density": ({"areal_density": 0.3}, {"weight", "give of the warp", "give of the weft"}),
    "thickness": ({"thickness": 5e-4}, {"gap of a sheet at a fixed height", "room on the body", "room between layers"}),
    "warp_curve": ({"warp_curve": moved_curve(CARD.warp_curve)}, {"pull along the warp", "push along the warp"}),
    "weft_curve": ({"weft_curve": moved_curve(CARD.weft_curve)}, {"pull along the weft", "push along the weft"}),
    "compression_ratio": ({"compression_ratio": 0.2}, {"push along the warp", "push along the weft"}),
    "shear_rigidity": ({"shear_rigidity": 60.0}, {"shear", "shear past locking"}),
    "locking_angle": ({"locking_angle": 0.4}, {"shear past locking"}),
    "bend_warp": ({"bend_warp": 1.5e-5}, {"bending along the warp", "twisting", "give of the warp"}),
    "bend_weft": ({"bend_weft": 6e-6}, {"bending along the weft", "twisting", "give of the weft"}),
    "bend_bias": ({"bend_bias": 9e-6}, {"bending along the bias", "twisting"}),
    "friction.wood": (with_friction("wood", 0.2), {"grip on wood"}),
    "friction.slate": (with_friction("slate", 0.2), {"grip on slate"}),
    "friction.itself": (with_friction("itself", 0.2), {"grip on itself"}),
    "bend_hysteresis_warp": ({"bend_hysteresis": (4e-4, 3e-4)}, {"give of the warp"}),
    "bend_hysteresis_weft": ({"bend_hysteresis": (2e-4, 1e-4)}, {"give of the weft"}),
    "safe_strain_warp": ({"safe_strain": (0.02, 0.03)}, {"overstretched along the warp"}),
    "safe_strain_weft": ({"safe_strain": (0.03, 0.02)}, {"overstretched along the weft"}),
}


@cache
def widest(friction):
    """Of cloth that nothing holds: half the way (in bending lengths) between the tips of a strip that came down from
    flat and of one that came up from hanging, of the free length at which it is largest."""
    bands = [(length, solve_shape_band(length, friction, 3)) for length in (2.5, 3.0, 4.0, 5.0)]
    return max(0.5 * length * math.dist(band.upper.tip, band.lower.tip) for length, band in bands)


def expected(card):
    """Every figure's closed form."""
    twist = 2.0 * card.bend_bias - 0.5 * (card.bend_warp + card.bend_weft)
    figures = {
        "weight": card.areal_density * 9.8 * CELLS**2 * H * HV,
        "gap of a sheet at a fixed height": 1e-3 - 0.5 * card.thickness,
        "room on the body": 0.5 * card.thickness,
        "room between layers": card.thickness,
        "shear": card.shear_rigidity * ANGLE,
        "shear past locking": card.shear_rigidity
        * (STEEP + 50.0 * (np.sin(STEEP) - np.sin(card.locking_angle)) ** 2 * np.cos(STEEP)),
        "bending along the warp": card.bend_warp,
        "bending along the weft": card.bend_weft,
        "bending along the bias": card.bend_bias,
        "twisting": twist,
    }
    for axis, side in enumerate(("warp", "weft")):
        points = (card.warp_curve, card.weft_curve)[axis]
        # the compressive slope is the ratio times the first slope, joined to it over a tenth of the first strain
        first, joint = float(smooth_curve(points, card.compression_ratio).tangent(np.zeros(()))), 0.1 * points[1, 0]
        ratio = card.compression_ratio
        figures[f"pull along the {side}"] = points[2, 1]
        figures[f"push along the {side}"] = -first * (ratio * (-PUSHED - joint) + 0.5 * (1.0 + ratio) * joint)
        figures[f"overstretched along the {side}"] = float(card.safe_strain[axis] < OVER)
        weight, rigidity = card.areal_density * GRAVITY, (card.bend_warp, card.bend_weft)[axis]
        c = (rigidity / weight) ** (1.0 / 3.0)
        figures[f"give of the {side}"] = c * widest(0.5 * card.bend_hysteresis[axis] / (weight * c**2))
    for surface, coefficient in card.friction.items():
        figures[f"grip on {surface}"] = coefficient
    return figures


def kernel_force(lattice, card, x):
    grid = padded(lattice, x)
    force = np.zeros_like(grid)
    weights, cloth = lattice_fields(lattice, card, np.zeros(3)), cloth_constants(card, lattice)
    forces_of_block_into(force, np.zeros(3), PAD, grid.shape[1] - PAD, grid, weights, cloth)
    return unpadded(lattice, force)


def measured(card, body):
    """Every figure as the code has it."""
    lattice = Lattice(H, HV, np.ones((CELLS, CELLS), dtype=bool))
    u, v = lattice.uv.T
    none, area = np.zeros(len(u)), CELLS**2 * H * HV
    load = lattice_fields(lattice, card, np.array([0.0, 0.0, -9.8])).load
    figures = {"weight": -load[2].sum()}

    for axis, side in enumerate(("warp", "weft")):
        end, width = lattice.ij[:, axis] == 0, CELLS * (HV, H)[axis]
        for what, strain in (("pull", PULLED), ("push", PUSHED)):
            stretched = np.c_[lattice.uv, none]
            stretched[:, axis] *= 1.0 + strain
            figures[f"{what} along the {side}"] = kernel_force(lattice, card, stretched)[end, axis].sum() / width
        stretched = np.c_[lattice.uv, none]
        stretched[:, axis] *= 1.0 + OVER
        figures[f"overstretched along the {side}"] = float(find_strained(lattice, stretched, card).mean())
        alone = [moment if k == axis else None for k, moment in enumerate(card.bend_hysteresis)]
        held = carry(lattice, replace(card, bend_hysteresis=tuple(alone)), np.zeros(len(u), dtype=bool))
        figures[f"give of the {side}"] = held.mean()

    for what, angle in (("shear", ANGLE), ("shear past locking", STEEP)):
        force = kernel_force(lattice, card, np.c_[u + v * np.sin(angle), v * np.cos(angle), none])
        figures[what] = -(force * np.c_[v * np.cos(angle), -v * np.sin(angle), none]).sum() / area  # virtual work

    # plate theory: the load that holds w is Bu w_uuuu + 2 J w_uuvv + Bv w_vvvv, exact on a lattice for fourth powers.
    # One per m3 makes turns of some 1e-5 about the middle.
    a, b = u - 0.5 * u.max(), v - 0.5 * v.max()
    middle = lattice.index[CELLS // 2, CELLS // 2]
    shapes = {
        "bending along the warp": (a**4, 24.0),
        "bending along the weft": (b**4, 24.0),
        "bending along the bias": (0.25 * (a + b) ** 4, 24.0),
        "twisting": (a**2 * b**2, 8.0),
    }
    for what, (shape, factor) in shapes.items():
        force = kernel_force(lattice, card, np.c_[lattice.uv, shape])
        figures[what] = -force[middle, 2] / (factor * H * HV)
    return figures | measured_contact(card, body)


def measured_contact(card, body):
    """Three separate pieces: one on the slate, one on the wood, and one on top of the first."""
    cell = np.ones((14, 4), dtype=bool)
    cell[[4, 9]] = False
    lattice = Lattice(H, HV, cell)
    i, (u, v) = lattice.ij[:, 0], lattice.uv.T
    piece = np.digitize(i, [5, 10])
    on_top = 0.04 + 0.5 * CARD.thickness - SINK
    x = np.empty((len(u), 3))
    for number, (along, height) in enumerate([(0.0, on_top), (0.5, on_top), (0.0033, on_top + CARD.thickness - SINK)]):
        of_piece = piece == number
        x[of_piece] = np.c_[u[of_piece] - 5 * H * number + along, v[of_piece], 0.0 * u[of_piece] + height]
    x[:, :2] -= [0.0213, 0.0171]
    field = prepare_body(body)
    friction = np.array([card.friction[part.surface] for part in body.parts])
    problem = pose_problem(lattice, card, field, friction, None, np.array([0.0, 0.0, -9.8]), 1)
    found, crossed = find_touching(problem, x, 1e-3, 1e-3, no_contacts())
    assert not len(crossed)
    motion, pace = start_motion(problem, x), choose_pace(problem, Slopes(1e4, 400.0), 1.0)
    contacts, part = found.contacts, found.found.part
    contacts.anchor[:, 0] += DRAWN  # much farther than any friction holds
    room = found.found.gap - contacts.last
    advance(problem, motion, found, pace, 0)
    push = (contacts.force * contacts.normal).sum(1)
    across = np.linalg.norm(contacts.force - push[:, None] * contacts.normal, axis=1)
    figures = {"room on the body": room[part == 0].mean(), "room between layers": room[part == SELF].mean()}
    for name, number in (("wood", 0), ("slate", 1), ("itself", SELF)):
        loaded = (part == number) & (push > 0.0)
        assert loaded.sum() > 4
        figures[f"grip on {name}"] = (across[loaded] / push[loaded]).mean()
    flat = Lattice(H, HV, np.ones((2, 2), dtype=bool))
    above = np.c_[flat.uv + np.array([0.5, 0.0]), np.full(len(flat.uv), 0.041)]  # 1 mm over the wood
    figures["gap of a sheet at a fixed height"] = record_contact(flat, card, above, 0.0 * above, field).gap.mean()
    return figures


@pytest.fixture(scope="module")
def body():
    """A box of wood at x = 0.5 m and a slab of slate about the origin, both with their tops at z = 40 mm."""
    return join(box((0.4, -0.06, -0.04), (0.6, 0.06, 0.04), "wood"), slab(0.2, 0.12, 0.08, top_z=0.04))


@pytest.fixture(scope="module")
def usual(body):
    return measured(CARD, body)


def test_no_entry_is_left_out():
    pairs = {"safe_strain", "bend_hysteresis"}
    entries = {field.name for field in fields(FabricCard)} - {"name", "provenance", "friction"} - pairs
    entries |= {f"friction.{surface}" for surface in CARD.friction}
    entries |= {f"{pair}_{side}" for pair in pairs for side in ("warp", "weft")}
    assert set(CASES) == entries


def test_every_figure_has_its_closed_form(usual):
    assert usual == pytest.approx(expected(CARD), rel=2e-5, abs=1e-12)


@pytest.mark.parametrize("entry", CASES)
def test_an_entry_moves_its_own_figures_and_no_other(usual, body, entry):
    change, moves = CASES[entry]
    card = replace(CARD, **change)
    figures = measured(card, body)
    assert figures == pytest.approx(expected(card), rel=2e-5, abs=1e-12)
    moved = {name for name, figure in figures.items() if figure != pytest.approx(usual[name], rel=1e-6, abs=1e-12)}
    assert moved == moves
    least = min(abs(figures[name] - usual[name]) / max(abs(usual[name]), abs(figures[name])) for name in moves)
    assert least > 0.02  # a change to be seen, not a rounding
