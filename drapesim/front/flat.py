"""Flat: the cloth's flat map with gap contours, marks and their verdicts, true to scale."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.colours import (
    INK,
    LINEN,
    QUIET,
    SIGNS,
    GapScale,
    draw_gap_legend,
    draw_sign_legend,
    scale_gaps,
    to_hex,
)
from drapesim.front.labels import PAGE, draw_bar, name_marks, start_figure, write_figure
from drapesim.matter.answers import UNDECIDED

if TYPE_CHECKING:
    from drapesim.settling.archive import Run

Array = np.ndarray


def draw_flat(run: Run, path: Path, contact: float) -> Path:
    """Write the flat map of ``run`` as PNG; ``contact`` (m) is the gap bracketed as contact in the legend.

    u (warp) runs to the right and v (weft) downward from the origin at the top left. The gap is that of the nodes,
    linear between them.
    """
    lattice = run.lattice
    length = lattice.cell.shape[0] * lattice.spacing_u
    width = lattice.cell.shape[1] * lattice.spacing_v
    across = PAGE - 1.15
    along = min(max(across * width / length, 0.9), 9.0)
    across = along * length / width if along == 9.0 else across
    inch = 1e3 * length / across  # mm on the cloth in one inch of paper
    band = 0.62 if run.marks else 0.15
    top, foot = 0.62 + band, 1.62 + band
    height = top + along + foot
    side = "inner" if lattice.inner_sign < 0 else "outer"
    figure = start_figure(height, f"The cloth laid flat, seen from its {side} side")
    axes = figure.add_axes((0.75 / PAGE, foot / height, across / PAGE, along / height))
    scale = scale_gaps(run.contact_levels)
    draw_cloth(axes, run, (length, width))
    draw_gap(axes, run, run.contact.gap, scale)
    verdicts = {verdict.mark: verdict.verdict for verdict in run.verdicts}
    names = [verdicts.get(mark.name, UNDECIDED) for mark in run.marks]
    for mark, name in zip(run.marks, names, strict=True):
        draw_mark(axes, mark, SIGNS[name].colour)
    axes.set(xlim=(0, 1e3 * length), ylim=(1e3 * width, 0))
    if run.marks:
        at = 1e3 * np.array([mark.weights @ mark.samples / mark.weights.sum() for mark in run.marks])
        name_marks(axes, at, [mark.name for mark in run.marks], names, (1e3 * length, 1e3 * width), band * inch, inch)
    _draw_axes(axes, figure, (length, width), side, foot - band, height)
    legend = figure.add_axes((0.75 / PAGE, 0.42 / height, 0.62, 0.62 / height))
    draw_gap_legend(legend, scale, contact)
    bar = figure.add_axes((0.74, 0.42 / height, 0.24, 0.62 / height))
    draw_bar(bar, 0.24 * PAGE * inch / 1e3, "on the cloth")
    if run.marks:
        draw_sign_legend(figure.add_axes((0.056, 0.1 / height, 0.94, 0.24 / height)), names)
    return write_figure(figure, path)


def draw_cloth(axes: Any, run: Run, size: tuple[float, float]) -> None:
    """The photograph if there is one, greyed so that the contours stand out; else plain linen where there is cloth."""
    extent = (0.0, 1e3 * size[0], 1e3 * size[1], 0.0)
    if run.flat_map is not None:
        pixels = run.flat_map.pixels
        stride = max(1, int(np.ceil(max(pixels.shape[:2]) / 4000)))
        axes.imshow(pixels[::stride, ::stride], extent=extent, aspect="auto", interpolation="antialiased")
        return
    from matplotlib.colors import to_rgba

    cloth = np.ones((*run.lattice.cell.T.shape, 4))
    cloth[run.lattice.cell.T] = to_rgba(LINEN)
    axes.imshow(cloth, extent=extent, aspect="auto", interpolation="nearest")


def draw_gap(axes: Any, run: Run, gap: Array, scale: GapScale) -> None:
    """``gap`` (n,) m of the nodes: filled bands up to the last contact level, beyond it lines, each labelled in mm."""
    lattice = run.lattice
    grid = np.full(lattice.shape, np.nan)
    grid[lattice.ij[:, 0], lattice.ij[:, 1]] = 1e3 * gap
    if not np.isfinite(grid).any():
        return
    u = 1e3 * lattice.spacing_u * np.arange(lattice.shape[0])
    v = 1e3 * lattice.spacing_v * np.arange(lattice.shape[1])
    field = np.ma.masked_invalid(grid.T)
    edges = 1e3 * scale.edges
    n_contact = max(1, sum(edge <= 1e3 * max(run.contact_levels, default=1e-3) * 1.0001 for edge in edges))
    filled = [to_hex(colour) for colour in scale.colours[:n_contact]]
    opacity = 0.6 if run.flat_map is not None else 0.9
    low = min(-1.0, float(field.min()) - 1.0)
    axes.contourf(u, v, field, levels=[low, *edges[:n_contact]], colors=filled, alpha=opacity)
    near = [edge for edge in edges[n_contact:] if edge <= 50.0]
    for levels, lw in ((edges[:n_contact], 0.5), (near, 0.7)):
        inside = [level for level in levels if field.min() < level < field.max()]
        if inside:
            colours = [to_hex(0.75 * scale.colours[int(np.searchsorted(edges, level))]) for level in inside]
            lines = axes.contour(u, v, field, levels=inside, colors=colours, linewidths=lw)
            if levels is near:
                axes.clabel(lines, fmt="%g", fontsize=5.5, inline_spacing=2)


def draw_mark(axes: Any, mark: Any, colour: str) -> None:
    """Outline of an area, line, or a small ring round a point."""
    for ring in mark.rings:
        closed = 1e3 * np.concatenate([ring, ring[:1]])
        axes.plot(*closed.T, color="white", lw=2.6, zorder=4)
        axes.plot(*closed.T, color=colour, lw=1.3, zorder=5)
    if mark.rings:
        return
    if len(mark.samples) == 1:
        axes.plot(*(1e3 * mark.samples.T), marker="o", ms=6, mfc="none", color=colour, mew=1.3, ls="none", zorder=5)
        return
    steps = np.linalg.norm(np.diff(mark.samples, axis=0), axis=1)
    for line in np.split(1e3 * mark.samples, np.flatnonzero(steps > 3 * np.median(steps)) + 1):
        axes.plot(*line.T, color="white", lw=2.4, zorder=4)
        axes.plot(*line.T, color=colour, lw=1.2, zorder=5)


def _draw_axes(axes: Any, figure: Any, size: tuple[float, float], side: str, foot: float, height: float) -> None:
    """Rulers in mm at top-left origin, the warp arrow, and which side is seen."""
    for spine in axes.spines.values():
        spine.set(color=INK, linewidth=0.8)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if 1e3 * max(size) / s <= 14)
    axes.set_xticks(np.arange(0, 1e3 * size[0] + 0.5, step))
    axes.set_yticks(np.arange(0, 1e3 * size[1] + 0.5, step))
    axes.tick_params(labelsize=6.5, colors=QUIET, direction="in", length=4, width=0.8, zorder=7)
    for ruler, pad in ((axes.xaxis, -13), (axes.yaxis, 3)):  # names stand below: the warp's figures go inside
        ruler.set_tick_params(pad=pad)
    for figures in axes.get_xticklabels():
        figures.set_bbox({"facecolor": "white", "alpha": 0.6, "edgecolor": "none", "pad": 0.8})
    axes.plot([0], [0], marker="o", ms=6, mfc="white", color=INK, clip_on=False, zorder=10)
    # The rulers' own text stands below the names; the arrow lies along the bottom, the way the warp runs.
    y = (foot - 0.12) / height
    axes.annotate("", xy=(2.3 / PAGE, y), xytext=(0.75 / PAGE, y), xycoords="figure fraction",
                  arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.2})  # fmt: skip
    words = f"warp, u      weft, v: downward      lengths in mm from the origin (ring)      seen from the {side} side"
    figure.text(2.4 / PAGE, y, words, fontsize=7.5, color=INK, va="center")
