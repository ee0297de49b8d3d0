"""Incline: the static friction coefficient, from a piece of cloth on a tilting plane.

The plane stays level and gravity leans, which is the same thing. Three tilts: one per cent below the card's angle (in
its tangent) the piece must stay, certified; one per cent above it must slide; and on the sliding piece the coefficient
is read as the pull of friction over the push of the plane. On "itself" the plane is a held piece of the same cloth.
"""

from __future__ import annotations

import math
from functools import partial
from types import MappingProxyType

import numpy as np

from drapesim.ground.outcome import Ending
from drapesim.ground.units import GRAVITY
from drapesim.jobs.lab.record import FINE_BAR, LabResult, Reading, VirtualTest, Watch, list_failures
from drapesim.matter.body import Body, slab
from drapesim.matter.fabric import ITSELF, FabricCard
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice
from drapesim.settling.settle import SettledSheet, settle

Array = np.ndarray

CELLS = (5, 4)
BASE = 12  # cells along each side of the held piece
STEP = 0.01  # of the tangent, below and above
FARTHER, CREPT = 20.0, 1e-7  # how much farther than the held piece the other must have gone; m, that counts as held
HOLDS = SettleSettings(levels=0, max_steps=100_000)
SLIDES = SettleSettings(levels=0, max_steps=20_000)


def lay_on_plane(card: FabricCard, spacing: float) -> tuple[Lattice, Array, Array, Body]:
    """(lattice, start (n, 3) m, held, slab) of a piece on a rigid plane."""
    lattice = Lattice(spacing, spacing, np.ones(CELLS, dtype=bool))
    middle = lattice.uv - lattice.uv.mean(axis=0)
    start = np.column_stack([middle, np.full(len(middle), 0.5 * card.thickness)])
    size = 12.0 * spacing * max(CELLS)
    return lattice, start, np.zeros(len(middle), dtype=bool), slab(length=size, width=size, thickness=0.05)


def lay_on_itself(card: FabricCard, spacing: float) -> tuple[Lattice, Array, Array, None]:
    """The same of a piece on a held one: two pieces of one lattice, with a row of cells left out between them."""
    cell = np.zeros((BASE + 1 + CELLS[0], BASE), dtype=bool)
    cell[:BASE] = True
    cell[BASE + 1 :, : CELLS[1]] = True
    lattice = Lattice(spacing, spacing, cell)
    held = lattice.ij[:, 0] <= BASE
    start = np.column_stack([lattice.uv, np.zeros(len(held))])
    start[held, :2] -= start[held, :2].mean(axis=0)
    shift = 0.3 * spacing  # nodes do not lie on nodes
    start[~held, :2] -= start[~held, :2].mean(axis=0) - shift
    start[~held, 2] = card.thickness
    return lattice, start, held, None


def settle_on_incline(
    card: FabricCard, surface: str, spacing: float, slope: float, settings: SettleSettings, watch: Watch | None = None
) -> tuple[SettledSheet, Array, float]:
    """A piece on ``surface`` tilted by the angle of tangent ``slope``, downhill along the warp.

    (settled, its mean way (3,) m, pull of friction over push of the plane.)
    """
    lattice, start, held, body = (lay_on_itself if surface == ITSELF else lay_on_plane)(card, spacing)
    tilt = math.atan(slope)
    down = np.array([math.sin(tilt), 0.0, -math.cos(tilt)])
    friction = None if body is None else np.full(len(body.parts), card.friction[surface])
    settled = settle(
        lattice, card, start, body=body, held=held if held.any() else None, friction=friction, settings=settings,
        gravity=tuple(GRAVITY * down), progress=watch,
    )  # fmt: skip
    force = (settled.layer_force if body is None else settled.contact_force)[~held].sum(axis=0)
    ratio = math.hypot(force[0], force[1]) / force[2] if force[2] > 0.0 else math.nan
    return settled, (settled.x - start)[~held].mean(axis=0), ratio


def run_incline(card: FabricCard, surface: str, spacing: float, watch: Watch | None = None) -> LabResult:
    """Static coefficient on one of the card's surfaces as a virtual incline reads it."""
    mu = card.friction[surface]
    still, way, _ = settle_on_incline(card, surface, spacing, (1.0 - STEP) * mu, HOLDS, watch)
    slid, gone, read = settle_on_incline(card, surface, spacing, (1.0 + STEP) * mu, SLIDES, watch)
    stays = still.ending is Ending.SETTLED
    slides = slid.ending is not Ending.SETTLED and gone[0] > FARTHER * max(abs(way[0]), CREPT)
    note = (
        f"{'stays' if stays else 'does NOT stay'} at {1 - STEP:g} of it, "
        f"{'slides' if slides else 'does NOT slide'} at {1 + STEP:g}"
    )
    reading = Reading(f"friction.{surface}", f"friction on {surface}", "1", mu, read if slides else math.nan, FINE_BAR,
                      note=note)  # fmt: skip
    return LabResult(
        name="incline",
        title="Incline",
        direction=surface,
        readings=(reading,),
        spacing=spacing,
        spacing_over_c=float("nan"),
        nodes=len(still.lattice.ij),
        steps=still.certificate.steps + slid.certificate.steps,
        failures=list_failures(still),
        lines=MappingProxyType({"slope": np.array([mu]), "way": np.array([way[0], gone[0]])}),
    )


def incline_test(surface: str) -> VirtualTest:
    """The virtual test on one surface."""
    return VirtualTest("incline", "Incline", surface, 6.0, partial(_run, surface))


def _run(surface: str, card: FabricCard, spacing: float, watch: Watch | None) -> LabResult:
    return run_incline(card, surface, spacing, watch)
