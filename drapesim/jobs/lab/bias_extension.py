"""Bias extension: the shear rigidity from a strip cut at 45 degrees and pulled.

Read as with two marks in the middle third of a long strip, where the grips are not felt: the pull per width over the
stretch between the marks is the stiffness at 45 degrees, and the card's own stiffness along warp and weft at small pull
takes the yarns' stretch out of it (`reductions.shear_from_bias_orthotropic`). A second, shorter piece, twice as long as
broad as on the FAST meter (from memory), is read over its grips with F / (4 e), to show what clamped ends and
stretching yarns do to that shortcut; it is not judged. Where somebody pulled such a piece and told at what extension it
bore what, the short piece is cut to that one's length over breadth and pulled as far, and its pull compared.

How broad the short piece is in nodes must not matter, and does where the grips end inside the staircases' tips: held by
one diagonal row and five steps broad it bears 6 % less than one of endless fineness (first order in the breadth). Held
by two rows, with an odd number of places, it is within 0.5 % from eleven steps on.
"""

from __future__ import annotations

import math
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from drapesim.ground.reductions import FAST_SHAPE, shear_from_bias_orthotropic
from drapesim.ground.references import reduce_bias_extension
from drapesim.jobs.lab.record import FINE_BAR, LabResult, Reading, VirtualTest, Watch, list_failures
from drapesim.jobs.lab.specimen import BiasStrip, cut_bias_strip
from drapesim.matter.fabric import FabricCard
from drapesim.matter.plan import SettleSettings
from drapesim.mechanics.energies import smooth_curve
from drapesim.settling.settle import SettledSheet, settle

Array = np.ndarray

HALF = 2  # places to either side of the middle: five steps broad
LONG = 48  # rows
SHORT_HALVES = (5, 7, 9)  # places of the short piece, of which that is taken which comes nearest to its shape
STRAIN = 1e-3  # over the grips: small against the angles at which F / (4 e) departs from the trellis
NO_WEIGHT = (0.0, 0.0, 0.0)
SETTINGS = SettleSettings(levels=0)


class BiasAim(NamedTuple):
    """A pull on the bias that was read: tension (N/m) at a strain, on a piece ``shape`` times as long as broad."""

    tension: float
    strain: float
    shape: float = FAST_SHAPE


def pull_bias(
    card: FabricCard, strip: BiasStrip, strain: float, watch: Watch | None = None, grip: int = 0
) -> tuple[SettledSheet, float]:
    """``strip`` pulled to ``strain`` between grips that hold its first and last row, and ``grip`` more at each end;
    (settled, pull N/m).

    The edges are staircases, which end half a place inside their tips on either side.
    """
    low, high = grip, int(strip.row.max()) - grip
    held = (strip.row <= low) | (strip.row >= high)
    start = strip.flat
    start[:, 0] += strain * strip.step * (np.clip(strip.row, low, high) - low)
    start[~held, 1] *= 1.0 - 0.8 * strain  # near what a trellis does, and not at rest
    settled = settle(strip.lattice, card, start, held=held, settings=SETTINGS, gravity=NO_WEIGHT, progress=watch)
    width = (2 * int(strip.place.max()) - 1) * strip.step
    return settled, float(settled.reaction[strip.row >= high, 0].sum()) / width


def choose_short(shape: float) -> tuple[int, int]:
    """(half, rows between the grips) of a piece about ``shape`` times as long as broad; the rows are even in number, so
    that both grips are alike."""
    found = [(half, 2 * max(2, round(0.5 * shape * (2 * half + 1)))) for half in SHORT_HALVES]
    return min(found, key=lambda piece: abs(piece[1] / (2 * piece[0] + 1) - shape))


def pull_short(
    card: FabricCard, spacing: float, strain: float, watch: Watch | None = None, shape: float = FAST_SHAPE
) -> tuple[SettledSheet, float]:
    """A piece ``shape`` times as long as broad between its grips, pulled to ``strain``; (settled, pull N/m)."""
    half, rows = choose_short(shape)
    return pull_bias(card, cut_bias_strip(0, rows + 2, half, spacing), strain, watch, grip=1)


def run_bias_extension(
    card: FabricCard, spacing: float, watch: Watch | None = None, aim: BiasAim | None = None
) -> LabResult:
    """Shear rigidity as a virtual bias strip reads it. ``aim``: what a short one was read to bear."""
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
    strain, shape = (STRAIN, FAST_SHAPE) if aim is None else (aim.strain, aim.shape)
    quick, short_pull = pull_short(card, spacing, strain, watch, shape)
    if aim is None:
        note = "read over its grips, with their hold and the yarns' stretch left in"
        short_reading = Reading(
            "shear_rigidity", "the same, short piece by F / (4 e)", "N_m_rad", card.shear_rigidity,
            reduce_bias_extension(STRAIN, short_pull), None, note=note,
        )  # fmt: skip
    else:
        quantity = f"pull at {100 * strain:.3g} % on the bias"
        note = f"a piece {shape:.3g} times as long as broad, over its grips"
        short_reading = Reading("shear_rigidity", quantity, "N_m", aim.tension, short_pull, FINE_BAR, note=note)
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


def bias_extension_test(aim: BiasAim | None = None) -> VirtualTest:
    """The virtual test; ``aim``: see `run_bias_extension`."""

    def run(card: FabricCard, spacing: float, watch: Watch | None) -> LabResult:
        return run_bias_extension(card, spacing, watch, aim)

    return VirtualTest("bias extension", "Bias extension", "bias", 2.0, run)
