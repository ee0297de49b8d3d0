"""Flat maps of the image: what each way prints, how it is distorted, regions, landmarks, the gap rebuilt."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.front.colours import INK, LINEN, QUIET, GapScale, blend_colours, draw_scale_legend, scale_gaps
from drapesim.front.labels import PAGE, draw_bar, draw_warp, name_beside, name_inside, start_figure, write_figure
from drapesim.jobs.image import ImageStudy, LayImage, WayResult
from drapesim.judging.density import Rebuilt
from drapesim.judging.distortion import map_grid
from drapesim.judging.transfer import LOOK, Way, print_regions, to_grid, warp_picture
from drapesim.matter.sheet import Lattice

Array = np.ndarray

PRINT = "#5a3a22"  # what prints
STRIP = 90  # pixels below a picture at scale
NARROWEST = 500  # pixels across, for what stands below it
NAMED = 4.5e-3  # m2 of print from which a region is named on the map; the legend names all
NAMELESS = (176, 172, 162)  # the body outside all regions
PER_CENT = (-50.0, -20.0, -10.0, -5.0, 5.0, 10.0, 20.0, 50.0, 100.0)
DEGREES = (2.0, 5.0, 10.0, 20.0, 40.0, 60.0)
ROUND = 60.0  # mm of cloth shown round what prints, where only that is shown


def say_way(way: Way) -> str:
    """A way in words, with its lengths."""
    reach, depth = f"{1e3 * way.reach:g} mm", f"{1e3 * way.depth:g} mm"
    laws = {"cut-off": f"full up to {reach}", "linear": f"fading evenly to nothing at {reach}",
            "exponential": f"fading to 1/e each {reach}"}  # fmt: skip
    return {
        "contact": f"contact only, within {reach}",
        "nearest": f"from the nearest point, {laws[way.law]}",
        "normal": f"along the cloth's normal, {laws[way.law]}",
        "down": f"straight down to the draped cloth, {laws[way.law]}",
        "view": "straight down to a cloth held flat, as a photograph",
        "relief": f"from a relief {depth} deep to a cloth held flat, {laws[way.law]}",
    }[way.kind]


def tone_linen() -> Array:
    """(3,) uint8: the colour of plain cloth."""
    from matplotlib.colors import to_rgb

    return np.round(255 * np.array(to_rgb(LINEN))).astype(np.uint8)


def tone_strength(strength: Array) -> Array:
    """(..., 3) uint8: linen where nothing prints, `PRINT` at full strength (0..1)."""
    from matplotlib.colors import to_rgb

    paper, ink = (255 * np.array(to_rgb(colour)) for colour in (LINEN, PRINT))
    share = np.clip(np.nan_to_num(strength), 0.0, 1.0)[..., None]
    return np.round(paper + share * (ink - paper)).astype(np.uint8)


def draw_maps(
    lattice: Lattice,
    rows: Sequence[tuple[str, Callable[[Any], None]]],
    title: str,
    note: str,
    legend: Callable[[Any], None],
    path: Path,
    window: Array | None = None,
    legend_height: float = 0.66,
) -> Path:
    """One flat map a row (words above it, what paints it), with rulers, warp arrow, scale bar and ``legend``.

    ``window`` (2, 2) mm: the least and largest u and v that are shown; None shows the whole cloth. ``legend_height``:
    inch.
    """
    low, high = _whole(lattice) if window is None else window
    length, width = high - low
    across = PAGE - 1.15
    along = min(across * width / length, 5.0)
    across = along * length / width
    each, top, foot = along + 0.62, 0.3, 0.85 + legend_height
    height = top + each * len(rows) + foot
    figure = start_figure(height, title)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if max(length, width) / s <= 14)
    for number, (words, paint) in enumerate(rows):
        bottom = height - top - (number + 1) * each + 0.3
        axes = figure.add_axes((0.75 / PAGE, bottom / height, across / PAGE, along / height))
        figure.text(0.75 / PAGE, (bottom + along + 0.05) / height, words, fontsize=8.5, color=INK, va="bottom")
        axes.set_facecolor(LINEN)
        paint(axes)
        axes.set(xlim=(low[0], high[0]), ylim=(high[1], low[1]))
        axes.set_xticks(step * np.arange(np.ceil(low[0] / step), high[0] / step + 1e-6))
        axes.set_yticks(step * np.arange(np.ceil(low[1] / step), high[1] / step + 1e-6))
        axes.tick_params(labelsize=6.5, colors=QUIET, direction="in", length=3, width=0.8)
        for spine in axes.spines.values():
            spine.set(color=INK, linewidth=0.8)
    y = (foot - 0.2) / height
    draw_warp(figure, y)
    seen = "inner" if lattice.inner_sign < 0 else "outer"
    words = f"warp, u      weft, v: downward      in mm      seen from the {seen} side"
    words += "      part of the cloth" if window is not None else ""
    figure.text(1.85 / PAGE, y, words, fontsize=7.5, color=INK, va="center")
    figure.text(0.75 / PAGE, y - 0.19 / height, note, fontsize=7.5, color=INK, va="center")
    legend(figure.add_axes((0.75 / PAGE, 0.2 / height, 0.64, legend_height / height)))
    bar = figure.add_axes((0.76, 0.2 / height, 0.22, 0.62 / height))
    draw_bar(bar, 0.22 * PAGE * 1e-3 * length / across, "on the cloth")
    return write_figure(figure, path)


def _whole(lattice: Lattice) -> Array:
    size = 1e3 * np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)
    return np.stack([np.zeros(2), size])


def find_inch(window: Array) -> float:
    """mm of cloth to an inch of paper where `draw_maps` shows ``window`` (2, 2) mm."""
    length, width = window[1] - window[0]
    return float(max(length / (PAGE - 1.15), width / 5.0))


def find_window(lattice: Lattice, there: Array) -> Array:
    """(2, 2) mm: the part of the flat map, for `draw_maps`, that holds the nodes ``there`` (n,) bool, and some round
    them; all of it if there are none."""
    whole = _whole(lattice)
    if not there.any():
        return whole
    place = 1e3 * lattice.uv[there]
    low, high = place.min(axis=0) - ROUND, place.max(axis=0) + ROUND
    return np.clip([low, high], whole[0], whole[1])


def paint_pixels(lattice: Lattice, pixels: Array) -> Callable[[Any], None]:
    """Fill a map with a picture (rows, columns, 3) of the whole cloth."""
    length, width = 1e3 * np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)

    def paint(axes: Any) -> None:
        stride = max(1, max(pixels.shape[:2]) // 4000)
        axes.imshow(
            pixels[::stride, ::stride], extent=(0, length, width, 0), aspect="auto", interpolation="antialiased"
        )

    return paint


def paint_strength(lattice: Lattice, strength: Array) -> Callable[[Any], None]:
    """Fill a map with the tone of ``strength`` (n,), each node the middle of its place."""
    grid = tone_strength(to_grid(lattice, strength).transpose(1, 0))
    u, v = 1e3 * lattice.spacing_u, 1e3 * lattice.spacing_v
    nu, nv = lattice.shape

    def paint(axes: Any) -> None:
        extent = (-0.5 * u, (nu - 0.5) * u, (nv - 0.5) * v, -0.5 * v)
        axes.imshow(grid, extent=extent, aspect="auto", interpolation="bilinear")

    return paint


def paint_bands(lattice: Lattice, grid: Array, scale: GapScale) -> Callable[[Any], None]:
    """Fill a map with ``grid`` (nu, nv) in thousandths of the scale's unit, by bands; linen where it is nan."""

    def paint(axes: Any) -> None:
        i, j = np.nonzero(np.isfinite(grid))
        picture = np.broadcast_to(tone_linen(), (*grid.shape, 3)).copy()
        picture[i, j] = np.round(255 * scale.paint(1e-3 * grid[i, j]))
        u, v = 1e3 * lattice.spacing_u, 1e3 * lattice.spacing_v
        extent = (-0.5 * u, (grid.shape[0] - 0.5) * u, (grid.shape[1] - 0.5) * v, -0.5 * v)
        axes.imshow(picture.transpose(1, 0, 2), extent=extent, aspect="auto", interpolation="nearest")

    return paint


def draw_strength_legend(axes: Any, title: str = "strength of the print, share of full (1)") -> None:
    """A wedge of tone from 0 to 1."""
    wedge = tone_strength(np.linspace(0.0, 1.0, 256))[None]
    axes.imshow(wedge, extent=(0, 1, 0, 1), aspect="auto")
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        axes.text(share, -0.12, f"{share:g}", ha="center", va="top", fontsize=7.5, color=INK)
    axes.text(1.0, 1.2, title, ha="right", va="bottom", fontsize=7.5, color=QUIET)
    axes.set(xlim=(0, 1), ylim=(-0.6, 1.6))
    axes.axis("off")


def scale_per_cent() -> GapScale:
    """Blue where the flat map is smaller, orange where larger; in per cent."""
    from matplotlib.colors import to_rgb

    blue, grey, orange = (np.array(to_rgb(colour)) for colour in ("#0a4f9e", "#efeee9", "#b3470b"))
    less = [grey + s * (blue - grey) for s in (1.0, 0.75, 0.5, 0.25)]
    more = [grey + s * (orange - grey) for s in (0.2, 0.4, 0.6, 0.8, 1.0)]
    return GapScale(1e-3 * np.array(PER_CENT), np.array([*less, grey, *more]))


def scale_degrees() -> GapScale:
    """Pale where angles are kept, dark where they are changed; in degrees."""
    return GapScale(1e-3 * np.array(DEGREES), blend_colours(np.linspace(1.0, 0.0, len(DEGREES) + 1)))


def draw_ways(study: ImageStudy, lay: LayImage, path: Path) -> Path:
    """What each way prints in one lay, the observed map first where there is one."""
    lattice = lay.laid.lattice
    rows: list[tuple[str, Callable[[Any], None]]] = []
    if study.observed is not None:
        rows.append(("observed", paint_pixels(lattice, study.observed.pixels)))
    for result in lay.results:
        words = f"{say_way(result.way)}   [{result.way.name}]"
        score = next((s for s in study.scores if (s.lay, s.way) == (lay.name, result.way.name)), None)
        if score is not None and math.isfinite(score.correlation):
            words += f"   correlation with the observed {score.correlation:.2f}"
        rows.append((words, paint_strength(lattice, result.source.strength)))
    return draw_maps(lattice, rows, f"What each way would print: {lay.name}", "", draw_strength_legend, path)


def draw_distortion(lay: LayImage, result: WayResult, path: Path) -> Path:
    """Widening and lengthening against body and photograph, in per cent."""
    found = result.distortion
    rows = []
    for words, stretch in (
        ("wider along the weft than in a photograph from above", np.where(found.seen, found.photo_v, np.nan)),
        ("longer along the warp than in a photograph from above", np.where(found.seen, found.photo_u, np.nan)),
        ("larger in area than on the body", found.area),
    ):
        percent = 100.0 * (1.0 / np.maximum(map_grid(lay.laid, found, stretch), 1e-3) - 1.0)
        rows.append((f"{words}   ({say_way(result.way)})", paint_bands(lay.laid.lattice, percent, scale_per_cent())))

    def legend(axes: Any) -> None:
        draw_scale_legend(axes, scale_per_cent(), "change of length or area on the flat map, %: blue less, orange more")

    window = find_window(lay.laid.lattice, result.source.strength > 0.0)
    note = "plain: no print, or not in the photograph"
    return draw_maps(lay.laid.lattice, rows, f"How the flat map distorts: {lay.name}", note, legend, path, window)


def draw_angles(lay: LayImage, result: WayResult, path: Path) -> Path:
    """The largest change of any angle, against body and photograph, in degrees."""
    found = result.distortion
    rows = []
    seen = np.where(found.seen, found.photo_angle, np.nan)
    for words, angle in (("against the body", found.angle), ("against a photograph from above", seen)):
        degrees = np.degrees(map_grid(lay.laid, found, angle))
        rows.append((f"{words}   ({say_way(result.way)})", paint_bands(lay.laid.lattice, degrees, scale_degrees())))

    def legend(axes: Any) -> None:
        draw_scale_legend(axes, scale_degrees(), "largest change of an angle, degrees")

    window = find_window(lay.laid.lattice, result.source.strength > 0.0)
    note = "plain: no print, or not in the photograph"
    return draw_maps(lay.laid.lattice, rows, f"Change of angles: {lay.name}", note, legend, path, window)


def draw_landmarks(lay: LayImage, result: WayResult, path: Path) -> Path:
    """Where landmarks print, with an arrow from where the best-fitting photograph would have them."""
    lattice = lay.laid.lattice
    printed = [row for row in result.landmarks if np.isfinite(row.uv).all()]
    fitted = [row for row in printed if np.isfinite(row.residual).all()]
    ends = 1e3 * np.array([row.uv for row in printed]).reshape(-1, 2)
    arrows = 1e3 * np.array([[row.uv - row.residual, row.uv] for row in fitted]).reshape(-1, 2, 2)
    window = find_window(lattice, result.source.strength > 0.0)
    inch = find_inch(window)

    def paint(axes: Any) -> None:
        paint_strength(lattice, result.source.strength)(axes)
        for start, end in arrows:
            head = float(np.clip(40.0 * np.linalg.norm(end - start) / inch, 2.5, 8.0))
            axes.annotate("", xy=end, xytext=start, arrowprops={"arrowstyle": "-|>", "color": "#a3123a", "lw": 1.0,
                          "shrinkA": 0, "shrinkB": 0, "mutation_scale": head})  # fmt: skip
            axes.plot(*start, marker="o", ms=3, mfc="white", color="#a3123a", mew=0.8)
        for row, end in zip(printed, ends, strict=True):
            if not np.isfinite(row.residual).all():
                axes.plot(*end, marker="x", ms=3.5, color="#a3123a", mew=0.9)
        name_beside(axes, ends, [row.name for row in printed], inch, (window[0], window[1]), arrows)

    words = f"{len(printed)} of {len(result.landmarks)} landmarks print, {len(fitted)} of them in a photograph"
    words += f"   ({say_way(result.way)})"
    parts = ["ring: where the photograph from above that fits best has it; arrow: to its print"] if fitted else []
    parts += ["cross: a print that is not fitted"] if len(fitted) < len(printed) else []
    note = "; ".join(parts)
    title = f"Landmarks on the flat map: {lay.name}"
    return draw_maps(lattice, [(words, paint)], title, note, draw_strength_legend, path, window)


def draw_rebuilt(lay: LayImage, rebuilt: Rebuilt, path: Path) -> Path:
    """The gap along the normal, and the same rebuilt from the density of the observed map."""
    scale = scale_gaps((1e-3, 2e-3, 5e-3))
    lattice = lay.laid.lattice
    there = np.isfinite(lay.gap) & (lay.gap <= LOOK)
    rows = []
    most = float(np.nanmax(rebuilt.gap))
    told = f"rebuilt from density under the fitted law, which tells no gap beyond {1e3 * most:.1f} mm"
    for words, gap in (("gap along the cloth's normal, as settled", lay.gap), (told, rebuilt.gap)):
        rows.append((words, paint_bands(lattice, 1e3 * to_grid(lattice, np.where(there, gap, np.nan)), scale)))

    def legend(axes: Any) -> None:
        draw_scale_legend(axes, scale, "gap, mm")

    title = f"The relief that density tells of: {lay.name}"
    return draw_maps(lattice, rows, title, f"plain: no body within {1e3 * LOOK:g} mm", legend, path)


def draw_regions(lay: LayImage, result: WayResult, path: Path) -> Path:
    """Which region of the body prints where: each in a tint of its own, told in the legend; the larger ones named."""
    lattice, body = lay.laid.lattice, lay.run.body
    region = print_regions(result.source, body.region)
    tints = _tints(len(body.region_names))
    picture = np.tile(tone_linen(), (*lattice.shape, 1))
    there = region >= 0
    i, j = lattice.ij[there].T
    picture[i, j] = np.round(255 * tints[region[there]])
    nameless = (result.source.strength > 0.0) & ~there
    picture[lattice.ij[nameless, 0], lattice.ij[nameless, 1]] = NAMELESS
    window = find_window(lattice, result.source.strength > 0.0)
    numbers = np.unique(region[there])
    names, at = [], []
    for number in numbers:
        mine = np.flatnonzero(region == number)
        if lattice.node_area[mine].sum() >= NAMED:
            place = 1e3 * lattice.uv[mine]
            names.append(body.region_names[number])
            at.append(place[np.argmin(np.linalg.norm(place - np.median(place, axis=0), axis=1))])

    def paint(axes: Any) -> None:
        u, v = 1e3 * lattice.spacing_u, 1e3 * lattice.spacing_v
        extent = (-0.5 * u, (lattice.shape[0] - 0.5) * u, (lattice.shape[1] - 0.5) * v, -0.5 * v)
        axes.imshow(picture.transpose(1, 0, 2), extent=extent, aspect="auto", interpolation="nearest")
        name_inside(axes, np.array(at).reshape(-1, 2), names, find_inch(window), (window[0], window[1]))

    entries = [(body.region_names[number], tints[number]) for number in numbers]
    entries += [("no name", np.array(NAMELESS) / 255)] if nameless.any() else []
    columns = 5
    rows = max(-(-len(entries) // columns), 1)

    def legend(axes: Any) -> None:
        axes.axis("off")
        axes.set(xlim=(0, columns), ylim=(rows, -1))
        axes.text(0.0, -0.5, "region of the body at the source of the print; plain: no print", fontsize=7.5, color=INK,
                  va="center")  # fmt: skip
        for k, (name, tint) in enumerate(entries):
            column, row = divmod(k, rows)
            axes.add_patch(_swatch(column, row + 0.15, tint))
            axes.text(column + 0.16, row + 0.5, name, fontsize=6.5, color=INK, va="center")

    title = f"Regions of the body on the flat map: {lay.name}"
    return draw_maps(lattice, [(say_way(result.way), paint)], title, "", legend, path, window, 0.15 * (rows + 1))


def _swatch(x: float, y: float, tint: Array) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), 0.12, 0.7, facecolor=tuple(tint), edgecolor=INK, lw=0.4)


def _tints(count: int) -> Array:
    """(count, 3) in 0..1: hues far apart from number to number, all pale enough for names to be read on them."""
    from matplotlib.colors import hsv_to_rgb

    number = np.arange(max(count, 1))
    hue = (number * 0.61803398875) % 1.0
    return np.asarray(hsv_to_rgb(np.column_stack([hue, 0.24 + 0.12 * (number % 2), np.full(len(hue), 0.9)])))


def write_at_scale(lay: LayImage, result: WayResult, path: Path, pixel: float = 1e-3) -> Path:
    """The predicted flat image at ``pixel`` (m) a pixel, to lay over a photograph of the cloth: below it a strip with
    scale bar, warp arrow and legend. The resolution in the file is that of the cloth itself."""
    lattice = lay.laid.lattice
    rows, columns = find_shape(lattice, pixel)
    blank = np.zeros((2, 2, 1), np.uint8)
    everywhere = replace(result.source, whole=lattice.cell)  # strength fades to nothing within the cells at a rim
    _, strength = warp_picture(lattice, everywhere, np.zeros((len(lattice.ij), 2)), blank, (rows, columns))
    words = f"tone from left to right: strength of the print, 0 to 1 ({say_way(result.way)})"
    return set_strip(lattice, tone_strength(strength / 255.0), words, path, pixel, has_wedge=True)


def find_shape(lattice: Lattice, pixel: float) -> tuple[int, int]:
    """(rows, columns) of a picture of the whole cloth at ``pixel`` (m) a pixel."""
    length, width = np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)
    return round(width / pixel), round(length / pixel)


def set_strip(lattice: Lattice, pixels: Array, words: str, path: Path, pixel: float, has_wedge: bool = False) -> Path:
    """Write ``pixels`` of the whole cloth with a strip below: scale bar, warp arrow, ``words``, and a wedge of tone."""
    from PIL import Image, ImageDraw

    rows, columns = pixels.shape[0], max(pixels.shape[1], NARROWEST)
    bar = next(n for n in (500, 200, 100, 50, 20, 10, 5, 2, 1) if n * 1e-3 / pixel < 0.3 * pixels.shape[1] or n == 1)
    size = min(22, max(9, columns // 60))
    left = round(20 + max(bar * 1e-3 / pixel, 9 * size)) + 40
    beside = left + 8 * size + (215 if has_wedge else 0)
    seen = "inner" if lattice.inner_sign < 0 else "outer"
    last = f"{1e3 * pixel:g} mm a pixel, seen from the {seen} side"
    letters = int((columns - beside - 10) / (0.55 * size))
    if letters >= len(words):
        lines, start, step, height = [words, last], (beside, 18), 30, STRIP
    else:  # a small cloth: the words stand below, broken to its breadth
        lines = [*textwrap.wrap(words, max(int((columns - 30) / (0.55 * size)), 12)), last]
        start, step = (20, 42 + 2 * size), round(1.4 * size)
        height = start[1] + step * len(lines) + 10
    page = Image.new("RGB", (columns, rows + height), "white")
    page.paste(Image.fromarray(pixels))
    pen = ImageDraw.Draw(page)
    pen.line([(20, rows + 30), (20 + bar * 1e-3 / pixel, rows + 30)], fill=INK, width=5)
    pen.text((20, rows + 42), f"{bar} mm on the cloth", fill=INK, font_size=size)
    pen.line([(left, rows + 30), (left + 5 * size, rows + 30)], fill=INK, width=4)
    tip = left + 6 * size
    pen.polygon([(tip, rows + 30), (tip - 22, rows + 20), (tip - 22, rows + 40)], fill=INK)
    pen.text((left, rows + 42), "warp, u", fill=INK, font_size=size)
    if has_wedge:
        wedge = tone_strength(np.broadcast_to(np.linspace(0, 1, 200), (24, 200)))
        page.paste(Image.fromarray(wedge), (left + 8 * size, rows + 18))
    for k, line in enumerate(lines):
        pen.text((start[0], rows + start[1] + k * step), line, fill=INK, font_size=size)
    pen.rectangle([(0, 0), (pixels.shape[1] - 1, rows - 1)], outline=INK)
    page.save(path, dpi=(0.0254 / pixel, 0.0254 / pixel))
    return path
