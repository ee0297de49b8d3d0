"""The lay plan at work: from its steps to the shape from which the sheet settles."""

from __future__ import annotations

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.body import Body
from drapesim.matter.lay import LowerStep
from drapesim.matter.plan import Scene
from drapesim.matter.sheet import Lattice

Array = np.ndarray


def start_shape(lattice: Lattice, scene: Scene) -> Array:
    """(n, 3) m: node positions after the scene's lay steps, from which the sheet is settled.

    Raises `InputError` naming the lay entry if nothing lies under the sheet, or if a step cannot follow the one before.
    """
    first, *further = scene.lay
    if further or not isinstance(first, LowerStep):
        problem = "the sheet has been lowered already"
        raise InputError(scene.path, "lay[2]", problem, 'give one step with do = "lower"')
    return lower_flat(lattice, first, scene.body, 0.5 * scene.fabric.thickness, str(scene.path), "lay[1]")


def lower_flat(
    lattice: Lattice, step: LowerStep, body: Body, half_thickness: float, file: str = "", where: str = "lay"
) -> Array:
    """(n, 3) m: the flat sheet, inner side down, its lower face ``step.clearance`` above the highest thing under it.

    ``file`` and ``where`` name the lay entry in the `InputError` that is raised if nothing lies under the sheet.
    """
    axes = flat_axes(step, lattice.inner_sign)
    plan = np.asarray(step.place) + (lattice.uv - np.asarray(step.point)) @ axes
    # Body in flat-map coordinates: there the footprint is a rectangle along the axes.
    below = (body.vertices[:, :2] - np.asarray(step.place)) @ axes.T + np.asarray(step.point)
    top = highest_under(np.column_stack([below, body.vertices[:, 2]]), body.faces, lattice.uv.max(axis=0))
    if not np.isfinite(top):
        x, y = (1e3 * value for value in step.place)
        problem = f"nothing lies under the sheet at place_mm = [{x:g}, {y:g}]; it would fall without end"
        raise InputError(file, where, problem, "move the place over the body or the support")
    return np.column_stack([plan, np.full(len(plan), top + step.clearance + half_thickness)])


def flat_axes(step: LowerStep, inner_sign: int) -> Array:
    """(2, 2): world (x, y) directions of warp and weft, as rows, of a flat sheet with its inner side down.

    The inner normal is inner_sign * (x_u x x_v) and must be -z, so weft = -inner_sign * (z x warp).
    """
    c, s = np.cos(step.turn), np.sin(step.turn)
    return np.array([[c, s], [inner_sign * s, -inner_sign * c]])


def highest_under(vertices: Array, faces: Array, size: Array) -> float:
    """Largest z (m) of the triangles inside the column over [0, size[0]] x [0, size[1]]; -inf if none reaches in.

    ``vertices`` (n, 3): the two coordinates of the column, and z. A triangle is flat, so its highest point inside
    the column is one of its corners, or where one of its edges leaves the column, or over a corner of the column.
    """
    inside = (vertices[:, :2] >= 0.0).all(1) & (vertices[:, :2] <= size).all(1)
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    top = vertices[inside & used, 2].max(initial=-np.inf)
    triangle = vertices[faces]
    near = (triangle[:, :, :2].max(1) >= 0.0).all(1) & (triangle[:, :, :2].min(1) <= size).all(1)
    triangle = triangle[near]
    return float(max(top, _highest_on_edges(triangle, size), _highest_at_corners(triangle, size)))


def _highest_on_edges(triangle: Array, size: Array) -> float:
    start = triangle.reshape(-1, 3)
    run = np.roll(triangle, -1, axis=1).reshape(-1, 3) - start
    enter, leave = np.zeros(len(start)), np.ones(len(start))
    for k in range(2):
        with np.errstate(divide="ignore", invalid="ignore"):
            at = np.stack([-start[:, k], size[k] - start[:, k]]) / run[:, k]
        level = run[:, k] == 0.0  # runs along this side: inside all the way or not at all
        within = (start[:, k] >= 0.0) & (start[:, k] <= size[k])
        enter = np.maximum(enter, np.where(level, np.where(within, 0.0, np.inf), at.min(axis=0)))
        leave = np.minimum(leave, np.where(level, np.where(within, 1.0, -np.inf), at.max(axis=0)))
    crosses = enter <= leave
    ends = np.stack([enter, leave])[:, crosses]
    return float((start[crosses, 2] + ends * run[crosses, 2]).max(initial=-np.inf))


def _highest_at_corners(triangle: Array, size: Array) -> float:
    top = -np.inf
    origin, first, second = triangle[:, 0], triangle[:, 1] - triangle[:, 0], triangle[:, 2] - triangle[:, 0]
    area = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    level = area != 0.0  # an upright triangle has its highest point on an edge
    for corner in ((0.0, 0.0), (size[0], 0.0), (0.0, size[1]), (size[0], size[1])):
        p = np.asarray(corner) - origin[level, :2]
        a = (p[:, 0] * second[level, 1] - p[:, 1] * second[level, 0]) / area[level]
        b = (first[level, 0] * p[:, 1] - first[level, 1] * p[:, 0]) / area[level]
        over = (a >= 0.0) & (b >= 0.0) & (a + b <= 1.0)
        height = origin[level, 2] + a * first[level, 2] + b * second[level, 2]
        top = max(top, float(height[over].max(initial=-np.inf)))
    return top
