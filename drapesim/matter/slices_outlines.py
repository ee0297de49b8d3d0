"""Slices from traced outlines: closed curves, slice by slice, lofted to a volume by their signed distances.

Between two traced slices the signed distance is interpolated linearly (shape-based interpolation: S. P. Raya and J. K.
Udupa, IEEE Trans. Med. Imaging 9 (1990) 32, from memory), so parts may join and part, as legs do at the trunk.
"""

from __future__ import annotations

import csv
import io
import math
import re
from itertools import pairwise
from pathlib import Path

import numpy as np

from drapesim.ground.files import read_bytes
from drapesim.ground.outcome import InputError
from drapesim.matter.marks_svg import read_drawing
from drapesim.matter.slices import FROM_PATIENT, Slices, check_size, check_slices

Array = np.ndarray

COLUMNS = ("slice_mm", "outline", "x_mm", "y_mm")
WANTED = f"give a CSV with the columns {', '.join(COLUMNS)}: the points of each closed outline in their order"
ACROSS = 360  # pixels along the longer side; the pixel is never under
LEAST_PIXEL = 1e-3  # m
MARGIN = 4  # pixels of air around
MOST_POINTS = 2_000_000
FARTHEST = 20.0  # m
# The height of a slice as the name of its layer, group or outline: z120, z-20.5, z=120 mm, z120_left.
HEIGHT = re.compile(r"z[ _=]?([+-]?\d+(?:\.\d+)?) ?(?:mm)?(?:[ _].*)?")
HELD = 2.0  # pixels: signed distances are held within this, so that the volume has one contrast everywhere

Outlines = dict[float, dict[str, list[tuple[float, float]]]]


def read_outlines(path: Path) -> Slices:
    """A volume of signed distances (m, positive inside, level 0) from a CSV or SVG; x to the left, y to the back.

    Slices are counted toward the head. Outlines of one slice that overlap or lie in each other are one area.
    Raises InputError naming the line or the outline at fault.
    """
    outlines = _read_drawn(path) if path.suffix.lower() == ".svg" else _read_points(path)
    if len(outlines) < 2:
        problem = "outlines of one slice enclose no body" if outlines else "there are no outlines"
        raise InputError(path, "", problem, "give at least two slices")
    rings = _check_rings(outlines, path)
    places = sorted(rings)
    points = np.concatenate([ring for each in rings.values() for ring in each])
    low, extent = points.min(axis=0), np.ptp(points, axis=0)
    pixel = max(LEAST_PIXEL, float(extent.max()) / ACROSS)
    nx, ny = (int(n) for n in np.ceil(extent / pixel).astype(int) + 2 * MARGIN + 1)
    first = low - MARGIN * pixel
    steps = max(1, math.ceil((places[-1] - places[0]) / pixel))
    check_size(path, steps + 1, ny, nx)
    gap = (places[-1] - places[0]) / steps
    grid = np.stack(np.meshgrid(np.arange(nx), np.arange(ny), indexing="xy"), axis=-1).reshape(-1, 2) * pixel + first
    values = np.empty((steps + 1, ny, nx), dtype=np.float32)
    k = 0
    before = _signed_distance(grid, rings[places[0]], pixel)
    for here, there in pairwise(places):
        after = _signed_distance(grid, rings[there], pixel)
        while k <= steps and (places[0] + k * gap <= there + 1e-9 * gap or there == places[-1]):
            share = min(1.0, (places[0] + k * gap - here) / (there - here))
            level = (1.0 - share) * before + share * after
            values[k] = np.clip(level, -HELD * pixel, HELD * pixel).reshape(ny, nx)
            k += 1
        before = after
    note = (
        f"Outlines were lofted on a grid of {1e3 * pixel:.2f} mm; x was taken to run toward the body's left, y toward "
        "its back, and the slices toward its head. If one of these is wrong, the body is mirrored."
    )
    origin = np.array([*first, places[0]]) @ FROM_PATIENT
    source = f"outlines of {len(places)} slices"
    spacing = np.array([pixel, pixel, gap])
    return check_slices(Slices(values, spacing, FROM_PATIENT.copy(), origin, source, (note,), level=0.0), path)


def _read_points(path: Path) -> Outlines:
    try:
        text = read_bytes(path, "file of outlines").decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(path, "", "the file is not UTF-8 text", WANTED) from None
    outlines: Outlines = {}
    try:
        rows = csv.reader(io.StringIO(text), strict=True)
        head = [name.strip() for name in next(rows, [])]
        if sorted(head) != sorted(COLUMNS):
            raise InputError(f"{path}:1", "", "the columns are not those of outlines", WANTED)
        at = [head.index(name) for name in COLUMNS]
        for row in rows:
            if not row:
                continue
            where = f"{path}:{rows.line_num}"
            if len(row) != len(COLUMNS):
                raise InputError(where, "", f"{len(row)} fields in place of {len(COLUMNS)}", WANTED)
            name = row[at[1]].strip()
            try:
                place, x, y = (1e-3 * float(row[k]) for k in (at[0], at[2], at[3]))
            except ValueError:
                raise InputError(where, "", "a coordinate is no number", "give lengths in mm") from None
            if not all(map(math.isfinite, (place, x, y))) or max(map(abs, (place, x, y))) > FARTHEST:
                raise InputError(where, "", f"a coordinate is beyond {FARTHEST:g} m", "give lengths in mm")
            outlines.setdefault(round(place, 9), {}).setdefault(name, []).append((x, y))
            if rows.line_num > MOST_POINTS:
                raise InputError(path, "", f"more than {MOST_POINTS} lines", "thin the points out")
    except csv.Error as fault:
        raise InputError(path, "", f"the file cannot be read as CSV ({fault})", WANTED) from None
    return outlines


def _read_drawn(path: Path) -> Outlines:
    """Outlines of a drawing, x to the right, y down; the slice is in the name of the outline or a group round it."""
    outlines: Outlines = {}
    count = 0
    for shape in read_drawing(path, what="outline", must_name=False).shapes:
        found = next((match for match in map(HEIGHT.fullmatch, shape.groups) if match), None)
        if found is None:
            problem = "neither the outline nor a group round it is called by a height"
            remedy = "call the layer, the group or the outline of each slice z and its height in mm, such as z120.5"
            raise InputError(shape.place, f"#{shape.name}", problem, remedy)
        place = 1e-3 * float(found[1])
        if abs(place) > FARTHEST:
            raise InputError(shape.place, f"#{shape.name}", f"its slice is beyond {FARTHEST:g} m", "give heights in mm")
        if not all(shape.closed):
            raise InputError(shape.place, f"#{shape.name}", "the outline is open", "close it, or hide what is none")
        count += sum(map(len, shape.lines))
        if count > MOST_POINTS:
            raise InputError(path, "", f"more than {MOST_POINTS} points", "simplify the outlines")
        named = outlines.setdefault(round(place, 9), {})
        for k, line in enumerate(shape.lines):
            named[f"{shape.name}, part {k + 1}" if k else shape.name] = [(float(x), float(y)) for x, y in line]
    return outlines


def _check_rings(outlines: Outlines, path: Path) -> dict[float, list[Array]]:
    """Rings (k, 2) m of each slice, without the repeated last point; `InputError` where an outline crosses itself."""
    from shapely import Polygon, get_parts, union_all

    rings: dict[float, list[Array]] = {}
    for place, named in outlines.items():
        areas = []
        for name, points in named.items():
            ring = np.array(points if points[0] != points[-1] else points[:-1])
            where = f'slice {1e3 * place:g} mm, outline "{name}"'
            if len(ring) < 3 or not Polygon(ring).area > 0.0:
                raise InputError(path, where, "it encloses nothing", "give three points or more, in their order")
            if not Polygon(ring).is_valid:
                raise InputError(path, where, "it crosses itself", "give its points in their order around the body")
            areas.append(Polygon(ring))
        rings[place] = [np.array(part.exterior.coords)[:-1] for part in get_parts(union_all(areas))]
    return rings


def _signed_distance(grid: Array, rings: list[Array], pixel: float) -> Array:
    """(n,) m, positive inside one of ``rings``: to points on them a fifth of a pixel apart."""
    from scipy.spatial import cKDTree
    from skimage.measure import points_in_poly

    inside = np.zeros(len(grid), dtype=bool)
    dense = []
    for ring in rings:
        box = ((grid >= ring.min(axis=0)) & (grid <= ring.max(axis=0))).all(axis=1)
        inside[box] |= points_in_poly(grid[box], ring)
        side = np.roll(ring, -1, axis=0) - ring
        for start, way in zip(ring, side, strict=True):
            n = max(1, math.ceil(float(np.hypot(*way)) / (0.2 * pixel)))
            dense.append(start + np.arange(n)[:, None] / n * way)
    away = cKDTree(np.concatenate(dense)).query(grid)[0]
    return np.where(inside, away, -away)
