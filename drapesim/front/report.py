"""The report: one self-contained HTML file, in plain words, with every figure's limit beside it."""

from __future__ import annotations

import base64
import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.charts import draw_history, draw_sections
from drapesim.front.colours import SIGNS, usual_tolerance
from drapesim.front.film import draw_stages, has_film
from drapesim.front.flat import draw_flat
from drapesim.front.layer_sheet import (
    MEETINGS_FILE,
    PRINTS_FILE,
    draw_layers,
    draw_prints,
    find_prints,
    has_layers,
    list_meetings,
    spell_layers,
    table_meetings,
)
from drapesim.front.view import MISSING, draw_views, load_libraries
from drapesim.front.wording import (
    WORDS,
    name_card_value,
    spell_card_doubts,
    spell_change,
    spell_contact,
    spell_count,
    spell_figure,
    spell_mm,
    spell_origin,
    spell_place,
    spell_source,
)
from drapesim.ground.files import write_text
from drapesim.ground.units import bending_length, from_si
from drapesim.jobs.marks import answer_marks, recall_presses, recall_reach
from drapesim.matter.answers import CLEAR, NATURAL, Verdict
from drapesim.matter.fabric import SIDES, FabricCard
from drapesim.matter.marks import Claim
from drapesim.settling.frames import load_film

if TYPE_CHECKING:
    from drapesim.settling.archive import Run

REPORT_FILE = "report.html"
PICTURES = "pictures"
FINAL, DRAFT = 0.25, 0.5  # node spacing over bending length, up to which a result is called so: our convention
SHEETS = 3  # of proofs shown
NOT_FINITE = "No pictures of the sheet: it has positions that are no finite numbers."


def start_loading() -> Thread:
    """Begin, in the background, to load what `write_report` needs; join the thread before calling that."""
    loading = Thread(target=load_libraries, daemon=True)
    loading.start()
    return loading


def write_report(folder: str | Path, run: Run) -> Path:
    """Write report.html and the folder of its pictures into ``folder``, which exists; returns the report's path.

    Where the system cannot draw in 3D the report says which packages are missing and holds everything else.
    """
    folder = Path(folder)
    pictures = folder / PICTURES
    pictures.mkdir(exist_ok=True)
    contact = usual_tolerance(run.marks)
    made: dict[str, Path] = {}
    missing = NOT_FINITE
    if np.isfinite(run.x).all():
        views = draw_views(run, pictures)
        missing = MISSING if views is None else ""
        made.update(views or {})
        made["sections"] = draw_sections(run, pictures / "sections.png", contact)
        stages = draw_stages(pictures / "stages.png", load_film(folder), run) if views and has_film(folder) else None
        if stages is not None:
            made["stages"] = stages
        if has_layers(run):
            prints = find_prints(run)
            made["layers"] = draw_layers(run, pictures / "layers.png", contact, prints)
            write_text(folder / MEETINGS_FILE, table_meetings(run.meetings))
            if prints:
                write_text(folder / PRINTS_FILE, draw_prints(run, prints))
    made["flat"] = draw_flat(run, pictures / "flat.png", contact)
    made["history"] = draw_history(run, pictures / "history.png")
    return _write(folder, run, made, missing)


def renew_report(folder: Path, run: Run) -> Path | None:
    """Write the report of ``folder`` again with what has been found out since, and the pictures that it has; its path.

    Nothing is written where there is no report.
    """
    if not (folder / REPORT_FILE).is_file():
        return None
    made = {path.stem: path for path in sorted((folder / PICTURES).glob("*.png"))}
    missing = "" if "slant" in made else MISSING if np.isfinite(run.x).all() else NOT_FINITE
    return _write(folder, run, made, missing)


def _write(folder: Path, run: Run, made: dict[str, Path], missing: str) -> Path:
    proofs = recall_reach(run, folder)
    sheets = sorted(folder.glob("reach-[0-9].png"))[:SHEETS] if proofs else []
    steps = list_steps(run, folder, proofs)
    addresses = {name: _embed(path) for name, path in made.items()}
    text = render(run, addresses, missing, steps, proofs is not None, [_embed(path) for path in sheets])
    write_text(folder / REPORT_FILE, text)
    return folder / REPORT_FILE


def list_steps(run: Run, folder: Path, proofs: dict[str, str] | None) -> list[dict[str, str]]:
    """The verdict of each mark over all that is known, with its evidence; nothing where only the lay is known."""
    presses = recall_presses(run, folder)
    if not presses and proofs is None:
        return []
    rows = []
    for row in answer_marks(run, None, presses, proofs):
        shown = row.verdict in (NATURAL, CLEAR)
        evidence = "This lay shows it, with nothing pressing: see its row above." if shown else row.reason
        rows.append({"name": row.mark, "verdict": row.verdict, "evidence": evidence})
    return rows


def render(
    run: Run,
    pictures: dict[str, str],
    missing: str,
    steps: Sequence[dict[str, str]] = (),
    has_proofs: bool = False,
    sheets: Sequence[str] = (),
) -> str:
    """The report's HTML; ``pictures`` maps name to address of a PNG; ``missing`` says why some are not there.

    ``steps``: see `list_steps`; ``sheets``: addresses of the sheets of proofs, if it ``has_proofs``.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    loader = FileSystemLoader(Path(__file__).parent)
    page = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).get_template("report.html.j2")
    marks = {mark.name: mark for mark in run.marks}
    return page.render(
        run=run,
        outcome=spell_outcome(run),
        quality=spell_quality(run.certificate.spacing_over_c),
        summary=count_verdicts(run.verdicts),
        rows=[_mark_row(verdict, marks[verdict.mark].claim) for verdict in run.verdicts],
        rubs=any(math.isfinite(v.hysteresis) for v in run.verdicts),
        shifts=[(v.mark, *spell_change(v.change), spell_source(v)) for v in run.verdicts if v.change is not None],
        checks=list_checks(run),
        fabric=list_fabric(run.fabric),
        doubts=spell_card_doubts(run.fabric),
        layers=spell_layers(run),
        meetings=list_meetings(run.meetings),
        body=describe_body(run),
        sheet=describe_sheet(run),
        pictures=pictures,
        missing=missing,
        steps=steps,
        has_proofs=has_proofs,
        sheets=sheets,
        signs=SIGNS,
        tolerance=f"{1e3 * usual_tolerance(run.marks):g}",
    )


def _embed(path: Path) -> str:
    return "data:image/png;base64," + base64.b64encode(path.read_bytes()).decode("ascii")


def spell_outcome(run: Run) -> tuple[str, tuple[str, ...]]:
    """The report's first line and the reasons under it."""
    if run.certificate.settled:
        return "Settled: every figure of the certificate is met.", ()
    reason = run.ending.value.split(": ", 1)[-1]
    reason = reason[:1].upper() + reason[1:]
    return "UNSETTLED: this lay decides nothing.", (reason, *run.certificate.failures)


def spell_quality(spacing_over_c: float) -> tuple[str, str]:
    """("final", "draft", "coarse" or "unknown", and what that means)."""
    if not math.isfinite(spacing_over_c):
        return "unknown", "The spacing over the bending length could not be measured."
    size = f"The node spacing is {spacing_over_c:.2f} of the cloth's smaller bending length"
    if spacing_over_c <= FINAL:
        return "final", f"{size}: fine enough for its folds (at most {FINAL:g})."
    if spacing_over_c <= DRAFT * (1.0 + 1e-9):  # the demo lies just on it
        return "draft", f"{size}: folds are roughly right, their details are not; at most {FINAL:g} is wanted."
    return "coarse", f"{size}: too coarse for its folds; use it to try a scene out, and for nothing else."


def count_verdicts(verdicts: tuple[Verdict, ...]) -> list[tuple[str, int]]:
    """(verdict, how many marks) in the order of the signs."""
    counts = Counter(verdict.verdict for verdict in verdicts)
    return [(name, counts[name]) for name in SIGNS if counts[name]]


def _mark_row(verdict: Verdict, claim: Claim) -> dict[str, Any]:
    return {
        "name": verdict.mark,
        "kind": verdict.kind,
        "claim": spell_claim(claim),
        "limits": f"{1e3 * claim.tolerance:g} mm, {100 * claim.share:.0f} %",
        "verdict": verdict.verdict,
        "meets": WORDS[verdict.meets],
        "gaps": [spell_mm(gap) for gap in (verdict.gap_min, verdict.gap_median, verdict.gap_max)],
        "share": spell_contact(verdict),
        "error": spell_mm(verdict.uncertainty),
        "hysteresis": spell_mm(verdict.hysteresis) if math.isfinite(verdict.hysteresis) else "",
        "region": verdict.nearest_region or "-",
        "reason": verdict.reason,
        "place": "" if verdict.place is None else spell_place(verdict.place, verdict.reason),
    }


def spell_claim(claim: Claim) -> str:
    """What is claimed of a mark, in words."""
    return {
        "touches": "touches the body",
        "touches_place": f"touches: {claim.place}",
        "shows_feature": f"shows: {claim.place}",
        "lies_clear": "lies clear of the body",
        "meets": f"meets the mark {claim.place}",
    }[claim.kind]


def list_checks(run: Run) -> list[tuple[str, str, str, str]]:
    """(figure, value, limit, met) of the certificate, in plain words; figures without a limit are "reported"."""
    c, limit = run.certificate, run.settle

    def held(name: str, value: float | None, most: float, spell: Any) -> tuple[str, str, str, str]:
        return name, spell(value), f"at most {spell(most)}", "met" if value is not None and value <= most else "NOT met"

    def plain(value: float) -> str:
        return spell_figure(value)

    def mm(value: float) -> str:
        return spell_figure(1e3 * value, unit="mm")

    def percent(value: float) -> str:
        return spell_figure(100 * value, unit="%")

    stable = {**WORDS, None: "not computed"}
    return [
        held("Force left unbalanced, over nodal weight: root mean square", c.residual_rms, limit.residual_rms, plain),
        held("the same: largest", c.residual_max, limit.residual_max, plain),
        held("Largest move when driven on for a tenth of the steps", c.stay_max, limit.stay, mm),
        held("Deepest that the cloth's face lies in body or support", c.penetration_max, limit.penetration, mm),
        held("Places where the cloth passes through itself", c.crossings, 0, spell_count),
        held("Places where the cloth passes through the body", c.body_crossings, 0, spell_count),
        held("Energy not accounted for", c.energy_closure, limit.energy_closure, percent),
        ("Largest stretch, warp and weft", " and ".join(percent(e) for e in c.strain_max),
         " and ".join(percent(e) for e in run.fabric.safe_strain) + " is safe", "reported"),
        ("Links stretched beyond the safe extension, warp or weft", percent(c.strain_over_safe), "", "reported"),
        ("Stable, if no contact slips", stable[c.stable], "", "reported"),
        ("Stable, contacts near slipping let free", stable[c.stable_slipping], "", "reported"),
        ("Contacts about to slip", percent(c.mobilised), "", "reported"),
        ("Node spacing over bending length", plain(c.spacing_over_c), f"{FINAL:g} final, {DRAFT:g} draft", "reported"),
        ("Steps on the last lattice; seconds in all", f"{c.steps}; {c.seconds:.0f}", "", "reported"),
    ]  # fmt: skip


def list_fabric(card: FabricCard) -> list[tuple[str, str, str, str]]:
    """(property, value, flag, source) of the card; the flag is its status, such as measured."""

    def curve(points: np.ndarray) -> str:
        strain, tension = points[-1]
        return f"{len(points)} points, to {100 * strain:g} % at {tension:g} N/m"

    def bend(rigidity: float) -> str:
        length = bending_length(card.areal_density, rigidity)
        return f"{from_si(rigidity, 'uN_m'):.3g} uN m (bending length {1e3 * length:.3g} mm)"

    rows = [
        ("areal_density", f"{from_si(card.areal_density, 'g_m2'):g} g/m2"),
        ("thickness", f"{1e3 * card.thickness:g} mm"),
        ("warp_curve", curve(card.warp_curve)),
        ("weft_curve", curve(card.weft_curve)),
        ("compression_ratio", f"{card.compression_ratio:g}"),
        ("shear_rigidity", f"{card.shear_rigidity:g} N/m per rad"),
        ("locking_angle", f"{math.degrees(card.locking_angle):.3g} degrees"),
        ("bend_warp", bend(card.bend_warp)),
        ("bend_weft", bend(card.bend_weft)),
        ("bend_bias", bend(card.bend_bias)),
        ("safe_strain_warp", f"{100 * card.safe_strain[0]:g} %"),
        ("safe_strain_weft", f"{100 * card.safe_strain[1]:g} %"),
        *((f"friction.{name}", f"{value:g}") for name, value in card.friction.items()),
        *(
            (f"bend_hysteresis_{side}", f"{from_si(moment, 'mN'):.3g} mN")
            for side, moment in zip(SIDES, card.bend_hysteresis, strict=True)
            if moment is not None
        ),
    ]
    return [(name_card_value(key), value, *spell_origin(card.provenance.get(key))) for key, value in rows]


def describe_body(run: Run) -> list[str]:
    """What the cloth was laid on, one sentence each, with all that was changed on loading."""
    body = run.body
    low, high = body.vertices.min(axis=0), body.vertices.max(axis=0)
    lines = []
    for number, part in enumerate(body.parts):
        chosen = body.faces[body.part == number]
        seen = body.vertices[np.unique(chosen)]
        low, high = seen.min(axis=0), seen.max(axis=0)
        size = " x ".join(f"{1e3 * edge:.0f}" for edge in high - low)
        role = part.name if part.is_support else "body"
        lines.append(f"The {role}: {len(chosen)} triangles, {size} mm, surface {part.surface}.")
    if any(part.is_support for part in body.parts):
        lines.append("Body and support are rigid: the body's weight presses nothing in, a bed keeps the stated shape.")
    return [*lines, *body.repairs]


def describe_sheet(run: Run) -> str:
    """Size, spacing and lay of the sheet."""
    lattice = run.lattice
    nu, nv = lattice.cell.shape
    size = f"{1e3 * nu * lattice.spacing_u:.0f} x {1e3 * nv * lattice.spacing_v:.0f} mm (warp by weft)"
    spacing = f"{1e3 * lattice.spacing_u:.3g} x {1e3 * lattice.spacing_v:.3g} mm"
    note = "" if run.flat_map is None or not run.flat_map.note else f" {run.flat_map.note}"
    return f"The sheet: {size}, {len(lattice.ij)} nodes {spacing} apart.{note}"
