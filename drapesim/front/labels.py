"""Labels: names and signs of marks set above and below a picture, with leaders."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.front.colours import INK, draw_sign

Array = np.ndarray

PAGE = 9.6  # inch, breadth of every picture, so that their text comes out alike
DPI = 230
LETTER = 0.0725  # inch, width of a letter at the size used
SIGN = 0.19  # inch, room for the sign
SIZE = 7.5  # points
LEVEL = 3  # of PNG compression: 15 % larger than at the usual 6, in two thirds of the time


def start_figure(height: float, title: str) -> Any:
    """An empty white figure, `PAGE` wide and ``height`` (inch) high, with its title at the top left."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(PAGE, height), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    figure.text(0.012, 1 - 0.16 / height, title, fontsize=12, weight="bold", color=INK, va="top")
    return figure


def write_figure(figure: Any, path: Path) -> Path:
    """Write ``figure`` as PNG; without transparency, and compressed a little less, it takes half the time."""
    from PIL import Image

    figure.canvas.draw()
    Image.fromarray(np.asarray(figure.canvas.buffer_rgba())[:, :, :3]).save(path, compress_level=LEVEL, dpi=(DPI, DPI))
    return path


def lay_pixels(axes: Any, pixels: Array) -> None:
    """Fill ``axes`` with ``pixels`` (h, w, 3) uint8 as they are: the plot's own images are drawn anew, slowly.

    The axes must be as large as the picture at `DPI`.
    """
    from matplotlib.artist import Artist

    class Pixels(Artist):
        def draw(self, renderer: Any) -> None:
            colours = renderer.new_gc()
            left, bottom = axes.bbox.min
            opaque = np.dstack([pixels[::-1], np.full(pixels.shape[:2], 255, np.uint8)])
            renderer.draw_image(colours, round(left), round(bottom), opaque)
            colours.restore()

    axes.add_artist(Pixels())


def name_marks(
    axes: Any,
    at: Array,
    names: Sequence[str],
    verdicts: Sequence[str],
    extent: tuple[float, float],
    band: float,
    inch: float,
) -> None:
    """Write each name above or below a picture, with a leader to its place.

    ``at`` (n, 2): places in the data coordinates of ``axes``, which run from 0 to ``extent`` (right and down); places
    outside or NaN are left out. ``band``: room above and below, and ``inch``: one inch, both in data units.
    """
    from matplotlib.patheffects import withStroke

    width, height = extent
    seen = np.flatnonzero(np.isfinite(at).all(axis=1) & (at > 0).all(axis=1) & (at < extent).all(axis=1))
    if not len(seen):
        return
    border = float(np.median(at[seen, 1]))
    for group, is_above in ((seen[at[seen, 1] <= border], True), (seen[at[seen, 1] > border], False)):
        ordered = group[np.argsort(at[group, 0], kind="stable")]
        room = np.array([inch * (LETTER * len(names[k]) + SIGN + 0.14) for k in ordered])
        lines = 1 if room.sum() < 0.97 * width else 2
        for line in range(lines):
            chosen, size = ordered[line::lines], room[line::lines]
            row = (0.25 + 0.4 * line) * band
            y = -row if is_above else height + row
            for k, x, wide in zip(chosen, spread_out(at[chosen, 0], size, width), size, strict=True):
                axes.plot([at[k, 0], x], [at[k, 1], y], color=INK, lw=0.6, clip_on=False, zorder=6,
                          path_effects=[withStroke(linewidth=1.8, foreground="white", alpha=0.6)])  # fmt: skip
                left = x - 0.5 * wide + 0.07 * inch
                back = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
                axes.text(left + SIGN * inch, y, names[k], va="center", ha="left", fontsize=SIZE, color=INK, zorder=8,
                          bbox=back)  # fmt: skip
                axes.plot([left + 0.4 * SIGN * inch], [y], marker="s", ms=9, color="white", clip_on=False, zorder=8)
                draw_sign(axes, left + 0.4 * SIGN * inch, y, verdicts[k], 5.5)


def spread_out(wanted: Array, widths: Array, limit: float) -> Array:
    """Middles near ``wanted`` (ascending) of boxes of ``widths`` that do not overlap and lie within 0 to ``limit``.

    If they are too wide together, they overlap evenly.
    """
    x = np.array(wanted, dtype=np.float64)
    room = widths * min(1.0, limit / max(widths.sum(), 1e-9))
    edge = 0.0
    for k in range(len(x)):
        x[k] = max(x[k], edge + 0.5 * room[k])
        edge = x[k] + 0.5 * room[k]
    edge = limit
    for k in range(len(x) - 1, -1, -1):
        x[k] = min(x[k], edge - 0.5 * room[k])
        edge = x[k] - 0.5 * room[k]
    return x


def place_beside(at: Array, sizes: Array, clear: float, lines: Array, box: tuple[Array, Array]) -> Array:
    """(n, 2) middles of labels of ``sizes`` (n, 2) beside their places ``at`` (n, 2), all in one unit.

    Labels keep off each other, off the circles of radius ``clear`` round all places and within ``box`` (low, high);
    where they can, off ``lines`` (k, 2, 2), and near their places. Each in turn takes the cheapest of places in 16
    directions and 5 distances, twice round, the crowded ones first: the same input gives the same picture.
    """
    turns = np.arange(16) * (np.pi / 8.0)
    way = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    along = np.linspace(0.0, 1.0, 41)[:, None]
    dots = np.concatenate([a + along * (b - a) for a, b in lines]) if len(lines) else np.empty((0, 2))
    apart = np.linalg.norm(at[:, None] - at[None], axis=2)
    order = np.argsort(np.sort(apart, axis=1)[:, :4].sum(axis=1), kind="stable")
    middle = np.full_like(at, np.nan)
    for k in [*order, *order]:
        half = 0.5 * sizes[k]
        # the label stands 1.4 to 7 times as far off as the ring, to its side or above or below its place
        steps = (clear * np.array([1.4, 2.0, 3.0, 4.5, 7.0]))[:, None, None] * way + half * np.clip(1.6 * way, -1, 1)
        tried = at[k] + steps.reshape(-1, 2)
        others = np.arange(len(at)) != k
        room = 0.5 * (sizes[k] + sizes) + 0.15 * clear
        cost = 30.0 * np.sum(_overlaps(tried, middle, room) & others, axis=1)
        cost += 30.0 * np.sum(_overlaps(tried, at, np.broadcast_to(half + 0.9 * clear, at.shape)), axis=1)
        cost += 100.0 * ((tried - half < box[0]) | (tried + half > box[1])).any(axis=1)
        cost += 0.25 * np.sum(_overlaps(tried, dots, np.broadcast_to(half, dots.shape)), axis=1)
        off = np.linalg.norm(np.maximum(np.abs(tried[:, None] - at[None]) - half, 0.0), axis=2)  # from each place
        cost += off[:, k] / clear + 0.1 * np.linalg.norm(tried - at[k], axis=1) / clear
        cost += 8.0 * np.sum((off < off[:, k, None] + 0.5 * clear) & others, axis=1)  # it would seem another's
        middle[k] = tried[int(np.argmin(cost))]
    return middle


def name_beside(
    axes: Any,
    at: Array,
    names: Sequence[str],
    inch: float,
    box: tuple[Array, Array],
    lines: Array | None = None,
    size: float = 5.5,
) -> None:
    """Write each name beside its place ``at`` (n, 2), where it is free, with a leader where it stands off.

    All in the data units of ``axes``, of which ``inch`` is one inch of paper; names keep within ``box`` (low, high)
    and off ``lines`` (k, 2, 2), see `place_beside`. ``size`` of the letters in points.
    """
    from matplotlib.patheffects import withStroke

    if not len(at):
        return
    letter = LETTER * size / SIZE
    sizes = inch * np.array([[letter * len(name) + 0.03, size / 72.0 * 1.25] for name in names])
    middles = place_beside(at, sizes, 0.05 * inch, np.empty((0, 2, 2)) if lines is None else lines, box)
    for place, name, middle, room in zip(at, names, middles, sizes, strict=True):
        near = np.clip(place, middle - 0.5 * room, middle + 0.5 * room)
        if np.linalg.norm(near - place) > 0.06 * inch:
            axes.plot(*np.array([place, near]).T, color=INK, lw=0.5, zorder=7)
        axes.text(*middle, name, fontsize=size, color=INK, ha="center", va="center", zorder=8,
                  path_effects=[withStroke(linewidth=1.8, foreground="white", alpha=0.9)])  # fmt: skip


def name_inside(
    axes: Any, at: Array, names: Sequence[str], inch: float, box: tuple[Array, Array], size: float = 5.0
) -> None:
    """Write each name in the middle of its patch ``at`` (n, 2), or as near as no other name stands, with a leader.

    Units as for `name_beside`. The first come first.
    """
    from matplotlib.patheffects import withStroke

    letter = LETTER * size / SIZE
    steps = np.stack(np.meshgrid(np.arange(-6, 7) * 0.12, np.arange(-8, 9) * 0.045), axis=2).reshape(-1, 2) * inch
    steps = steps[np.argsort(np.hypot(steps[:, 0], 1.5 * steps[:, 1]), kind="stable")]
    done: list[tuple[Array, Array]] = []
    for place, name in zip(at, names, strict=True):
        half = 0.5 * inch * np.array([letter * len(name) + 0.02, size / 72.0 * 1.2])
        tried = np.clip(place + steps, box[0] + half, np.maximum(box[1] - half, box[0] + half))
        free = np.ones(len(tried), dtype=bool)
        for middle, other in done:
            free &= (np.abs(tried - middle) >= half + other).any(axis=1)
        middle = tried[int(np.argmax(free))]
        done.append((middle, half))
        if (np.abs(place - middle) > half).any():
            axes.plot(*np.array([place, np.clip(place, middle - half, middle + half)]).T, color=INK, lw=0.4, zorder=7)
        axes.text(*middle, name, fontsize=size, color=INK, ha="center", va="center", zorder=8,
                  path_effects=[withStroke(linewidth=1.6, foreground="white", alpha=0.9)])  # fmt: skip


def _overlaps(tried: Array, others: Array, room: Array) -> Array:
    """(m, n) bool: is a middle of ``tried`` nearer than ``room`` (n, 2), both ways, to one of ``others`` (NaN: no)?"""
    return (np.abs(tried[:, None] - others[None]) < room[None]).all(axis=2)


def draw_warp(figure: Any, y: float) -> None:
    """An arrow along the warp, to the right as on all maps, under their left corner; ``y`` as share of the page."""
    from matplotlib.patches import FancyArrowPatch

    ends = (0.75 / PAGE, y), (1.75 / PAGE, y)
    figure.add_artist(FancyArrowPatch(*ends, arrowstyle="-|>", mutation_scale=9, color=INK, lw=1.2))


def draw_bar(axes: Any, width: float, note: str = "") -> None:
    """A scale bar in an empty ``axes`` that is ``width`` (m) wide at the picture's scale."""
    steps = (1e-3, 2e-3, 5e-3, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)
    length = max((n for n in steps if n < 0.75 * width), default=0.75 * width)
    axes.set(xlim=(0, width), ylim=(0, 1))
    axes.axis("off")
    start = width - length
    ends = ([start, start, width, width], [0.64, 0.5, 0.5, 0.64])
    axes.plot(*ends, color=INK, lw=1.6, solid_joinstyle="miter", clip_on=False)
    axes.text(width, 0.36, f"{1e3 * length:g} mm {note}".strip(), ha="right", va="top", fontsize=SIZE, color=INK)
