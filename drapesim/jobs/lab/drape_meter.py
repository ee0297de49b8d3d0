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

from drapesim.ground.reductions import disc_area, drape_coefficient
from drapesim.ground.references import predict_drape_floor, predict_rigidity_cooper
from drapesim.ground.references.hysteresis import LONGEST, MOST, solve_rubbing_cantilever
from drapesim.ground.units import bending_length, weigh_area
from drapesim.jobs.lab.record import LabResult, Reading, VirtualTest, Watch, list_failures
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
    flat = radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    start = np.column_stack([flat, ripple(radius, angle, support, disc, seed)])
    held = radius <= support + 1e-9
    settled = settle(lattice, card, start, held=held, settings=SETTINGS, progress=watch)
    edge = np.flatnonzero(radius > disc - 1.2 * spacing)
    edge = edge[np.argsort(angle[edge])]
    if not np.isfinite(settled.x).all():
        return Draped(settled, math.nan, 0, np.full(180, math.nan))
    rim = smooth_rim(angle[edge], settled.x[edge, 2])
    shadow = shapely.union_all(shapely.polygons(settled.x[lattice.triangles][:, :, :2])).area
    coefficient = drape_coefficient(shadow, math.pi * support**2, float(lattice.node_area.sum()))
    return Draped(settled, float(coefficient), count_folds(rim), rim)


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


def find_strip_band(card: FabricCard, support: float, disc: float) -> tuple[float, float] | None:
    """Coefficients between which free strips may rest for the card's bending hysteresis: of strips that came up from
    hanging, and of strips that came down from flat as a draped disc does. The mean of the directions whose 2HB the card
    gives; None where it gives none, or where strips are longer or rub more than `solve_rubbing_cantilever` has been
    tested for.
    """
    areas = disc_area(2.0 * support), disc_area(2.0 * disc)
    ends = []
    for rigidity, moment in zip((card.bend_warp, card.bend_weft), card.bend_hysteresis, strict=True):
        if moment is None:
            continue
        c = bending_length(card.areal_density, rigidity)
        length, friction = (disc - support) / c, 0.5 * moment / (weigh_area(card.areal_density) * c**2)
        if length > LONGEST or friction > MOST:
            return None
        for sign in (-1.0, 1.0):
            reach = max(solve_rubbing_cantilever(length, sign * friction, 3).tip[0], 0.0) * (disc - support)
            ends.append(drape_coefficient(disc_area(2.0 * (support + reach)), *areas))
    return None if not ends else (float(np.mean(ends[::2])), float(np.mean(ends[1::2])))


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
    the standard uncertainty told there, and shown without a bar where none is. The lattice is elastic: how far friction
    between yarns moves free strips is told beside it, where the card gives it.
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
    band = find_strip_band(card, support, disc)
    if band is not None:
        low, high = (f"{100 * end:.0f}" for end in band)
        spread += f"; with the card's hysteresis free strips alone may rest anywhere from {low} to {high} %"
    mean = float(read.mean())
    readings = [Reading("drape", "drape coefficient over its floor", "percent", find_floor(card, support, disc), mean,
                        FLOOR_ROOM, at_least=True, note=f"{sizes}; {spread}")]  # fmt: skip
    if measured is not None:
        bar = None if origin is None or origin.uncertainty is None else 2.0 * origin.uncertainty
        note = "" if measured.folds is None else f"{measured.folds:g} folds were counted on the cloth"
        status = "" if origin is None else origin.status
        readings.append(
            Reading("drape", "drape coefficient", "percent", measured.coefficient, mean, bar, note=note, status=status)
        )
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
