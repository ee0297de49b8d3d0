"""From a surface scan to a body file: scaled, closed, made one outside surface where it must be, and thinned out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drapesim import __version__
from drapesim.ground.files import write_bytes
from drapesim.ground.outcome import InputError
from drapesim.jobs.places import carry_held, hold_places, place_file, write_places
from drapesim.jobs.run import make_folder
from drapesim.jobs.thinning import Thinned, as_body, thin_out_within
from drapesim.matter.body import UNITS, Body, enclosed_volume, find_upright
from drapesim.matter.body_repair import (
    FLAT,
    bound_shells,
    drop_unused,
    face_areas,
    label_shells,
    shell_volumes,
    sort_sides,
)
from drapesim.matter.landmarks import follow
from drapesim.matter.nearest import find_on_mesh
from drapesim.matter.outside import find_outside
from drapesim.matter.regions import Places
from drapesim.matter.scan import ClosedScan, ScaleMark, close_scan, read_scan, spell_place
from drapesim.matter.slices import need
from drapesim.matter.slices_mesh import spell_ply
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.exact import count_self_crossings, measure_distance

Array = np.ndarray
Say = Callable[[str], None]

ASKED = 400_000  # points of the scan that are held against the new surface
NAMED = 5  # places and shells that are named one by one
TOGETHER = 0.02  # m, crossings nearer to each other are one place
SLIVER = 1e-5  # of the largest shell's volume
NUDGES = (1.0, 0.83)  # of the cell: a second grid where the first surface crosses itself


@dataclass(frozen=True)
class ScanSettings:
    """How a scan is made into a body; lengths m. ``hole`` around; ``floor`` height of the support; ``cell`` of the grid
    on which a new surface is made; ``error`` of the thinning out."""

    unit: str | None = None
    up: str | None = None
    mark: ScaleMark | None = None
    length: float | None = None
    floor: float | None = None
    hole: float = 0.05
    cell: float = 1.5e-3
    error: float = 5e-4
    is_rebuilt: bool = False
    largest_only: bool = False

    def __post_init__(self) -> None:
        for name, value, low, high in (("--hole-mm", self.hole, 0.0, 2.0), ("--cell-mm", self.cell, 2e-4, 0.02),
                                       ("--error-mm", self.error, 1e-5, 0.02)):  # fmt: skip
            if not low <= value <= high:
                raise InputError("", name, f"{1e3 * value:g} is out of range", f"give {1e3 * low:g} to {1e3 * high:g}")
        distance = None if self.mark is None else self.mark.distance
        for name, given in (("--length-mm", self.length), ("--distance-mm", distance)):
            if given is not None and not 0.0 < given < 100.0:
                raise InputError("", name, f"{1e3 * given:g} is out of range", "give a length above zero, in mm")
        if self.floor is not None and not np.isfinite(self.floor):
            raise InputError("", "--support-mm", f"{self.floor:g} is no height", "give a number")
        if self.unit is not None and self.unit not in UNITS:
            raise InputError("", "--unit", f'"{self.unit}" is no unit', f"give one of {', '.join(UNITS)}")


@dataclass(frozen=True)
class Rebuilt:
    """What a new surface differs by, m: ``lost`` is the farthest that the scan reaches out of it, at ``place`` (3,);
    ``off`` the farthest that a corner of it lies from the closed scan; ``lost_share`` and ``off_share``: of the corners
    that lie off by more than a cell. All after thinning out."""

    why: tuple[str, ...]
    cell: float
    lost: float
    place: Array
    off: float
    lost_share: float
    off_share: float


@dataclass(frozen=True)
class ScanBody:
    """The ``body`` and what was done on the way; lengths m, volumes m3."""

    source: Path
    body: Body
    volume: float
    faces_read: int
    faces_before: int  # the thinning out, whose largest distance, either way, is ``error``
    error: float
    scale: tuple[str, ...]
    changes: tuple[str, ...]
    rebuilt: Rebuilt | None
    shells: tuple[str, ...]  # one sentence for each that is left
    floor: float | None
    places: tuple[str, ...] = ()  # what became of the landmarks and regions that were given


def clean_scan(
    source: Path, settings: ScanSettings, say: Say = lambda _: None, places: Places | None = None
) -> ScanBody:
    """A sound body from the scan at ``source``, with ``places`` (mm, in the scan's axes) if given.

    Raises InputError where it cannot be read, scaled, closed or mended, or a landmark lies off the scan.
    """
    need("fast_simplification", source, "thinning out")
    say("reading the scan")
    vertices, faces, scale = read_scan(source, settings.unit, settings.up, settings.mark, settings.length)
    faces_read = len(faces)
    turn = find_upright(source, settings.up)
    held, marks = None, None
    if places is not None:
        sound = faces[face_areas(vertices, faces) > FLAT]
        held = hold_places(places, turn, vertices, sound)
        marks = follow(held, vertices, sound)
        del sound
    say(f"closing {faces_read} triangles")
    scan = close_scan(vertices, faces, source, settings.hole, settings.floor)
    del vertices, faces
    why = list(scan.must_rebuild) + (["you asked for it"] if settings.is_rebuilt else [])
    whole, thinned = None, None
    if not why:
        whole = as_body(scan.vertices, scan.faces, source)
        say(f"thinning out {len(whole.faces)} triangles")
        thinned = thin_out_within(whole, settings.error, source)
        if thinned.crossings:
            why.append(_tell_crossings(thinned))
    changes, rebuilt = list(scan.notes), None
    if why:
        whole, thinned, cell = _rebuild(scan, settings, source, say)
        rebuilt = _compare(scan, thinned.body, why, cell)
    assert whole is not None
    assert thinned is not None
    changes += [words for words in whole.repairs if "separate shells" not in words]
    body = thinned.body
    if settings.largest_only:
        body = _keep_largest(body, source, changes)
    told: tuple[str, ...] = ()
    if places is not None and held is not None and marks is not None:
        cell = 0.0 if rebuilt is None else rebuilt.cell
        body, told = carry_held(places, turn, held, marks, body, 2e-3 + 2.0 * (cell + thinned.error), source)
    return ScanBody(
        source=source,
        body=body,
        volume=enclosed_volume(body.vertices, body.faces),
        faces_read=faces_read,
        faces_before=len(whole.faces),
        error=thinned.error,
        scale=scale,
        changes=tuple(changes),
        rebuilt=rebuilt,
        shells=_name_shells(body),
        floor=scan.floor,
        places=told,
    )


def _rebuild(scan: ClosedScan, settings: ScanSettings, source: Path, say: Say) -> tuple[Body, Thinned, float]:
    """One new outside surface, thinned out; `InputError` with the place where even that crosses itself."""
    thinned = None
    for nudge in NUDGES:
        cell = nudge * settings.cell
        say(f"making one outside surface on a grid of {1e3 * cell:g} mm")
        try:
            made = find_outside(scan.vertices, scan.faces, cell, scan.floor, scan.rims)
            whole = as_body(*_drop_slivers(*made), source)
        except InputError as fault:
            raise InputError(source, fault.where, fault.problem, fault.remedy) from fault
        say(f"thinning out {len(whole.faces)} triangles")
        thinned = thin_out_within(whole, settings.error, source)
        if not thinned.crossings:
            return whole, thinned, cell
        if not count_self_crossings(whole.vertices, whole.faces)[0]:
            return whole, Thinned(whole, 0.0, 0, np.zeros((0, 2), np.int64)), cell
    assert thinned is not None
    problem = f"{_tell_crossings(thinned)}, and so it is with a new surface made round it"
    raise InputError(source, "", problem, "mend these places in a mesh editor, or give another --cell-mm")


def _drop_slivers(vertices: Array, faces: Array) -> tuple[Array, Array]:
    """Without shells, and hollows, that are next to nothing beside the largest shell."""
    n, label = label_shells(sort_sides(faces))
    volume = shell_volumes(vertices, faces, n, label)
    return drop_unused(vertices, faces[(np.abs(volume) > SLIVER * volume.max())[label]])


def _compare(scan: ClosedScan, body: Body, why: list[str], cell: float) -> Rebuilt:
    """How far scan and new surface lie apart. What the new surface hides (inner walls, overlaps) does not count."""
    faces = scan.faces[face_areas(scan.vertices, scan.faces) > FLAT]
    upper = body.vertices
    asked = scan.vertices[: scan.scanned : max(1, scan.scanned // ASKED)]
    if scan.floor is not None:
        asked = asked[asked[:, 2] >= scan.floor]
        if scan.floor > scan.vertices[:, 2].min():  # the bottom was cut anew and lies on no triangle of the scan
            upper = upper[upper[:, 2] > scan.floor + 2.0 * cell]
    off = find_on_mesh(upper, scan.vertices, faces)[0]
    out = measure_distance(asked, prepare_body(body))[0]
    farthest = int(np.argmax(out))
    return Rebuilt(
        why=tuple(why), cell=cell, lost=max(float(out[farthest]), 0.0), place=asked[farthest],
        off=float(off.max()), lost_share=float((out > cell).mean()), off_share=float((off > cell).mean()),
    )  # fmt: skip


def _tell_crossings(thinned: Thinned) -> str:
    """What crosses what, how many pairs of triangles, and the middles of the first few clusters."""
    label = label_shells(sort_sides(thinned.body.faces))[1]
    first, second = label[thinned.pairs].T
    what = "the surface crosses itself" if (first == second).any() else "shells run through each other"
    middle = thinned.body.vertices[thinned.body.faces[thinned.pairs[:, 0]]].mean(axis=1)
    places: list[Array] = []
    for point in middle:
        if all(np.linalg.norm(point - place) > TOGETHER for place in places):
            places.append(point)
    shown = ", ".join(spell_place(place) for place in places[:NAMED])
    more = "" if len(places) <= NAMED else f" and {len(places) - NAMED} more places"
    return f"{what} ({thinned.crossings} pairs of triangles) near {shown}{more}"


def _name_shells(body: Body) -> tuple[str, ...]:
    n, label = label_shells(sort_sides(body.faces))
    volume = shell_volumes(body.vertices, body.faces, n, label)
    low, high = bound_shells(body.vertices, body.faces, n, label)
    told = []
    for k in np.argsort(-volume)[:NAMED]:
        size = " x ".join(f"{1e3 * extent:.0f}" for extent in high[k] - low[k])
        told.append(f"{1e3 * volume[k]:.3f} litres, {size} mm, its middle at {spell_place(0.5 * (low[k] + high[k]))}")
    if n > NAMED:
        told.append(f"and {n - NAMED} smaller ones")
    return tuple(told)


def _keep_largest(body: Body, source: Path, changes: list[str]) -> Body:
    n, label = label_shells(sort_sides(body.faces))
    if n == 1:
        return body
    volume = shell_volumes(body.vertices, body.faces, n, label)
    changes.append(
        f"{n - 1} smaller shell{'' if n == 2 else 's'} left out as you asked, the largest of "
        f"{1e3 * np.sort(volume)[-2]:.3f} litres."
    )
    return as_body(body.vertices, body.faces[label == np.argmax(volume)], source)


def tell_scan(made: ScanBody, allowed: float) -> list[str]:
    """The report of what was changed, a line for each thing; the command prints it and keeps it beside the body."""
    body = made.body
    size = 1e3 * (body.vertices.max(axis=0) - body.vertices.min(axis=0))
    rows = [("read", f"{made.source.name}: {made.faces_read} triangles")]
    rows += [("scale", words) for words in made.scale]
    rows += [("changed", words) for words in made.changes]
    if made.rebuilt is None:
        rows.append(("surface", "the scan's own: no triangle crosses another, every edge has two faces"))
    else:
        new = made.rebuilt
        rows.append(("new surface", f"made round the scan on a grid of {1e3 * new.cell:g} mm, as {'; '.join(new.why)}"))
        rows.append(("", f"the scan reaches out of it by at most {1e3 * new.lost:.3f} mm, at {spell_place(new.place)}, "
                         f"and by more than a cell with {100.0 * new.lost_share:.3f} % of its corners"))  # fmt: skip
        rows.append(("", f"its own corners lie at most {1e3 * new.off:.3f} mm off the closed scan, more than a cell "
                         f"with {100.0 * new.off_share:.3f} % of them"))  # fmt: skip
    rows.append(("thinned out", f"{made.faces_before} to {len(body.faces)} triangles, the largest distance either way "
                                f"{1e3 * made.error:.3f} mm ({1e3 * allowed:g} allowed)"))  # fmt: skip
    rows.append(("body", f"{size[0]:.1f} x {size[1]:.1f} x {size[2]:.1f} mm (x, y, z), {1e3 * made.volume:.3f} litres; "
                         "closed, normals outward, no triangle crosses another"))  # fmt: skip
    if len(made.shells) > 1:
        rows.append(("NOTE", "the shells below do not touch each other; all are kept (--largest keeps one)"))
        rows += [("shell", words) for words in made.shells]
    rows += [("places", words) for words in made.places]
    return [f"{name:<12} {words}" for name, words in rows]


def write_scan(out: Path, made: ScanBody, allowed: float) -> Path:
    """Write the body as PLY in metres and the report beside it, each whole or not at all; gives the report's path."""
    make_folder(out.parent)
    comments = (f"drapesim {__version__}: a cleaned surface scan", "unit metre; z up; a face can be known by its shape")
    write_bytes(out, spell_ply(made.body.vertices, made.body.faces, comments))
    if made.places:
        write_places(place_file(out), made.body, out)
    report = out.with_suffix(".txt")
    write_bytes(report, ("\n".join([f"drapesim {__version__} body scan", *tell_scan(made, allowed)]) + "\n").encode())
    return report
