"""Colours of a body: those of a mesh file brought onto the body of a run, wherever that has been set down."""

from __future__ import annotations

import logging
import tomllib
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.judging.transfer import Laid, weigh_in_triangle
from drapesim.matter.body import find_upright
from drapesim.matter.nearest import find_near, plant_mesh
from drapesim.settling.archive import Run

Array = np.ndarray

KINDS = (".ply", ".obj", ".glb")  # that can hold colours
OFF = 3e-3  # m: nineteen in twenty corners of the body must lie this near to the coloured surface


def read_colours(path: Path) -> tuple[Array, Array, Array]:
    """(vertices (n, 3), faces (m, 3), colours (n, 3) 0..255) of a mesh with colours at its corners, or with a picture.

    Raises `InputError` for a file that is missing, no mesh, or has no colours.
    """
    import trimesh

    if not path.exists():
        raise InputError("", "--texture", f"there is no file {path}", "check the path")
    log = logging.getLogger("trimesh")
    level = log.level
    try:
        log.setLevel(logging.CRITICAL + 1)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            mesh: Any = trimesh.load(path, force="mesh", process=False)
            has_colours = bool(mesh.visual.defined)
            visual = mesh.visual.to_color() if mesh.visual.kind == "texture" else mesh.visual
            colours = np.asarray(visual.vertex_colors)[:, :3]
            vertices, faces = np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces, dtype=np.int32)
    except Exception as fault:  # the reader raises whatever a broken file leads it to
        problem = f"the file cannot be read as a mesh ({type(fault).__name__})"
        raise InputError(path, "--texture", problem, "export it anew") from fault
    finally:
        log.setLevel(level)
    if not has_colours or len(colours) != len(vertices) or not len(faces):
        raise InputError(path, "--texture", "the mesh holds no colours", "export it with colours or its picture")
    if not np.isfinite(vertices).all():
        raise InputError(path, "--texture", "the mesh has corners that are no numbers", "export it anew")
    return vertices, faces, colours.astype(np.float64)


def paint_body(run: Run, laid: Laid, path: Path) -> Array:
    """(vertices, 3) in 0..255: the colours of the mesh ``path`` at the corners of the run's body.

    The mesh has the axes of the scene's own body file (of a figure: as `drapesim body figure` writes it), any unit; it
    is turned as the scene turns its body, and scaled and set down by its extent. Raises `InputError` where it does not
    then lie on the body.
    """
    vertices, faces, colours = read_colours(path)
    body = tomllib.loads(run.scene_text).get("body", {})
    table = body.get("mesh") or body.get("adult") or {}
    angle = np.radians(float(table.get("turn_deg", 0.0)))
    turn = np.array([[np.cos(angle), -np.sin(angle), 0.0], [np.sin(angle), np.cos(angle), 0.0], [0.0, 0.0, 1.0]])
    stood = vertices @ (turn @ find_upright(path, body.get("mesh", {}).get("up"))).T
    surface, tree = laid.field.surface, laid.field.tree
    used = np.unique(surface.faces[np.concatenate([tree.order, tree.large])])
    wanted = surface.vertices[used]
    low, high = stood[np.unique(faces)].min(axis=0), stood[np.unique(faces)].max(axis=0)
    scale = float(np.linalg.norm(np.ptp(wanted, axis=0))) / max(float(np.linalg.norm(high - low)), 1e-300)
    middle = np.array([*(0.5 * (low + high)[:2]), low[2]])
    goal = np.array([*(0.5 * (wanted.min(axis=0) + wanted.max(axis=0))[:2]), wanted[:, 2].min()])
    stood = (stood - middle) * scale + goal
    far, at, face = find_near(wanted, plant_mesh(stood, faces))
    off = float(np.quantile(far, 0.95))
    if off > OFF:
        problem = f"set down as the scene's body it lies off that by up to {1e3 * off:.0f} mm"
        raise InputError(path, "--texture", problem, "give the scene's body file itself, coloured, in its own axes")
    out = np.zeros((len(surface.vertices), 3))
    out[used] = np.einsum("kc,kcd->kd", weigh_in_triangle(at, stood[faces[face]]), colours[faces[face]])
    return out
