"""The scene: everything one run depends on, read from one TOML file and checked at the door."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.ground.files import Document, Keys, hash_bytes, read_bytes, read_toml
from drapesim.ground.outcome import InputError, gather_faults
from drapesim.matter.body import Body
from drapesim.matter.claims_csv import read_claims_csv
from drapesim.matter.conditions import apply_conditions, check_condition
from drapesim.matter.fabric import ITSELF, FabricCard, check_surfaces, parse_card
from drapesim.matter.lay import LayStep
from drapesim.matter.lay_door import CheckedLay, build_lay, check_lay
from drapesim.matter.marks import PLACE_CLAIMS, Claimed, FlatMap, Mark, parse_claims, read_flat_map, read_marks
from drapesim.matter.sheet import Sheet

if TYPE_CHECKING:
    from drapesim.matter.rectify import Rectified
    from drapesim.matter.scene_schema import BodyTable, FigureTable, FlatMapTable, SceneFile
    from drapesim.matter.support import Bed

Array = np.ndarray


@dataclass(frozen=True)
class SettleSettings:
    """When a sheet counts as settled (the certificate's limits) and how long to try.

    Residuals are net nodal force over nodal weight; lengths m.
    """

    residual_rms: float = 1e-3
    residual_max: float = 1e-2
    stay: float = 1e-5
    penetration: float = 5e-5
    energy_closure: float = 0.01
    max_steps: int = 2_000_000
    levels: int = 2  # coarser lattices before the final one


@dataclass(frozen=True)
class Scene:
    """One run's input; a run is a function of it. ``inputs`` maps file name -> sha256 of its bytes."""

    path: Path
    text: str
    title: str
    sheet: Sheet
    fabric: FabricCard
    body: Body
    lay: tuple[LayStep, ...]
    marks: tuple[Mark, ...]
    flat_map: FlatMap | None
    settle: SettleSettings
    seed: int
    contact_levels: tuple[float, ...]  # gap contours to draw, m
    inputs: dict[str, str]


MOST_NODES = 4_000_000  # of a lattice; beyond it the spacing is surely a slip
MOST_SNAP = 0.02  # m that a landmark of the scene may lie off: farther, no mark could ever lie on it (judging.places)


def scene_schema() -> dict[str, Any]:
    """JSON Schema of the scene's file, for editors that check while one types."""
    from drapesim.matter.lay_schema import HANDLING, STARTS
    from drapesim.matter.scene_schema import SceneFile

    schema = SceneFile.model_json_schema()
    steps = [table.model_json_schema() for table in (*STARTS.values(), *HANDLING.values())]
    schema["properties"]["lay"]["items"] = {"oneOf": steps}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "drapesim scene",
    }


def read_scene(path: str | Path) -> Scene:
    """Read a scene and all that it names; SI inside, every file's hash in ``inputs``.

    Raises `InputError`: one sentence for the main fault, a further one for each other fault found with it.
    """
    return parse_scene(read_toml(path, "scene"))


def parse_scene(document: Document, body: Body | None = None) -> Scene:
    """The scene of a file that has been read. Raises as `read_scene`.

    ``body``: the one that its tables give, if it has been made before; ``inputs`` then lacks the body's files.
    """
    path = document.path
    file, plan, steps = check_file(document)
    inputs = {path.name: document.sha256}
    if file.lay_plan is not None:
        inputs[file.lay_plan] = steps.sha256
    sheet = _build_sheet(document, file)
    fabric = _read_fabric(document, file, inputs)
    marks, claims = _read_marks(document, file, sheet, inputs)
    build_lay(steps, plan, sheet, marks, None)
    flat_map = _read_picture(document, file, sheet, inputs)
    if body is None:
        body = _build_body(document, file, inputs)  # last: carving takes seconds, and a fault should show at once
    marks = _find_places(marks, claims, body)
    lay = build_lay(steps, plan, sheet, marks, body)
    return Scene(
        path=path,
        text=document.text,
        title=file.title,
        sheet=sheet,
        fabric=fabric,
        body=body,
        lay=lay,
        marks=marks,
        flat_map=flat_map,
        settle=SettleSettings(
            residual_rms=file.settle.residual_rms,
            residual_max=file.settle.residual_max,
            stay=_metres(file.settle.stay_mm),
            penetration=_metres(file.settle.penetration_mm),
            energy_closure=file.settle.energy_closure,
            max_steps=file.settle.max_steps,
            levels=file.settle.levels,
        ),
        seed=file.seed,
        contact_levels=tuple(_metres(level) for level in file.report.contact_levels_mm),
        inputs=inputs,
    )


def check_file(document: Document) -> tuple[SceneFile, CheckedLay, Document]:
    """The file and its lay plan against their schemas, and the file that the plan is in.

    Raises `InputError` with the faults of both.
    """
    from drapesim.matter.door import check
    from drapesim.matter.scene_schema import SceneFile

    faults: list[InputError] = []
    file, plan, source, name = None, None, document, document.data.get("lay_plan")
    try:
        file = check(SceneFile, document)
    except InputError as fault:
        faults.append(fault)
    try:
        if isinstance(name, str) and name:
            source = read_toml(_beside(document, name), "lay plan", document.place(("lay_plan",)))
            others = set(source.data) - {"lay"}
            if others or not source.data.get("lay"):
                raise source.error(tuple(sorted(others))[:1], "a lay plan holds [[lay]] steps and nothing else")
        steps = source.data.get("lay")
        if isinstance(steps, list) and steps and all(isinstance(step, dict) for step in steps):
            plan = check_lay(source, steps)
    except InputError as fault:
        faults.append(fault)
    if faults:
        raise gather_faults(faults)
    assert file is not None
    assert plan is not None
    return file, plan, source


def _metres(millimetres: float) -> float:
    return millimetres / 1000.0  # 1650 mm is 1.65 m to the last bit; times 1e-3 it is not


def _point(millimetres: list[float]) -> Array:
    return np.array(millimetres, dtype=np.float64) / 1000.0


def _beside(document: Document, name: str) -> Path:
    """Path of a file that the scene names, relative to the scene."""
    return document.path.parent / name


def _note_input(document: Document, keys: Keys, what: str, name: str, inputs: dict[str, str]) -> Path:
    """Hash a file that the scene names; `InputError` at the key where it is missing."""
    path = _beside(document, name)
    inputs[name] = hash_bytes(read_bytes(path, what, document.place(keys)))
    return path


def _build_sheet(document: Document, file: SceneFile) -> Sheet:
    table = file.sheet
    if table.spacing_mm > 0.5 * min(table.length_mm, table.width_mm):
        problem = f"{table.spacing_mm:g} mm leaves fewer than two cells across the cloth"
        raise document.error(("sheet", "spacing_mm"), problem, "give a spacing well below its shorter side")
    nodes = (table.length_mm / table.spacing_mm + 1) * (table.width_mm / table.spacing_mm + 1)
    if nodes > MOST_NODES:
        problem = f"{table.spacing_mm:g} mm makes {nodes / 1e6:.3g} million nodes, more than {MOST_NODES // 10**6}"
        least = math.sqrt(table.length_mm * table.width_mm / MOST_NODES)
        raise document.error(("sheet", "spacing_mm"), problem, f"give at least {least:.2g} mm")
    # Marks and picture are turned, never mirrored, to u right and v down; so only the side that is seen matters.
    inner_sign = -1 if file.flat_map.seen_from == "inner" else 1
    return Sheet(_metres(table.length_mm), _metres(table.width_mm), _metres(table.spacing_mm), inner_sign)


def _read_fabric(document: Document, file: SceneFile, inputs: dict[str, str]) -> FabricCard:
    keys = ("fabric", "card")
    card = read_toml(_beside(document, file.fabric.card), "fabric card", document.place(keys))
    inputs[file.fabric.card] = card.sha256
    stated = tuple(
        check_condition(document, ("fabric", "condition", number), table.kind, table.factor, table.because)
        for number, table in enumerate(file.fabric.condition)
    )
    fabric = apply_conditions(parse_card(card), stated)
    surfaces = {file.body.surface: document.place(("body", "surface")), ITSELF: document.place(keys)}
    if file.support is not None:
        surfaces.setdefault(file.support.surface, document.place(("support", "surface")))
        if file.support.floor_surface is not None:
            surfaces.setdefault(file.support.floor_surface, document.place(("support", "floor_surface")))
    check_surfaces(fabric, surfaces, card.path)
    return fabric


def _build_body(document: Document, file: SceneFile, inputs: dict[str, str]) -> Body:
    from drapesim.matter.body import join
    from drapesim.matter.scene_schema import BODIES
    from drapesim.matter.support import let_down

    floor = 0.0 if file.support is None else _metres(file.support.top_mm)
    try:
        body = _build_bare_body(document, file.body, floor, inputs)
    except InputError as fault:
        if fault.file:
            raise
        kind = next(name for name in file.body.model_fields_set if name in BODIES)
        raise document.error(("body", kind), fault.problem, fault.remedy) from None
    support, bed = _build_support(document, file)
    if bed is not None and any(kind is not None for kind in (file.body.figure, file.body.adult, file.body.mesh)):
        try:
            body = let_down(body, bed)
        except InputError as fault:
            raise document.error(("support",), fault.problem, fault.remedy) from None
    if file.body.landmarks_mm:
        from drapesim.matter.regions import snap_landmarks

        given = {name: _point(place) for name, place in file.body.landmarks_mm.items()}
        named = snap_landmarks(given, body, MOST_SNAP, document.error, ("body", "landmarks_mm"))
        body = replace(named.body, repairs=(*named.body.repairs, *named.notes))
    return join(body, *support)


def _build_support(document: Document, file: SceneFile) -> tuple[list[Body], Bed | None]:
    """The parts that the body lies on, and the bed's top if it has a depression."""
    from drapesim.matter.body import slab
    from drapesim.matter.support import Depression, make_bed, make_floor, shape_bed

    table = file.support
    if table is None:
        return [], None
    ample = _metres(2.0 * math.hypot(file.sheet.length_mm, file.sheet.width_mm)) + 4.0  # no cloth reaches its edge
    top, thickness = _metres(table.top_mm), _metres(table.thickness_mm)
    length = ample if table.length_mm is None else _metres(table.length_mm)
    width = ample if table.width_mm is None else _metres(table.width_mm)
    bed = None
    if table.depression is None:
        parts = [slab(length, width, thickness, top, table.surface)]
    else:
        hollow = table.depression
        size = (_metres(hollow.depth_mm), _metres(hollow.length_mm), _metres(hollow.width_mm))
        x, y = _point(hollow.middle_mm)
        try:
            bed = shape_bed(length, width, thickness, top, Depression(*size, (float(x), float(y))))
        except InputError as fault:
            raise document.error(("support", "depression"), fault.problem, fault.remedy) from None
        parts = [make_bed(bed, table.surface)]
    if table.height_mm is not None:
        parts.append(make_floor(ample, top - _metres(table.height_mm), table.floor_surface or table.surface))
    return parts, bed


def _build_bare_body(document: Document, table: BodyTable, floor: float, inputs: dict[str, str]) -> Body:
    """The body without its support; a figure or a scan is set down on ``floor`` (m), a solid stands where it is put."""
    from drapesim.matter import body as bodies

    surface = table.surface
    if table.figure is not None:
        return bodies.rest_on(_carve(table.figure, surface), floor)
    if table.adult is not None:
        return bodies.rest_on(_build_adult(document, table, inputs), floor)
    if table.mesh is not None:
        mesh = table.mesh
        path = _note_input(document, ("body", "mesh", "file"), "body mesh", mesh.file, inputs)
        stated = None if mesh.length_mm is None else _metres(mesh.length_mm)
        body = bodies.load_body(path, mesh.unit, mesh.up, stated, surface)
        body = _name_scan(document, table, body, path, inputs)
        body = bodies.placed(body, turn=math.radians(mesh.turn_deg))
        low, high = body.vertices.min(axis=0), body.vertices.max(axis=0)
        shift = _point(mesh.middle_mm) - 0.5 * (low + high)[:2]
        return bodies.rest_on(bodies.placed(body, (shift[0], shift[1], 0.0)), floor)
    if table.sphere is not None:
        return bodies.sphere(_metres(table.sphere.radius_mm), _point(table.sphere.centre_mm), surface)
    if table.cylinder is not None:
        roller = table.cylinder
        size = (_metres(roller.radius_mm), _metres(roller.length_mm))
        return bodies.cylinder(*size, _point(roller.centre_mm), roller.axis, surface)
    if table.box is not None:
        middle, half = _point(table.box.centre_mm), 0.5 * _point(table.box.size_mm)
        return bodies.box(middle - half, middle + half, surface)
    assert table.ridge is not None  # the schema wants exactly one
    roof = table.ridge
    size3 = (_metres(roof.height_mm), _metres(roof.breadth_mm), _metres(roof.length_mm))
    return bodies.ridge(*size3, _metres(roof.radius_mm), surface, _point(roof.foot_mm))


def _name_scan(document: Document, table: BodyTable, body: Body, path: Path, inputs: dict[str, str]) -> Body:
    """A scan as loaded, with the places of its file and then the scene's regions; both are in the scan's own axes."""
    from drapesim.matter.body import find_upright
    from drapesim.matter.regions import check_mesh, name_places, name_regions, read_places

    assert table.mesh is not None
    rotation = find_upright(path, table.mesh.up)
    if table.places is not None:
        keys = ("body", "places")
        places = read_places(_note_input(document, keys, "places file", table.places, inputs), document.place(keys))
        if places.in_patient:
            remedy = "give it to drapesim body slices, which writes one in the mesh's axes"
            raise places.document.error(("axes",), "a scene takes a places file in the mesh's own axes only", remedy)
        check_mesh(places, path)
        named = name_places(body, places, rotation)
        body = replace(named.body, repairs=(*named.body.repairs, *named.notes))
    return name_regions(body, table.region, rotation, document.error, ("body", "region"))


def _carve(table: FigureTable, surface: str) -> Body:
    """The carved figure by the scene's measures."""
    from drapesim.matter.figure import FigureMeasures, carve_figure

    measures: dict[str, float] = {}
    for key, value in table.model_dump(exclude_none=True).items():
        if key.endswith("_mm"):
            measures[key.removesuffix("_mm") + "_m"] = _metres(value)
        else:
            measures[key] = value
    body = carve_figure(FigureMeasures(**measures))
    return replace(body, parts=tuple(replace(part, surface=surface) for part in body.parts))


def _build_adult(document: Document, table: BodyTable, inputs: dict[str, str]) -> Body:
    """The adult of a figure form, turned about its hips and put over its place."""
    from drapesim.matter.body import placed
    from drapesim.matter.figure_form import build_figure, read_figure

    assert table.adult is not None
    path = _note_input(document, ("body", "adult", "form"), "figure form", table.adult.form, inputs)
    body = build_figure(read_figure(path), table.surface).body
    x, y = _point(table.adult.middle_mm)
    return placed(body, (float(x), float(y), 0.0), math.radians(table.adult.turn_deg))


def _read_marks(
    document: Document, file: SceneFile, sheet: Sheet, inputs: dict[str, str]
) -> tuple[tuple[Mark, ...], Mapping[str, Claimed]]:
    table = file.flat_map
    if table.marks is None:
        return (), {}
    claims: dict[str, Claimed] = {}
    if table.claims is not None:
        place = document.place(("flat_map", "claims"))
        path = _beside(document, table.claims)
        is_rows = path.suffix.lower() == ".csv"
        claims_file = read_claims_csv(path, place) if is_rows else read_toml(path, "claims table", place)
        inputs[table.claims] = claims_file.sha256
        claims = parse_claims(claims_file)
    drawing = _note_input(document, ("flat_map", "marks"), "marks drawing", table.marks, inputs)
    scale = table.warp_scale, table.weft_scale
    size = sheet.length, sheet.width
    marks = read_marks(drawing, size, table.warp_axis, table.mm_per_unit, claims, scale=scale)
    return marks, claims


def _find_places(marks: tuple[Mark, ...], claims: Mapping[str, Claimed], body: Body) -> tuple[Mark, ...]:
    """The marks, each claim's place by the body's own word for it; `InputError` for one that the body does not have."""
    from drapesim.matter.anatomy import suggest_places
    from drapesim.matter.regions import find_place

    faults, found = [], []
    for mark in marks:
        place = mark.claim.place
        if mark.claim.kind in PLACE_CLAIMS:
            meant = find_place(place, body)
            if meant is None:
                remedy = suggest_places(place, {*body.region_names, *body.landmarks})
                problem = f"the body has no region or landmark '{place}'"
                faults.append(InputError(claims[mark.name].place, f"{mark.name}.place", problem, remedy))
            else:
                mark = replace(mark, claim=replace(mark.claim, place=meant))
        found.append(mark)
    if faults:
        raise gather_faults(faults)
    return tuple(found)


def _read_picture(document: Document, file: SceneFile, sheet: Sheet, inputs: dict[str, str]) -> FlatMap | None:
    table = file.flat_map
    if table.picture is None:
        return None
    path = _note_input(document, ("flat_map", "picture"), "flat-map picture", table.picture, inputs)
    fitted = _fit_picture(document, table)
    read = (path, table.mm_per_pixel or 1.0, (sheet.length, sheet.width), table.seen_from, table.warp_axis)
    flat_map = read_flat_map(*read, scale=(table.warp_scale, table.weft_scale), fitted=fitted)
    return replace(flat_map, file=table.picture)


def _fit_picture(document: Document, table: FlatMapTable) -> Rectified | None:
    """How a photograph lies on the cloth, by control points or scale bars; None where the scene states a scale."""
    from drapesim.matter.rectify import fit_bars, fit_points

    key = "control_points" if table.control_points is not None else "scale_bars"
    try:
        if table.control_points is not None:
            pixels = np.array([point.pixel for point in table.control_points], dtype=np.float64)
            return fit_points(pixels, np.array([_point(point.mm) for point in table.control_points]))
        if table.scale_bars is not None:
            ends = np.array([[bar.from_pixel, bar.to_pixel] for bar in table.scale_bars], dtype=np.float64)
            return fit_bars(ends, np.array([_metres(bar.length_mm) for bar in table.scale_bars]))
    except ValueError as fault:
        problem, _, remedy = str(fault).partition("; ")
        raise document.error(("flat_map", key), problem, remedy) from None
    return None
