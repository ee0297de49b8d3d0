"""Charts: how the sheet came to rest, and true-scale sections through body and cloth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.colours import INK, QUIET, STONE, TOUCH, WOOD
from drapesim.front.labels import PAGE, draw_bar, start_figure, write_figure

if TYPE_CHECKING:
    from drapesim.settling.archive import Run

Array = np.ndarray

CLOTH = "#c05a00"
TALLEST = 8.0  # inch
STATIONS = (0.2, 0.4, 0.6, 0.8)  # of the body's length, where it is cut across


def draw_history(run: Run, path: Path) -> Path:
    """Write the settle's history as PNG: residual forces over nodal weight against seconds, with their limits."""
    figure = start_figure(3.6, "How the sheet came to rest")
    axes = figure.add_axes((0.075, 0.15, 0.74, 0.68))
    seconds, spacing, rms, top = run.history.T
    for values, colour, style, name, limit in (
        (top, "#c05a00", (0, (4, 1.5)), "largest", run.settle.residual_max),
        (rms, TOUCH, "-", "root mean square", run.settle.residual_rms),
    ):
        shown = np.where(np.isfinite(values) & (values > 0), values, np.nan)
        axes.plot(seconds, shown, color=colour, ls=style, lw=1.3)
        if np.isfinite(shown).any():
            last = shown[np.isfinite(shown)][-1]
            axes.annotate(f"{name}: {last:.2g}", (1.0, last), xycoords=("axes fraction", "data"), xytext=(6, 0),
                          textcoords="offset points", fontsize=8, color=colour, va="bottom")  # fmt: skip
        axes.axhline(limit, color=colour, lw=0.8, ls=":")
        axes.annotate(f"limit {limit:g}", (0.004, limit), xycoords=("axes fraction", "data"), xytext=(0, 2),
                      textcoords="offset points", fontsize=7.5, color=colour, va="bottom")  # fmt: skip
    axes.set_yscale("log")
    if len(seconds):
        axes.set_xlim(0, max(float(seconds[-1]), 1e-3))
    starts = [0, *(np.flatnonzero(np.diff(spacing) != 0) + 1)] if len(spacing) else []
    for start in starts:
        if start:
            axes.axvline(seconds[start], color=QUIET, lw=0.8)
        at = (seconds[start] if start else 0.0, 1.0)
        axes.annotate(f" {1e3 * spacing[start]:.3g}", at, xycoords=("data", "axes fraction"), xytext=(0, 3),
                      textcoords="offset points", fontsize=7.5, color=QUIET)  # fmt: skip
    axes.set_ylabel("residual force over nodal weight", fontsize=8, color=INK)
    axes.set_xlabel("seconds of computing; above, the node spacing of each level in mm", fontsize=8, color=INK)
    tidy_axes(axes)
    axes.grid(axis="y", color=STONE, lw=0.4)
    return write_figure(figure, path)


def tidy_axes(axes: Any) -> None:
    """Quiet ticks, no box."""
    axes.tick_params(labelsize=7.5, colors=QUIET, which="both")
    for name in ("top", "right"):
        axes.spines[name].set_visible(False)
    for name in ("left", "bottom"):
        axes.spines[name].set_color(QUIET)


@dataclass(frozen=True)
class Section:
    """What a vertical plane cuts: segments (k, 2, 2) of place along it and height, m; ``gap`` (c, 2) m at cloth ends.

    ``title`` names the cut; ``span`` (low, high) m is the stretch along the plane worth showing; ``place`` (m) is where
    a cut across crosses the one along.
    """

    title: str
    figure: Array
    support: Array
    cloth: Array
    gap: Array
    span: tuple[float, float]
    place: float = 0.0


def cut_triangles(points: Array, triangles: Array, origin: Array, normal: Array) -> tuple[Array, Array, Array]:
    """Where a plane cuts ``triangles`` (t, 3): (ends (k, 2, 3) m, corner pairs (k, 2, 2), share (k, 2) of the second).

    An end is ``(1 - share) points[first] + share points[second]``. Triangles that only touch the plane give nothing.
    """
    height = (points - origin) @ normal
    over = height[triangles] >= 0.0
    cut = triangles[over.any(axis=1) != over.all(axis=1)]
    if not len(cut):
        return np.zeros((0, 2, 3)), np.zeros((0, 2, 2), np.int64), np.zeros((0, 2))
    sides = np.stack([cut, np.roll(cut, -1, axis=1)], axis=2)
    sides = np.sort(sides, axis=2)  # one order for both triangles of an edge, so that their ends agree to the last bit
    crossed = (height[sides[:, :, 0]] >= 0.0) != (height[sides[:, :, 1]] >= 0.0)
    pairs = sides[crossed].reshape(-1, 2, 2)
    low, high = height[pairs[:, :, 0]], height[pairs[:, :, 1]]
    share = low / (low - high)
    ends = (1.0 - share[:, :, None]) * points[pairs[:, :, 0]] + share[:, :, None] * points[pairs[:, :, 1]]
    return ends, pairs, share


def take_sections(run: Run) -> list[Section]:
    """The vertical section along the cloth's middle line, and those across the body at `STATIONS`."""
    lattice, body = run.lattice, run.body
    column = lattice.ij[:, 1] == lattice.shape[1] // 2
    line = run.x[column][:, :2]
    is_support = np.array([part.is_support for part in body.parts])[body.part]
    seen = body.vertices[np.unique(body.faces[~is_support])] if (~is_support).any() else run.x
    way = line[-1] - line[0]
    way = np.array([way[0], way[1], 0.0]) / max(float(np.linalg.norm(way)), 1e-12)
    side = np.array([-way[1], way[0], 0.0])
    middle = np.array([*line.mean(axis=0), 0.0])
    along, across = (seen - middle) @ way, (seen - middle) @ side

    def cut(title: str, place: float, origin: Array, axis: Array, normal: Array, span: tuple[float, float]) -> Section:
        def flatten(ends: Array) -> Array:
            return np.stack([(ends - middle) @ axis, ends[:, :, 2]], axis=2)

        ends, pairs, share = cut_triangles(run.x, lattice.triangles, origin, normal)
        gap = (1.0 - share) * run.contact.gap[pairs[:, :, 0]] + share * run.contact.gap[pairs[:, :, 1]]
        wood, stone = (
            flatten(cut_triangles(body.vertices, body.faces[chosen], origin, normal)[0])
            for chosen in (~is_support, is_support)
        )
        return Section(title, wood, stone, flatten(ends), gap, span, place)

    grown = 0.12 * float(np.ptp(along)) + 0.05
    sections = [cut("along the cloth's middle line", 0.0, middle, way, side,
                    (float(along.min()) - grown, float(along.max()) + grown))]  # fmt: skip
    reach = (float(across.min()) - 0.12, float(across.max()) + 0.12)
    for letter, share in zip("ABCD", STATIONS, strict=True):
        place = float(along.min() + share * np.ptp(along))
        sections.append(cut(f"across at {letter}", place, middle + place * way, side, way, reach))
    return sections


def draw_sections(run: Run, path: Path, contact: float) -> Path:
    """Write the sections as PNG, all at one scale; cloth within ``contact`` (m) of the body is drawn heavy and dark."""
    sections = take_sections(run)
    boxes = [_frame(section) for section in sections]
    inch_per_m = (PAGE - 0.5) / max(box[1] - box[0] for box in boxes)
    while True:  # smaller until all fit on a page
        sizes = [(inch_per_m * (box[1] - box[0]), inch_per_m * (box[3] - box[2])) for box in boxes]
        rows = _flow(sizes)
        height = 1.25 + sum(max(sizes[k][1] for k in row) + 0.42 for row in rows)
        if height <= TALLEST:
            break
        inch_per_m *= 0.95
    figure = start_figure(height, "Sections, true to scale")
    y = height - 0.45
    for row in rows:
        tallest = max(sizes[k][1] for k in row)
        x = 0.25
        head = 0.45 if row[0] == 0 else 0.25  # the letters of the cuts stand over the first section
        for k in row:
            place = (x / PAGE, (y - head - sizes[k][1]) / height, sizes[k][0] / PAGE, sizes[k][1] / height)
            axes = figure.add_axes(place)
            _draw_section(axes, sections[k], boxes[k], contact)
            figure.text(x / PAGE, (y - 0.06) / height, sections[k].title, fontsize=8, color=INK, va="top")
            if k == 0:
                _mark_stations(axes, sections, boxes[0])
            x += sizes[k][0] + 0.35
        y -= tallest + head + 0.17
    key = figure.add_axes((0.25 / PAGE, 0.1 / height, 0.66, 0.3 / height))
    key.set(xlim=(0, 1), ylim=(0, 1))
    key.axis("off")
    for at, colour, wide, words in ((0.0, TOUCH, 3.2, f"cloth within {1e3 * contact:g} mm of the body"),
                                    (0.36, CLOTH, 1.2, "cloth elsewhere"), (0.58, WOOD, 7, "body"),
                                    (0.74, STONE, 7, "support")):  # fmt: skip
        key.plot([at, at + 0.04], [0.5, 0.5], color=colour, lw=wide, solid_capstyle="butt")
        key.text(at + 0.05, 0.5, words, fontsize=8, color=INK, va="center")
    bar = figure.add_axes((0.72, 0.08 / height, 0.26, 0.5 / height))
    draw_bar(bar, 0.26 * PAGE / inch_per_m)
    return write_figure(figure, path)


def _frame(section: Section) -> tuple[float, float, float, float]:
    """(left, right, low, high) m worth showing of a section."""
    ends = np.concatenate([section.figure.reshape(-1, 2), section.cloth.reshape(-1, 2)])
    ends = ends[(ends[:, 0] >= section.span[0]) & (ends[:, 0] <= section.span[1])]
    if not len(ends):
        return (*section.span, 0.0, 0.05)
    return (*section.span, float(ends[:, 1].min()) - 0.03, float(ends[:, 1].max()) + 0.02)


def _flow(sizes: list[tuple[float, float]]) -> list[list[int]]:
    """Panels in reading order, as many in a row as fit."""
    rows: list[list[int]] = [[]]
    used = 0.0
    for k, (wide, _) in enumerate(sizes):
        if rows[-1] and used + wide > PAGE - 0.5:
            rows.append([])
            used = 0.0
        rows[-1].append(k)
        used += wide + 0.35
    return rows


def _draw_section(axes: Any, section: Section, box: tuple[float, float, float, float], contact: float) -> None:
    from matplotlib.collections import LineCollection, PolyCollection
    from shapely import get_parts, polygonize
    from shapely.geometry import LineString

    for segments, colour in ((section.support, STONE), (section.figure, WOOD)):
        if len(segments):
            lines = [LineString(ends) for ends in segments if (ends[0] != ends[1]).any()]
            areas = [np.asarray(area.exterior.coords) for area in get_parts(polygonize(lines))]
            axes.add_collection(PolyCollection(areas, facecolors=colour, edgecolors="none"))
            axes.add_collection(LineCollection(list(segments), colors=INK, linewidths=0.5))
    near = section.gap.max(axis=1) <= contact if len(section.gap) else np.zeros(0, bool)
    axes.add_collection(LineCollection(list(section.cloth[~near]), colors=CLOTH, linewidths=1.2, capstyle="round"))
    axes.add_collection(LineCollection(list(section.cloth[near]), colors=TOUCH, linewidths=3.2, capstyle="butt"))
    axes.set(xlim=box[:2], ylim=box[2:], aspect="equal")
    axes.axis("off")


def _mark_stations(axes: Any, sections: list[Section], box: tuple[float, float, float, float]) -> None:
    for section in sections[1:]:
        axes.axvline(section.place, color=QUIET, lw=0.6, ls=(0, (3, 3)))
        axes.text(section.place, box[3], section.title[-1], fontsize=8, color=INK, ha="center", va="bottom")
