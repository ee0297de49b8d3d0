"""Runs compared, told: maps with one scale, a page in the report's style, and tables as CSV."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.colours import (
    INK,
    LINEN,
    QUIET,
    SIGNS,
    GapScale,
    blend_colours,
    draw_gap_legend,
    draw_scale_legend,
    draw_sign_legend,
    scale_changes,
    scale_gaps,
)
from drapesim.front.flat import draw_mark
from drapesim.front.labels import PAGE, draw_bar, draw_warp, name_beside, start_figure, write_figure
from drapesim.front.report import spell_quality
from drapesim.front.view import MISSING, draw_alike
from drapesim.front.wording import spell_figure, spell_mm
from drapesim.ground.files import spell_csv, write_text
from drapesim.jobs.compare import CHANGED, Comparison, RunColumn, ShiftRow, sum_changes
from drapesim.matter.answers import UNDECIDED

if TYPE_CHECKING:
    from drapesim.matter.marks import Mark

Array = np.ndarray

PAGE_FILE = "compare.html"
PICTURES = "pictures"
MEET = {True: "meet", None: "undecided", False: "do not meet"}
TENSIONS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)  # N/m


def write_comparison(folder: Path, comparison: Comparison, with_pictures: bool = True) -> Path:
    """Write the page, its pictures and the tables into ``folder``, which exists; returns the page's path (of the first
    table without pictures, which has no page)."""
    for name, text in table_comparison(comparison).items():
        write_text(folder / name, text)
    if not with_pictures:
        return folder / "marks.csv"
    pictures = folder / PICTURES
    pictures.mkdir(exist_ok=True)
    runs = [(_label(column), column.run) for column in comparison.columns]
    made: dict[str, Path] = {}
    views: dict[str, Path] | None = {}
    if all(np.isfinite(run.x).all() for _, run in runs):
        views = draw_alike(runs, pictures)
    made["gaps"] = draw_gaps(comparison, pictures / "gaps.png")
    made["changes"] = draw_changes(comparison, pictures / "changes.png")
    made["tension"] = draw_tensions(comparison, pictures / "tension.png")
    text = render(
        comparison,
        {name: _embed(path) for name, path in made.items()},
        {name: _embed(path) for name, path in (views or {}).items()},
        MISSING if views is None else "",
    )
    write_text(folder / PAGE_FILE, text)
    return folder / PAGE_FILE


def _label(column: RunColumn) -> str:
    """The run's name, and what limits its answers."""
    return column.name + "".join(f"   [{label}]" for label in column.labels)


def _embed(path: Path) -> str:
    return "data:image/png;base64," + base64.b64encode(path.read_bytes()).decode("ascii")


def draw_gaps(comparison: Comparison, path: Path) -> Path:
    """The gap of each run on the flat map, one under the other."""
    scale = scale_gaps(comparison.columns[0].run.contact_levels)

    def legend(axes: Any) -> None:
        draw_gap_legend(axes, scale, comparison.tolerance)

    title = "Gap to the body, on the cloth laid flat"
    return _draw_maps(comparison, comparison.columns, title, lambda c: 1e3 * c.gap, scale, legend, path, "verdict")


def draw_changes(comparison: Comparison, path: Path) -> Path:
    """Each further run's gap less that of the first."""
    scale = scale_changes()
    first = comparison.columns[0].name

    def legend(axes: Any) -> None:
        draw_scale_legend(axes, scale, f"gap less that of {first}, mm: blue is closer, orange is farther")

    title = f"Change of the gap against {first}"
    return _draw_maps(comparison, comparison.columns[1:], title, lambda c: 1e3 * c.change, scale, legend, path, "name")


def draw_tensions(comparison: Comparison, path: Path) -> Path:
    """The larger of warp and weft tension of each run."""
    edges = np.array(TENSIONS)
    scale = GapScale(1e-3 * edges, blend_colours(np.linspace(1.0, 0.0, len(edges) + 1)))

    def legend(axes: Any) -> None:
        draw_scale_legend(axes, scale, "tension, N/m: the larger of warp and weft")

    return _draw_maps(comparison, comparison.columns, "Tension", lambda c: c.tension, scale, legend, path)


def _draw_maps(
    comparison: Comparison, columns: Sequence[RunColumn], title: str, value: Callable[[RunColumn], Array],
    scale: GapScale, draw_legend: Callable[[Any], None], path: Path, naming: str = "",
) -> Path:  # fmt: skip
    """One flat map a run, filled with the scale's bands. ``value``: (n,) in thousandths of the scale's unit.

    ``naming``: what is written at marks that change their verdict: "name", "verdict" (with the name), or nothing.
    """
    lattice = comparison.lattice
    length, width = 1e3 * np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)
    across = PAGE - 1.15
    along = min(across * width / length, 5.0)
    across = along * length / width
    signs = 0.32 if comparison.marks else 0.0
    each, top, foot = along + 0.62, 0.3, 1.3 + signs
    height = top + each * len(columns) + foot
    figure = start_figure(height, title)
    changed = {row.mark for row in comparison.marks if row.is_changed}
    told: list[str] = []
    for row, column in enumerate(columns):
        bottom = height - top - (row + 1) * each + 0.3
        axes = figure.add_axes((0.75 / PAGE, bottom / height, across / PAGE, along / height))
        figure.text(0.75 / PAGE, (bottom + along + 0.05) / height, _label(column), fontsize=8.5, color=INK, va="bottom")
        axes.set_facecolor(LINEN)
        _paint(axes, comparison, value(column), scale)
        verdicts = {verdict.mark: verdict.verdict for verdict in column.run.verdicts}
        for mark in column.run.marks:
            told.append(verdicts.get(mark.name, UNDECIDED))
            draw_mark(axes, mark, SIGNS[told[-1]].colour)
        named = [mark for mark in column.run.marks if naming and mark.name in changed]
        words = [f"{mark.name}: {verdicts.get(mark.name, UNDECIDED)}" if naming == "verdict" else mark.name
                 for mark in named]  # fmt: skip
        lines = np.concatenate([_outline(mark) for mark in column.run.marks] or [np.empty((0, 2, 2))])
        box = np.zeros(2), np.array([length, width])
        name_beside(axes, np.array([_top(mark) for mark in named]).reshape(-1, 2), words, length / across, box, lines)
        axes.set(xlim=(0, length), ylim=(width, 0))
        step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if max(length, width) / s <= 14)
        axes.set_xticks(np.arange(0, length + 0.5, step))
        axes.set_yticks(np.arange(0, width + 0.5, step))
        axes.tick_params(labelsize=6.5, colors=QUIET, direction="in", length=3, width=0.8)
        for spine in axes.spines.values():
            spine.set(color=INK, linewidth=0.8)
    seen = "inner" if lattice.inner_sign < 0 else "outer"
    note = f"warp, u      weft, v: downward      in mm      seen from the {seen} side"
    if comparison.marks:
        note += "      outlines: marks" + ("; named where runs disagree" if naming and changed else "")
        draw_sign_legend(figure.add_axes((0.056, 0.06 / height, 0.94, 0.24 / height)), told)
    draw_warp(figure, (foot - 0.18) / height)
    figure.text(1.85 / PAGE, (foot - 0.18) / height, note, fontsize=7.5, color=INK, va="center")
    draw_legend(figure.add_axes((0.75 / PAGE, (0.14 + signs) / height, 0.66, 0.62 / height)))
    bar = figure.add_axes((0.77, (0.14 + signs) / height, 0.21, 0.62 / height))
    draw_bar(bar, 0.21 * PAGE * 1e-3 * length / across, "on the cloth")
    return write_figure(figure, path)


def _paint(axes: Any, comparison: Comparison, values: Array, scale: GapScale) -> None:
    lattice = comparison.lattice
    grid = np.full(lattice.shape, np.nan)
    grid[lattice.ij[:, 0], lattice.ij[:, 1]] = values
    if not np.isfinite(grid).any():
        return
    u = 1e3 * lattice.spacing_u * np.arange(lattice.shape[0])
    v = 1e3 * lattice.spacing_v * np.arange(lattice.shape[1])
    edges = 1e3 * scale.edges
    low, high = min(float(np.nanmin(grid)), edges[0]) - 1.0, max(float(np.nanmax(grid)), edges[-1]) + 1.0
    axes.contourf(
        u, v, np.ma.masked_invalid(grid.T), levels=[low, *edges, high], colors=[tuple(c) for c in scale.colours]
    )


def _outline(mark: Mark) -> Array:
    """(k, 2, 2) mm: the sides of a mark's outline, or its samples if it has none, as `name_beside` keeps off them."""
    if not mark.rings:
        return 1e3 * np.stack([mark.samples, mark.samples], axis=1)
    return 1e3 * np.concatenate([np.stack([ring, np.roll(ring, -1, axis=0)], axis=1) for ring in mark.rings])


def _top(mark: Mark) -> Array:
    """(2,) mm: the middle of a mark's upper edge, where its name is looked for."""
    points = np.concatenate(mark.rings) if mark.rings else mark.samples
    low, high = 1e3 * points.min(0), 1e3 * points.max(0)
    return np.array([0.5 * (low[0] + high[0]), low[1]])


def render(comparison: Comparison, pictures: dict[str, str], views: dict[str, str], missing: str) -> str:
    """The page's HTML; ``pictures`` and ``views`` map names to addresses of PNGs."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    loader = FileSystemLoader(Path(__file__).parent)
    page = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).get_template("compare.html.j2")
    unsettled = [column.name for column in comparison.columns if not column.run.certificate.settled]
    return page.render(
        names=[column.name for column in comparison.columns],
        titles=list(dict.fromkeys(column.run.title for column in comparison.columns)),
        unsettled=unsettled,
        runs=list_runs(comparison),
        notes=comparison.notes,
        marks=comparison.marks,
        changed=[row.mark for row in comparison.marks if row.is_changed],
        regions=list_regions(comparison),
        meetings=comparison.meetings,
        answers=MEET,
        tolerance=f"{1e3 * comparison.tolerance:g}",
        threshold=f"{1e3 * CHANGED:g}",
        landmarks=[_row_of_shift(row) for row in comparison.shifts if row.kind == "landmark"],
        moved=[_row_of_shift(row) for row in comparison.shifts if row.kind == "mark"],
        pictures=pictures,
        views=views,
        missing=missing,
        signs=SIGNS,
        mm=spell_mm,
        percent=lambda share: spell_figure(100.0 * share, ".0f"),
    )


def list_runs(comparison: Comparison) -> list[dict[str, str]]:
    """One row a run: what limits it, spacing, contact, change against the first, tension."""
    rows = []
    for number, (column, change) in enumerate(zip(comparison.columns, sum_changes(comparison), strict=True)):
        run = column.run
        rows.append({
            "name": column.name,
            "labels": "; ".join(column.labels) or f"settled, {spell_quality(run.certificate.spacing_over_c)[0]}",
            "spacing": f"{1e3 * run.lattice.spacing_u:.4g}",
            "area": f"{1e4 * column.area:.0f}",
            "median": spell_mm(change["median"]) if number else "-",
            "most": spell_mm(change["most"]) if number else "-",
            "shrank": spell_figure(100 * change["shrank"], ".0f") if number else "-",
            "grew": spell_figure(100 * change["grew"], ".0f") if number else "-",
            "tension": spell_figure(change["tension"], ".2g"),
            "is_bad": "UNSETTLED" if not run.certificate.settled else "",
        })  # fmt: skip
    return rows


def list_regions(comparison: Comparison) -> list[tuple[str, list[str]]]:
    """(region, area in contact of each run in cm2), the total last."""
    rows = [
        (region, [f"{1e4 * column.areas.get(region, 0.0):.1f}" for column in comparison.columns])
        for region in comparison.regions
    ]
    return [*rows, ("in all", [f"{1e4 * column.area:.1f}" for column in comparison.columns])]


def _row_of_shift(row: ShiftRow) -> tuple[str, list[str], list[str]]:
    """Name, places as text in mm, shifts in mm."""
    places = [", ".join(f"{1e3 * c:.0f}" for c in place) if np.isfinite(place).all() else "-" for place in row.places]
    if row.kind == "landmark":
        places = [f"{place} ({spell_mm(off, 0)} off)" for place, off in zip(places, row.off, strict=True)]
    return row.name, places, [spell_mm(shift) for shift in row.shifts[1:]]


def table_comparison(comparison: Comparison) -> dict[str, str]:
    """File name -> CSV text: marks, areas by region, shifts, and the gaps at every node of the common lattice."""
    names = [column.name for column in comparison.columns]
    tables = {}
    header = ["mark", "claim", "changed"]
    header += [f"{what} {name}" for name in names for what in ("verdict", "gap_median_mm", "contact_percent")]
    rows: list[list[str]] = []
    for mark in comparison.marks:
        row = [mark.mark, mark.claim, "yes" if mark.is_changed else "no"]
        for verdict, gap, share in zip(mark.verdicts, mark.gaps, mark.shares, strict=True):
            row += [verdict, _number(1e3 * gap), _number(100 * share)]
        rows.append(row)
    tables["marks.csv"] = spell_csv(header, rows)
    header = ["mark", "other", *(f"{what} {name}" for name in names for what in ("answer", "area_cm2"))]
    rows = []
    for pair in comparison.meetings:
        cells = zip(pair.meets, pair.areas, strict=True)
        rows.append([pair.mark, pair.other, *(c for meets, area in cells for c in (MEET[meets], _number(1e4 * area)))])
    tables["meetings.csv"] = spell_csv(header, rows)
    areas = [
        [region, *(_number(1e4 * column.areas.get(region, 0.0)) for column in comparison.columns)]
        for region in comparison.regions
    ]
    tables["areas.csv"] = spell_csv(["region", *(f"area_cm2 {name}" for name in names)], areas)
    header = ["name", "kind", "run", "u_mm", "v_mm", "x_mm", "y_mm", "z_mm", "shift_mm", "distance_mm"]
    rows = []
    for shift in comparison.shifts:
        for name, place, moved, off in zip(names, shift.places, shift.shifts, shift.off, strict=True):
            numbers = [_number(1e3 * c) for c in place]
            where = [*numbers, "", "", ""] if shift.kind == "landmark" else ["", "", *numbers]
            rows.append([shift.name, shift.kind, name, *where, _number(1e3 * moved), _number(1e3 * off)])
    tables["shifts.csv"] = spell_csv(header, rows)
    uv = 1e3 * comparison.lattice.uv
    fields = [1e3 * column.gap for column in comparison.columns]
    fields += [1e3 * column.change for column in comparison.columns[1:]]
    header = ["u_mm", "v_mm", *(f"gap_mm {name}" for name in names), *(f"change_mm {name}" for name in names[1:])]
    lines = [[f"{u:.2f}", f"{v:.2f}", *map(_number, row)] for (u, v), row in zip(uv, np.array(fields).T, strict=True)]
    tables["gaps.csv"] = spell_csv(header, lines)
    return tables


def _number(value: float) -> str:
    return f"{value:.3f}" if math.isfinite(value) else ""
