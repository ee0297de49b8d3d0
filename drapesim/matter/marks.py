"""Marks: traced areas, lines and points on the flat map, and what each is claimed to do."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.ground.files import Document, read_bytes
from drapesim.ground.outcome import InputError, gather_faults

if TYPE_CHECKING:
    from drapesim.matter.marks_svg import DrawnShape
    from drapesim.matter.rectify import Rectified

Array = np.ndarray

KINDS = ("stain", "image", "void", "seam", "fold")
PLACE_CLAIMS = ("touches_place", "shows_feature")
MEETS = "meets"  # the claim that the mark lies on another one, layer on layer

GRID = 3e-3  # m, distance between the samples of a large area
EDGE_SLACK = 1e-4  # m, how far an outline may overshoot the cloth's edge, and is then taken to end on it
LARGEST_PICTURE = 40_000_000  # pixels kept of a picture; larger ones are averaged down
PICTURE_SLACK = 0.02  # share by which the picture's size may differ from the cloth's


@dataclass(frozen=True)
class Claim:
    """What a mark must do. ``kind`` is one of "touches", "touches_place", "shows_feature", "lies_clear",
    "meets".

    ``place`` is a region or landmark name for the two kinds that need one, of "meets" another mark's name, else "".
    ``tolerance`` is the largest gap that counts as contact, m; ``share`` the least area fraction in contact.
    ``wicking``: how far the stain has run beyond what touched, m: the claim is of what lies farther inside the outline;
    None where nothing is stated, and then all of it is claimed. ``side``: the side of the cloth that the claim is of.
    """

    kind: str = "touches"
    place: str = ""
    tolerance: float = 1e-3
    share: float = 0.8
    wicking: float | None = None
    side: str = "inner"


@dataclass(frozen=True)
class Mark:
    """One traced mark in flat-map coordinates (m).

    ``rings``: tuple of closed outlines (k, 2) uv, even-odd filled (empty for an open line or a point);
    ``samples`` (s, 2) uv points that stand for what is claimed of the mark, with ``weights`` (s,) area each (m2),
    summing to that area: all of it less the wicking margin (for a line or point: equal weights summing to 1).
    """

    name: str
    kind: str  # "stain", "image", "void", "seam" or "fold"
    rings: tuple[Array, ...]
    samples: Array
    weights: Array
    claim: Claim = Claim()


@dataclass(frozen=True)
class FlatMap:
    """Picture of the cloth laid flat. ``pixels`` (rows, cols, 3) uint8 with rows along v and columns along u."""

    pixels: Array
    metres_per_pixel: float
    seen_from: str  # "inner" or "outer"
    file: str = ""
    note: str = ""  # how it was made true to scale and how well that fits, a sentence


@dataclass(frozen=True)
class Claimed:
    """One entry of a claims table: ``kind`` of mark ("" where the table leaves it to the drawing) and its claim."""

    kind: str
    claim: Claim
    place: str  # file:line of the entry


def claims_schema() -> dict[str, Any]:
    """JSON Schema of a claims table: one table a mark, for editors that check while one types."""
    from drapesim.matter.scene_schema import ClaimTable

    entry = ClaimTable.model_json_schema()
    defined = {"$defs": entry.pop("$defs")} if "$defs" in entry else {}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "drapesim claims",
        "type": "object",
        "additionalProperties": entry,
        **defined,
    }


def parse_claims(document: Document) -> dict[str, Claimed]:
    """Claims by mark name in a TOML document with one table a mark. Raises `InputError` with all faults."""
    from drapesim.matter.door import check
    from drapesim.matter.scene_schema import ClaimTable

    claims: dict[str, Claimed] = {}
    faults: list[InputError] = []
    for name, data in document.data.items():
        try:
            if not isinstance(data, dict):
                raise document.error((name,), "stands outside any table", "put it under the mark's name in [brackets]")
            entry = check(ClaimTable, document, data, (name,))
        except InputError as fault:
            faults.append(fault)
            continue
        wicking = None if entry.wicking_mm is None else entry.wicking_mm * 1e-3
        what = (entry.claim, entry.mark or entry.place)
        claim = Claim(*what, entry.tolerance_mm * 1e-3, entry.share, wicking, entry.side)
        claims[name] = Claimed(entry.kind or "", claim, document.place((name,)))
    if faults:
        raise gather_faults(faults)
    return claims


def read_marks(
    path: str | Path,
    size: tuple[float, float],
    warp_axis: str = "right",
    mm_per_unit: float | None = None,
    claims: Mapping[str, Claimed] | None = None,
    named_in: str = "",
    scale: tuple[float, float] = (1.0, 1.0),
) -> tuple[Mark, ...]:
    """The marks of an SVG drawing on a cloth of ``size`` (length along warp, width along weft; m), in drawing order.

    ``scale`` (warp, weft): the cloth's size as it was over that of the drawing, where it has shrunk or stretched since.

    ``warp_axis`` "right": u is the drawing's x and v its y (downward). "down": the warp runs down the drawing, which
    is then turned a quarter to the left, so u = y and v = width - x. A turn, and no swap of axes, because a swap would
    mirror the cloth and exchange its sides.

    Raises `InputError` for what `read_drawing` refuses, a mark off the cloth, an open outline that is filled, an area
    without extent, and a claim on a mark that is not drawn, or that it meets one.
    """
    from drapesim.matter.door import suggest
    from drapesim.matter.marks_svg import read_drawing

    drawing = read_drawing(path, mm_per_unit, named_in)
    claims = claims or {}
    names = [shape.name for shape in drawing.shapes]
    faults = [
        InputError(claimed.place, name, f"the drawing {path} has no mark of this name", suggest(name, names))
        for name, claimed in claims.items()
        if name not in names
    ]
    for name, claimed in claims.items():
        other = claimed.claim.place
        if claimed.claim.kind == MEETS and (other == name or other not in names):
            problem = "it is the mark itself" if other == name else f"the drawing {path} has no mark '{other}' to meet"
            others = [each for each in names if each != name]
            faults.append(InputError(claimed.place, f"{name}.mark", problem, suggest(other, others)))
    marks = []
    for shape in drawing.shapes:
        try:
            marks.append(_build_mark(shape, size, warp_axis, drawing.size, claims.get(shape.name), scale))
        except InputError as fault:
            faults.append(fault)
    if faults:
        raise gather_faults(faults)
    return tuple(marks)


def turn_to_warp(points: Array, width: float, warp_axis: str) -> Array:
    """(k, 2) drawing points (x right, y down; m) as flat-map points (u, v) of a cloth ``width`` wide along the weft."""
    if warp_axis == "right":
        return points
    return np.stack([points[:, 1], width - points[:, 0]], axis=1)


def _build_mark(
    shape: DrawnShape,
    size: tuple[float, float],
    warp_axis: str,
    page: tuple[float, float] | None,
    claimed: Claimed | None,
    scale: tuple[float, float] = (1.0, 1.0),
) -> Mark:
    drawn = size[1] / scale[1]
    lines = tuple(turn_to_warp(line, drawn, warp_axis) * np.array(scale) for line in shape.lines)
    _check_on_cloth(shape, lines, size, page)
    kind = claimed.kind if claimed and claimed.kind else _read_kind(shape)
    claim = claimed.claim if claimed else Claim()
    limit = np.array(size)
    if shape.is_point:
        corners = np.concatenate(lines)
        middle = 0.5 * (corners.min(axis=0) + corners.max(axis=0))
        return Mark(shape.name, kind, (), np.clip(middle, 0, limit)[None], np.ones(1), claim)
    lines = tuple(np.clip(line, 0, limit) for line in lines)
    if not shape.filled:
        samples = np.concatenate([_walk(line, closed) for line, closed in zip(lines, shape.closed, strict=True)])
        return Mark(shape.name, kind, (), samples, np.full(len(samples), 1.0 / len(samples)), claim)
    if not all(shape.closed):
        gap = max(
            float(np.linalg.norm(line[0] - line[-1]))
            for line, closed in zip(lines, shape.closed, strict=True)
            if not closed
        )
        problem = f"the outline is open by {gap * 1e3:.4g} mm, so it has no inside"
        raise InputError(shape.place, f"#{shape.name}", problem, 'close the path, or set fill="none" for a line mark')
    area = _fill(lines, shape.even_odd)
    if area.area <= 1e-12:
        raise InputError(shape.place, f"#{shape.name}", "the outline encloses no area", "redraw it")
    claimed_area = area
    if claim.wicking:
        claimed_area = area.buffer(-claim.wicking)
        if claimed_area.area <= 1e-12:
            problem = (
                f"a wicking margin of {claim.wicking * 1e3:g} mm leaves nothing of the mark that could have touched"
            )
            place = claimed.place if claimed else shape.place
            raise InputError(place, f"{shape.name}.wicking_mm", problem, "give a margin below half its breadth")
    samples, weights = _cover(claimed_area)
    return Mark(shape.name, kind, _rings(area), samples, weights, claim)


def _check_on_cloth(
    shape: DrawnShape, lines: tuple[Array, ...], size: tuple[float, float], page: tuple[float, float] | None
) -> None:
    points = np.concatenate(lines)
    beyond = float(np.maximum(-points, points - np.array(size)).max())
    if beyond > EDGE_SLACK:
        problem = f"the mark reaches {beyond * 1e3:.4g} mm beyond the cloth, {_spell_size(size)} (warp by weft)"
        remedy = "move it, or correct sheet.length_mm, sheet.width_mm or flat_map.warp_axis"
        if page is not None:
            remedy += f" (the drawing's page is {_spell_size(page)})"
        raise InputError(shape.place, f"#{shape.name}", problem, remedy)


def _spell_size(size: tuple[float, float]) -> str:
    return f"{size[0] * 1e3:.6g} x {size[1] * 1e3:.6g} mm"


def _read_kind(shape: DrawnShape) -> str:
    from drapesim.matter.door import suggest

    if shape.stated_kind and shape.stated_kind not in KINDS:
        problem = f"'{shape.stated_kind}' is no kind of mark"
        raise InputError(shape.place, f"#{shape.name}", problem, suggest(shape.stated_kind, KINDS))
    return shape.stated_kind or next((word for word in shape.classes if word in KINDS), "stain")


def _walk(line: Array, closed: bool) -> Array:
    """Points along a polyline, evenly by arc length, at most `GRID` apart."""
    if closed:
        line = np.concatenate([line, line[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    count = max(2, math.ceil(along[-1] / GRID) + 1)
    at = np.linspace(0.0, along[-1], count)
    return np.stack([np.interp(at, along, line[:, k]) for k in (0, 1)], axis=1)


def _fill(lines: tuple[Array, ...], even_odd: bool) -> Any:
    """The filled area of closed outlines as a valid shapely geometry, by the drawing's own fill rule.

    Outlines that cross themselves or each other are cut into faces first; a face belongs to the area if its winding
    number is odd (even-odd rule) or not zero (the other rule).
    """
    import shapely

    rings = [shapely.LinearRing(line) for line in lines if len(line) >= 3]
    if not rings:
        return shapely.Polygon()
    faces = shapely.get_parts(shapely.polygonize([shapely.unary_union(rings)]))
    inside = []
    for face in faces:
        point = face.representative_point()
        winding = sum(_winding(np.asarray(ring.coords)[:-1], np.array([point.x, point.y])) for ring in rings)
        if (winding % 2 if even_odd else winding) != 0:
            inside.append(face)
    return shapely.unary_union(inside)


def _winding(ring: Array, point: Array) -> int:
    """How often a closed polygon (k, 2) turns round a point off its outline: signed crossings of the ray to +x."""
    a = ring - point
    b = np.roll(a, -1, axis=0)
    left = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    up = (a[:, 1] <= 0) & (b[:, 1] > 0) & (left > 0)
    down = (a[:, 1] > 0) & (b[:, 1] <= 0) & (left < 0)
    return int(up.sum()) - int(down.sum())


def _rings(area: Any) -> tuple[Array, ...]:
    import shapely

    parts = shapely.get_parts(area)
    rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
    return tuple(np.ascontiguousarray(np.asarray(ring.coords)[:-1, :2]) for ring in rings)


def _cover(area: Any) -> tuple[Array, Array]:
    """Samples (s, 2) inside an area and the area (m2) each stands for: a square grid clipped by the outline.

    The grid step is `GRID`, or an eighth of the square root of a smaller area. A clipped cell is represented by its
    centroid, or by an inner point where it is so bent that the centroid falls outside.
    """
    import shapely

    step = min(GRID, math.sqrt(area.area) / 8)
    low, high = np.array(area.bounds[:2]), np.array(area.bounds[2:])
    counts = np.maximum(1, np.ceil((high - low) / step - 1e-9).astype(int))
    # Centred over the mark, so that a symmetric mark gets symmetric samples.
    corner = 0.5 * (low + high) - 0.5 * step * counts
    x, y = (
        axis.ravel() for axis in np.meshgrid(*(corner[k] + step * np.arange(counts[k]) for k in (0, 1)), indexing="ij")
    )
    cells = shapely.box(x, y, x + step, y + step)
    shapely.prepare(area)
    cells = cells[shapely.intersects(area, cells)]
    cut = ~shapely.contains_properly(area, cells)
    cells[cut] = shapely.intersection(cells[cut], area)
    weights = shapely.area(cells)
    cells, weights = cells[weights > 0], weights[weights > 0]
    centres = shapely.centroid(cells)
    bent = ~shapely.intersects(area, centres)
    centres[bent] = shapely.point_on_surface(cells[bent])
    samples = np.ascontiguousarray(np.stack([shapely.get_x(centres), shapely.get_y(centres)], axis=1))
    return samples, np.ascontiguousarray(weights * (area.area / weights.sum()))


def read_flat_map(
    path: str | Path,
    mm_per_pixel: float,
    size: tuple[float, float],
    seen_from: str = "inner",
    warp_axis: str = "right",
    named_in: str = "",
    scale: tuple[float, float] = (1.0, 1.0),
    fitted: Rectified | None = None,
) -> FlatMap:
    """The picture (PNG, TIFF, JPEG) of a cloth of ``size`` (length along warp, width along weft; m), laid flat.

    ``warp_axis`` "down": turned a quarter to the left, so that the warp runs to the right. Transparent parts become
    white; deeper pixels are brought to 8 bits; more than 40 million pixels are averaged down. ``scale`` (warp, weft):
    as in `read_marks`. ``fitted``: how a photograph that is not true to scale lies on the cloth; it is then made so,
    and ``mm_per_pixel`` does not count.

    Raises `InputError` for a file that is no picture, or whose size at that scale is not the cloth's within 2 %.
    """
    import io

    from PIL import Image, ImageOps, UnidentifiedImageError

    from drapesim.matter.rectify import warp_picture

    content = read_bytes(path, "flat-map picture", named_in)
    with warnings.catch_warnings():
        # Pictures of a whole cloth are larger than the limit that guards web servers.
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        try:
            image: Image.Image = Image.open(io.BytesIO(content))
            image.load()
        except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombError) as fault:
            reason = "no known picture format" if isinstance(fault, UnidentifiedImageError) else str(fault)
            raise InputError(path, "", f"the picture cannot be read ({reason})", "give a PNG, TIFF or JPEG") from None
    image = ImageOps.exif_transpose(image)
    metres = mm_per_pixel * 1e-3
    today = size[0] / scale[0], size[1] / scale[1]
    drawn = today if warp_axis == "right" else today[::-1]
    if fitted is not None:
        image, metres = warp_picture(image.convert("RGB"), fitted, drawn), fitted.metres_per_pixel
    found = (image.width * metres, image.height * metres)
    if any(abs(got / wanted - 1) > PICTURE_SLACK for got, wanted in zip(found, drawn, strict=True)):
        problem = (
            f"at {mm_per_pixel:g} mm per pixel it covers {_spell_size(found)}, but the cloth is {_spell_size(drawn)}"
        )
        remedy = "crop it to the cloth, or correct flat_map.mm_per_pixel or flat_map.warp_axis"
        raise InputError(path, "", problem, remedy)
    shrink = math.ceil(math.sqrt(image.width * image.height / LARGEST_PICTURE))
    if shrink > 1:
        image = image.reduce(shrink)
    if scale != (1.0, 1.0):  # the larger factor keeps its pixels
        most = max(scale)
        factors = scale if warp_axis == "right" else scale[::-1]
        image = image.resize([max(1, round(n * f / most)) for n, f in zip(image.size, factors, strict=True)])
        metres *= most
    pixels = _to_rgb(image)
    if warp_axis == "down":
        pixels = np.rot90(pixels)
    note = "" if fitted is None else fitted.note
    return FlatMap(np.ascontiguousarray(pixels), metres * shrink, seen_from, str(path), note)


def _to_rgb(image: Any) -> Array:
    """(rows, cols, 3) uint8 of a picture in any of the common modes."""
    from PIL import Image

    if image.mode in ("I", "F") or image.mode.startswith("I;16"):
        deep = np.asarray(image, dtype=np.float64)
        top = 255.0 if deep.max() <= 255 else 65535.0
        grey = np.clip(np.nan_to_num(deep) * (255.0 / top), 0, 255).round().astype(np.uint8)
        return np.repeat(grey[:, :, None], 3, axis=2)
    if image.has_transparency_data:
        image = image.convert("RGBA")
        image = Image.alpha_composite(Image.new("RGBA", image.size, "white"), image)
    return np.asarray(image.convert("RGB"), dtype=np.uint8)
