"""A photograph of the body from straight above, made or given, and carried to the flat map."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.front.colours import INK
from drapesim.front.image_maps import draw_maps, find_shape, paint_pixels, say_way, set_strip, tone_linen
from drapesim.ground.outcome import InputError
from drapesim.jobs.image import LayImage, WayResult
from drapesim.jobs.painted import KINDS, paint_body
from drapesim.judging.transfer import (
    DOWN,
    FROM_ABOVE,
    Laid,
    find_shown,
    is_seen,
    print_values,
    to_grid,
    warp_picture,
    weigh_in_triangle,
)
from drapesim.kernels.cast import cast_rays

Array = np.ndarray

FINEST = 5e-4  # m: pictures of the body are brought to at least this a pixel
PHOTO_PIXEL, GRID = 2e-3, 0.05  # m: of the body's photograph from above, and of the lines drawn over it


@dataclass(frozen=True)
class Photograph:
    """The body from straight above: ``pixels`` (rows, columns, 3) uint8, x to the right, y upward; ``low`` (2,) m: the
    left lower corner; m per pixel. ``there`` (rows, columns) bool: body. ``colours`` (vertices, 3) in 0..255 of the
    body where they are known all round, as from a coloured mesh."""

    pixels: Array
    low: Array
    pixel: float
    there: Array
    colours: Array | None = None

    def place(self, points: Array) -> Array:
        """(n, 2) column and row, whole numbers at pixels' middles, of ``points`` (n, 3 or 2) m."""
        column = (points[:, 0] - self.low[0]) / self.pixel - 0.5
        row = len(self.pixels) - 0.5 - (points[:, 1] - self.low[1]) / self.pixel
        return np.column_stack([column, row])


def photograph_body(laid: Laid, colours: Array | None = None) -> Photograph:
    """The figure seen straight down by parallel rays: shaded, with lines every 50 mm, or in its ``colours``."""
    surface, tree = laid.field.surface, laid.field.tree
    used = surface.vertices[np.unique(surface.faces[np.concatenate([tree.order, tree.large])])]
    low, high = used[:, :2].min(axis=0) - 0.01, used[:, :2].max(axis=0) + 0.01
    columns, rows = np.ceil((high - low) / PHOTO_PIXEL).astype(int)
    x = low[0] + (np.arange(columns) + 0.5) * PHOTO_PIXEL
    y = low[1] + (rows - np.arange(rows) - 0.5) * PHOTO_PIXEL
    grid = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)
    above = np.column_stack([grid, np.full(len(grid), used[:, 2].max() + 1e-3)])
    ways = np.ascontiguousarray(np.broadcast_to(DOWN, above.shape))
    way, face = cast_rays(above, ways, np.full(len(above), 10.0), surface.vertices, surface.faces, tree)
    there = (face >= 0).reshape(rows, columns)
    if colours is not None:
        tone = np.full((len(above), 3), 255.0)
        hit = face >= 0
        three = surface.faces[face[hit]]
        weight = weigh_in_triangle(above[hit] + way[hit, None] * DOWN, surface.vertices[three])
        tone[hit] = np.einsum("kc,kcd->kd", weight, colours[three])
        pixels = np.round(tone).astype(np.uint8).reshape(rows, columns, 3)
        return Photograph(pixels, low, PHOTO_PIXEL, there, colours)
    light = np.array([-0.45, 0.5, 0.74])
    shade = np.clip(surface.normal[face] @ light, 0.0, 1.0).reshape(rows, columns)
    tone = np.array([214.0, 176.0, 140.0]) * (0.35 + 0.65 * shade)[:, :, None]
    for k, offset in ((0, grid[:, 0]), (1, grid[:, 1])):
        middle = 0.5 * (low[k] + high[k])
        line = np.abs((offset - middle + 0.5 * GRID) % GRID - 0.5 * GRID) < 0.75 * PHOTO_PIXEL
        tone[line.reshape(rows, columns)] = (20.0, 60.0, 130.0)
    tone[~there] = 255.0
    return Photograph(np.round(tone).astype(np.uint8), low, PHOTO_PIXEL, there)


def read_texture(path: Path, lay: LayImage) -> Photograph:
    """What a body looks like: a picture from above (`read_photograph`), or a coloured mesh (`painted.paint_body`)."""
    if path.suffix.lower() in KINDS:
        return photograph_body(lay.laid, paint_body(lay.run, lay.laid, path))
    return read_photograph(path, lay.laid)


def read_photograph(path: Path, laid: Laid) -> Photograph:
    """A picture of the body from straight above, cropped to it, x to the right and y upward; no body where transparent.

    Raises `InputError` for no picture, or one whose sides are not to each other as the body's within 5 %.
    """
    from PIL import Image

    surface, tree = laid.field.surface, laid.field.tree
    used = surface.vertices[np.unique(surface.faces[np.concatenate([tree.order, tree.large])])]
    low, high = used[:, :2].min(axis=0), used[:, :2].max(axis=0)
    if not path.exists():
        raise InputError("", "--texture", f"there is no picture {path}", "check the path")
    try:
        with Image.open(path) as opened:
            picture = opened.convert("RGBA")
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
    white = Image.new("RGBA", picture.size, "white")
    pixels = np.asarray(Image.alpha_composite(white, picture).convert("RGB"))
    return Photograph(pixels, low, pixel, np.asarray(picture.getchannel("A")) >= 128)


def carry_photograph(result: WayResult, laid: Laid, photograph: Photograph, shape: tuple[int, int]) -> Array:
    """(rows, columns, 3) uint8: the photograph where each point of the cloth takes its image from; plain linen else.

    What the photograph does not see, undersides and what lies under other parts, is left plain; where the body's
    colours are known all round, they are carried from everywhere.
    """
    lattice = laid.lattice
    if photograph.colours is not None:
        return _carry_colours(result, laid, photograph.colours, shape)
    place = photograph.place(result.source.point)
    pixels = np.dstack([photograph.pixels, np.where(photograph.there, np.uint8(255), np.uint8(0))])
    source = result.source
    if source.way.kind in FROM_ABOVE:  # to a photograph, too, what lies high and low is one picture
        source = replace(source, whole=find_shown(lattice, source))
    out, strength = warp_picture(lattice, source, place, pixels, shape)
    seen = np.nan_to_num(to_grid(lattice, is_seen(laid, result.source.point).astype(float))) > 0.5
    rows, columns = (
        np.minimum(((np.arange(n) + 0.5) / n * cells).astype(int), cells)
        for n, cells in zip(shape, lattice.cell.shape[::-1], strict=True)
    )
    plain = (strength == 0) | ~seen[columns][:, rows].T | (out[:, :, 3] < 128)
    carried = np.ascontiguousarray(out[:, :, :3])
    carried[plain] = tone_linen()
    return carried


def _carry_colours(result: WayResult, laid: Laid, colours: Array, shape: tuple[int, int]) -> Array:
    lattice, source = laid.lattice, result.source
    read = to_grid(lattice, print_values(laid, source, colours)).transpose(1, 0, 2)
    picture = np.round(np.nan_to_num(read)).astype(np.uint8)
    carried, strength = warp_picture(lattice, source, lattice.ij.astype(np.float64), picture, shape)
    carried[strength == 0] = tone_linen()
    return carried


def write_texture(lay: LayImage, result: WayResult, photograph: Photograph, path: Path, pixel: float = 1e-3) -> Path:
    """The photograph carried to the flat map, at ``pixel`` (m) a pixel, with the same strip below."""
    pixels = carry_photograph(result, lay.laid, photograph, find_shape(lay.laid.lattice, pixel))
    hidden = ", or not seen from above" if photograph.colours is None else ""
    words = f"the picture of the body, carried ({say_way(result.way)}); plain: no print{hidden}"
    return set_strip(lay.laid.lattice, pixels, words, path, pixel)


def draw_carried(lay: LayImage, result: WayResult, photograph: Photograph, path: Path) -> Path:
    """The photograph from above beside what the way carries of it to the flat map: its squares show the distortion."""
    lattice = lay.laid.lattice
    shape = find_shape(lattice, photograph.pixel)
    carried = carry_photograph(result, lay.laid, photograph, shape)
    # the photograph on a sheet of the cloth's size, at the same scale, middle on middle
    page = np.full((*shape, 3), 255, np.uint8)
    (top, down), (left, right) = (((whole - part) // 2, (part - whole) // 2)
                                  for whole, part in zip(shape, photograph.pixels.shape, strict=False))  # fmt: skip
    part = photograph.pixels[max(down, 0) :, max(right, 0) :][: shape[0], : shape[1]]
    page[max(top, 0) :, max(left, 0) :][: len(part), : part.shape[1]] = part

    def legend(axes: Any) -> None:
        axes.axis("off")
        is_made = photograph.pixel == PHOTO_PIXEL and photograph.colours is None
        lines = "lines: squares of 50 mm in the photograph   " if is_made else ""
        hidden = ", or not seen from above" if photograph.colours is None else ""
        axes.text(0.0, 0.6, f"{lines}plain: no print{hidden}",
                  fontsize=7.5, color=INK, transform=axes.transAxes)  # fmt: skip
        if lattice.inner_sign < 0:
            words = "mirrored against the photograph: seen from the side that faces the body"
            axes.text(0.0, 0.2, words, fontsize=7.5, color=INK, transform=axes.transAxes)

    rows_ = [
        ("the body from straight above, x to the right, y upward, at the same scale", paint_pixels(lattice, page)),
        (f"carried to the flat map   ({say_way(result.way)})", paint_pixels(lattice, carried)),
    ]
    return draw_maps(lattice, rows_, f"A photograph of the body on the cloth: {lay.name}", "", legend, path)
