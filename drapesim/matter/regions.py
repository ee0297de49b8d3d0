"""Places on a body: its landmarks and regions, from a places file or a scene's tables, and the file written of them.

A region is a patch of faces. A table says by hand which, and what it states must all hold of a face's middle:

- ``landmark`` and ``radius_mm``: no farther from the landmark, along the surface (`nearest.measure_ways`);
- ``centre_mm`` and ``radius_mm``: in the ball;
- ``low_mm`` and ``high_mm``: in the box;
- ``through_mm`` and ``toward``: on the side of the plane through the point to which the direction points;
- ``nearest``: of all landmarks that tables of the same list name by this key, one of its own is the nearest along the
  surface; with ``reach_mm``, and no farther;
- ``faces``: the numbers are listed, as pairs of first and last (written by drapesim; needs ``mesh_sha256``).

Tables of one name add up; where two names meet, the later holds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from drapesim.ground.files import Document, Keys, hash_bytes, read_bytes, read_toml
from drapesim.ground.outcome import InputError, gather_faults
from drapesim.matter.anatomy import resolve, spell_unknown, suggest_places
from drapesim.matter.body import Body
from drapesim.matter.landmarks import MOST_SNAP, Anchors, anchor, follow, tell_moves
from drapesim.matter.nearest import measure_ways

if TYPE_CHECKING:
    from drapesim.matter.scene_schema import RegionTable

Array = np.ndarray
Warn = Callable[[Keys, str, str], InputError]  # keys, problem, remedy

ENDING = ".places.toml"


@dataclass(frozen=True)
class Places:
    """A places file: landmarks (name to (3,) m), region tables, and how far a landmark may lie off (m).

    ``in_patient``: the coordinates are a scanner's (mm to the patient's left, back and head), not the mesh's own.
    ``mesh_sha256`` of the mesh file that listed faces belong to, "" where none are listed.
    """

    document: Document
    landmarks: Mapping[str, Array]
    regions: tuple[RegionTable, ...]
    most_snap: float
    in_patient: bool
    mesh_sha256: str


@dataclass(frozen=True)
class Named:
    """A ``body`` with its places; ``anchors`` of the landmarks on it, ``notes``: sentences on what was moved or odd."""

    body: Body
    anchors: Anchors
    notes: tuple[str, ...]


def read_places(path: str | Path, named_in: str = "") -> Places:
    """Read a places file. Raises `InputError` with all faults of its keys."""
    from drapesim.matter.door import check
    from drapesim.matter.scene_schema import PlacesFile

    document = read_toml(path, "places file", named_in)
    file = check(PlacesFile, document)
    landmarks = {name: np.array(place) / 1e3 for name, place in file.landmarks_mm.items()}
    if any(table.faces is not None for table in file.region) and file.mesh_sha256 is None:
        raise document.error((), "regions list faces without mesh_sha256", "add it; it says whose faces they are")
    snap = MOST_SNAP if file.snap_mm is None else file.snap_mm / 1e3
    return Places(document, MappingProxyType(landmarks), tuple(file.region), snap, file.axes == "patient",
                  file.mesh_sha256 or "")  # fmt: skip


def check_mesh(places: Places, mesh: Path) -> None:
    """`InputError` where regions list faces of another mesh file than ``mesh``."""
    if places.mesh_sha256 and hash_bytes(read_bytes(mesh, "mesh")) != places.mesh_sha256:
        problem = f"its regions list the faces of another mesh than {mesh}"
        raise places.document.error(("mesh_sha256",), problem, "give the mesh that it was written with")


def name_places(body: Body, places: Places, rotation: Array | None = None) -> Named:
    """``body`` (one part, as loaded) with the landmarks and regions of ``places``.

    ``rotation`` (3, 3) turned the file's own axes to the body's. Raises `InputError` where a landmark lies off the
    surface, a region holds nothing, or what it names is not there.
    """
    turned = np.eye(3) if rotation is None else rotation
    given = {name: point @ turned.T for name, point in places.landmarks.items()}
    anchors = anchor(given, body.vertices, body.faces, places.most_snap, str(places.document.path))
    landmarks = follow(anchors, body.vertices, body.faces)
    named = replace(body, landmarks=MappingProxyType({**body.landmarks, **landmarks}))
    named = name_regions(named, places.regions, turned, places.document.error, ("region",))
    odd = spell_unknown([*landmarks, *dict.fromkeys(table.name for table in places.regions)])
    notes = tuple(note for note in (tell_moves(anchors), odd) if note)
    return Named(named, anchors, notes)


def name_regions(body: Body, tables: Sequence[RegionTable], rotation: Array, error: Warn, at: Keys) -> Body:
    """``body`` with the regions of ``tables`` laid over those it has; ``rotation`` turned their axes to ours.

    ``error`` makes the fault of a key path that begins with ``at``.
    """
    if not tables:
        return body
    middle = body.vertices[body.faces].mean(axis=1) @ rotation
    names = tuple(dict.fromkeys([*body.region_names, *(table.name for table in tables)]))
    region = body.region.copy()
    cell = _share_out(body, tables, error, at)
    for number, table in enumerate(tables):
        inside = _pick(table, middle, body, error, (*at, number)) & cell.get(number, True)
        if not inside.any():
            low, high = (_spell_point(corner) for corner in (middle.min(axis=0), middle.max(axis=0)))
            problem = f"no face of the scan has its middle in region '{table.name}'"
            remedy = f"the scan's faces reach from {low} to {high} mm in its own axes"
            raise error((*at, number), problem, remedy)
        region[inside] = names.index(table.name)
    for name in dict.fromkeys(table.name for table in tables):
        if not (region == names.index(name)).any():
            last = max(number for number, table in enumerate(tables) if table.name == name)
            problem = f"later regions take every face of region '{name}'"
            raise error((*at, last), problem, "name it after them, or make them smaller")
    kept = [number for number in range(len(names)) if (region == number).any()]  # earlier ones may be covered whole
    compact = np.full(len(names) + 1, -1, dtype=np.int32)
    compact[kept] = np.arange(len(kept))
    return replace(body, region=compact[region], region_names=tuple(names[k] for k in kept))


def _pick(table: RegionTable, middle: Array, body: Body, error: Warn, keys: Keys) -> Array:
    """(m,) bool: the faces that hold all that a table states, without ``nearest``."""
    inside = np.ones(len(middle), dtype=bool)
    if table.centre_mm is not None and table.radius_mm is not None:
        inside &= np.linalg.norm(middle - _point(table.centre_mm), axis=1) <= table.radius_mm / 1e3
    if table.low_mm is not None and table.high_mm is not None:
        inside &= ((middle >= _point(table.low_mm)) & (middle <= _point(table.high_mm))).all(axis=1)
    if table.through_mm is not None and table.toward is not None:
        inside &= (middle - _point(table.through_mm)) @ np.asarray(table.toward) >= 0.0
    if table.landmark is not None and table.radius_mm is not None:
        start = _landmark(table.landmark, body, error, (*keys, "landmark"))
        try:
            way, _ = measure_ways(start[None], body.vertices, body.faces, table.radius_mm / 1e3)
        except InputError as fault:
            raise error(keys, fault.problem, fault.remedy) from None
        inside &= np.isfinite(way)
    if table.faces is not None:
        listed = np.zeros(len(middle), dtype=bool)
        for first, last in table.faces:
            if not 0 <= first <= last < len(middle):
                problem = f"[{first}, {last}] are no faces of a mesh of {len(middle)}"
                raise error((*keys, "faces"), problem, "write mesh and places anew")
            listed[first : last + 1] = True
        inside &= listed
    return inside


def _share_out(body: Body, tables: Sequence[RegionTable], error: Warn, at: Keys) -> dict[int, Array]:
    """Number of each table that has ``nearest`` to its cell (m,) bool."""
    seeds: list[tuple[int, Array]] = []
    for number, table in enumerate(tables):
        for name in table.nearest or []:
            seeds.append((number, _landmark(name, body, error, (*at, number, "nearest"))))
    if not seeds:
        return {}
    try:
        way, whose = measure_ways(np.array([place for _, place in seeds]), body.vertices, body.faces)
    except InputError as fault:
        raise error((*at, seeds[0][0], "nearest"), fault.problem, fault.remedy) from None
    owner = np.array([number for number, _ in seeds] + [-1])[whose]
    cells = {}
    for number, _ in seeds:
        reach = tables[number].reach_mm
        cells[number] = (owner == number) & (way <= (np.inf if reach is None else reach / 1e3))
    return cells


def _landmark(name: str, body: Body, error: Warn, keys: Keys) -> Array:
    found = resolve(name, body.landmarks)
    if found is None:
        raise error(keys, f"there is no landmark '{name}'", suggest_places(name, body.landmarks))
    return np.asarray(body.landmarks[found])


def find_place(name: str, body: Body) -> str | None:
    """The region or landmark of ``body`` that a claim's place means, by its own word; None if there is none."""
    return resolve(name, [*body.region_names, *(mark for mark in body.landmarks if mark not in body.region_names)])


def snap_landmarks(landmarks: Mapping[str, Array], body: Body, most: float, error: Warn, keys: Keys) -> Named:
    """``body`` with further ``landmarks`` (name to (3,) m), each moved onto the nearest point of its surface."""
    try:
        anchors = anchor(landmarks, body.vertices, body.faces, most)
    except InputError as fault:
        faults = [error((*keys, each.where.partition(".")[2]), each.problem, each.remedy)
                  for each in (fault, *fault.further)]  # fmt: skip
        raise gather_faults(faults) from None
    merged = {**body.landmarks, **follow(anchors, body.vertices, body.faces)}
    notes = tuple(note for note in (tell_moves(anchors), spell_unknown(landmarks)) if note)
    return Named(replace(body, landmarks=MappingProxyType(merged)), anchors, notes)


def spell_places(body: Body, mesh_name: str, mesh_sha256: str, comments: Sequence[str] = ()) -> str:
    """The places file (TOML) of ``body``, whose mesh is in the file ``mesh_name`` with the same axes and faces."""
    lines = [*(f"# {line}" for line in comments), f"mesh = {_quote(mesh_name)}"]
    if body.region_names:
        lines.append(f"mesh_sha256 = {_quote(mesh_sha256)} # the numbers of faces below hold for this file alone")
    if body.landmarks:
        lines += ["", "[landmarks_mm] # in the mesh file's own axes and origin"]
        for name, place in body.landmarks.items():
            x, y, z = (f"{round(1e3 * float(value), 3) + 0.0:.3f}" for value in place)
            lines.append(f"{_quote(name)} = [{x}, {y}, {z}]")
    for number, name in enumerate(body.region_names):
        runs = _runs(np.flatnonzero(body.region == number))
        lines += ["", "[[region]]", f"name = {_quote(name)}", "faces = ["]
        row = ""
        for first, last in runs:
            piece = f"[{first}, {last}], "
            if len(row) + len(piece) > 100:
                lines.append("  " + row.rstrip())
                row = ""
            row += piece
        lines += ["  " + row.rstrip(), "]"]
    return "\n".join(lines) + "\n"


def _runs(numbers: Array) -> list[tuple[int, int]]:
    """First and last of each run of rising whole numbers."""
    if not len(numbers):
        return []
    breaks = np.flatnonzero(np.diff(numbers) > 1)
    first = numbers[np.concatenate([[0], breaks + 1])]
    last = numbers[np.concatenate([breaks, [len(numbers) - 1]])]
    return [(int(a), int(b)) for a, b in zip(first, last, strict=True)]


def _quote(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)


def _point(millimetres: Sequence[float]) -> Array:
    return np.array(millimetres, dtype=np.float64) / 1000.0


def _spell_point(metres: Array) -> str:
    return "[" + ", ".join(f"{1e3 * value:.0f}" for value in metres) + "]"
