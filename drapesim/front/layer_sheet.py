"""Cloth on cloth, told: a map of the gap to the other layer, the marks that meet, and prints as a drawing."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.colours import INK, QUIET, GapScale, draw_gap_legend, scale_gaps
from drapesim.front.flat import draw_cloth, draw_gap, draw_mark
from drapesim.front.labels import PAGE, draw_bar, start_figure, write_figure
from drapesim.front.wording import spell_mm
from drapesim.ground.files import spell_csv
from drapesim.judging.meetings import Offset, predict_offsets
from drapesim.settling.layer_record import REACH, SIDES, prepare_layers

if TYPE_CHECKING:
    from drapesim.matter.answers import Meeting
    from drapesim.settling.archive import Run

Array = np.ndarray

PRINTS_FILE, MEETINGS_FILE = "prints.svg", "meetings.csv"
PRINTING = ("stain", "image")  # kinds of marks that could print; a void, a seam or a fold line has nothing to give
PRINT = "#a3123a"
LEAST = 1e-3  # of the cloth's area: less of it near another layer gets no map
ANSWERS = {True: "meet", None: "undecided", False: "too far apart"}


def find_prints(run: Run) -> tuple[Offset, ...]:
    """Where each stain or image of ``run``, were it wet, would print on another layer."""
    if run.layers is None or not np.isfinite(run.layers.gap).any():
        return ()
    field = prepare_layers(run.lattice, run.x, run.fabric.thickness)
    return tuple(found for mark in run.marks if mark.kind in PRINTING for found in predict_offsets(mark, field))


def has_layers(run: Run) -> bool:
    """Does enough of the cloth to be drawn lie near another part of it, or any mark on another?"""
    if run.layers is None:
        return False
    area = run.lattice.node_area
    return bool(run.meetings) or float(area[np.isfinite(run.layers.gap).any(1)].sum() / area.sum()) >= LEAST


def draw_layers(run: Run, path: Path, contact: float, prints: Sequence[Offset]) -> Path:
    """Write the map of the gap to the other layer as PNG: one map for each face that has one over it somewhere.

    ``contact`` (m): the gap bracketed as contact in the legend.
    """
    assert run.layers is not None
    lattice = run.lattice
    length, width = np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)
    scale = _scale(run)
    drawn = [int((run.layers.gap[:, k] <= scale.edges[-1]).sum()) for k in (0, 1)]
    # a face over which but a node or two have a layer gets no map of its own
    columns = [k for k in (0, 1) if drawn[k] >= max(2, 0.001 * len(run.x))] or [int(np.argmax(drawn))]
    across = PAGE - 1.15
    along = min(max(across * width / length, 0.9), 6.0)
    across = along * length / width
    inch = 1e3 * length / across
    each, top, foot = along + 0.62, 0.3, 1.42
    height = top + each * len(columns) + foot
    seen = "inner" if lattice.inner_sign < 0 else "outer"
    figure = start_figure(height, "Cloth on cloth: how far off the other layer lies")
    told = {name for meeting in run.meetings if meeting.meets is not False for name in (meeting.mark, meeting.other)}
    told |= {each.mark for each in prints}
    for row, column in enumerate(columns):
        bottom = height - top - (row + 1) * each + 0.3
        axes = figure.add_axes((0.75 / PAGE, bottom / height, across / PAGE, along / height))
        words = f"over the {SIDES[column]} face"
        figure.text(0.75 / PAGE, (bottom + along + 0.06) / height, words, fontsize=8.5, color=INK, va="bottom")
        draw_cloth(axes, run, (length, width))
        draw_gap(axes, run, run.layers.gap[:, column], scale)
        for mark in run.marks:
            draw_mark(axes, mark, INK)
            if mark.name in told:
                _name(axes, np.concatenate(mark.rings) if mark.rings else mark.samples, mark.name, INK, above=True)
        for print_ in prints:
            if print_.printed == SIDES[column]:
                _draw_print(axes, print_)
        axes.set(xlim=(0, 1e3 * length), ylim=(1e3 * width, 0))
        _rule(axes, length, width)
    draw_axes_note(figure, seen, (foot - 0.12) / height)
    legend = figure.add_axes((0.75 / PAGE, 0.42 / height, 0.62, 0.62 / height))
    draw_gap_legend(legend, scale, contact, "gap, mm: face to face, the other layer within 20 mm")
    bar = figure.add_axes((0.74, 0.42 / height, 0.24, 0.62 / height))
    draw_bar(bar, 0.24 * PAGE * inch / 1e3, "on the cloth")
    note = (
        "plain: farther than the bands, or no layer within 20 mm.   black: marks.   "
        "red, broken: where a mark, were it wet, would print on the layer that lies on it"
    )
    figure.text(0.75 / PAGE, 0.14 / height, note, fontsize=7.5, color=INK, va="center")
    return write_figure(figure, path)


def _rule(axes: Any, length: float, width: float) -> None:
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if 1e3 * max(length, width) / s <= 14)
    axes.set_xticks(np.arange(0, 1e3 * length + 0.5, step))
    axes.set_yticks(np.arange(0, 1e3 * width + 0.5, step))
    axes.tick_params(labelsize=6.5, colors=QUIET, direction="in", length=4, width=0.8)
    for spine in axes.spines.values():
        spine.set(color=INK, linewidth=0.8)


def draw_axes_note(figure: Any, side: str, y: float) -> None:
    """The way of warp and weft and the side that is seen, at height ``y`` of the figure."""
    axes_words = f"warp, u: to the right      weft, v: downward      in mm      seen from the {side} side"
    figure.text(0.75 / PAGE, y, axes_words, fontsize=7.5, color=INK, va="center")


def _scale(run: Run) -> GapScale:
    """The usual gap scale as far as other layers are sought."""
    scale = scale_gaps(run.contact_levels)
    kept = int(np.searchsorted(scale.edges, REACH * 0.999))
    return GapScale(scale.edges[:kept], scale.colours[: kept + 1])


def _name(axes: Any, points: Array, name: str, colour: str, above: bool) -> None:
    """Write ``name`` over or under the ``points`` (k, 2) m of an outline, so that a mark and a print do not collide."""
    from matplotlib.patheffects import withStroke

    around = [withStroke(linewidth=2.4, foreground="white", alpha=0.9)]
    low, high = 1e3 * points.min(0), 1e3 * points.max(0)
    axes.annotate(
        name, (0.5 * (low[0] + high[0]), low[1] if above else high[1]), xytext=(0, 2 if above else -2),
        textcoords="offset points", fontsize=6.5, color=colour, ha="center", va="bottom" if above else "top", zorder=9,
        path_effects=around,
    )  # fmt: skip


def _draw_print(axes: Any, offset: Offset) -> None:
    for ring in offset.rings:
        closed = 1e3 * np.concatenate([ring, ring[:1]])
        axes.plot(*closed.T, color="white", lw=2.4, zorder=6)
        axes.plot(*closed.T, color=PRINT, lw=1.2, ls=(0, (3, 1.5)), zorder=7)
    largest = max(offset.rings, key=len)
    _name(axes, largest, f"print of {offset.mark}", PRINT, above=False)


def draw_prints(run: Run, prints: Sequence[Offset]) -> str:
    """The prints as an SVG drawing in mm, u to the right and v downward: one element a print, to lay over a photograph
    or to give to a scene as its marks (with ``warp_axis = "right"``)."""
    lattice = run.lattice
    length, width = 1e3 * np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{length:.6g}mm" height="{width:.6g}mm"'
        f' viewBox="0 0 {length:.6g} {width:.6g}">',
        f"<title>{escape(run.title)}: prints of wet marks on other layers, predicted from one lay</title>",
    ]
    count: dict[str, int] = {}
    for each in prints:
        count[each.mark] = count.get(each.mark, 0) + 1
        path = " ".join("M" + "L".join(f"{1e3 * u:.2f},{1e3 * v:.2f}" for u, v in ring) + "Z" for ring in each.rings)
        name = escape(f"print-of-{each.mark}-{count[each.mark]}", quote=True)
        told = f"{each.face} face of {each.mark} on the {each.printed} face, gap up to {spell_mm(each.tolerance)} mm"
        lines.append(
            f'<path id="{name}" data-kind="stain" fill="{PRINT}" fill-opacity="0.4" fill-rule="evenodd" d="{path}">'
            f"<title>{escape(told)}</title></path>"
        )
    return "\n".join([*lines, "</svg>", ""])


COLUMNS = (
    "mark", "other", "face", "other_face", "answer", "tolerance_mm", "area_sure_cm2", "area_cm2", "area_possible_cm2",
    "share_percent", "share_of_other_percent", "across_percent", "gap_min_mm", "gap_median_mm", "gap_max_mm",
    "uncertainty_mm",
)  # fmt: skip


def table_meetings(meetings: Sequence[Meeting]) -> str:
    """CSV text: one row for two marks that lie across from each other by one pair of faces."""
    rows = []
    for m in meetings:
        numbers = [1e3 * m.tolerance, *(1e4 * area for area in (m.area_sure, m.area, m.area_possible)),
                   *(100 * share for share in (m.share, m.share_other, m.across)),
                   *(1e3 * gap for gap in (m.gap_min, m.gap_median, m.gap_max, m.uncertainty))]  # fmt: skip
        rows.append([m.mark, m.other, m.face, m.met, ANSWERS[m.meets], *(f"{number:.4f}" for number in numbers)])
    return spell_csv(COLUMNS, rows)


def list_meetings(meetings: Sequence[Meeting]) -> list[dict[str, Any]]:
    """Rows of the report's table."""
    return [
        {
            "marks": (m.mark, m.other),
            "answer": ANSWERS[m.meets],
            "faces": f"{m.face} on {m.met}",
            "area": f"{1e4 * m.area:.1f}",
            "range": "" if m.area_possible - m.area_sure < 5e-6 else
            f"{1e4 * m.area_sure:.1f} to {1e4 * m.area_possible:.1f}",
            "shares": (f"{100 * m.share:.0f}", f"{100 * m.share_other:.0f}"),
            "tolerance": f"{1e3 * m.tolerance:g}",
            "gaps": [spell_mm(gap) for gap in (m.gap_min, m.gap_median, m.gap_max)],
            "error": spell_mm(m.uncertainty),
        }
        for m in meetings
    ]  # fmt: skip


def spell_layers(run: Run) -> str:
    """One sentence on how much of the cloth lies near another part of it."""
    if run.layers is None:
        return "Whether the cloth lies on itself was not measured."
    near = np.isfinite(run.layers.gap).any(1)
    area = run.lattice.node_area
    share = 100 * float(area[near].sum() / area.sum())
    if share == 0.0:
        return f"Nowhere does the cloth lie within {1e3 * REACH:g} mm of another part of itself."
    with np.errstate(invalid="ignore"):
        close = (run.layers.gap <= min(run.contact_levels, default=1e-3)).any(1)
    touching = 100 * float(area[close].sum() / area.sum())
    level = 1e3 * min(run.contact_levels, default=1e-3)
    return (
        f"{share:.1f} % of the cloth has another layer of it within {1e3 * REACH:g} mm, "
        f"{touching:.1f} % within {level:g} mm."
    )
