"""Calibration: card values with which the virtual test, at one node spacing, returns what was read.

The lattice bends a few per cent more easily than the card says when its nodes lie half a bending length apart. So the
value that goes into the card is sought, by the secant rule, until the virtual test of the lab reads what was read.
Calibrated are the bending of each direction that was read (by cantilever, or by heart loop where that was read) and the
shear rigidity where a bias strip was pulled, whose clamped ends and stretching yarns no closed form has in it.
Load-extension and friction need none: the lattice returns them as they are.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from drapesim.ground.files import parse_toml
from drapesim.ground.outcome import InputError
from drapesim.ground.reductions import Reduction, compare_loop, compare_overhang
from drapesim.ground.units import bending_rigidity, from_si
from drapesim.jobs.lab.bench import Aims, LabProgress
from drapesim.jobs.lab.bias_extension import BiasAim, pull_short
from drapesim.jobs.lab.cantilever import FIELDS, run_cantilever
from drapesim.jobs.lab.heart_loop import run_heart_loop
from drapesim.jobs.lab.record import FINE, LabResult
from drapesim.matter.card_text import fill_gaps, spell_card
from drapesim.matter.fabric import Cloth, FabricCard, parse_cloth
from drapesim.matter.readings import Readings, card_from_readings

CLOSE = 1e-4  # relative departure from the reading at which the search ends
MOST_TRIES = 8
FARTHEST = 4.0  # factor from the reading within which the card's value must lie


@dataclass(frozen=True)
class Calibrated:
    """One value that was calibrated: ``key`` of the card, what was ``read`` and what the card now holds (``set_to``),
    both as bending length (m) or N/m per rad, the virtual test's ``departure`` from the reading, after how many
    ``tries``, with nodes how far apart (``spacing``, m).
    """

    key: str
    direction: str
    read: float
    set_to: float
    departure: float
    tries: int
    spacing: float

    @property
    def doubt(self) -> str:
        """Why one value cannot hold for every bend, as a sentence; empty where it can.

        On the bias a curved cell passes for a sheared one, the more the tighter it is bent, and gives way by drawing in
        along the fold. Light cotton at half its bending length, right for an overhang of two bending lengths, reads 5 %
        low with one free and 19 % high with three, and 17 % high where it cannot draw in; old linen 7 % low, 2 and 5 %
        high. With nodes at a quarter it is 2 % low, 2 % and 2 % high.
        """
        if self.key != FIELDS["bias"] or self.spacing <= FINE * self.read * (1.0 + 1e-9):
            return ""
        return (
            "on the bias, with nodes so wide, this holds for bends like the test's that may draw in along the fold: "
            "flatter ones come out a little too limp, tighter ones and such as cannot draw in too stiff; "
            f"with nodes {1e3 * FINE * self.read:.2g} mm apart one value would do"
        )


@dataclass(frozen=True)
class Fitted:
    """A calibrated card for one node ``spacing`` (m), the readings to hold it against, and what was changed.

    ``tables`` are the card's as in its file, gaps left out. ``reductions``: for each direction that was read, the exact
    reduction of the reading and then the handbooks'.
    """

    card: FabricCard
    tables: Mapping[str, Any]
    aims: Aims
    changes: tuple[Calibrated, ...]
    spacing: float
    surfaces: tuple[str, ...] = ()
    reductions: Mapping[str, tuple[Reduction, ...]] = field(default_factory=lambda: MappingProxyType({}))


def fit_card(
    readings: Readings, card: FabricCard, spacing: float, progress: Callable[[LabProgress], None] | None = None
) -> Fitted:
    """Calibrate ``card``, as reduced from ``readings``, for nodes ``spacing`` (m) apart.

    Raises `InputError` where no card value makes the virtual test return the reading, and `Interrupted`.
    """
    begun = time.monotonic()
    bent = [side for side in FIELDS if side in readings.bending]
    count = len(bent) + (readings.bias is not None)
    changes: list[Calibrated] = []

    def tell(title: str) -> None:
        if progress is not None:
            now = time.monotonic() - begun
            progress(LabProgress(f"calibrating {title}", len(changes) + 1, count, len(changes) / count, now, now))

    if readings.bias is not None:
        tell("shear")
        change = calibrate_shear(readings, card, spacing)
        card = replace(card, shear_rigidity=change.set_to)
        changes.append(change)
    for side in bent:
        tell(f"bending, {side}")
        change = calibrate_bending(readings, card, side, spacing)
        card = with_bending(card, side, change.set_to)
        changes.append(change)
    lengths = {side: readings.bending[side].bending_length.mean for side in bent}
    bias = readings.bias
    pull = None if bias is None else BiasAim(bias.tension, bias.strain.mean, bias.shape)
    tables = {
        **_put_in(readings.tables, changes, spacing),
        "name": f"{readings.name}, for nodes {1e3 * spacing:.4g} mm apart",
    }
    return Fitted(
        card,
        MappingProxyType(tables),
        Aims(MappingProxyType(lengths), pull),
        tuple(changes),
        spacing,
        readings.surfaces,
        MappingProxyType({side: compare_formulas(readings, side) for side in bent}),
    )


def compare_formulas(readings: Readings, side: str) -> tuple[Reduction, ...]:
    """The bending reading of "warp", "weft" or "bias" by the exact formula and by those of the handbooks; the exact one
    alone where they have no answer."""
    bend, density = readings.bending[side], readings.areal_density.mean
    try:
        if bend.way == "loop":
            return compare_loop(bend.reading.mean, bend.at, density)
        return compare_overhang(bend.reading.mean, density, bend.at)
    except ValueError:  # a loop outside of Peirce's closed form
        c = bend.bending_length.mean
        return (Reduction("exact heart loop", c, bending_rigidity(density, c), 0.0),)


def read_cloth_of(readings: Readings) -> Cloth:
    """The cloth of ``readings`` by the standards' formulas, gaps filled by rule."""
    return parse_cloth(parse_toml("card.toml", card_from_readings(readings), "fabric card"))


def spell_fitted(fitted: Fitted) -> str:
    """The text of the calibrated card's file."""
    heading = (
        f"Reduced from readings and calibrated by drapesim for nodes {1e3 * fitted.spacing:.4g} mm apart:\n"
        "at another spacing, fit again. What was not read is estimated by the rule named."
    )
    return spell_card(fill_gaps(fitted.tables, fitted.surfaces), heading)


def fitted_cloth(fitted: Fitted) -> Cloth:
    """The cloth of the calibrated card as its file will read."""
    return parse_cloth(parse_toml("card.toml", spell_fitted(fitted), "fabric card"))


def with_bending(card: FabricCard, side: str, length: float) -> FabricCard:
    """``card`` with the bending length (m) of "warp", "weft" or "bias" set."""
    change: dict[str, Any] = {FIELDS[side]: bending_rigidity(card.areal_density, length)}
    return replace(card, **change)


def calibrate_bending(readings: Readings, card: FabricCard, side: str, spacing: float) -> Calibrated:
    """The bending length (m) with which the virtual test of ``side`` reads what was read."""
    reading = readings.bending[side]
    read = reading.bending_length.mean
    is_loop = reading.way == "loop" and side != "bias"  # a loop on the bias would have to be cut across the lattice

    def test(c: float) -> float:
        trial = with_bending(card, side, c)
        result: LabResult = (
            run_heart_loop(trial, side, spacing, aim=read)
            if is_loop
            else run_cantilever(trial, side, spacing, aim=read)
        )
        return math.nan if result.failures else result.readings[0].simulated

    where = f"{'heart_loop' if reading.way == 'loop' else 'overhang'}.{side}"
    set_to, departure, tries = seek(test, read, read, readings.path, where, spacing)
    return Calibrated(FIELDS[side], side, read, set_to, departure, tries, spacing)


def calibrate_shear(readings: Readings, card: FabricCard, spacing: float) -> Calibrated:
    """The shear rigidity (N/m per rad) with which a piece of the shape that was read, pulled at 45 degrees to the
    extension that was read, bears the tension that was read."""
    bias = readings.bias
    assert bias is not None

    def test(shear: float) -> float:
        trial = replace(card, shear_rigidity=shear)
        settled, pull = pull_short(trial, spacing, bias.strain.mean, shape=bias.shape)
        return pull if settled.certificate.settled else math.nan

    start = bias.shear.mean
    set_to, departure, tries = seek(test, bias.tension, start, readings.path, "bias_extension", spacing)
    return Calibrated("shear_rigidity", "bias", start, set_to, departure, tries, spacing)


def seek(
    test: Callable[[float], float], wanted: float, start: float, path: object, where: str, spacing: float
) -> tuple[float, float, int]:
    """(value, relative departure, tries) at which ``test`` returns ``wanted``: secant rule on the logarithms.

    Raises `InputError` naming ``path`` and ``where`` if there is none within a factor of 4 of ``start``.
    """
    tried: list[tuple[float, float]] = []  # logarithms of value and of what the test made of it over what is wanted
    at = math.log(start)
    for count in range(1, MOST_TRIES + 1):
        found = test(math.exp(at))
        if not (math.isfinite(found) and found > 0.0):
            break
        miss = math.log(found / wanted)
        if abs(miss) <= CLOSE:
            return math.exp(at), found / wanted - 1.0, count
        tried.append((at, miss))
        slope = 1.0
        if len(tried) > 1 and tried[-1][0] != tried[-2][0]:
            slope = (tried[-1][1] - tried[-2][1]) / (tried[-1][0] - tried[-2][0])
        if slope <= 0.0:
            break
        at -= miss / slope
        if abs(at - math.log(start)) > math.log(FARTHEST):
            break
    problem = f"no card value makes the virtual test return this reading with nodes {1e3 * spacing:.4g} mm apart"
    raise InputError(path, where, problem, "give a finer --spacing-mm, or check the reading")


def _put_in(tables: Mapping[str, Any], changes: list[Calibrated], spacing: float) -> dict[str, Any]:
    """The card's tables with the calibrated values, each telling what was read; scatter in proportion."""
    full = {key: dict(value) if isinstance(value, Mapping) else value for key, value in tables.items()}
    for change in changes:
        is_bend = change.key != "shear_rigidity"
        key, unit = ("bending_length_mm", "mm") if is_bend else ("rigidity_N_m_rad", "N_m_rad")
        table = dict(full["bending"][change.direction] if is_bend else full["shear"])
        scale = change.set_to / change.read
        table[key] = {name: value if name == "n" else scale * value for name, value in table[key].items()}
        was, now = (f"{from_si(value, unit):.4g}" for value in (change.read, change.set_to))
        told = (
            f"calibrated: with {now} in place of the {was} that was read, the virtual test reads that back at a node "
            f"spacing of {1e3 * spacing:.4g} mm"
        )
        table["note"] = "; ".join(part for part in (table.get("note", ""), told, change.doubt) if part)
        if is_bend:
            full["bending"][change.direction] = table
        else:
            full["shear"] = table
    return full
