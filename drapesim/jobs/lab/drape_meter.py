"""Drape meter: the share of a disc's ring that still casts a shadow, on the supporting disc of 18 cm.

The specimen is that of the standard: 30 cm, or 24 cm where the 30 cm one reads below 30 %, or 36 cm where it reads
above 85 % (sizes from memory). Which folds come is chance, so several seeded starts are settled and their mean and
spread told. The card's own reading is compared where it has one; else only the floor is: the coefficient of free radial
strips, each bending as its direction does, which hoops of cloth can but stiffen (`references.predict_drape_floor`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import shapely
from scipy.signal import find_peaks

from drapesim.ground.reductions import drape_coefficient
from drapesim.ground.references import predict_drape_floor, predict_rigidity_cooper
from drapesim.ground.units import bending_length
from drapesim.jobs.lab.record import LabResult, Reading, VirtualTest, Watch, list_failures
from drapesim.jobs.lab.rubbing import let_down
from drapesim.matter.fabric import DrapeReading, FabricCard, Provenance
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice
from drapesim.settling.settle import SettledSheet, settle

Array = np.ndarray

SUPPORT = 0.09  # radius, m
DISCS = (0.12, 0.15, 0.18)  # radii of the three specimens, m
LIMP, STIFF = 0.30, 0.85  # readings of the 30 cm disc beyond which another is taken
SEEDS = 3
COST = 0.25  # for each squared cell across the disc's radius
STANDS_OUT = 2e-3  # m, by which a maximum of the rim's height must stand out to be a fold
NO_REST = (
    "no rest was found of the disc let down from flat with the friction between its yarns, so only elastic discs "
    "are told, and how far friction moves them is not known"
)
TWO_ENDS = (
    "between two computed ends, which are no bounds: the elastic disc, and one let down with the friction of its yarns"
)
FLOOR_ROOM = 0.01  # a point below the floor is allowed: the disc and its clamp have staircase edges
SETTINGS = SettleSettings(stay=1e-4, levels=0)


@dataclass(frozen=True)
class Draped:
    """One settled disc: its coefficient (0 to 1), number of folds, and the rim's height (180,) m round it."""

    settled: SettledSheet
    coefficient: float
    folds: int
    rim: Array


def cut_disc(radius: float, spacing: float) -> tuple[Lattice, Array, Array]:
    """(lattice, polar radius, polar angle of its nodes) of a disc of whole cells; radius and spacing in m."""
    n = 2 * round(radius / spacing)
    middle = (np.arange(n) + 0.5 - 0.5 * n) * spacing
    lattice = Lattice(spacing, spacing, np.hypot(middle[:, None], middle[None]) <= radius)
    u, v = (lattice.uv - 0.5 * n * spacing).T
    return lattice, np.hypot(u, v), np.arctan2(v, u)


def ripple(radius: Array, angle: Array, support: float, disc: float, seed: int) -> Array:
    """Height (m) of a gentle random start: twelve waves round the ring, about 5 mm at the rim, none at the clamp."""
    chance = np.random.default_rng(seed)
    waves = sum(chance.normal() * np.cos(k * angle) + chance.normal() * np.sin(k * angle) for k in range(1, 13))
    return 1e-3 * waves * np.clip((radius - support) / (disc - support), 0.0, None) ** 2


def drape(
    card: FabricCard, disc: float, support: float, spacing: float, seed: int, watch: Watch | None = None
) -> Draped:
    """Settle one disc of radius ``disc`` (m) on one of radius ``support`` (m), from a seeded start."""
    lattice, radius, angle = cut_disc(disc, spacing)
    start, held = lay_disc(radius, angle, support, disc, seed)
    settled = settle(lattice, card, start, held=held, settings=SETTINGS, progress=watch)
    edge = np.flatnonzero(radius > disc - 1.2 * spacing)
    edge = edge[np.argsort(angle[edge])]
    if not np.isfinite(settled.x).all():
        return Draped(settled, math.nan, 0, np.full(180, math.nan))
    rim = smooth_rim(angle[edge], settled.x[edge, 2])
    return Draped(settled, read_shadow(lattice, settled.x, support), count_folds(rim), rim)


def lay_disc(radius: Array, angle: Array, support: float, disc: float, seed: int) -> tuple[Array, Array]:
    """(start (n, 3) m, all but flat; (n,) bool: the nodes on the support)."""
    flat = radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return np.column_stack([flat, ripple(radius, angle, support, disc, seed)]), radius <= support + 1e-9


def read_shadow(lattice: Lattice, x: Array, support: float) -> float:
    """Drape coefficient of the disc at ``x`` (n, 3) m by the area of its shadow."""
    shadow = shapely.union_all(shapely.polygons(x[lattice.triangles][:, :, :2])).area
    return float(drape_coefficient(shadow, math.pi * support**2, float(lattice.node_area.sum())))


def drape_rubbing(card: FabricCard, disc: float, support: float, spacing: float, seed: int = 0) -> float | None:
    """Coefficient of a disc let down from flat whose yarns rub as the card's 2HB says (`rubbing.let_down`).

    None where the card does not give it for both yarns, or no rest was found.
    """
    warp, weft = card.bend_hysteresis
    if warp is None or weft is None:
        return None
    lattice, radius, angle = cut_disc(disc, spacing)
    start, held = lay_disc(radius, angle, support, disc, seed)
    rubbed = let_down(lattice, card, start, held, (0.5 * warp, 0.5 * weft))
    return read_shadow(lattice, rubbed.x, support) if rubbed.rested else None


def smooth_rim(angle: Array, height: Array) -> Array:
    """(180,) m: the rim's height at even angles from -pi on, from its nodes' (k,) rad and m, without the staircase."""
    around = np.linspace(-np.pi, np.pi, 180, endpoint=False)
    waves = np.fft.rfft(np.interp(around, angle, height, period=2.0 * np.pi))
    waves[16:] = 0.0  # what is shorter is the staircase
    return np.fft.irfft(waves, 180)


def count_folds(rim: Array) -> int:
    """Maxima of the rim's height (180,) m that stand out by 2 mm."""
    thrice = np.tile(rim, 3)  # three times round, and only the peaks of the middle one
    peaks, _ = find_peaks(thrice, prominence=STANDS_OUT)
    return int(((peaks >= len(rim)) & (peaks < 2 * len(rim))).sum())


def find_floor(card: FabricCard, support: float, disc: float) -> float:
    """Coefficient of free radial strips, the mean over all directions, each with its own rigidity."""
    around = np.linspace(0.0, 0.5 * math.pi, 10)
    floors = [
        predict_drape_floor(
            bending_length(
                card.areal_density, predict_rigidity_cooper(t, card.bend_warp, card.bend_weft, card.twist)
            ), support, disc,
        )
        for t in around
    ]  # fmt: skip
    return float(np.trapezoid(floors, around) / (0.5 * math.pi))


def run_drape_meter(
    card: FabricCard,
    spacing: float,
    watch: Watch | None = None,
    seeds: int = SEEDS,
    measured: DrapeReading | None = None,
    origin: Provenance | None = None,
) -> LabResult:
    """Drape coefficient as a virtual drape meter reads it, from ``seeds`` starts.

    ``measured``: the card's own reading, with its sizes, and its ``origin``; the simulated one is then held to twice
    the standard uncertainty told there, and shown without a bar where none is. Where the card gives the
    bending hysteresis of both yarns, there are two computed ends, no bounds: the elastic discs' mean, and one disc let
    down from flat with friction. Shown is the place between them next to what was measured, which may lie as far
    outside, or as far as the starts differ where no uncertainty is told. Where that disc found no rest, the elastic
    ones alone are shown, and the result's remarks say so.
    """
    if measured is None:
        begun = [drape(card, DISCS[1], SUPPORT, spacing, 0, watch)]
        first = begun[0].coefficient
        disc, support = DISCS[0] if first < LIMP else DISCS[2] if first > STIFF else DISCS[1], SUPPORT
        begun = begun if disc == DISCS[1] else []
    else:
        disc, support, begun = 0.5 * measured.specimen, 0.5 * measured.support, []
    discs = [*begun, *(drape(card, disc, support, spacing, seed, watch) for seed in range(len(begun), seeds))]
    read = np.array([each.coefficient for each in discs])
    folds = [each.folds for each in discs]
    c = bending_length(card.areal_density, min(card.bend_warp, card.bend_weft))
    counted = f"{min(folds)}" if min(folds) == max(folds) else f"{min(folds)} to {max(folds)}"
    spread = f"{seeds} starts: {100 * read.min():.1f} to {100 * read.max():.1f} %, {counted} folds"
    sizes = f"{2e3 * disc:.0f} mm disc on {2e3 * support:.0f} mm"
    rubbing = drape_rubbing(card, disc, support, spacing)
    remarks: tuple[str, ...] = ()
    if rubbing is not None:
        spread += f"; let down from flat, with the friction between its yarns, one start rests at {100 * rubbing:.1f} %"
    elif None not in card.bend_hysteresis:
        spread += f"; {NO_REST}"
        remarks = (f"{NO_REST[:1].upper()}{NO_REST[1:]}.",)
    mean = float(read.mean())
    readings = [Reading("drape", "drape coefficient over its floor", "percent", find_floor(card, support, disc), mean,
                        FLOOR_ROOM, at_least=True, note=f"{sizes}; {spread}")]  # fmt: skip
    if measured is not None:
        bar = None if origin is None or origin.uncertainty is None else 2.0 * origin.uncertainty
        told = [] if measured.folds is None else [f"{measured.folds:g} folds were counted on the cloth"]
        status = "" if origin is None else origin.status
        nearest, ends = mean, None
        if remarks:
            told.insert(0, "held to the elastic discs alone")
        if rubbing is not None and np.isfinite(mean):
            ends = (min(mean, rubbing), max(mean, rubbing))
            nearest = min(max(measured.coefficient, ends[0]), ends[1])
            told.insert(0, TWO_ENDS)
            if bar is None:
                bar = max(float(np.ptp(read)), FLOOR_ROOM) / measured.coefficient
        readings.append(
            Reading("drape", "drape coefficient", "percent", measured.coefficient, nearest, bar, note="; ".join(told),
                    status=status, band=ends)
        )  # fmt: skip
    return LabResult(
        name="drape meter",
        title="Drape meter",
        direction="",
        readings=tuple(readings),
        spacing=spacing,
        spacing_over_c=spacing / c,
        nodes=len(discs[0].settled.lattice.ij),
        steps=sum(each.settled.certificate.steps for each in discs),
        failures=list_failures(*(each.settled for each in discs)),
        remarks=remarks,
        lines=MappingProxyType(
            {"x": discs[0].settled.x, "triangles": discs[0].settled.lattice.triangles, "rim": discs[0].rim,
             "sizes": np.array([support, disc])}
        ),
    )  # fmt: skip


def drape_meter_test(
    spacing: float, measured: DrapeReading | None = None, origin: Provenance | None = None
) -> VirtualTest:
    """The virtual test; what it costs goes with the number of nodes. ``measured``, ``origin``: `run_drape_meter`."""

    def run(card: FabricCard, spacing: float, watch: Watch | None) -> LabResult:
        return run_drape_meter(card, spacing, watch, SEEDS, measured, origin)

    return VirtualTest("drape meter", "Drape meter", "", COST * (DISCS[1] / spacing) ** 2, run)
