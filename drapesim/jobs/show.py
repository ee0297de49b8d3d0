"""What a body is like: its size, volume, sections, soundness, and its thinnest part against the sheet's spacing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.body import Body, BodyPart, enclosed_volume, load_body, read_surface
from drapesim.matter.body_repair import FLAT, drop_unused, face_areas, label_shells, sort_sides
from drapesim.matter.outside import cut_rows
from drapesim.matter.thickness import Thickness, measure_thickness
from drapesim.settling.exact import count_self_crossings

Array = np.ndarray

STATIONS = (0.1, 0.3, 0.5, 0.7, 0.9)  # of the body's length along x, where it is cut across
MOST_STATIONS = 8
SPACING = 0.015  # m, the demonstration's, for a body that comes without a scene

# kg/m3 and where it is from. A body is taken as solid and the same throughout.
DENSITIES = MappingProxyType({
    "flesh": (985.0, "usual figure for a living body between breaths, 945 after a deep one; no primary source read"),
    "limewood": (535.0, "dried European lime in timber dealers' tables, which run from 490 to 535"),
    "plaster": (1100.0, "from memory, dry cast plaster"),
})  # fmt: skip


@dataclass(frozen=True)
class Section:
    """A cut across the body at ``place`` m along x: outline segments (k, 2, 2) of y and z, m; ``support`` likewise."""

    place: float
    outline: Array
    support: Array
    area: float  # m2, NaN where the surface is not closed
    length: float  # m, of the outline
    size: tuple[float, float]  # m, breadth and height


@dataclass(frozen=True)
class Shown:
    """One body, looked at. ``vertices`` (n, 3) m and ``faces`` (m, 3) without the support; lengths m, volume m3."""

    name: str
    vertices: Array
    faces: Array
    support: Body | None
    fault: str  # why it is not watertight; "" if it is
    volume: float  # 0 if it is not watertight
    area: float
    shells: int
    crossings: int
    density: float
    density_source: str
    sections: tuple[Section, ...]
    thickness: Thickness
    spacing: float
    spacing_source: str
    landmarks: int
    regions: int
    repairs: tuple[str, ...]


def look_at(
    source: Path,
    unit: str | None = None,
    up: str | None = None,
    density: float | None = None,
    material: str | None = None,
    spacing: float | None = None,
    stations: tuple[float, ...] | None = None,
) -> Shown:
    """Measure the body of a mesh file, or of a scene (.toml). ``stations`` m from the end with the least x.

    Raises InputError for what cannot be read, or is out of range.
    """
    for option, value in (("--density-kg-m3", density), ("--spacing-mm", spacing)):
        if value is not None and not 0.0 < value < np.inf:
            raise InputError(source, option, f"{value:g} is not above zero", "give a number above zero")
    fault = ""
    if source.suffix.lower() == ".toml":
        from drapesim.matter.plan import read_scene

        scene = read_scene(source)
        body, title = scene.body, scene.title
        near, said = (scene.sheet.spacing, "the scene's") if spacing is None else (spacing, "as given")
    else:
        body, fault = _load_any(source, unit, up)
        title = source.name
        near, said = (SPACING, "the demonstration's; none was given") if spacing is None else (spacing, "as given")
    is_support = np.array([part.is_support for part in body.parts])[body.part]
    if is_support.all():
        raise InputError(source, "", "the scene has a support and no body", "give a body")
    vertices, faces = drop_unused(body.vertices, body.faces[~is_support])
    surface = next(part.surface for part in body.parts if not part.is_support)
    sections = _cut_across(source, vertices, faces, body, is_support, stations)
    if fault:
        sections = tuple(replace(section, area=np.nan) for section in sections)
    weight, origin = _find_density(source, density, material, surface)
    n_shells, _ = label_shells(sort_sides(faces))
    return Shown(
        name=title,
        vertices=vertices,
        faces=faces,
        support=body if is_support.any() else None,
        fault=fault,
        volume=0.0 if fault else enclosed_volume(vertices, faces),
        area=float(face_areas(vertices, faces).sum()),
        shells=n_shells,
        crossings=count_self_crossings(vertices, faces)[0],
        density=weight,
        density_source=origin,
        sections=sections,
        thickness=Thickness(np.inf, vertices[0], np.zeros(0), 0.0) if fault else measure_thickness(vertices, faces),
        spacing=near,
        spacing_source=said,
        landmarks=len(body.landmarks),
        regions=len(body.region_names),
        repairs=body.repairs,
    )


def _load_any(source: Path, unit: str | None, up: str | None) -> tuple[Body, str]:
    """The body of a mesh file and "", or its surface as it is and why it is no closed body."""
    try:
        return load_body(source, unit, up, surface=""), ""
    except InputError as fault:
        vertices, faces, notes = read_surface(source, unit, up)  # raises again where the file itself is at fault
        faces = faces[face_areas(vertices, faces) > FLAT]
        if not len(faces):
            raise
        part, region = np.zeros(len(faces), np.int32), np.full(len(faces), -1, np.int32)
        return Body(vertices, faces, part, (BodyPart("body", ""),), region, repairs=notes), fault.problem


def _find_density(source: Path, density: float | None, material: str | None, surface: str) -> tuple[float, str]:
    if density is not None:
        return density, "as given"
    name = material or (surface if surface in DENSITIES else "flesh")
    if name not in DENSITIES:
        problem = f'the density of "{name}" is not known here'
        raise InputError(source, "--material", problem, f"give --density-kg-m3, or one of {', '.join(DENSITIES)}")
    value, origin = DENSITIES[name]
    return value, f"{name}: {origin}"


def _cut_across(
    source: Path, vertices: Array, faces: Array, body: Body, is_support: Array, stations: tuple[float, ...] | None
) -> tuple[Section, ...]:
    low, high = float(vertices[:, 0].min()), float(vertices[:, 0].max())
    if stations is not None and not (
        len(stations) <= MOST_STATIONS and all(0.0 < place < high - low for place in stations)
    ):
        problem = f"stations must lie inside the body, at most {MOST_STATIONS} of them"
        raise InputError(source, "--stations-mm", problem, f"give places from 0 to {1e3 * (high - low):.0f} mm")
    offsets = [share * (high - low) for share in STATIONS] if stations is None else list(stations)
    return tuple(
        _cut(low + offset, offset, vertices, faces, body.vertices, body.faces[is_support]) for offset in offsets
    )


def _cut(x: float, offset: float, vertices: Array, faces: Array, others: Array, support: Array) -> Section:
    outline, below = _cut_mesh(x, vertices, faces), _cut_mesh(x, others, support)
    rise, fall = outline[:, 0], outline[:, 1]
    area = 0.5 * float((rise[:, 0] * fall[:, 1] - rise[:, 1] * fall[:, 0]).sum())
    flat = outline.reshape(-1, 2)
    size = np.ptp(flat, axis=0) if len(flat) else np.zeros(2)
    length = float(np.linalg.norm(fall - rise, axis=1).sum())
    return Section(offset, outline, below, abs(area), length, (float(size[0]), float(size[1])))


def _cut_mesh(x: float, vertices: Array, faces: Array) -> Array:
    """Segments (k, 2, 2) of (y, z) m in which the plane cuts the triangles, each run the same way round."""
    over = vertices[:, 0][faces] >= x
    cut = faces[over.any(axis=1) & ~over.all(axis=1)]
    y, z = cut_rows(vertices[:, 0], vertices[:, 1], vertices[:, 2], cut, np.full(len(cut), x))
    return np.stack([y, z], axis=2)


def tell_body(shown: Shown) -> list[str]:
    """What the command prints and the sheet repeats, a line for each thing."""
    size = 1e3 * (shown.vertices.max(axis=0) - shown.vertices.min(axis=0))
    thick = shown.thickness
    if shown.fault:
        volume, mass = "none, as it is not closed; ", "none"
        sound = f"NO: {shown.fault}; `drapesim body scan` closes it or says why not"
    else:
        volume = f"{1e3 * shown.volume:.2f} litres, "
        mass = (f"about {shown.density * shown.volume:.3g} kg if solid, at {shown.density:g} kg/m3 "
                f"({shown.density_source})")  # fmt: skip
        sound = "yes: every edge has two faces, normals outward"
        sound += f"; {shown.shells} separate shells" if shown.shells > 1 else ""
    rows = [
        ("body", f"{shown.name}: {len(shown.faces)} triangles, {shown.landmarks} landmarks, {shown.regions} regions"),
        ("size", f"{size[0]:.0f} x {size[1]:.0f} x {size[2]:.0f} mm (x, y, z)"),
        ("volume", f"{volume}surface {shown.area:.3f} m2"),
        ("mass", mass),
        ("watertight", sound),
        ("crossings", "none" if not shown.crossings else f"{shown.crossings} PAIRS of triangles cross each other"),
    ]  # fmt: skip
    if np.isfinite(thick.least):
        place = ", ".join(f"{1e3 * value:.0f}" for value in thick.place)
        below = 100.0 * thick.share_below(shown.spacing)
        ratio = thick.least / shown.spacing
        rows.append(("thinnest", f"{1e3 * thick.least:.1f} mm at [{place}] mm: {ratio:.2g} of the sheet's spacing of "
                                 f"{1e3 * shown.spacing:g} mm ({shown.spacing_source})"))  # fmt: skip
        words = "nowhere"
        if below > 0.0:
            words = "the sheet bends over such a part within one cell"
        elif thick.least < shown.spacing:
            words = "one small spot, which no point drawn evenly met"
        hundredth = 1e3 * thick.quantile(0.01)
        rows.append(("", f"{below:.1f} % of the surface is thinner than that spacing ({words}), "
                         f"1 % of it is thinner than {hundredth:.1f} mm"))  # fmt: skip
    else:
        words = "not measured, as it is not closed" if shown.fault else "no two walls face each other"
        rows.append(("thinnest", words))
    if shown.support is not None:
        kinds = ", ".join(part.name for part in shown.support.parts if part.is_support)
        rows.append(("support", f"{kinds}; rigid: the body's weight does not press it in"))
    rows += [("repaired", words) for words in shown.repairs]
    return [f"{name:<12} {words}" for name, words in rows]
