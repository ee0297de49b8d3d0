"""The sheet of a search: the best lays as flat gap maps, claims met over what was free, and the tables, on one page."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.front.colours import INK, LINEN, QUIET, STONE, TOUCH, draw_gap_legend, scale_gaps, usual_tolerance
from drapesim.front.flat import draw_gap, draw_mark
from drapesim.front.labels import PAGE, draw_bar, name_beside, start_figure, write_figure
from drapesim.front.search_words import (
    STATES,
    count_claims,
    frees_posture,
    head_proofs,
    say_conflict,
    say_looked,
    say_meaning,
    say_no_conflict,
    say_outcome,
    say_pointed,
    say_proofs,
    say_unmet,
    spell_value,
    spell_values,
)
from drapesim.ground.files import write_text
from drapesim.jobs.search import Found, count_possible
from drapesim.jobs.tried import TriedLay
from drapesim.judging.reach import Reach
from drapesim.matter.freedom import Axis
from drapesim.matter.marks import Mark
from drapesim.settling.archive import RUN_FILE, Run, load_run

Array = np.ndarray

PAGE_FILE = "search.html"
PICTURES = "pictures"
COLOURS = {True: "#0a4f9e", None: "#8a6d00", False: "#c05a00"}
COARSE = "#7d8896"


def write_search_sheet(folder: Path, found: Found, reach: Reach | None) -> Path:
    """Write search.html and its pictures into ``folder``; returns the page's path."""
    pictures = folder / PICTURES
    pictures.mkdir(exist_ok=True)
    made = {"chart": draw_chart(found, pictures / "chart.png")}
    shown = found.best[: found.freedom.confirm]
    if shown:
        runs = [load_run(folder / lay.folder / RUN_FILE) for lay in shown]
        made["maps"] = draw_maps(found, shown, runs, pictures / "maps.png")
    addresses = {name: "data:image/png;base64," + base64.b64encode(path.read_bytes()).decode("ascii")
                 for name, path in made.items()}  # fmt: skip
    write_text(folder / PAGE_FILE, render(found, reach, addresses))
    return folder / PAGE_FILE


def draw_maps(found: Found, lays: Sequence[TriedLay], runs: Sequence[Run], path: Path) -> Path:
    """The gap of each lay on the flat map, one scale, one under the other; marks by whether their claim is met."""
    lattice = runs[0].lattice
    length, width = 1e3 * np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)
    across = PAGE - 1.15
    along = min(max(across * width / length, 0.8), 5.0)
    across = along * length / width
    each, top, foot = along + 0.75, 0.35, 1.5
    height = top + each * len(lays) + foot
    figure = start_figure(height, "The best lays: gap to the body, on the cloth laid flat")
    scale = scale_gaps(runs[0].contact_levels)
    for row, (lay, run) in enumerate(zip(lays, runs, strict=True)):
        bottom = height - top - (row + 1) * each + 0.3
        axes = figure.add_axes((0.75 / PAGE, bottom / height, across / PAGE, along / height))
        head = f"{row + 1}.  lay {lay.number}: {count_claims(lay)}"
        values = spell_values(found.freedom.axes, lay.values)
        figure.text(0.75 / PAGE, (bottom + along + 0.2) / height, head, fontsize=8.5, color=INK, va="bottom",
                    weight="bold")  # fmt: skip
        figure.text(0.75 / PAGE, (bottom + along + 0.05) / height, values, fontsize=7, color=QUIET, va="bottom")
        axes.set_facecolor(LINEN)
        draw_gap(axes, run, run.contact.gap, scale)
        for mark in run.marks:
            draw_mark(axes, mark, COLOURS[lay.meets.get(mark.name)])
        axes.set(xlim=(0, length), ylim=(width, 0))
        named = [mark for mark in run.marks if lay.meets.get(mark.name) is not True]
        tops = np.array([_top(mark) for mark in named]).reshape(-1, 2)
        names = [("? " if lay.meets.get(mark.name) is None else "\u2717 ") + mark.name for mark in named]
        name_beside(axes, tops, names, length / across, (np.zeros(2), np.array([length, width])))
        step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if max(length, width) / s <= 14)
        axes.set_xticks(np.arange(0, length + 0.5, step))
        axes.set_yticks(np.arange(0, width + 0.5, step))
        axes.tick_params(labelsize=6.5, colors=QUIET, direction="in", length=3, width=0.8)
    seen = "inner" if lattice.inner_sign < 0 else "outer"
    note = f"warp, u: to the right   weft, v: downward   in mm   seen from the {seen} side"
    figure.text(0.75 / PAGE, (foot - 0.12) / height, note, fontsize=7.5, color=INK, va="center")
    at = 0.75
    for meets, words in ((True, "met"), (None, "? undecided"), (False, "\u2717 not met")):
        figure.text(at / PAGE, (foot - 0.34) / height, f"mark outlined so: {words}" if meets else words, fontsize=7.5,
                    color=COLOURS[meets], va="center", weight="bold")  # fmt: skip
        at += 2.1 if meets else 1.2
    draw_gap_legend(
        figure.add_axes((0.75 / PAGE, 0.14 / height, 0.66, 0.62 / height)), scale, usual_tolerance(runs[0].marks)
    )
    bar = figure.add_axes((0.77, 0.14 / height, 0.21, 0.62 / height))
    draw_bar(bar, 0.21 * PAGE * 1e-3 * length / across, "on the cloth")
    return write_figure(figure, path)


def _top(mark: Mark) -> Array:
    """(2,) mm: the middle of a mark's upper side on the flat map."""
    points = 1e3 * (np.concatenate(mark.rings) if mark.rings else mark.samples)
    return np.array([0.5 * (points[:, 0].min() + points[:, 0].max()), points[:, 1].min()])


def draw_chart(found: Found, path: Path) -> Path:
    """Over each number that was free: the claims that each lay meets or may meet, and how much it misses."""
    axes_free = found.freedom.axes
    columns = min(3, len(axes_free))
    rows = -(-len(axes_free) // columns)
    each, top, foot = 3.5, 0.75, 0.15
    height = top + each * rows + foot
    figure = start_figure(height, "Claims met over what was free")
    marks = [("o", COARSE, "none", f"lay at {found.freedom.spacing_mm:g} mm nodes (claims that it may meet)"),
             ("o", TOUCH, TOUCH, "at the scene's own spacing"), ("*", "#c05a00", "#c05a00", "the best")]  # fmt: skip
    for number, (marker, edge, face, words) in enumerate(marks):
        x = (0.3 + (0.0, 3.9, 6.2)[number]) / PAGE
        figure.lines.append(_dot(figure, x, 1 - 0.52 / height, marker, edge, face))
        figure.text(x + 0.12 / PAGE, 1 - 0.52 / height, words, fontsize=7.5, color=INK, va="center")
    wide = (PAGE - 0.3) / columns
    for number, axis in enumerate(axes_free):
        left = 0.3 + wide * (number % columns) + 0.4
        low = height - top - each * (number // columns + 1)
        upper = figure.add_axes((left / PAGE, (low + 2.15) / height, (wide - 0.6) / PAGE, 1.15 / height))
        lower = figure.add_axes((left / PAGE, (low + 0.62) / height, (wide - 0.6) / PAGE, 1.25 / height))
        _draw_axis(found, number, axis, upper, lower)
        if number % columns == 0:
            upper.set_ylabel("claims met", fontsize=7.5, color=INK)
            lower.set_ylabel("score: mean miss", fontsize=7.5, color=INK)
        lower.set_xlabel(f"{axis.words}, {axis.unit}" if axis.unit else axis.words, fontsize=7.5, color=INK)
    return write_figure(figure, path)


def _dot(figure: Any, x: float, y: float, marker: str, edge: str, face: str) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([x], [y], marker=marker, ms=8 if marker == "*" else 5, mec=edge, mfc=face, ls="none",
                  transform=figure.transFigure, figure=figure)  # fmt: skip


def _draw_axis(found: Found, number: int, axis: Axis, upper: Any, lower: Any) -> None:
    from matplotlib.ticker import MaxNLocator

    best = found.best[0] if found.best else None
    for lay in found.tried:
        if not lay.settled:
            continue
        is_fine = lay in found.best
        edge, face = (TOUCH, TOUCH) if is_fine else (COARSE, "none")
        style = {"marker": "o", "ms": 5, "mec": edge, "mfc": face, "ls": "none", "zorder": 4 if is_fine else 3}
        if lay is best:
            style |= {"marker": "*", "ms": 11, "mec": "white", "mfc": "#c05a00", "zorder": 6}
        upper.plot([lay.values[number]], [count_possible(found, lay)], **style)
        lower.plot([lay.values[number]], [lay.score], **style)
    upper.set_ylim(0, len(found.scene.marks) * 1.08 + 0.2)
    upper.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=6))
    lower.set_ylim(bottom=0)
    for panel in (upper, lower):
        panel.axvline(axis.start, color=QUIET, lw=0.7, ls=(0, (3, 3)))
        margin = 0.03 * (axis.high - axis.low)
        panel.set_xlim(axis.low - margin, axis.high + margin)
        panel.tick_params(labelsize=6.5, colors=QUIET)
        panel.grid(color=STONE, lw=0.4)
        for side in ("top", "right"):
            panel.spines[side].set_visible(False)
    upper.set_xticklabels([])
    upper.annotate(" the scene's own", (axis.start, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 2),
                   textcoords="offset points", fontsize=6, color=QUIET, ha="center")  # fmt: skip


def render(found: Found, reach: Reach | None, pictures: dict[str, str]) -> str:
    """The page's HTML; ``pictures`` maps names to addresses of PNGs."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    page = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("search.html.j2")  # fmt: skip
    axes = found.freedom.axes
    shown = found.best[: found.freedom.confirm]
    return page.render(
        title=found.scene.title,
        outcome=say_outcome(found),
        pointed=say_pointed(found),
        is_bad=not found.best,
        keys="; ".join(
            f"{axis.words} ({axis.name}) from {axis.low:g} to {spell_value(axis, axis.high)}" for axis in axes
        ),
        heads=[f"{axis.words}, {axis.unit}" if axis.unit else axis.words for axis in axes],
        best=[(lay, [f"{value:.2f}" for value in lay.values]) for lay in shown],
        claims=[
            (mark, [(STATES[lay.meets.get(mark.name)], lay.short_mm.get(mark.name)) for lay in shown])
            for mark in found.scene.marks
        ],
        unmet=[say_unmet(found, each) for each in found.unmet],
        conflicts=[say_conflict(each) for each in found.conflicts],
        no_conflict=say_no_conflict(found),
        looked=say_looked(found),
        meaning=say_meaning(found),
        proofs_head=head_proofs(found),
        frees_posture=frees_posture(found),
        proofs=None if reach is None else say_proofs(reach),
        lays=[
            (lay, [f"{value:.2f}" for value in lay.values], count_possible(found, lay) if lay.settled else "")
            for lay in found.tried
        ],
        pictures=pictures,
    )
