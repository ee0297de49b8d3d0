"""The lab's figures as words, alike in the terminal, on the sheet and in its pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from drapesim.front.wording import spell_figure
from drapesim.ground.units import bending_length, from_si

if TYPE_CHECKING:
    from drapesim.jobs.lab.record import LabResult, Reading
    from drapesim.matter.fabric import FabricCard

UNITS = {"mm": "mm", "N_m": "N/m", "N_m_rad": "N/m per rad", "deg": "degrees", "percent": "%", "1": ""}
MET = {True: "met", False: "NOT met", None: "no bar"}


def spell_value(value: float, unit: str) -> str:
    """An SI value in the reading's unit, four figures."""
    return spell_figure(from_si(value, unit), ".4g", UNITS[unit])


def spell_simulated(reading: Reading) -> str:
    """The simulated value, or the two computed ends that stand in its place."""
    if reading.band is None:
        return spell_value(reading.simulated, reading.unit)
    low, high = (from_si(end, reading.unit) for end in reading.band)
    return f"{low:.1f} to {spell_figure(high, '.1f', UNITS[reading.unit])}"


def spell_error(reading: Reading) -> str:
    """Departure of the simulated from the card's value: per cent of it, or points of per cent above a floor."""
    if reading.band is not None and reading.simulated == reading.card:
        return "inside"
    if reading.at_least:
        return _signed(100.0 * (reading.simulated - reading.card), "+.1f", "points")
    return _signed(100.0 * reading.error, "+.2f", "%")


def _signed(value: float, form: str, unit: str) -> str:
    """With its sign, but for what rounds to zero."""
    text = spell_figure(value, form, unit)
    return text.removeprefix("+") if not text.strip("+0. " + unit) else text


def spell_bar(reading: Reading) -> str:
    """The bar in words."""
    if reading.bar is None:
        return "-"
    if reading.at_least:
        return f"-{100 * reading.bar:.0f} point"
    return f"{100 * reading.bar:.3g} %"


def spell_reading(reading: Reading) -> str:
    """``card 32 mm, simulated 31.8 mm (-0.55 %)``."""
    card, simulated = spell_value(reading.card, reading.unit), spell_simulated(reading)
    name = "floor" if reading.at_least else "card"
    return f"{name} {card}, simulated {simulated} ({spell_error(reading)})"


def spacing_over_length(card: FabricCard, spacing: float) -> float:
    """Node ``spacing`` (m) over the smaller of the two bending lengths."""
    return spacing / min(bending_length(card.areal_density, rigidity) for rigidity in (card.bend_warp, card.bend_weft))


def origin_of(card: FabricCard, reading: Reading) -> str:
    """Status of the card's value, such as "measured" or "estimated"; empty where it states none."""
    origin = card.provenance.get(reading.key)
    return reading.status or ("" if origin is None else origin.status)


def spell_spacing(result: LabResult) -> str:
    """Node spacing over the bending length of this test; "-" where none governs it."""
    return f"{result.spacing_over_c:.4g}" if math.isfinite(result.spacing_over_c) else "-"


def spell_summary(results: Sequence[LabResult]) -> tuple[bool, str]:
    """(all well, one sentence): how many readings meet their bar, which do not, which sheets did not settle."""
    pairs = [(result, reading) for result in results for reading in result.readings]
    judged = [(result, reading) for result, reading in pairs if reading.met is not None]
    missed = [f"{result.title.lower()}, {reading.quantity}" for result, reading in judged if not reading.met]
    loose = [f"{result.title.lower()} {result.direction}".strip() for result in results if result.failures]
    words = f"{len(judged) - len(missed)} of {len(judged)} readings meet their bar."
    if missed:
        words += f" NOT met: {'; '.join(missed)}."
    if loose:
        words += f" UNSETTLED: {', '.join(loose)}."
    unjudged = len(pairs) - len(judged)
    if unjudged:
        words += f" {unjudged} {'more has' if unjudged == 1 else 'more have'} no bar."
    return not missed and not loose, words
