"""Heart loop: the bending length from the height of a strip that hangs with both ends clamped together.

The second test of the same rigidity, bent far more: it tells whether what the cantilever reads holds in tight folds.
The height is reduced with the exact heavy elastica (`reductions.reduce_heart_loop`); Peirce's own reduction is up to
13 % off. The loop is the even number of whole cells that comes nearest to 7 bending lengths.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from drapesim.ground.reductions import reduce_heart_loop
from drapesim.ground.references import solve_heart_loop
from drapesim.ground.units import bending_length
from drapesim.jobs.lab.cantilever import FIELDS
from drapesim.jobs.lab.record import LabResult, Reading, VirtualTest, Watch, choose_bar, list_failures
from drapesim.jobs.lab.specimen import cut_strip
from drapesim.matter.fabric import FabricCard
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import SettledSheet, settle

Array = np.ndarray

LOOP = 7.0  # length in bending lengths: gamma = 343
APART = 1e-3  # of the two ends, in loop lengths
SETTINGS = SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0)


def settle_heart_loop(
    card: FabricCard,
    direction: str,
    spacing: float,
    cells: int,
    settings: SettleSettings = SETTINGS,
    watch: Watch | None = None,
) -> tuple[SettledSheet, Array]:
    """A loop of ``cells`` (even) cells along "warp" or "weft", one cell more held at each end; (settled, (cells + 3, 3)
    m: the middle of each row, the clamp at the origin).

    It starts as the weightless loop. The cloth is taken to be thinner than the ends are apart, a thousandth of the
    loop, so that no cloth presses on cloth: the reference knows no thickness.
    """
    strip = cut_strip(direction, cells + 2, spacing)
    length = cells * spacing
    lean = solve_heart_loop(0.0, APART, points=cells + 1).angle[1::2]  # of each link, so that none is stretched
    x, z = np.cumsum(np.cos(lean)) / cells + 0.5 * APART, np.cumsum(np.sin(lean)) / cells
    x -= x[-1] * np.linspace(0.0, 1.0, len(x))  # closes the small gap that the straight links leave
    across = np.concatenate([[0.5 * APART, 0.5 * APART], x, -x[-2::-1], [-0.5 * APART, -0.5 * APART]])
    height = np.concatenate([[-1.0 / cells, 0.0], z, z[-2::-1], [0.0, -1.0 / cells]])
    start = strip.laid(length * across, length * height)
    thin = replace(card, thickness=min(card.thickness, 0.2 * APART * length))
    held = strip.held_rows(0, 1, -2, -1)
    settled = settle(strip.lattice, thin, start, held=held, settings=settings, progress=watch)
    return settled, settled.x[strip.rows].mean(axis=1)


def read_height(z: Array) -> float:
    """Drop (m) of the loop's lowest point below the clamp, from the heights z (k,) m of its rows.

    The lattice's links stand for arcs but are chords as long as these: where the cloth turns by t from link to link,
    the nodes lie t^2 / 24 of the radius outside of it, a twelfth of how far they stand out from their neighbours.
    """
    low = int(np.argmin(z))
    return -float(z[low] + (0.5 * (z[low - 1] + z[low + 1]) - z[low]) / 12.0)


def run_heart_loop(
    card: FabricCard, direction: str, spacing: float, watch: Watch | None = None, aim: float | None = None
) -> LabResult:
    """Bending length of "warp" or "weft" as a virtual heart loop reads it.

    ``aim``: the bending length (m) that the test is set up for and compared with, the card's own if None.
    """
    c = bending_length(card.areal_density, getattr(card, FIELDS[direction])) if aim is None else aim
    cells = max(8, 2 * round(0.5 * LOOP * c / spacing))
    settled, line = settle_heart_loop(card, direction, spacing, cells, watch=watch)
    length, height = cells * spacing, read_height(line[:, 2])
    try:
        read = reduce_heart_loop(height, length)
    except ValueError:  # a height that no loop has: it is shown as not measured
        read = math.nan
    note = f"loop {1e3 * length:.0f} mm long, height {1e3 * height:.1f} mm"
    bar = choose_bar(spacing / c)
    reading = Reading(FIELDS[direction], f"bending length, {direction}", "mm", c, read, bar, note=note)
    return LabResult(
        name="heart loop",
        title="Heart loop",
        direction=direction,
        readings=(reading,),
        spacing=spacing,
        spacing_over_c=spacing / c,
        nodes=len(settled.lattice.ij),
        steps=settled.certificate.steps,
        failures=list_failures(settled),
        lines=MappingProxyType({"strip": line[:, [0, 2]], "length": np.array([length])}),
    )


def heart_loop_test(direction: str, aim: float | None = None) -> VirtualTest:
    """The virtual test of one direction; ``aim``: see `run_heart_loop`."""

    def run(card: FabricCard, spacing: float, watch: Watch | None) -> LabResult:
        return run_heart_loop(card, direction, spacing, watch, aim)

    return VirtualTest("heart loop", "Heart loop", direction, 6.0, run)
