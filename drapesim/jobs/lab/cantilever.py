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

from drapesim.ground.outcome import Ending
from drapesim.ground.references import predict_mean_square_curvature, reduce_overhang
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
BREADTH = 3.0  # of the bias piece over its length: see `settle_bias_cantilever`
MOST_DRAW = 3.0  # times what is expected, that the piece may draw in
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
    card: FabricCard,
    spacing: float,
    rows: int,
    settings: SettleSettings = SETTINGS,
    watch: Watch | None = None,
    drawn_in: float = 0.0,
) -> tuple[SettledSheet, Array]:
    """A piece cut at 45 degrees, hung over a line with ``rows`` diagonal rows free on either side; what
    `settle_cantilever` gives, of one side.

    The two sides balance, so the cloth is level where it is held, and no clamp is needed: the lattice has none that is
    true on the bias, where a clamp line cuts cells in two. The edges are staircases, which end half a row inside their
    tips: the line read is that between neighbouring rows, and it is ``rows`` - 1/2 rows long. Each side is 3 times as
    broad as long and read over its middle half: a sheet that bends to a cylinder has the bias rigidity, a narrow free
    strip would relax across and twist (1.5 times as broad reads 2 % lower, with nodes half a bending length apart).
    ``drawn_in``: share by which the row on the line is held narrower than flat; see `hang_over_line`.
    """
    half = round(0.5 * BREADTH * rows)
    strip = cut_bias_strip(rows, rows, half, spacing)
    start = strip.flat * np.array([1.0, 1.0 - drawn_in, 1.0])
    settled = settle(strip.lattice, card, start, held=strip.row == 0, settings=settings, progress=watch)
    middle = np.abs(strip.place) <= half // 2
    line = np.array([settled.x[(strip.row == k) & middle].mean(axis=0) for k in range(rows + 1)])
    line = np.concatenate([line[:1], 0.5 * (line[:-1] + line[1:])])
    return settled, np.column_stack([line[:, 0], -line[:, 2]])


def hang_over_line(
    card: FabricCard, spacing: float, rows: int, c: float, watch: Watch | None = None
) -> tuple[SettledSheet, Array]:
    """`settle_bias_cantilever` over a smooth line, along which the cloth may draw in: held as narrow as nothing pulls.

    Cloth needs no such line, a lattice does. Its cells' diagonals are shorter than the bent cloth between their nodes,
    so bent to k on the bias, unsheared cloth reads as sheared by -h^2 k^2 / 12 (e_u . e_v = -(h^2 / 6) (kuu + kvv) kuv
    of an unstretched surface, with kuu = kvv = kuv = k / 2). Drawn in by e, a cell is sheared by 2 e, so
    the lattice draws in by h^2 / 24 times the mean square of k, as evenly as a long fold must. Held flat along the line
    it cannot, and is too stiff. The share is sought by the secant rule from there; the pull is all but straight in it.
    ``c``: the bending length (m) that the test is set up for.
    """
    overhang = (rows - 0.5) * spacing / math.sqrt(2.0)
    first = predict_mean_square_curvature((overhang / c) ** 3) * (spacing / overhang) ** 2 / 24.0
    draws = [first, 1.3 * first]
    pulls = []
    for drawn_in in draws:
        settled, line = settle_bias_cantilever(card, spacing, rows, watch=watch, drawn_in=drawn_in)
        if settled.ending is not Ending.SETTLED:
            return settled, line
        pulls.append(float((settled.reaction[:, 1] * settled.x[:, 1]).sum()))  # J, of drawing in by one
    share = pulls[0] / (pulls[0] - pulls[1]) if pulls[0] != pulls[1] else 0.0
    drawn_in = float(np.clip(draws[0] + share * (draws[1] - draws[0]), 0.0, MOST_DRAW * first))
    return settle_bias_cantilever(card, spacing, rows, watch=watch, drawn_in=drawn_in)


def run_cantilever(
    card: FabricCard,
    direction: str,
    spacing: float,
    watch: Watch | None = None,
    hysteresis: float | None = None,
    aim: float | None = None,
    thorough: bool = False,
) -> LabResult:
    """Bending length of "warp", "weft" or "bias" as a virtual cantilever reads it.

    ``hysteresis``: 2HB (N) of that direction, where the card states it; the band of rest shapes that it allows is told
    beside the reading. The lattice itself is elastic and has none. ``aim``: the bending length (m) that the test is set
    up for and compared with, the card's own if None. ``thorough``: where nodes are wider than a quarter of it, tell
    what the bias piece reads that cannot draw in.
    """
    c = bending_length(card.areal_density, getattr(card, FIELDS[direction])) if aim is None else aim
    if direction == "bias":
        step = spacing / math.sqrt(2.0)
        rows = max(2, round(OVERHANG * c / step + 0.5))
        settled, line = hang_over_line(card, spacing, rows, c, watch)
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
    if direction == "bias" and thorough and spacing > FINE * c * (1.0 + 1e-9):
        note += tell_held(card, spacing, rows, c, watch)
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


def tell_held(card: FabricCard, spacing: float, rows: int, c: float, watch: Watch | None = None) -> str:
    """What the bias piece reads held flat along its line, if that is too stiff; c (m) is what it should read."""
    settled, line = settle_bias_cantilever(card, spacing, rows, watch=watch)
    chord = math.atan2(line[-1, 1], line[-1, 0])
    if settled.ending is not Ending.SETTLED or not 1e-3 <= chord <= 1.53:
        return ""
    off = reduce_overhang((rows - 0.5) * spacing / math.sqrt(2.0), chord) / c - 1.0
    if off <= BIAS_BAR:
        return ""
    return (
        f"; where cloth bent on the bias cannot draw in along the fold, nodes so wide read {100 * off:+.0f} %; "
        f"{1e3 * FINE * c:.2g} mm apart would do"
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
        return run_cantilever(card, direction, spacing, watch, hysteresis, aim, thorough=True)

    return VirtualTest("cantilever", "Cantilever", direction, 12.0 if direction == "bias" else 1.0, run)
