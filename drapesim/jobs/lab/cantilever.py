"""Cantilever: the bending length of warp, weft and bias, from one overhang at the scene's own spacing.

The standard slides the strip out until its chord dips by 41.5 degrees and reads the overhang. A lattice can be slid
only by whole cells, so here the overhang is the whole number of cells nearest to 2 c, the chord is read, and the exact
heavy elastica gives the bending length of which that is the chord: c = l gamma(chord)^(-1/3)
(`references.reduce_overhang`). At 41.5 degrees that is the standard's own c = l / 2. To seek the overhang instead
would need a spacing that divides it, which is not the scene's.
"""

from __future__ import annotations

import math
from types import MappingProxyType

import numpy as np

from drapesim.ground.references import reduce_overhang
from drapesim.ground.references.hysteresis import LONGEST, MOST, solve_shape_band
from drapesim.ground.units import bending_length, weigh_area
from drapesim.jobs.lab.record import (
    BIAS_BAR,
    FINE,
    FINE_BAR,
    LabResult,
    Reading,
    VirtualTest,
    Watch,
    choose_bar,
    list_failures,
)
from drapesim.jobs.lab.specimen import cut_bias_strip, cut_strip
from drapesim.matter.fabric import FabricCard
from drapesim.matter.plan import SettleSettings
from drapesim.settling.settle import SettledSheet, settle

Array = np.ndarray

OVERHANG = 2.0  # in bending lengths: there the chord dips by 41.5 degrees
BREADTH = 1.5  # of the bias piece over its length: see `settle_bias_cantilever`
SETTINGS = SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0)
FIELDS = {"warp": "bend_warp", "weft": "bend_weft", "bias": "bend_bias"}


def settle_cantilever(
    card: FabricCard,
    direction: str,
    spacing: float,
    cells: int,
    settings: SettleSettings = SETTINGS,
    watch: Watch | None = None,
) -> tuple[SettledSheet, Array]:
    """A strip along "warp" or "weft" with ``cells`` cells free and one clamped; (settled, (cells + 1, 2) m of its
    middle line: distance from the clamp line and drop)."""
    strip = cut_strip(direction, cells + 1, spacing)
    along = (np.arange(cells + 2) - 1) * spacing
    start = strip.laid(along, np.zeros(cells + 2))
    settled = settle(strip.lattice, card, start, held=strip.held_rows(0, 1), settings=settings, progress=watch)
    line = settled.x[strip.rows[1:]].mean(axis=1)
    return settled, np.column_stack([line[:, 0], -line[:, 2]])


def settle_bias_cantilever(
    card: FabricCard, spacing: float, rows: int, settings: SettleSettings = SETTINGS, watch: Watch | None = None
) -> tuple[SettledSheet, Array]:
    """A piece cut at 45 degrees, hung over a line with ``rows`` diagonal rows free on either side; what
    `settle_cantilever` gives, of one side.

    The two sides balance, so the cloth is level where it is held, and no clamp is needed: the lattice has none that is
    true on the bias, where a clamp line cuts cells in two. The edges are staircases, which end half a row inside their
    tips: the line read is that between neighbouring rows, and it is ``rows`` - 1/2 rows long. Each side is 1.5 times as
    broad as long and read over its middle half: a sheet that bends to a cylinder has the bias rigidity, a narrow free
    strip would relax across and twist.
    """
    half = round(0.5 * BREADTH * rows)
    strip = cut_bias_strip(rows, rows, half, spacing)
    settled = settle(strip.lattice, card, strip.flat, held=strip.row == 0, settings=settings, progress=watch)
    middle = np.abs(strip.place) <= half // 2
    line = np.array([settled.x[(strip.row == k) & middle].mean(axis=0) for k in range(rows + 1)])
    line = np.concatenate([line[:1], 0.5 * (line[:-1] + line[1:])])
    return settled, np.column_stack([line[:, 0], -line[:, 2]])


def run_cantilever(
    card: FabricCard,
    direction: str,
    spacing: float,
    watch: Watch | None = None,
    hysteresis: float | None = None,
    aim: float | None = None,
) -> LabResult:
    """Bending length of "warp", "weft" or "bias" as a virtual cantilever reads it.

    ``hysteresis``: 2HB (N) of that direction, where the card states it; the band of rest shapes that it allows is told
    beside the reading. The lattice itself is elastic and has none. ``aim``: the bending length (m) that the test is set
    up for and compared with, the card's own if None.
    """
    c = bending_length(card.areal_density, getattr(card, FIELDS[direction])) if aim is None else aim
    if direction == "bias":
        step = spacing / math.sqrt(2.0)
        rows = max(2, round(OVERHANG * c / step + 0.5))
        settled, line = settle_bias_cantilever(card, spacing, rows, watch=watch)
        overhang = (rows - 0.5) * step
    else:
        cells = max(2, round(OVERHANG * c / spacing))
        settled, line = settle_cantilever(card, direction, spacing, cells, watch=watch)
        overhang = cells * spacing
    chord = math.atan2(line[-1, 1], line[-1, 0])
    read = reduce_overhang(overhang, chord) if 1e-3 <= chord <= 1.53 else math.nan
    bar = choose_bar(spacing / c, BIAS_BAR if direction == "bias" else FINE_BAR)
    note = f"overhang {1e3 * overhang:.1f} mm, chord {math.degrees(chord):.2f} degrees"
    lines = {"strip": line, "free": np.array([overhang])}
    if direction == "bias" and bar is not None and not abs(read / c - 1.0) <= bar:
        note += f"; nodes so wide take a bend on the bias for shear, {1e3 * FINE * c:.2g} mm apart would do"
    if hysteresis is not None:
        told, edges = tell_band(overhang, c, card.areal_density, hysteresis)
        note, lines = f"{note}; {told}", lines | edges
    return LabResult(
        name="cantilever",
        title="Cantilever",
        direction=direction,
        readings=(Reading(FIELDS[direction], f"bending length, {direction}", "mm", c, read, bar, note=note),),
        spacing=spacing,
        spacing_over_c=spacing / c,
        nodes=len(settled.lattice.ij),
        steps=settled.certificate.steps,
        failures=list_failures(settled),
        lines=MappingProxyType(lines),
    )


def tell_band(overhang: float, c: float, areal_density: float, hysteresis: float) -> tuple[str, dict[str, Array]]:
    """(sentence, lines "upper" and "lower" (k, 2) m) of the rest shapes that bending hysteresis 2HB (N) allows."""
    friction = 0.5 * hysteresis / (weigh_area(areal_density) * c**2)
    if not (overhang / c <= LONGEST and friction <= MOST):
        return "its bending hysteresis is too large for a band to be told", {}
    band = solve_shape_band(overhang / c, friction)
    low, high = (math.degrees(shape.chord_angle) for shape in (band.upper, band.lower))
    edges = {name: overhang * np.column_stack([shape.x, shape.drop])
             for name, shape in (("upper", band.upper), ("lower", band.lower))}  # fmt: skip
    return f"with the card's hysteresis the chord rests anywhere from {low:.1f} to {high:.1f} degrees", edges


def cantilever_test(direction: str, hysteresis: float | None = None, aim: float | None = None) -> VirtualTest:
    """The virtual test of one direction; ``hysteresis`` and ``aim``: see `run_cantilever`."""

    def run(card: FabricCard, spacing: float, watch: Watch | None) -> LabResult:
        return run_cantilever(card, direction, spacing, watch, hysteresis, aim)

    return VirtualTest("cantilever", "Cantilever", direction, 4.0 if direction == "bias" else 1.0, run)
