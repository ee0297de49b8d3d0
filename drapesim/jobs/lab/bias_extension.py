"""Bias extension: the shear rigidity from a strip cut at 45 degrees and pulled.

Read as with two marks in the middle third of a long strip, where the grips are not felt: the pull per width over the
stretch between the marks is the stiffness at 45 degrees, and the card's own stiffness along warp and weft at small pull
takes the yarns' stretch out of it (`reductions.shear_from_bias_orthotropic`). A second, shorter piece, twice as long as
broad as on the FAST meter (from memory), is read over its grips with F / (4 e), to show what clamped ends and
stretching yarns do to that shortcut; it is not judged. Where somebody pulled such a piece and told at what extension it
bore what, the short piece is pulled as far instead, and its pull compared.
"""

from __future__ import annotations

import math
from types import MappingProxyType

import numpy as np

from drapesim.ground.reductions import shear_from_bias_orthotropic
from drapesim.ground.references import reduce_bias_extension
from drapesim.jobs.lab.record import FINE_BAR, LabResult, Reading, VirtualTest, Watch, list_failures
from drapesim.jobs.lab.specimen import BiasStrip, cut_bias_strip
from drapesim.matter.fabric import FabricCard
from drapesim.matter.plan import SettleSettings
from drapesim.mechanics.energies import smooth_curve
from drapesim.settling.settle import SettledSheet, settle

Array = np.ndarray

HALF = 2  # places to either side of the middle: five steps broad
LONG, SHORT = 48, 10  # rows
STRAIN = 1e-3  # over the grips: small against the angles at which F / (4 e) departs from the trellis
NO_WEIGHT = (0.0, 0.0, 0.0)
SETTINGS = SettleSettings(levels=0)


def pull_bias(
    card: FabricCard, strip: BiasStrip, strain: float, watch: Watch | None = None
) -> tuple[SettledSheet, float]:
    """``strip`` pulled to ``strain`` between grips that hold its first and last row; (settled, pull N/m).

    The edges are staircases, which end half a place inside their tips on either side.
    """
    last = int(strip.row.max())
    held = (strip.row == 0) | (strip.row == last)
    start = strip.flat
    start[:, 0] *= 1.0 + strain
    start[~held, 1] *= 1.0 - 0.8 * strain  # near what a trellis does, and not at rest
    settled = settle(strip.lattice, card, start, held=held, settings=SETTINGS, gravity=NO_WEIGHT, progress=watch)
    width = (2 * int(strip.place.max()) - 1) * strip.step
    return settled, float(settled.reaction[strip.row == last, 0].sum()) / width


def pull_short(
    card: FabricCard, spacing: float, strain: float, watch: Watch | None = None
) -> tuple[SettledSheet, float]:
    """A piece twice as long as broad pulled to ``strain``; (settled, pull N/m)."""
    return pull_bias(card, cut_bias_strip(0, SHORT, HALF, spacing), strain, watch)


def run_bias_extension(
    card: FabricCard, spacing: float, watch: Watch | None = None, aim: tuple[float, float] | None = None
) -> LabResult:
    """Shear rigidity as a virtual bias strip reads it. ``aim``: (tension N/m, strain) at which a short one was read."""
    strip = cut_bias_strip(0, LONG, HALF, spacing)
    settled, pull = pull_bias(card, strip, STRAIN, watch)
    marks = LONG // 3, LONG - LONG // 3
    low, high = (float(settled.x[strip.row == mark, 0].mean()) for mark in marks)
    stretch = (high - low) / ((marks[1] - marks[0]) * strip.step) - 1.0
    warp, weft = (
        float(smooth_curve(points, card.compression_ratio).tangent(np.array(0.0)))
        for points in (card.warp_curve, card.weft_curve)
    )
    try:
        shear = shear_from_bias_orthotropic(pull / stretch, warp, weft)
    except ValueError:  # shown as not measured
        shear = math.nan
    note = f"stretched {100 * stretch:.3f} % between marks in the middle third"
    long_reading = Reading(
        "shear_rigidity", "shear rigidity, bias strip", "N_m_rad", card.shear_rigidity, shear, FINE_BAR, note=note
    )
    quick, short_pull = pull_short(card, spacing, STRAIN if aim is None else aim[1], watch)
    if aim is None:
        note = "read over its grips, with their hold and the yarns' stretch left in"
        short_reading = Reading(
            "shear_rigidity", "the same, short piece by F / (4 e)", "N_m_rad", card.shear_rigidity,
            reduce_bias_extension(STRAIN, short_pull), None, note=note,
        )  # fmt: skip
    else:
        quantity = f"pull at {100 * aim[1]:.3g} % on the bias"
        note = "a piece twice as long as broad, over its grips"
        short_reading = Reading("shear_rigidity", quantity, "N_m", aim[0], short_pull, FINE_BAR, note=note)
    readings = (long_reading, short_reading)
    return LabResult(
        name="bias extension",
        title="Bias extension",
        direction="bias",
        readings=readings,
        spacing=spacing,
        spacing_over_c=float("nan"),
        nodes=len(strip.lattice.ij),
        steps=settled.certificate.steps + quick.certificate.steps,
        failures=list_failures(settled, quick),
        lines=MappingProxyType(
            {"nodes": settled.x[:, :2], "flat": strip.flat[:, :2], "triangles": strip.lattice.triangles,
             "pairs": strip.links, "marks": np.array([low, high])}
        ),
    )  # fmt: skip


def bias_extension_test(aim: tuple[float, float] | None = None) -> VirtualTest:
    """The virtual test; ``aim``: see `run_bias_extension`."""

    def run(card: FabricCard, spacing: float, watch: Watch | None) -> LabResult:
        return run_bias_extension(card, spacing, watch, aim)

    return VirtualTest("bias extension", "Bias extension", "bias", 2.0, run)
