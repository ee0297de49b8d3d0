"""A surface scan made sound: its scale, its holes, its open underside, and which way is out.

What comes out is a closed chain of triangles: along every edge as many sides run one way as the other. It may still
cross itself or hold walls inside; `drapesim.matter.outside` makes one surface of that.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.body import check_extent, find_upright, read_surface
from drapesim.matter.body_repair import (
    cap_rims,
    count_edges,
    drop_specks,
    drop_unused,
    label_shells,
    rim_length,
    shell_volumes,
    sort_sides,
    tidy_faces,
    trace_rims,
    wind_alike,
)
from drapesim.matter.mesh_files import read_triangles
from drapesim.matter.nearest import find_on_mesh
from drapesim.matter.outside import find_top

Array = np.ndarray

OFF_SURFACE = 0.01  # of the measured distance: how far a landmark may lie from the scan
STEEP = 0.5  # share of an opening's area that faces up or down; with less it opens sideways
COVER_CELL = 0.004  # m, grid on which it is looked up what lies over an opening
BARE = 0.5  # share of an upward opening with nothing over it, from which it is a hole
MOST_RIMS = 20_000


@dataclass(frozen=True)
class ScaleMark:
    """Two points of the scan, in the file's own numbers and axes, and their measured distance, m."""

    start: tuple[float, float, float]
    end: tuple[float, float, float]
    distance: float


@dataclass(frozen=True)
class ClosedScan:
    """vertices (n, 3) m and faces (m, 3) of the closed chain, of which the first ``scanned`` vertices are the scan's
    own; ``floor``: the height (m) it was closed against.

    ``rims`` (k, 3) m: corners of the openings that were closed against it. ``must_rebuild``: why the surface cannot be
    taken as it is, in words; empty if it can.
    """

    vertices: Array
    faces: Array
    scanned: int
    floor: float | None
    rims: Array
    must_rebuild: tuple[str, ...]
    notes: tuple[str, ...]


def read_scan(
    path: Path, unit: str | None, up: str | None, mark: ScaleMark | None, length: float | None
) -> tuple[Array, Array, tuple[str, ...]]:
    """vertices (n, 3) m with z up and faces (m, 3), as the file has them, and how the scale was found.

    The scale is ``mark``'s, or that of ``unit`` (guessed if left out), see `read_surface`. Raises InputError.
    """
    if mark is None:
        return read_surface(path, unit, up, length)
    if unit is not None:
        remedy = "drop --unit: the measured distance settles the scale"
        raise InputError(path, "--unit", "the unit is given beside two landmarks and their distance", remedy)
    vertices, faces = read_triangles(path)
    start, end = np.array(mark.start), np.array(mark.end)
    apart = float(np.linalg.norm(end - start))
    if not (np.isfinite(apart) and apart > 0.0):
        raise InputError(path, "--from", "the two landmarks are the same point", "give two points far apart")
    scale = mark.distance / apart
    off = [_reach(point, vertices, faces) * scale for point in (start, end)]
    if max(off) > OFF_SURFACE * mark.distance:
        which = "--from" if off[0] >= off[1] else "--to"
        problem = f"the landmark lies {1e3 * max(off):.1f} mm off the scan, at the scale that it would give"
        raise InputError(path, which, problem, "give points of the surface, in the file's own numbers and axes")
    vertices = vertices @ find_upright(path, up).T
    vertices *= scale
    extent = float((vertices.max(axis=0) - vertices.min(axis=0)).max())
    check_extent(path, extent)
    if length is not None and abs(extent - length) > 0.02 * length:
        problem = f"the longest extent is {extent:.3f} m by the landmarks, but {length:.3f} m was stated"
        raise InputError(path, "--length-mm", problem, "check the landmarks, the distance and the length")
    note = (
        f"Scaled by two landmarks: one unit of the file is {1e3 * scale:.6g} mm. They lie {1e3 * off[0]:.2f} and "
        f"{1e3 * off[1]:.2f} mm off the surface; a slip of 1 mm in their distance changes every length by "
        f"{0.1 / mark.distance:.2f} %."
    )
    return vertices, faces, (note,)


def _reach(point: Array, vertices: Array, faces: Array) -> float:
    """Distance of one point to the nearest triangle, in the numbers given; no tree over millions of faces is needed."""
    nearest = float(np.sqrt(((vertices - point) ** 2).sum(axis=1).min())) * (1.0 + 1e-9)
    near = np.ones(len(faces), dtype=bool)
    for k in range(3):  # boxes of triangles that meet the cube round the point
        corner = vertices[:, k][faces]
        near &= (corner.min(axis=1) <= point[k] + nearest) & (corner.max(axis=1) >= point[k] - nearest)
    return float(find_on_mesh(point[None], vertices, faces[near])[0][0])


def close_scan(vertices: Array, faces: Array, file: Path, hole: float, floor: float | None) -> ClosedScan:
    """Tidy the scan, turn it outward and close it; lengths m.

    Holes of at most ``hole`` around get a fan. Larger ones are closed against the support: a wall straight down from
    their rim, and a bottom at the height ``floor`` (left out: the scan's lowest point), so that all is filled that lies
    under the scanned surface. One that is open to the sky is refused with its place. Raises InputError.
    """
    notes: list[str] = []
    why: list[str] = []
    vertices, faces = drop_unused(*tidy_faces(vertices, faces, str(file), notes))
    sides = sort_sides(faces)
    n_crowded = count_edges(sides)[1]
    if n_crowded:
        why.append(f"{n_crowded} edges are shared by more than two faces")
    faces, sides = wind_alike(faces, sides, str(file), notes)
    n_shells, label = label_shells(sides)
    faces, label, n_dropped = drop_specks(vertices, faces, n_shells, label, notes)
    if n_dropped:
        vertices, faces = drop_unused(vertices, faces)
        sides, n_shells = sort_sides(faces), n_shells - n_dropped
    rims_found = trace_rims(faces, sides)
    if len(rims_found) > MOST_RIMS:
        raise InputError(file, "", f"the surface has {len(rims_found)} holes", "mesh it anew from its points")
    faces, rims_found = _turn_outward(vertices, faces, n_shells, label, rims_found, notes)
    lowest = float(vertices[:, 2].min())
    if floor is not None and not lowest - 1.0 <= floor < float(vertices[:, 2].max()):
        problem = f"the height {1e3 * floor:g} mm lies outside the scan, which stands from {1e3 * lowest:.1f} mm"
        raise InputError(file, "--support-mm", problem, "give the support's height in mm, in the scan turned upright")
    small = [rim for rim in rims_found if rim_length(vertices, rim) <= hole]
    large = [rim for rim in rims_found if rim_length(vertices, rim) > hole]
    level = lowest if floor is None else floor
    scanned = len(vertices)
    rims = vertices[[vertex for rim in large for vertex in rim]] if large else np.zeros((0, 3))
    under = _sort_openings(vertices, faces, large, file, hole)
    if small:
        longest = max(rim_length(vertices, rim) for rim in small)
        notes.append(f"{_count(len(small), 'hole')} filled, the largest {1e3 * longest:.1f} mm around.")
        vertices, faces = cap_rims(vertices, faces, small)
    if large:
        longest = max(rim_length(vertices, rim) for rim in large)
        others = "" if under == len(large) else f", {len(large) - under} of them sideways or under another part"
        notes.append(
            f"Open: {_count(len(large), 'opening')}{others}, the largest {1e3 * longest:.0f} mm around, closed against "
            f"the support at a height of {1e3 * level:.1f} mm by walls straight down from the rim; what lies under the "
            f"scanned surface there is filled."
        )
        why.append("it was open")
        vertices, faces = _stand_on(vertices, faces, large, level)
    cut = floor is not None and lowest < floor - 1e-6
    if cut:
        notes.append(f"What lay below the support's height was cut off, down to {1e3 * (level - lowest):.1f} mm under.")
        why.append("it reached below the support")
    return ClosedScan(vertices, faces, scanned, level if large or cut else None, rims, tuple(why), tuple(notes))


def _turn_outward(
    vertices: Array, faces: Array, n_shells: int, label: Array, rims: list[list[int]], notes: list[str]
) -> tuple[Array, list[list[int]]]:
    """Shells whose normals point inward, with fans over their holes, turned; their rims with them."""
    of_vertex = np.zeros(len(vertices), dtype=np.int64)
    for k in range(3):
        of_vertex[faces[:, k]] = label
    fanned, closed = cap_rims(vertices, faces, rims) if rims else (vertices, faces)
    own = of_vertex[closed[len(faces) :, 0]]  # a fan's first corner is one of its rim
    volume = shell_volumes(fanned, closed, n_shells, np.concatenate([label, own]))
    # Open pieces come from one scanner and are turned alike: a flat one has no inside by itself.
    is_open = np.zeros(n_shells, dtype=bool)
    is_open[own] = True
    inward = np.where(is_open, volume[is_open].sum() < 0.0, volume < 0.0)
    if not inward.any():
        return faces, rims
    notes.append(f"{_count(int(inward.sum()), 'shell')} with normals inward turned outward.")
    faces = np.where(inward[label][:, None], faces[:, ::-1], faces)
    return faces, [rim[::-1] if inward[of_vertex[rim[0]]] else rim for rim in rims]


def _sort_openings(vertices: Array, faces: Array, rims: list[list[int]], file: Path, hole: float) -> int:
    """How many of the large openings face down. Others may be closed by walls straight down too: they are level with
    the wall (sideways), or lie under another part of the scan, as the chest under a hand does.

    `InputError` where one faces up and nothing is over it: walls would make it a shaft.
    """
    if not rims:
        return 0
    grid, top = find_top(vertices, faces, COVER_CELL)
    n_under, shafts = 0, []
    for rim in rims:
        middle = vertices[rim].mean(axis=0)
        around, ahead = vertices[rim] - middle, np.roll(vertices[rim], -1, axis=0) - middle
        area = 0.5 * np.cross(around, ahead)
        whole = area.sum(axis=0)
        n_under += bool(whole[2] < -STEEP * np.linalg.norm(whole))
        if whole[2] <= STEEP * np.linalg.norm(whole):
            continue
        place = middle + (around + ahead) / 3.0
        i, j = np.round((place[:, :2] - grid.origin[:2]) / grid.cell).astype(np.int64).T
        covered = top[i, j] > place[:, 2] + grid.cell
        if np.abs(area[~covered, 2]).sum() > BARE * np.abs(area[:, 2]).sum():
            shafts.append((rim_length(vertices, rim), middle))
    if shafts:
        length, place = max(shafts, key=lambda each: each[0])
        verb = "is" if len(shafts) == 1 else "are"
        problem = (
            f"{_count(len(shafts), 'hole')} of more than {1e3 * hole:g} mm around {verb} open to the sky, the largest "
            f"{1e3 * length:.0f} mm around at {spell_place(place)}"
        )
        remedy = "scan that place again, state --up, or give a larger --hole-mm to close it with a plain patch"
        raise InputError(file, "", problem, remedy)
    return n_under


def _stand_on(vertices: Array, faces: Array, rims: list[list[int]], level: float) -> tuple[Array, Array]:
    """Walls from the rims straight to the height ``level`` (m), and a bottom there.

    The bottom is a fan: where its triangles lie over each other they cancel, as a line through them goes in and out.
    """
    for rim in rims:
        n, first = len(rim), len(vertices)
        foot = vertices[rim].copy()
        foot[:, 2] = level
        above, ahead = np.array(rim), np.roll(rim, -1)
        below = first + np.arange(n)
        beyond = np.roll(below, -1)
        wall = [np.stack([above, ahead, beyond], axis=1), np.stack([above, beyond, below], axis=1)]
        bottom = np.stack([below, beyond, np.full(n, first + n)], axis=1)
        vertices = np.concatenate([vertices, foot, foot.mean(axis=0)[None]])
        faces = np.concatenate([faces, *wall, bottom]).astype(faces.dtype)
    return vertices, faces


def spell_place(place: Array) -> str:
    """A point in mm, for sentences."""
    return "[" + ", ".join(str(round(1e3 * float(value))) for value in place) + "] mm"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" + ("" if number == 1 else "s")
