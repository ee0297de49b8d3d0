"""The sheet of a body: two views to scale, its sections at stated stations, and what was measured of it."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from drapesim.front.colours import INK, QUIET
from drapesim.front.labels import PAGE, draw_bar, start_figure, write_figure
from drapesim.front.view import MISSING, Camera, draw_body
from drapesim.ground.files import write_bytes
from drapesim.jobs.show import Section, Shown

Array = np.ndarray

WOOD, STONE = (0.725, 0.553, 0.384), (0.788, 0.808, 0.831)
RED = "#b3261e"
GAP = 0.3  # inch
TEXT_ROW = 0.155  # inch
LETTERS = 128  # that fit a row
TALLEST = 2.2  # inch, of a row of sections
DEEPEST = 0.08  # m, of a hollow in the support that is still shown
CAPTION = 0.52  # inch over each section
SECTIONS = (
    "Sections square to x, seen from the -x end (the feet of a lying body), all to one scale; places from the end with "
    "the least x"
)
VIEWS = (("seen from above, +x to the right", (0.0, 0.0, -1.0), (0.0, 1.0, 0.0)),
         ("seen level from the -y side, +x to the right", (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))  # fmt: skip


def draw_show(shown: Shown, lines: Sequence[str], path: Path) -> None:
    """Write the sheet as PNG, whole or not at all; ``lines`` are the measured figures as the terminal tells them."""
    text = [part for line in lines for part in _wrap(line)]
    half = 0.5 * (PAGE - 3 * GAP)
    shots = _take(shown)
    views_high = 0.3 if shots is None else max(half * s.pixels.shape[0] / s.pixels.shape[1] for s in shots)
    rows, scale = _flow(shown.sections)
    highs = [scale * max(_extent(section)[3] - _extent(section)[2] for section in row) for row in rows]
    height = 0.62 + TEXT_ROW * len(text) + views_high + 1.05 + sum(high + CAPTION + 0.1 for high in highs) + 0.5
    figure = start_figure(height, "What the body is like")
    y = height - 0.48
    for line in text:
        figure.text(GAP / PAGE, y / height, line, fontsize=7.2, family="monospace", va="top",
                    color=RED if "PAIRS" in line or " NO: " in line else INK)  # fmt: skip
        y -= TEXT_ROW
    y -= 0.18
    if shots is None:
        figure.text(GAP / PAGE, y / height, MISSING, fontsize=7.5, color=QUIET, va="top")
    for k, shot in enumerate(shots or ()):
        tall = half * shot.pixels.shape[0] / shot.pixels.shape[1]
        left = GAP + k * (half + GAP)
        axes = figure.add_axes((left / PAGE, (y - 0.2 - tall) / height, half / PAGE, tall / height))
        axes.imshow(shot.pixels, interpolation="lanczos")
        axes.axis("off")
        figure.text(left / PAGE, y / height, VIEWS[k][0], fontsize=7.5, color=INK, va="top")
        _mark(axes, shot, shown, is_above=k == 0)
        bar = figure.add_axes(((left + half - 1.8) / PAGE, (y - 0.58 - tall) / height, 1.8 / PAGE, 0.32 / height))
        draw_bar(bar, 1.8 / half * shot.pixels.shape[1] * shot.metres_per_pixel)
    y -= views_high + 0.72
    figure.text(GAP / PAGE, y / height, SECTIONS, fontsize=7.5, weight="bold", color=INK, va="top")
    y -= 0.2
    letter = 0
    for row, high in zip(rows, highs, strict=True):
        x = GAP
        for section in row:
            low_y, high_y, low_z, high_z = _extent(section)
            wide, tall = scale * (high_y - low_y), scale * (high_z - low_z)
            axes = figure.add_axes((x / PAGE, (y - CAPTION - tall) / height, wide / PAGE, tall / height))
            _draw_section(axes, section)
            figure.text(x / PAGE, (y - 0.02) / height, _caption("ABCDEFGH"[letter], section), fontsize=6.8, color=INK,
                        va="top", linespacing=1.3)  # fmt: skip
            x += max(wide, 1.55) + GAP
            letter += 1
        y -= high + CAPTION + 0.1
    bar = figure.add_axes(((PAGE - GAP - 2.0) / PAGE, 0.12 / height, 2.0 / PAGE, 0.32 / height))
    draw_bar(bar, 2.0 / scale, "in the sections")
    with TemporaryDirectory() as folder:
        whole = write_figure(figure, Path(folder) / "sheet.png")
        write_bytes(path, whole.read_bytes())


def _wrap(line: str) -> list[str]:
    return textwrap.wrap(line, LETTERS, subsequent_indent=" " * 13, drop_whitespace=True) or [""]


def _take(shown: Shown) -> list[Any] | None:
    vertices, faces = shown.vertices, shown.faces
    colours = np.tile(WOOD, (len(faces), 1))
    if shown.support is not None:
        whole = shown.support
        is_support = np.array([part.is_support for part in whole.parts])[whole.part]
        faces = np.concatenate([faces, whole.faces[is_support] + len(vertices)])
        vertices = np.concatenate([vertices, whole.vertices])
        colours = np.concatenate([colours, np.tile(STONE, (int(is_support.sum()), 1))])
    cameras = tuple(Camera(title, "", way, up, shown.vertices) for title, way, up in VIEWS)
    return draw_body(vertices, faces, cameras, colours)


def _mark(axes: Any, shot: Any, shown: Shown, is_above: bool) -> None:
    """Letters at the stations, and a ring round the thinnest place."""
    from matplotlib.patheffects import withStroke

    low, high = shown.vertices.min(axis=0), shown.vertices.max(axis=0)
    edge = high if is_above else low
    for letter, section in zip("ABCDEFGH", shown.sections, strict=False):
        ends = np.array([[low[0] + section.place, low[1], low[2]], [low[0] + section.place, high[1], high[2]]])
        at = shot.place(ends)
        axes.plot(at[:, 0], at[:, 1], color=INK, lw=0.5, ls=(0, (4, 3)))
        top = shot.place(np.array([[low[0] + section.place, edge[1], high[2]]]))[0]
        axes.text(top[0], min(at[:, 1].min(), top[1]) - 12, letter, fontsize=6.5, color=INK, ha="center", va="bottom")
    if np.isfinite(shown.thickness.least):
        x, y = shot.place(shown.thickness.place[None])[0]
        axes.plot([x], [y], marker="o", ms=8, mfc="none", mec=RED, mew=1.2)
        axes.text(x + 28, y, "thinnest", fontsize=6.5, color=RED, va="center",
                  path_effects=[withStroke(linewidth=2.0, foreground="white")])  # fmt: skip


def _extent(section: Section) -> tuple[float, float, float, float]:
    """(left, right, low, high) m worth showing: the outline in a margin."""
    flat = section.outline.reshape(-1, 2)
    if not len(flat):
        return (-0.05, 0.05, -0.02, 0.02)
    (y0, z0), (y1, z1) = flat.min(axis=0), flat.max(axis=0)
    if len(section.support):  # down to the top of what lies under it
        middle = section.support.mean(axis=1)
        near = middle[(middle[:, 0] > y0) & (middle[:, 0] < y1) & (middle[:, 1] > middle[:, 1].max() - DEEPEST)]
        z0 = min(z0, near[:, 1].min() if len(near) else section.support[:, :, 1].max())
    return (float(y0) - 0.015, float(y1) + 0.015, float(z0) - 0.015, float(z1) + 0.01)


def _flow(sections: Sequence[Section]) -> tuple[list[list[Section]], float]:
    """Sections in rows, and the scale (inch per m) at which they fit the page."""
    wide = [_extent(section)[1] - _extent(section)[0] for section in sections]
    tall = max(_extent(section)[3] - _extent(section)[2] for section in sections)
    scale = min(TALLEST / tall, (PAGE - 2 * GAP) / max(wide))
    while True:
        rows: list[list[Section]] = [[]]
        x = GAP
        for section, width in zip(sections, wide, strict=True):
            room = max(scale * width, 1.55) + GAP
            if rows[-1] and x + room > PAGE:
                rows.append([])
                x = GAP
            rows[-1].append(section)
            x += room
        if len(rows) <= 2:
            return rows, scale
        scale *= 0.92
        if scale * max(wide) < 0.3:
            return rows, scale


def _caption(letter: str, section: Section) -> str:
    area = "open" if np.isnan(section.area) else f"{1e4 * section.area:.1f} cm2"
    return (
        f"{letter} at {1e3 * section.place:.0f} mm\n{1e3 * section.size[0]:.0f} x {1e3 * section.size[1]:.0f} mm, "
        f"{area}\noutline {1e3 * section.length:.0f} mm"
    )


def _draw_section(axes: Any, section: Section) -> None:
    from matplotlib.collections import LineCollection

    left, right, low, high = _extent(section)
    axes.add_collection(LineCollection(list(section.support), colors=QUIET, linewidths=1.0))
    axes.add_collection(LineCollection(list(section.outline), colors=INK, linewidths=1.0))
    # From the -x end, looking along +x with z up, +y lies to the left.
    axes.set(xlim=(right, left), ylim=(low, high), xticks=[], yticks=[])
    for spine in axes.spines.values():
        spine.set_visible(False)
