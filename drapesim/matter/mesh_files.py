"""Triangles from mesh files: PLY, STL, OBJ, GLB. A broken or hostile file is refused before room is made for it."""

from __future__ import annotations

import logging
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.body_repair import drop_unused
from drapesim.matter.mesh_text import read_text

Array = np.ndarray

KINDS = (".ply", ".stl", ".obj", ".glb")
MOST_FACES = 20_000_000
MOST_BYTES = 2_000_000_000
MOST_NUMBER = 1e9  # of a coordinate; in micrometres this is a kilometre
HEADER = 65_536  # bytes in which a PLY's header must end


def read_triangles(path: Path) -> tuple[Array, Array]:
    """Vertices (n, 3) float64 in the file's unit and axes, those that faces name, and faces (m, 3) int32.

    Corners at the very same place become one where the file states each triangle's corners anew (STL). Raises
    InputError where there is no such file, or its content is broken, empty, or more than is taken.
    """
    kind = path.suffix.lower()
    if kind not in KINDS:
        problem = f'a mesh file of kind "{path.suffix}" is not read'
        raise InputError(path, "", problem, f"give one of {', '.join(KINDS)}")
    if not path.is_file():
        raise InputError(path, "", "there is no such file", "give the path of a mesh file")
    _check_announced(path, kind)
    log = logging.getLogger("trimesh")
    level = log.level
    try:
        log.setLevel(logging.CRITICAL + 1)  # the reader tells of what it stumbles over; one sentence of ours does
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            vertices, faces = _parse(path, kind)
    except Exception as fault:  # the reader raises whatever a broken file leads it to
        problem = f"the file cannot be read as a mesh ({type(fault).__name__})"
        raise InputError(path, "", problem, "export it anew") from fault
    finally:
        log.setLevel(level)
    if len(vertices) == 0 or len(faces) == 0:
        problem = f"the file holds {len(vertices)} vertices and {len(faces)} faces"
        raise InputError(path, "", problem, "export a surface of triangles, not points or an empty scene")
    if len(faces) > MOST_FACES:
        raise InputError(path, "", f"{len(faces)} faces, and at most {MOST_FACES} are taken", "thin the mesh out first")
    n_bad = int((~np.isfinite(vertices).all(axis=1)).sum())
    if n_bad:
        raise InputError(path, "", f"{n_bad} of {len(vertices)} vertices are not finite numbers", "export it anew")
    largest = float(np.abs(vertices).max())
    if largest > MOST_NUMBER:
        problem = f"a coordinate is {largest:.3g}, and at most {MOST_NUMBER:g} is taken"
        raise InputError(path, "", problem, "export it anew")
    if faces.min() < 0 or faces.max() >= len(vertices):
        wrong = faces.min() if faces.min() < 0 else faces.max()
        raise InputError(path, "", f"a face names vertex {wrong} of {len(vertices)}", "export it anew")
    if kind == ".stl":
        vertices, faces = _weld(vertices, faces)
    vertices, faces = drop_unused(np.asarray(vertices, dtype=np.float64), faces)
    return vertices, faces


def _parse(path: Path, kind: str) -> tuple[Array, Array]:
    """What trimesh's reader of the format gives, as it is: its mesh object would hold everything three times."""
    import trimesh

    plain = read_text(path, kind)
    if plain is not None:
        return plain
    found: dict[str, Any] = {}
    with path.open("rb") as stream:
        if kind == ".ply":
            found = trimesh.exchange.ply.load_ply(stream, fix_texture=False, skip_materials=True)
        elif kind == ".stl":
            found = trimesh.exchange.stl.load_stl(stream)
        elif kind == ".obj":
            found = trimesh.exchange.obj.load_obj(stream, skip_materials=True)
    if "vertices" in found and "geometry" not in found:
        vertices, faces = found["vertices"], found.get("faces")
    else:  # several meshes, with their places in a scene
        mesh: Any = trimesh.load(str(path), process=False, force="mesh", skip_materials=True)
        vertices, faces = getattr(mesh, "vertices", None), getattr(mesh, "faces", None)
    none = np.zeros((0, 3))
    vertices = none if vertices is None else np.asarray(vertices).reshape(-1, 3)
    if vertices.dtype not in (np.float32, np.float64):
        vertices = vertices.astype(np.float64)
    faces = none.astype(np.int64) if faces is None or not len(faces) else np.asarray(faces)
    if faces.ndim == 2 and faces.shape[1] == 4:
        faces = np.concatenate([faces[:, [0, 1, 2]], faces[:, [2, 3, 0]]])
    if faces.dtype.kind not in "iu":
        raise TypeError("faces must be whole numbers")
    return vertices, faces.reshape(-1, 3)


def _check_announced(path: Path, kind: str) -> None:
    """Refuse what is too large, and a PLY whose header announces more than its bytes can hold."""
    size = path.stat().st_size
    if size == 0:
        raise InputError(path, "", "the file is empty", "export it anew")
    if size > MOST_BYTES:
        problem = f"the file has {size / 1e9:.1f} GB, and at most {MOST_BYTES / 1e9:g} are taken"
        raise InputError(path, "", problem, "thin the mesh out first, or write it as binary PLY")
    if kind != ".ply":
        return
    with path.open("rb") as stream:
        head, found, _ = stream.read(HEADER).partition(b"end_header")
    if not found or not head.startswith(b"ply"):
        raise InputError(path, "", "the file has no whole PLY header", "export it anew")
    for line in head.splitlines():
        words = line.split()
        if not words or words[0] != b"element":
            continue
        said = [word[:30].decode("ascii", "replace") for word in words[1:3]]
        if len(words) != 3 or not words[2].isdigit():
            raise InputError(path, "", f'the header announces "{" ".join(said)}"', "export it anew")
        if int(words[2][:12]) > size:
            problem = f"the header announces {said[1]} of {said[0]} in {size} bytes"
            raise InputError(path, "", problem, "the file is cut short or broken; export it anew")


def _weld(vertices: Array, faces: Array) -> tuple[Array, Array]:
    """Corners whose numbers are equal to the last bit made one, by sorting one 64-bit hash of each."""
    bits: Any = np.ascontiguousarray(vertices + 0.0).view(np.uint32 if vertices.dtype == np.float32 else np.uint64)
    key = np.zeros(len(bits), dtype=np.uint64)
    for k in range(3):
        key ^= bits[:, k]
        key *= np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
    del bits
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    del key
    rank = np.empty(len(first), dtype=np.int32)
    by_file = np.argsort(first)  # neighbours in the file are neighbours in space, and stay near in memory
    rank[by_file] = np.arange(len(first), dtype=np.int32)
    corner = rank[inverse.reshape(-1)]
    welded = vertices[first[by_file]]
    for k in range(3):
        if not np.array_equal(welded[:, k][corner], vertices[:, k]):  # two places of one hash: once in 100,000 scans
            return vertices, faces
    return welded, corner[faces]
