"""Flat maps of the image: what each way prints, how it is distorted, the body's photograph carried over, landmarks."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.front.colours import INK, LINEN, QUIET, GapScale, blend_colours, draw_scale_legend, scale_gaps
from drapesim.front.labels import PAGE, draw_bar, start_figure, write_figure
from drapesim.ground.outcome import InputError
from drapesim.jobs.image import ImageStudy, LayImage, WayResult
from drapesim.judging.density import Rebuilt
from drapesim.judging.distortion import map_grid
from drapesim.judging.transfer import DOWN, LOOK, Laid, Way, print_regions, to_grid, warp_picture
from drapesim.kernels.cast import cast_rays
from drapesim.matter.sheet import Lattice

Array = np.ndarray

PRINT = "#5a3a22"  # what prints
FINEST = 5e-4  # m: pictures of the body are brought to at least this a pixel
STRIP = 90  # pixels below a picture at scale
NAMED = 4.5e-3  # m2 of print from which a region is named
PER_CENT = (-50.0, -20.0, -10.0, -5.0, 5.0, 10.0, 20.0, 50.0, 100.0)
DEGREES = (2.0, 5.0, 10.0, 20.0, 40.0, 60.0)
PHOTO_PIXEL, GRID = 2e-3, 0.05  # m: of the body's photograph from above, and of the lines drawn over it


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


@dataclass(frozen=True)
class Photograph:
    """The body from straight above: ``pixels`` (rows, columns, 3) uint8, x to the right, y upward; ``low`` (2,) m: the
    left lower corner; m per pixel. ``there`` (rows, columns) bool: body."""

    pixels: Array
    low: Array
    pixel: float
    there: Array

    def place(self, points: Array) -> Array:
        """(n, 2) column and row, whole numbers at pixels' middles, of ``points`` (n, 3 or 2) m."""
        column = (points[:, 0] - self.low[0]) / self.pixel - 0.5
        row = len(self.pixels) - 0.5 - (points[:, 1] - self.low[1]) / self.pixel
        return np.column_stack([column, row])


def photograph_body(laid: Laid) -> Photograph:
    """The figure shaded, seen straight down by parallel rays, with lines every 50 mm."""
    surface, tree = laid.field.surface, laid.field.tree
    used = surface.vertices[np.unique(surface.faces[np.concatenate([tree.order, tree.large])])]
    low, high = used[:, :2].min(axis=0) - 0.01, used[:, :2].max(axis=0) + 0.01
    columns, rows = np.ceil((high - low) / PHOTO_PIXEL).astype(int)
    x = low[0] + (np.arange(columns) + 0.5) * PHOTO_PIXEL
    y = low[1] + (rows - np.arange(rows) - 0.5) * PHOTO_PIXEL
    grid = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)
    above = np.column_stack([grid, np.full(len(grid), used[:, 2].max() + 1e-3)])
    ways = np.ascontiguousarray(np.broadcast_to(DOWN, above.shape))
    _, face = cast_rays(above, ways, np.full(len(above), 10.0), surface.vertices, surface.faces, tree)
    there = (face >= 0).reshape(rows, columns)
    light = np.array([-0.45, 0.5, 0.74])
    shade = np.clip(surface.normal[face] @ light, 0.0, 1.0).reshape(rows, columns)
    tone = np.array([214.0, 176.0, 140.0]) * (0.35 + 0.65 * shade)[:, :, None]
    for k, offset in ((0, grid[:, 0]), (1, grid[:, 1])):
        middle = 0.5 * (low[k] + high[k])
        line = np.abs((offset - middle + 0.5 * GRID) % GRID - 0.5 * GRID) < 0.75 * PHOTO_PIXEL
        tone[line.reshape(rows, columns)] = (20.0, 60.0, 130.0)
    tone[~there] = 255.0
    return Photograph(np.round(tone).astype(np.uint8), low, PHOTO_PIXEL, there)


def read_photograph(path: Path, laid: Laid) -> Photograph:
    """A picture of the body from straight above, cropped to it, x to the right and y upward; transparent is white.

    Raises `InputError` for no picture, or one whose sides are not to each other as the body's within 5 %.
    """
    from PIL import Image

    surface, tree = laid.field.surface, laid.field.tree
    used = surface.vertices[np.unique(surface.faces[np.concatenate([tree.order, tree.large])])]
    low, high = used[:, :2].min(axis=0), used[:, :2].max(axis=0)
    try:
        with Image.open(path) as opened:
            picture = opened.convert("RGB")
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        raise InputError(path, "--texture", "the picture cannot be read", "give a PNG, TIFF or JPEG") from None
    shape = (high[0] - low[0]) / (high[1] - low[1])
    if abs(picture.width / picture.height / shape - 1.0) > 0.05:
        problem = f"its sides are 1 to {picture.width / picture.height:.3g}, and the body's from above 1 to {shape:.3g}"
        raise InputError(
            path, "--texture", problem, "crop it to the body, head and feet to left and right as in the scene"
        )
    columns = min(picture.width, math.ceil(float(high[0] - low[0]) / FINEST))
    pixel = float(high[0] - low[0]) / columns
    picture = picture.resize((columns, max(1, round(float(high[1] - low[1]) / pixel))))
    pixels = np.asarray(picture)
    return Photograph(pixels, low, pixel, np.ones(pixels.shape[:2], bool))


def carry_photograph(result: WayResult, laid: Laid, photograph: Photograph, shape: tuple[int, int]) -> Array:
    """(rows, columns, 3) uint8: the photograph where each point of the cloth takes its image from; plain linen else.

    What the photograph does not see, the body's undersides, is carried as what lies above it, so it is left plain.
    """
    lattice = laid.lattice
    place = photograph.place(result.source.point)
    out, strength = warp_picture(lattice, result.source, place, photograph.pixels, shape)
    face = result.source.face
    up = (face >= 0) & (laid.field.surface.normal[face, 2] > 0.0)
    seen = np.nan_to_num(to_grid(lattice, up.astype(float))) > 0.5
    rows, columns = (
        np.minimum(((np.arange(n) + 0.5) / n * cells).astype(int), cells)
        for n, cells in zip(shape, lattice.cell.shape[::-1], strict=True)
    )
    plain = (strength == 0) | ~seen[columns][:, rows].T
    out[plain] = _linen()
    return out


def _linen() -> Array:
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
) -> Path:
    """One flat map a row (words above it, what paints it), with rulers, warp arrow, scale bar and ``legend``."""
    length, width = 1e3 * np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)
    across = PAGE - 1.15
    along = min(max(across * width / length, 0.8), 5.0)
    across = along * length / width
    each, top, foot = along + 0.62, 0.3, 1.45
    height = top + each * len(rows) + foot
    figure = start_figure(height, title)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if max(length, width) / s <= 14)
    for number, (words, paint) in enumerate(rows):
        bottom = height - top - (number + 1) * each + 0.3
        axes = figure.add_axes((0.75 / PAGE, bottom / height, across / PAGE, along / height))
        figure.text(0.75 / PAGE, (bottom + along + 0.05) / height, words, fontsize=8.5, color=INK, va="bottom")
        axes.set_facecolor(LINEN)
        paint(axes)
        axes.set(xlim=(0, length), ylim=(width, 0))
        axes.set_xticks(np.arange(0, length + 0.5, step))
        axes.set_yticks(np.arange(0, width + 0.5, step))
        axes.tick_params(labelsize=6.5, colors=QUIET, direction="in", length=3, width=0.8)
        for spine in axes.spines.values():
            spine.set(color=INK, linewidth=0.8)
    y = (foot - 0.2) / height
    figure.add_artist(_arrow(0.75 / PAGE, 1.75 / PAGE, y))
    seen = "inner" if lattice.inner_sign < 0 else "outer"
    words = f"warp, u      weft, v: downward      in mm      seen from the {seen} side{'      ' + note if note else ''}"
    figure.text(1.85 / PAGE, y, words, fontsize=7.5, color=INK, va="center")
    legend(figure.add_axes((0.75 / PAGE, 0.2 / height, 0.64, 0.66 / height)))
    bar = figure.add_axes((0.76, 0.2 / height, 0.22, 0.62 / height))
    draw_bar(bar, 0.22 * PAGE * 1e-3 * length / across, "on the cloth")
    return write_figure(figure, path)


def _arrow(start: float, end: float, y: float) -> Any:
    from matplotlib.patches import FancyArrowPatch

    return FancyArrowPatch((start, y), (end, y), arrowstyle="-|>", mutation_scale=9, color=INK, lw=1.2)


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
        picture = np.broadcast_to(_linen(), (*grid.shape, 3)).copy()
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
    lattice = lay.run.lattice
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
        rows.append((f"{words}   ({say_way(result.way)})", paint_bands(lay.run.lattice, percent, scale_per_cent())))

    def legend(axes: Any) -> None:
        draw_scale_legend(axes, scale_per_cent(), "change of length or area on the flat map, %: blue less, orange more")

    return draw_maps(lay.run.lattice, rows, f"How the flat map distorts: {lay.name}", "plain: no print", legend, path)


def draw_angles(lay: LayImage, result: WayResult, path: Path) -> Path:
    """The largest change of any angle, against body and photograph, in degrees."""
    found = result.distortion
    rows = []
    seen = np.where(found.seen, found.photo_angle, np.nan)
    for words, angle in (("against the body", found.angle), ("against a photograph from above", seen)):
        degrees = np.degrees(map_grid(lay.laid, found, angle))
        rows.append((f"{words}   ({say_way(result.way)})", paint_bands(lay.run.lattice, degrees, scale_degrees())))

    def legend(axes: Any) -> None:
        draw_scale_legend(axes, scale_degrees(), "largest change of an angle, degrees")

    return draw_maps(lay.run.lattice, rows, f"Change of angles: {lay.name}", "plain: no print", legend, path)


def draw_landmarks(lay: LayImage, result: WayResult, path: Path) -> Path:
    """Where landmarks print, with an arrow from where the best-fitting photograph would have them."""
    shown = [row for row in result.landmarks if np.isfinite(row.residual).all()]

    def paint(axes: Any) -> None:
        from matplotlib.patheffects import withStroke

        paint_strength(lay.run.lattice, result.source.strength)(axes)
        for row in shown:
            end, start = 1e3 * row.uv, 1e3 * (row.uv - row.residual)
            axes.annotate("", xy=end, xytext=start, arrowprops={"arrowstyle": "-|>", "color": "#a3123a", "lw": 1.1,
                          "shrinkA": 0, "shrinkB": 0})  # fmt: skip
            axes.plot(*start, marker="o", ms=3, mfc="white", color="#a3123a", mew=0.8)
            axes.annotate(row.name, end, xytext=(3, 3), textcoords="offset points", fontsize=5.5, color=INK,
                          path_effects=[withStroke(linewidth=2, foreground="white")])  # fmt: skip

    printed = sum(bool(np.isfinite(row.uv).all()) for row in result.landmarks)
    words = f"{printed} of {len(result.landmarks)} landmarks print, {len(shown)} of them seen from above and fitted"
    words += f"   ({say_way(result.way)})"
    note = "ring: in the photograph that fits best; arrow: to its print"
    title = f"Landmarks on the flat map: {lay.name}"
    return draw_maps(lay.run.lattice, [(words, paint)], title, note, draw_strength_legend, path)


def draw_rebuilt(lay: LayImage, rebuilt: Rebuilt, path: Path) -> Path:
    """The gap along the normal, and the same rebuilt from the density of the observed map."""
    scale = scale_gaps((1e-3, 2e-3, 5e-3))
    lattice = lay.run.lattice
    there = np.isfinite(lay.gap) & (lay.gap <= LOOK)
    rows = []
    for words, gap in (("gap along the cloth's normal, as settled", lay.gap), ("rebuilt from density", rebuilt.gap)):
        rows.append((words, paint_bands(lattice, 1e3 * to_grid(lattice, np.where(there, gap, np.nan)), scale)))

    def legend(axes: Any) -> None:
        draw_scale_legend(axes, scale, "gap, mm")

    title = f"The relief that density tells of: {lay.name}"
    return draw_maps(lattice, rows, title, f"plain: no body within {1e3 * LOOK:g} mm", legend, path)


def draw_regions(lay: LayImage, result: WayResult, path: Path) -> Path:
    """Which region of the body prints where: each in a tint of its own, named where it prints most."""
    lattice, body = lay.run.lattice, lay.run.body
    region = print_regions(result.source, body.region)
    picture = np.tile(_linen(), (*lattice.shape, 1))
    there = region >= 0
    i, j = lattice.ij[there].T
    picture[i, j] = np.round(255 * _tints(len(body.region_names))[region[there]])

    def paint(axes: Any) -> None:
        from matplotlib.patheffects import withStroke

        u, v = 1e3 * lattice.spacing_u, 1e3 * lattice.spacing_v
        extent = (-0.5 * u, (lattice.shape[0] - 0.5) * u, (lattice.shape[1] - 0.5) * v, -0.5 * v)
        axes.imshow(picture.transpose(1, 0, 2), extent=extent, aspect="auto", interpolation="nearest")
        for number in np.unique(region[there]):
            mine = np.flatnonzero(region == number)
            if lattice.node_area[mine].sum() < NAMED:
                continue
            place = 1e3 * lattice.uv[mine]
            at = place[np.argmin(np.linalg.norm(place - np.median(place, axis=0), axis=1))]
            axes.text(*at, body.region_names[number], fontsize=4.8, color=INK, ha="center", va="center",
                      path_effects=[withStroke(linewidth=1.6, foreground="white", alpha=0.9)])  # fmt: skip

    def legend(axes: Any) -> None:
        axes.axis("off")
        words = f"tint: region of the body; named from {1e4 * NAMED:g} cm2 of print on   plain: no print"
        axes.text(0.0, 0.6, words, fontsize=7.5, color=INK, transform=axes.transAxes)

    title = f"Regions of the body on the flat map: {lay.name}"
    return draw_maps(lattice, [(say_way(result.way), paint)], title, "", legend, path)


def _tints(count: int) -> Array:
    """(count, 3) in 0..1: hues far apart from number to number, all pale enough for names to be read on them."""
    from matplotlib.colors import hsv_to_rgb

    number = np.arange(max(count, 1))
    hue = (number * 0.61803398875) % 1.0
    return np.asarray(hsv_to_rgb(np.column_stack([hue, 0.24 + 0.12 * (number % 2), np.full(len(hue), 0.9)])))


def write_at_scale(lay: LayImage, result: WayResult, path: Path, pixel: float = 1e-3) -> Path:
    """The predicted flat image at ``pixel`` (m) a pixel, to lay over a photograph of the cloth: below it a strip with
    scale bar, warp arrow and legend. The resolution in the file is that of the cloth itself."""
    lattice = lay.run.lattice
    rows, columns = find_shape(lattice, pixel)
    blank = np.zeros((2, 2, 1), np.uint8)
    _, strength = warp_picture(lattice, result.source, np.zeros((len(lattice.ij), 2)), blank, (rows, columns))
    words = f"0 to 1: strength of the print ({say_way(result.way)})"
    return _set_strip(lattice, tone_strength(strength / 255.0), words, path, pixel, has_wedge=True)


def write_texture(lay: LayImage, result: WayResult, photograph: Photograph, path: Path, pixel: float = 1e-3) -> Path:
    """The photograph carried to the flat map, at ``pixel`` (m) a pixel, with the same strip below."""
    pixels = carry_photograph(result, lay.laid, photograph, find_shape(lay.run.lattice, pixel))
    words = f"the picture of the body, carried ({say_way(result.way)}); plain: no print, or not seen from above"
    return _set_strip(lay.run.lattice, pixels, words, path, pixel)


def find_shape(lattice: Lattice, pixel: float) -> tuple[int, int]:
    """(rows, columns) of a picture of the whole cloth at ``pixel`` (m) a pixel."""
    length, width = np.array(lattice.cell.shape) * (lattice.spacing_u, lattice.spacing_v)
    return round(width / pixel), round(length / pixel)


def _set_strip(lattice: Lattice, pixels: Array, words: str, path: Path, pixel: float, has_wedge: bool = False) -> Path:
    from PIL import Image, ImageDraw

    rows, columns = pixels.shape[:2]
    page = Image.new("RGB", (columns, rows + STRIP), "white")
    page.paste(Image.fromarray(pixels))
    pen = ImageDraw.Draw(page)
    bar = next(n for n in (500, 200, 100, 50, 20, 10, 5, 2, 1) if n * 1e-3 / pixel < 0.3 * columns or n == 1)
    size = min(22, max(8, columns // 60))
    pen.line([(20, rows + 30), (20 + bar * 1e-3 / pixel, rows + 30)], fill=INK, width=5)
    pen.text((20, rows + 42), f"{bar} mm on the cloth", fill=INK, font_size=size)
    left = round(20 + max(bar * 1e-3 / pixel, 9 * size)) + 40
    pen.line([(left, rows + 30), (left + 5 * size, rows + 30)], fill=INK, width=4)
    tip = left + 6 * size
    pen.polygon([(tip, rows + 30), (tip - 22, rows + 20), (tip - 22, rows + 40)], fill=INK)
    pen.text((left, rows + 42), "warp, u", fill=INK, font_size=size)
    left += 8 * size
    if has_wedge:
        page.paste(
            Image.fromarray(tone_strength(np.broadcast_to(np.linspace(0, 1, 200), (24, 200)))), (left, rows + 18)
        )
        left += 215
    seen = "inner" if lattice.inner_sign < 0 else "outer"
    pen.text((left, rows + 18), words, fill=INK, font_size=size)
    pen.text((left, rows + 48), f"{1e3 * pixel:g} mm a pixel, seen from the {seen} side", fill=INK, font_size=size)
    pen.rectangle([(0, 0), (columns - 1, rows - 1)], outline=INK)
    page.save(path, dpi=(0.0254 / pixel, 0.0254 / pixel))
    return path


def draw_carried(lay: LayImage, result: WayResult, photograph: Photograph, path: Path) -> Path:
    """The photograph from above beside what the way carries of it to the flat map: its squares show the distortion."""
    lattice = lay.run.lattice
    shape = find_shape(lattice, photograph.pixel)
    carried = carry_photograph(result, lay.laid, photograph, shape)
    # the photograph on a sheet of the cloth's size, at the same scale
    page = np.full((*shape, 3), 255, np.uint8)
    rows, columns = photograph.pixels.shape[:2]
    top, left = max((page.shape[0] - rows) // 2, 0), max((page.shape[1] - columns) // 2, 0)
    part = photograph.pixels[: page.shape[0] - top, : page.shape[1] - left]
    page[top : top + len(part), left : left + part.shape[1]] = part

    def legend(axes: Any) -> None:
        axes.axis("off")
        lines = "lines: squares of 50 mm in the photograph   " if photograph.pixel == PHOTO_PIXEL else ""
        axes.text(0.0, 0.6, f"{lines}plain: no print, or not seen from above",
                  fontsize=7.5, color=INK, transform=axes.transAxes)  # fmt: skip

    rows_ = [
        ("the body from straight above, x to the right, y upward, at the same scale", paint_pixels(lattice, page)),
        (f"carried to the flat map   ({say_way(result.way)})", paint_pixels(lattice, carried)),
    ]
    return draw_maps(lattice, rows_, f"A photograph of the body on the cloth: {lay.name}", "", legend, path)
