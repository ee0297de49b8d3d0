"""The lab's sheet: one self-contained HTML file, and the readings as a table."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from drapesim import __version__
from drapesim.front.lab_pictures import draw_lab
from drapesim.front.lab_words import (
    MET,
    origin_of,
    spacing_over_length,
    spell_bar,
    spell_error,
    spell_simulated,
    spell_spacing,
    spell_summary,
    spell_value,
)
from drapesim.front.report import PICTURES, list_fabric, spell_quality
from drapesim.ground.files import spell_csv, write_text
from drapesim.ground.outcome import InputError
from drapesim.ground.units import from_si

if TYPE_CHECKING:
    from drapesim.jobs.lab.fit import Fitted
    from drapesim.jobs.lab.record import LabResult, Reading
    from drapesim.matter.fabric import FabricCard

SHEET_FILE, TABLE_FILE, FITTED_FILE = "lab.html", "lab.csv", "card.toml"
COLUMNS = ("test", "direction", "reading", "unit", "card", "simulated", "off_percent", "bar_percent", "met",
           "spacing_mm", "spacing_over_c", "nodes", "settled", "card_value_is", "note")  # fmt: skip


def check_lab_folder(folder: Path, force: bool) -> None:
    """Refuse (`InputError`) a folder that is a file or holds a finished sheet."""
    if folder.exists() and not folder.is_dir():
        raise InputError(folder, "", "this is a file, not a folder", "name a folder with --out")
    if (folder / TABLE_FILE).is_file() and not force:
        remedy = "name another folder with --out, or replace it with --force"
        raise InputError(folder, "", "the folder holds finished lab readings", remedy)


def write_lab(
    folder: Path,
    results: Sequence[LabResult],
    card: FabricCard,
    spacing: float,
    told: Sequence[str] = (),
    with_pictures: bool = True,
) -> Path:
    """Write lab.csv and, ``with_pictures``, these and lab.html into ``folder``, which exists; returns the last path.

    spacing: of the nodes, m. told: sentences on where the card comes from.
    """
    write_text(folder / TABLE_FILE, tabulate(results, card))
    if not with_pictures:
        return folder / TABLE_FILE
    pictures = folder / PICTURES
    pictures.mkdir(exist_ok=True)
    made = draw_lab(results, pictures)
    write_text(folder / SHEET_FILE, render(results, card, spacing, told, {k: _embed(p) for k, p in made.items()}))
    return folder / SHEET_FILE


def _embed(path: Path) -> str:
    return "data:image/png;base64," + base64.b64encode(path.read_bytes()).decode("ascii")


def write_fitted(path: Path, fitted: Fitted) -> None:
    """Write the calibrated card, whole or not at all."""
    from drapesim.jobs.lab.fit import spell_fitted

    write_text(path, spell_fitted(fitted))


def tell_fit(fitted: Fitted) -> list[str]:
    """What was calibrated, one sentence each."""
    lines = [
        "The card was made from readings. Where one was read, the column "
        "for the card shows the reading, and the sentences here the value with which the computed cloth gives it back."
    ]
    for side, (exact, *others) in fitted.reductions.items():
        told = [f"{each.name}: {1e3 * each.bending_length:.4g} mm, rigidity {100 * each.off:+.2g} %" for each in others]
        if told:
            lines.append(
                f"Bending length, {side}, by the {exact.name}: {1e3 * exact.bending_length:.4g} mm, which is used. "
                f"By the handbooks, with how far the rigidity is off: {'; '.join(told)}."
            )
    for change in fitted.changes:
        if change.key == "shear_rigidity":
            read, set_to = (f"{value:.4g} N/m per rad" for value in (change.read, change.set_to))
            what = "Shear rigidity (clamps make a short piece look stiffer)"
        else:
            read, set_to = (f"{1e3 * value:.4g} mm" for value in (change.read, change.set_to))
            what = f"Bending length, {change.direction}"
        close = f"within {max(100.0 * abs(change.departure), 0.001):.1g} %"
        lines.append(f"{what}: {read} as read, set to {set_to}; the virtual test then gives the reading back {close}.")
        if change.doubt:
            lines.append(f"{change.doubt[:1].upper()}{change.doubt[1:]}.")
    return lines


def tabulate(results: Sequence[LabResult], card: FabricCard) -> str:
    """The readings as CSV; values in the unit that the row names, departures in per cent, empty where not measured."""
    rows: list[list[object]] = []

    def figure(value: float) -> str:
        return f"{value:.6g}" if math.isfinite(value) else ""

    for result in results:
        for reading in result.readings:
            error = reading.simulated - reading.card if reading.at_least else reading.error
            values = (from_si(value, reading.unit) for value in (reading.card, reading.simulated))
            bar = "" if reading.bar is None else f"{100 * reading.bar:g}"
            rows.append([
                result.name, result.direction, reading.quantity, reading.unit, *map(figure, values),
                figure(100.0 * error), bar, MET[reading.met], figure(1e3 * result.spacing),
                figure(result.spacing_over_c), result.nodes, "no" if result.failures else "yes",
                origin_of(card, reading), reading.note,
            ])  # fmt: skip
    return spell_csv(COLUMNS, rows)


def render(
    results: Sequence[LabResult], card: FabricCard, spacing: float, told: Sequence[str], pictures: dict[str, str]
) -> str:
    """The sheet's HTML; ``pictures`` maps the name of a test to the address of a PNG."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    loader = FileSystemLoader(Path(__file__).parent)
    page = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).get_template("lab.html.j2")
    well, summary = spell_summary(results)
    names = dict.fromkeys(result.name for result in results)
    return page.render(
        card=card,
        well=well,
        summary=summary,
        told=told,
        quality=spell_quality(spacing_over_length(card, spacing)),
        spacing=f"{1e3 * spacing:.4g}",
        rows=[_row(result, reading, card) for result in results for reading in result.readings],
        failures=[
            (f"{result.title} {result.direction}".strip(), reason) for result in results for reason in result.failures
        ],
        tests=[(name, *ABOUT[name], [r for r in results if r.name == name]) for name in names],
        pictures=pictures,
        fabric=list_fabric(card),
        version=__version__,
    )


def _row(result: LabResult, reading: Reading, card: FabricCard) -> dict[str, str]:
    return {
        "test": result.title,
        "quantity": reading.quantity,
        "card": spell_value(reading.card, reading.unit),
        "simulated": spell_simulated(reading),
        "error": spell_error(reading),
        "bar": spell_bar(reading),
        "met": "UNSETTLED" if result.failures else MET[reading.met],
        "spacing": spell_spacing(result),
        "origin": origin_of(card, reading),
        "note": reading.note,
    }


ABOUT = {
    "cantilever": (
        "Cantilever",
        "A strip is held level with two bending lengths of it free. The line from the edge to its tip dips; the "
        "exact shape of a heavy strip tells what bending length dips so. The standard slides the strip until the "
        "dip is 41.5 degrees and halves the overhang, which is the same reading where the overhang comes out "
        "right. On the bias the piece hangs over a smooth line on both sides, along which it may draw in, and is 3 "
        "times as broad as long.",
    ),
    "heart loop": (
        "Heart loop",
        "A strip with both ends clamped together hangs as a heart; from its height the exact loop gives the "
        "bending length. The cloth is bent more tightly than in the cantilever, so this is a second look at the "
        "same value.",
    ),
    "strip tensile": (
        "Strip tensile",
        "A strip is pulled to the extensions of the card's own table, and the pull is read off its grips.",
    ),
    "bias extension": (
        "Bias extension",
        "A long strip cut at 45 degrees is pulled, and its stretch read between two marks in its middle third, "
        "where the grips are not felt. The second row is read as a short piece would be, over its grips and by F "
        "/ (4 e): clamped ends and the yarns' own stretch are left in it, so it is shown and not judged.",
    ),
    "picture frame": (
        "Picture frame",
        "A square whose four sides lie along the yarns is sheared in a hinged frame. The rigidity is the slope "
        "from 0.5 to 2.5 degrees; the locking angle is where the stress begins to rise above that line.",
    ),
    "drape meter": (
        "Drape meter",
        "A disc lies on a smaller disc of 180 mm and its rim falls into folds; the coefficient is the share of "
        "the ring that still casts a shadow. Free strips would fall further than a ring that has to fold, so "
        "theirs is the floor. Which folds come is chance: several starts are settled. Where the card gives the bending "
        "hysteresis of both yarns, one more disc is let down from flat, from one start, with their friction in every "
        "bend. The elastic discs and that one are two computed ends, which are no bounds: rests of the cloth may "
        "differ at least this far. A disc that came up from hanging would, as strips do, rest lower still. "
        "Where yarns rub little, the ends may lie no farther apart than starts of one disc, and either way round.",
    ),
    "incline": (
        "Incline",
        "A piece of cloth must stay on a plane tilted one per cent less than the card's friction allows, in its "
        "tangent, and slide at one per cent more; the coefficient is read from the sliding piece. On itself, the "
        "plane is a held piece of the same cloth.",
    ),
}
