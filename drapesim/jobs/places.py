"""Places of a mesh: checked on it, and carried from it onto another one of the same body."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from drapesim import __version__
from drapesim.ground.files import hash_bytes, read_bytes, write_text
from drapesim.ground.outcome import InputError
from drapesim.jobs.run import make_folder
from drapesim.matter.anatomy import spell_unknown
from drapesim.matter.body import Body, load_body
from drapesim.matter.landmarks import Anchors, anchor, carry_regions, follow, tell_moves
from drapesim.matter.regions import (
    ENDING,
    Named,
    Places,
    check_mesh,
    name_places,
    name_regions,
    read_places,
    spell_places,
)

Array = np.ndarray


@dataclass(frozen=True)
class Carried:
    """A ``body`` that took over places from another mesh.

    ``anchors`` of its landmarks with the distance m between the meshes there; ``region_distance`` m, the largest from
    a face's middle to the other mesh; ``lost``: regions that no face of the mesh took over.
    """

    body: Body
    anchors: Anchors
    region_distance: float
    lost: tuple[str, ...]


def place_file(mesh: Path) -> Path:
    """The places file beside a mesh file: figure.places.toml for figure.ply."""
    return mesh.with_name(mesh.stem + ENDING)


def read_given(given: Path | None, out: Path, force: bool) -> Places | None:
    """The places file ``given``, or None; `InputError` where the one beside the body ``out`` may not be written."""
    if given is None:
        return None
    beside = place_file(out)
    if beside.exists() and given.exists() and beside.samefile(given):
        raise InputError(beside, "--places", "it would be replaced by the one beside the body", "give it another name")
    if beside.exists() and not force:
        raise InputError(beside, "--out", "the file is there already", "name another, or give --force to replace it")
    return read_places(given)


def name_mesh(mesh: Path, places: Path, unit: str | None = None) -> Named:
    """The mesh file with the places of a places file, in the file's own axes, m."""
    read = read_places(places)
    if read.in_patient:
        remedy = "give it to drapesim body slices --places, or take the file that this wrote"
        raise read.document.error(("axes",), "its coordinates are a scanner's, not the mesh's own", remedy)
    body = load_body(mesh, unit=unit, up="z")
    check_mesh(read, mesh)
    return name_places(body, read)


def carry_places(body: Body, onto: Body, most: float, file: object = "") -> Carried:
    """``onto`` with the landmarks and regions of ``body``, both in the same axes and place.

    Each landmark goes to the nearest point of the other mesh, each of its faces takes the region of the nearest face.
    Raises `InputError` about ``file`` where a landmark would have to move by more than ``most`` (m).
    """
    try:
        anchors = anchor(body.landmarks, onto.vertices, onto.faces, most)
    except InputError as fault:
        remedy = "are these two meshes of one body, in the same place and unit?"
        raise InputError(file, fault.where, fault.problem, remedy) from fault
    region, distance = onto.region, 0.0
    names: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    if body.region_names:
        carried, distance = carry_regions(body.region, (body.vertices, body.faces), (onto.vertices, onto.faces))
        kept = [number for number in range(len(body.region_names)) if (carried == number).any()]
        compact = np.full(len(body.region_names) + 1, -1, dtype=np.int32)
        compact[kept] = np.arange(len(kept))
        region = compact[carried]
        names = tuple(body.region_names[number] for number in kept)
        lost = tuple(name for name in body.region_names if name not in names)
    landmarks = MappingProxyType(follow(anchors, onto.vertices, onto.faces))
    return Carried(replace(onto, landmarks=landmarks, region=region, region_names=names), anchors, distance, lost)


def hold_places(places: Places, turn: Array, vertices: Array, faces: Array) -> Anchors:
    """The landmarks of a places file on a mesh (m) to whose axes ``turn`` (3, 3) takes theirs."""
    given = {name: point @ turn.T for name, point in places.landmarks.items()}
    return anchor(given, vertices, faces, places.most_snap, str(places.document.path))


def carry_held(
    places: Places, turn: Array, held: Anchors, now: Mapping[str, Array], onto: Body, most: float, file: object
) -> tuple[Body, tuple[str, ...]]:
    """``onto`` with the places of a file whose landmarks were ``held`` to another mesh and lie ``now`` (m) where its
    changes have taken them; and sentences on what moved by how much. ``most``, ``file``: see `carry_places`."""
    carried = carry_places(replace(onto, landmarks=MappingProxyType(dict(now))), onto, most, file)
    body = name_regions(carried.body, places.regions, turn, places.document.error, ("region",))
    farthest = 1e3 * float(carried.anchors.distance.max(initial=0.0))
    told = (
        f"{len(held.names)} landmarks carried onto the finished mesh, by at most {farthest:.2f} mm; "
        f"{len(body.region_names)} regions",
        tell_moves(held),
        spell_unknown([*held.names, *body.region_names]),
    )
    return body, tuple(words for words in told if words)


def measure_regions(body: Body) -> dict[str, tuple[int, float]]:
    """Region name to (faces, area m2)."""
    a, b, c = (body.vertices[body.faces[:, k]] for k in range(3))
    area = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return {name: (int((body.region == k).sum()), float(area[body.region == k].sum()))
            for k, name in enumerate(body.region_names)}  # fmt: skip


def write_places(out: Path, body: Body, mesh: Path) -> None:
    """Write the places of ``body`` beside its ``mesh`` file, which must be written already; whole or not at all."""
    make_folder(out.parent)
    comment = f"drapesim {__version__}: places on {mesh.name}; name what you like, in mm in the mesh file's own axes"
    write_text(out, spell_places(body, mesh.name, hash_bytes(read_bytes(mesh, "mesh")), (comment,)))
