"""The archive: a finished run as one HDF5 file, and the checkpoint of an interrupted one.

The group ``VTKHDF`` is the settled sheet as PolyData with the contact record at its points, so that viewers open the
file as it is; they ignore the groups beside it, which hold the rest of the run. Every dataset has an attribute
``unit``; an attribute that is a number carries its unit in its name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from types import MappingProxyType

import h5py
import numpy as np

from drapesim.ground.files import reading_hdf5, write_hdf5
from drapesim.ground.outcome import Ending, InputError
from drapesim.matter.answers import Meeting, PlaceCheck, SpacingChange, Verdict
from drapesim.matter.body import Body, BodyPart
from drapesim.matter.fabric import FabricCard, Provenance
from drapesim.matter.lay import LayStep
from drapesim.matter.marks import Claim, FlatMap, Mark
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice
from drapesim.settling.archive_tables import (
    CHECKPOINT_UNITS,
    NAMES,
    UNITS,
    put,
    put_ragged,
    put_record,
    put_table,
    put_texts,
    take_ragged,
    take_record,
    take_table,
    take_texts,
)
from drapesim.settling.certificate import Certificate
from drapesim.settling.contact_record import ContactRecord
from drapesim.settling.lay_archive import put_lay, take_lay
from drapesim.settling.lay_record import LayDone
from drapesim.settling.layer_archive import put_layers, take_layers
from drapesim.settling.layer_record import LayerRecord
from drapesim.settling.rest_archive import put_rest, take_rest
from drapesim.settling.settle import Checkpoint

Array = np.ndarray

RUN_FILE = "run.h5"
CHECKPOINT_FILE = "checkpoint.h5"
CHECKPOINT_LAYOUT = 4
LAYOUT = 4  # of the groups beside VTKHDF; raised when an old file can no longer be read
VTK_VERSION = (2, 2)  # of the VTKHDF layout: old enough for the viewers in use


@dataclass(frozen=True)
class Run:
    """A finished run, settled or not; SI. Arrays over the n nodes of ``lattice`` unless said otherwise.

    x, contact_force, layer_force, reaction (n, 3): position m, force N from body and support, from other layers of the
    cloth, and what the hand exerts on held nodes.
    history (k, 4): seconds, spacing m, residual rms, residual max.
    inputs: file name -> sha256, the scene first; versions: library -> version; changes: one sentence for each thing
    in which the run departs from the scene's text. rest: what contacts carry, see `settle.keep_rest`; None in files of
    before, and of a sheet that did not settle.
    """

    scene_text: str
    title: str
    inputs: Mapping[str, str]
    versions: Mapping[str, str]
    seed: int
    lattice: Lattice
    fabric: FabricCard
    body: Body
    lay: tuple[LayStep, ...]
    settle: SettleSettings
    x: Array
    contact_force: Array
    layer_force: Array
    reaction: Array
    contact: ContactRecord
    certificate: Certificate
    ending: Ending
    history: Array
    marks: tuple[Mark, ...]
    verdicts: tuple[Verdict, ...]
    flat_map: FlatMap | None
    contact_levels: tuple[float, ...]
    changes: tuple[str, ...] = ()
    hands: LayDone | None = None
    layers: LayerRecord | None = None
    meetings: tuple[Meeting, ...] = ()
    rest: Checkpoint | None = None


def save_run(path: str | Path, run: Run) -> Path:
    """Write ``run`` to ``path``, a folder that exists (then as its run.h5) or a file name; whole or not at all."""
    path = _file_of(path, RUN_FILE)

    def fill(file: h5py.File) -> None:
        file.attrs["layout"] = LAYOUT
        _put_sheet(file.create_group("VTKHDF"), run)
        _put_scene(file.create_group("scene"), run)
        _put_lattice(file.create_group("lattice"), run.lattice)
        _put_fabric(file.create_group("fabric"), run.fabric)
        _put_body(file.create_group("body"), run.body)
        put_lay(file, run.lay, run.hands)
        put_record(file.create_group("settle"), run.settle)
        certificate = file.create_group("certificate")
        put_record(certificate, run.certificate)
        certificate.attrs["ending"] = run.ending.name
        history = put(certificate, "history", run.history, "s, m, 1, 1")
        history.attrs["columns"] = ["seconds", "spacing", "residual_rms", "residual_max"]
        _put_marks(file.create_group("marks"), run.marks)
        _put_verdicts(file.create_group("verdicts"), run.verdicts)
        if run.flat_map is not None:
            _put_flat_map(file.create_group("flat_map"), run.flat_map)
        put_layers(file, run.layers, run.meetings)
        put_rest(file, run.rest)

    write_hdf5(path, fill)
    return path


def load_run(path: str | Path) -> Run:
    """The run that is kept in a run folder or a run.h5.

    Raises `InputError` where there is none, or the file is no run of ours, or of a layout this version cannot read.
    """
    path = _file_of(path, RUN_FILE)
    with reading_hdf5(path) as file:
        layout = file.attrs.get("layout")
        if layout is None or "VTKHDF" not in file:
            raise InputError(path, "", "this HDF5 file is not a run", "name a run folder or the run.h5 in it")
        if layout != LAYOUT:
            problem = f"its layout is {layout}, and this version reads {LAYOUT}"
            raise InputError(path, "", problem, "read it with the version that wrote it, or run the scene again")
        try:
            return _take_run(file)
        except KeyError as missing:
            raise InputError(path, "", f"a part of the run is missing ({missing})", "run the scene again") from None


def _take_run(file: h5py.File) -> Run:
    scene, points, certificate = file["scene"], file["VTKHDF/PointData"], file["certificate"]
    kept = [field.name for field in fields(ContactRecord) if field.name in points or field.name != "hysteresis"]
    return Run(
        scene_text=scene["text"].asstr()[()],
        title=scene.attrs["title"],
        inputs=MappingProxyType(
            dict(zip(take_texts(scene, "inputs/file"), take_texts(scene, "inputs/sha256"), strict=True))
        ),
        versions=MappingProxyType(dict(scene["versions"].attrs.items())),
        seed=int(scene.attrs["seed"]),
        lattice=_take_lattice(file["lattice"]),
        fabric=_take_fabric(file["fabric"]),
        body=_take_body(file["body"]),
        settle=take_record(SettleSettings, file["settle"]),
        x=file["VTKHDF/Points"][()],
        contact_force=points["contact_force"][()],
        layer_force=points["layer_force"][()],
        reaction=points["reaction"][()],
        contact=ContactRecord(**{name: points[name][()] for name in kept}),
        certificate=take_record(Certificate, certificate),
        ending=Ending[certificate.attrs["ending"]],
        history=certificate["history"][()],
        marks=_take_marks(file["marks"]),
        verdicts=_take_verdicts(file["verdicts"]),
        flat_map=_take_flat_map(file["flat_map"]) if "flat_map" in file else None,
        contact_levels=tuple(scene["contact_levels"][()].tolist()),
        changes=tuple(take_texts(scene, "changes")),
        **take_lay(file),
        **take_layers(file),
        rest=take_rest(file),
    )


def save_checkpoint(path: str | Path, checkpoint: Checkpoint, fingerprint: str) -> Path:
    """Write ``checkpoint`` to a folder (as checkpoint.h5) or a file; ``fingerprint`` names the input it belongs to."""
    path = _file_of(path, CHECKPOINT_FILE)

    def fill(file: h5py.File) -> None:
        file.attrs["fingerprint"] = fingerprint
        file.attrs["layout"] = CHECKPOINT_LAYOUT
        for field in fields(checkpoint):
            value = getattr(checkpoint, field.name)
            if isinstance(value, np.ndarray):
                put(file, field.name, value, CHECKPOINT_UNITS[field.name])
            else:
                file.attrs[field.name] = value

    write_hdf5(path, fill)
    return path


def load_checkpoint(path: str | Path, fingerprint: str) -> Checkpoint:
    """The checkpoint in a run folder or file. Raises `InputError` if there is none or it is of another input."""
    path = _file_of(path, CHECKPOINT_FILE)
    with reading_hdf5(path, "checkpoint") as file:
        layout = file.attrs.get("layout")
        if layout != CHECKPOINT_LAYOUT:
            problem = f"the checkpoint's layout is {layout}, and this version reads {CHECKPOINT_LAYOUT}"
            raise InputError(path, "", problem, "start anew without --resume")
        if file.attrs.get("fingerprint") != fingerprint:
            problem = "the checkpoint is of another input: the scene, a file it names or the spacing has changed"
            raise InputError(path, "", problem, "put the input back as it was, or start anew without --resume")
        arrays = {name: dataset[()] for name, dataset in file.items()}
        plain = {field.name for field in fields(Checkpoint)} - set(arrays)
        return Checkpoint(**arrays, **{name: file.attrs[name].item() for name in plain})


def _file_of(path: str | Path, name: str) -> Path:
    path = Path(path)
    return path / name if path.is_dir() else path


# The groups.


def _put_sheet(group: h5py.Group, run: Run) -> None:
    """The settled sheet as PolyData. Readers want all four kinds of cells, empty or not, and this very text type."""
    group.attrs["Version"] = VTK_VERSION
    group.attrs.create("Type", b"PolyData", dtype=h5py.string_dtype("ascii", len(b"PolyData")))
    put(group, "Points", run.x, "m")
    put(group, "NumberOfPoints", np.array([len(run.x)], dtype=np.int64), "1")
    for kind in ("Vertices", "Lines", "Polygons", "Strips"):
        corners = run.lattice.triangles if kind == "Polygons" else np.empty((0, 3), dtype=np.int32)
        cells = group.create_group(kind)
        put(cells, "NumberOfCells", np.array([len(corners)], dtype=np.int64), "1")
        put(cells, "NumberOfConnectivityIds", np.array([corners.size], dtype=np.int64), "1")
        put(cells, "Offsets", np.arange(len(corners) + 1, dtype=np.int64) * 3, "1")
        put(cells, "Connectivity", corners.ravel().astype(np.int64), "1")
    points = group.create_group("PointData")
    put(points, "uv", run.lattice.uv, "m")
    put(points, "contact_force", run.contact_force, "N")
    put(points, "layer_force", run.layer_force, "N")
    put(points, "reaction", run.reaction, "N")
    for name, values in run.contact.fields().items():
        put(points, name, values, UNITS[name])


def _put_scene(group: h5py.Group, run: Run) -> None:
    group.attrs["title"] = run.title
    group.attrs["seed"] = run.seed
    text = group.create_dataset("text", data=run.scene_text, dtype=h5py.string_dtype())
    text.attrs["unit"] = ""
    put_texts(group, "inputs/file", list(run.inputs))
    put_texts(group, "inputs/sha256", list(run.inputs.values()))
    put_texts(group, "changes", run.changes)
    put(group, "contact_levels", np.array(run.contact_levels, dtype=np.float64), "m")
    versions = group.create_group("versions")
    for name, version in run.versions.items():
        versions.attrs[name] = version


def _put_lattice(group: h5py.Group, lattice: Lattice) -> None:
    group.attrs["spacing_u_m"] = lattice.spacing_u
    group.attrs["spacing_v_m"] = lattice.spacing_v
    group.attrs["inner_sign"] = lattice.inner_sign
    put(group, "cell", lattice.cell, "1")


def _take_lattice(group: h5py.Group) -> Lattice:
    spacing = float(group.attrs["spacing_u_m"]), float(group.attrs["spacing_v_m"])
    return Lattice(*spacing, group["cell"][()], int(group.attrs["inner_sign"]))


FABRIC_SCALARS = (
    "areal_density", "thickness", "shear_rigidity", "locking_angle", "bend_warp", "bend_weft", "bend_bias",
    "compression_ratio",
)  # fmt: skip
HYSTERESES = ("bend_hysteresis_warp_N", "bend_hysteresis_weft_N")  # not there where the card does not state them
ORIGIN_TEXTS = ("source", "standard", "status", "rule")
ORIGIN_NUMBERS = ("uncertainty", "spread", "low", "high")  # nan where the card does not state it


def _put_fabric(group: h5py.Group, card: FabricCard) -> None:
    group.attrs["name"] = card.name
    for name in FABRIC_SCALARS:
        group.attrs[NAMES.get(name, name)] = getattr(card, name)
    group.attrs["safe_strain"] = card.safe_strain
    for name, moment in zip(HYSTERESES, card.bend_hysteresis, strict=True):
        if moment is not None:
            group.attrs[name] = moment
    for name in ("warp_curve", "weft_curve"):
        curve = put(group, name, getattr(card, name), "1, N/m")
        curve.attrs["columns"] = ["strain", "tension"]
    put_texts(group, "friction/surface", list(card.friction))
    put(group, "friction/coefficient", np.array(list(card.friction.values()), dtype=np.float64), "1")
    entries = list(card.provenance.values())
    table = group.create_group("provenance")
    put_texts(table, "value", list(card.provenance))
    put_table(table, entries, ORIGIN_TEXTS, ())
    for name in ORIGIN_NUMBERS:
        stated = [np.nan if getattr(entry, name) is None else getattr(entry, name) for entry in entries]
        put(table, name, np.array(stated, dtype=np.float64), "SI of the value" if name in ("low", "high") else "1")
    put(table, "n", np.array([entry.n for entry in entries], dtype=np.int64), "1")


def _take_fabric(group: h5py.Group) -> FabricCard:
    scalars = {name: float(group.attrs[NAMES.get(name, name)]) for name in FABRIC_SCALARS}
    warp_safe, weft_safe = group.attrs["safe_strain"].tolist()
    warp_rub, weft_rub = (group.attrs[name].item() if name in group.attrs else None for name in HYSTERESES)
    coefficients = group["friction/coefficient"][()].tolist()
    provenance = {}
    for row in take_table(group["provenance"], ("value", *ORIGIN_TEXTS), (*ORIGIN_NUMBERS, "n")):
        name = row.pop("value")
        stated = {key: None if np.isnan(row[key]) else row[key] for key in ORIGIN_NUMBERS}
        provenance[name] = Provenance(**{**row, **stated})
    return FabricCard(
        name=group.attrs["name"],
        warp_curve=group["warp_curve"][()],
        weft_curve=group["weft_curve"][()],
        friction=MappingProxyType(dict(zip(take_texts(group, "friction/surface"), coefficients, strict=True))),
        safe_strain=(warp_safe, weft_safe),
        bend_hysteresis=(warp_rub, weft_rub),
        provenance=MappingProxyType(provenance),
        **scalars,
    )


def _put_body(group: h5py.Group, body: Body) -> None:
    """Exactly the mesh that contact used."""
    put(group, "vertices", body.vertices, "m")
    put(group, "faces", body.faces, "1")
    put(group, "part", body.part, "1")
    put(group, "region", body.region, "1")
    put_texts(group, "region_names", body.region_names)
    put_table(group.create_group("parts"), body.parts, ("name", "surface"), ())
    put(group["parts"], "is_support", np.array([part.is_support for part in body.parts], dtype=bool), "1")
    put_texts(group, "landmarks/name", list(body.landmarks))
    put(group, "landmarks/point", np.array(list(body.landmarks.values()), dtype=np.float64).reshape(-1, 3), "m")
    put_texts(group, "repairs", body.repairs)


def _take_body(group: h5py.Group) -> Body:
    landmarks = dict(zip(take_texts(group, "landmarks/name"), group["landmarks/point"][()], strict=True))
    return Body(
        vertices=group["vertices"][()],
        faces=group["faces"][()],
        part=group["part"][()],
        parts=tuple(BodyPart(**row) for row in take_table(group["parts"], ("name", "surface"), ("is_support",))),
        region=group["region"][()],
        region_names=tuple(take_texts(group, "region_names")),
        landmarks=MappingProxyType(landmarks),
        repairs=tuple(take_texts(group, "repairs")),
    )


def _put_marks(group: h5py.Group, marks: tuple[Mark, ...]) -> None:
    put_table(group, marks, ("name", "kind"), ())
    claims = group.create_group("claims")
    put_table(claims, [mark.claim for mark in marks], ("kind", "place"), ())
    put(claims, "tolerance", np.array([mark.claim.tolerance for mark in marks], dtype=np.float64), "m")
    put(claims, "share", np.array([mark.claim.share for mark in marks], dtype=np.float64), "1")
    wicking = [math.nan if mark.claim.wicking is None else mark.claim.wicking for mark in marks]
    put(claims, "wicking", np.array(wicking, dtype=np.float64), "m")  # nan: nothing is stated
    put_table(claims, [mark.claim for mark in marks], ("side",), ())
    put_ragged(group, "samples", [mark.samples for mark in marks], "m")
    put_ragged(group, "weights", [mark.weights for mark in marks], "m2")
    rings = [(number, ring) for number, mark in enumerate(marks) for ring in mark.rings]
    put_ragged(group, "rings", [ring for _, ring in rings], "m")
    put(group, "rings_mark", np.array([number for number, _ in rings], dtype=np.int64), "1")


def _take_marks(group: h5py.Group) -> tuple[Mark, ...]:
    more = (("side",), ("wicking",)) if "wicking" in group["claims"] else ((), ())  # runs of before have neither
    rows = take_table(group["claims"], ("kind", "place", *more[0]), ("tolerance", "share", *more[1]))
    for row in rows:
        row["wicking"] = None if math.isnan(row.get("wicking", math.nan)) else row["wicking"]
    claims = [Claim(**row) for row in rows]
    rings, owner = take_ragged(group, "rings"), group["rings_mark"][()]
    samples, weights = take_ragged(group, "samples"), take_ragged(group, "weights")
    return tuple(
        Mark(**row, rings=tuple(rings[k] for k in np.flatnonzero(owner == number)), samples=samples[number],
             weights=weights[number], claim=claims[number])
        for number, row in enumerate(take_table(group, ("name", "kind"), ()))
    )  # fmt: skip


VERDICT_TEXTS = ("mark", "kind", "claim", "verdict", "reason", "nearest_region")
SHARES = ("contact_share_sure", "contact_share_measured", "contact_share_possible")
VERDICT_NUMBERS = ("gap_min", "gap_median", "gap_max", *SHARES, "uncertainty")
CHANGE_NUMBERS = ("wider", "own", "gap_min", "gap_median", "gap_max", "contact_share", "order")
PLACE_NUMBERS = ("share_on_place_sure", "share_on_place", "share_on_place_possible", "offset_body", "offset_cloth")


def _put_verdicts(group: h5py.Group, verdicts: tuple[Verdict, ...]) -> None:
    put_table(group, verdicts, VERDICT_TEXTS, VERDICT_NUMBERS)
    if any(np.isfinite(verdict.hysteresis) for verdict in verdicts):
        put(group, "hysteresis", np.array([verdict.hysteresis for verdict in verdicts]), "m")
    tested = [(number, verdict.place) for number, verdict in enumerate(verdicts) if verdict.place is not None]
    places = group.create_group("places")
    put_table(places, [place for _, place in tested], ("place", "reason"), PLACE_NUMBERS)
    put(places, "verdict", np.array([number for number, _ in tested], dtype=np.int64), "1")
    belongs = [-1 if place.belongs is None else int(place.belongs) for _, place in tested]  # -1: undecided
    put(places, "belongs", np.array(belongs, dtype=np.int8), "1")
    put(places, "asked", np.array([place.asked for _, place in tested], dtype=bool), "1")
    changed = [(number, verdict.change) for number, verdict in enumerate(verdicts) if verdict.change is not None]
    changes = group.create_group("spacing_changes")
    put_table(changes, [change for _, change in changed], (), CHANGE_NUMBERS)
    put(changes, "verdict", np.array([number for number, _ in changed], dtype=np.int64), "1")


def _take_verdicts(group: h5py.Group) -> tuple[Verdict, ...]:
    places: dict[int, PlaceCheck] = {}
    for row in take_table(group["places"], ("place", "reason"), ("verdict", "belongs", "asked", *PLACE_NUMBERS)):
        number, belongs = row.pop("verdict"), row.pop("belongs")
        places[number] = PlaceCheck(**row, belongs=None if belongs < 0 else bool(belongs))
    changes: dict[int, SpacingChange] = {}
    if "spacing_changes" in group:  # files of the first days have none
        for row in take_table(group["spacing_changes"], (), ("verdict", *CHANGE_NUMBERS)):
            number = row.pop("verdict")
            changes[number] = SpacingChange(**row)
    rows = take_table(group, VERDICT_TEXTS, VERDICT_NUMBERS + ("hysteresis",) * ("hysteresis" in group))
    return tuple(
        Verdict(**row, place=places.get(number), change=changes.get(number)) for number, row in enumerate(rows)
    )


def _put_flat_map(group: h5py.Group, flat_map: FlatMap) -> None:
    put(group, "pixels", flat_map.pixels, "1", compression="gzip", shuffle=True)
    group.attrs["metres_per_pixel_m"] = flat_map.metres_per_pixel
    group.attrs["seen_from"] = flat_map.seen_from
    group.attrs["file"] = flat_map.file
    group.attrs["note"] = flat_map.note


def _take_flat_map(group: h5py.Group) -> FlatMap:
    scale = float(group.attrs["metres_per_pixel_m"])
    told = group.attrs["seen_from"], group.attrs["file"], group.attrs.get("note", "")
    return FlatMap(group["pixels"][()], scale, *told)
