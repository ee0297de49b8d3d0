"""A smooth band tied round cloth and body: a taut string of constant tension over the body, in one plane.

The band lies in the plane of its line on the cloth. There it is the convex hull of the body's section (and of where
its ends are tied down): a taut string bridges hollows and only pushes. At each corner of the hull it presses with its
tension times the change of its direction. The cloth that lies nearest there bears that; where there is none, the bare
body does. So folds under a band do not lift it, and loose cloth over a hollow that it bridges does not feel it. There
is no friction along the band.

A string through the cloth's own nodes, or round the outermost of them, was tried first: right on a cylinder, but on
loose cloth so stiff across its run that forces renewed every few dozen steps threw the sheet through itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from drapesim.matter.body import Body
from drapesim.matter.lay import BindStep
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import sample_sheet
from drapesim.settling.loads import PointLoads

Array = np.ndarray

ROWS = 5  # places across the band's breadth that its force is shared by
LEAN = 0.3  # cosine: cloth that is not on the body lies under a push only if it is on that side of the body
REACH = 0.25  # m: cloth farther than this from where the band presses is not under it


@dataclass(frozen=True)
class Strap:
    """Where a band presses, and how: place (k, 3) m, push (k, 3) N."""

    place: Array
    push: Array


def line_points(lattice: Lattice, step: BindStep) -> Array:
    """(m, 2) flat-map places along the band's line, as far apart as the nodes."""
    a, b = np.asarray(step.patch[0]), np.asarray(step.patch[1])
    way = (b - a) / np.linalg.norm(b - a)
    h = float(np.abs(way) @ np.array([lattice.spacing_u, lattice.spacing_v]))
    count = max(4, round(float(np.linalg.norm(b - a)) / h))
    return a + (b - a) * (np.arange(count + 1) / count)[:, None]


def tie(lattice: Lattice, x: Array, step: BindStep, body: Body, top: float) -> Strap | None:
    """The band over ``body`` in the plane of its line, as the cloth lies at ``x``; None if that meets no body.

    ``top`` (m): height of the support, where the ends of a band that is not closed are tied down.
    """
    uv = line_points(lattice, step)
    points = sample_sheet(lattice, x, uv)[0]
    side = _side(uv)
    size = np.array(lattice.cell.shape) * np.array([lattice.spacing_u, lattice.spacing_v])
    h = min(lattice.spacing_u, lattice.spacing_v)
    before, after = (np.clip(uv + sign * h * side, 0.0, size) for sign in (-1.0, 1.0))
    normal = (sample_sheet(lattice, x, after)[0] - sample_sheet(lattice, x, before)[0]).mean(axis=0)
    normal /= np.linalg.norm(normal)
    level = np.cross([0.0, 0.0, 1.0], normal)
    level = np.array([1.0, 0.0, 0.0]) if np.linalg.norm(level) < 0.1 else level / np.linalg.norm(level)
    level -= (level @ normal) * normal
    level /= np.linalg.norm(level)
    axes = np.stack([level, np.cross(normal, level)])
    origin = points.mean(axis=0)
    section = cut_body(body, origin, normal)
    if len(section) < 3:
        return None
    tied = None
    if step.ends == "support":
        tied = len(section)
        ends = points[[0, -1]]
        ends[:, 2] = top
        section = np.concatenate([section, ends])
    flat = (section - origin) @ axes.T
    push = hull_forces(flat, step.tension, tied)
    pressing = (push != 0.0).any(axis=1)
    return Strap(origin + flat[pressing] @ axes, push[pressing] @ axes)


def hull_forces(points: Array, tension: float, tied: int | None = None) -> Array:
    """(k, 2) N on ``points`` (k, 2) m of a taut string round them; ``tied``: the two from there on are its ends."""
    force = np.zeros_like(points)
    try:
        corner = ConvexHull(points).vertices  # counter-clockwise
    except QhullError:
        return force
    run = np.roll(points[corner], -1, axis=0) - points[corner]
    run /= np.linalg.norm(run, axis=1, keepdims=True)
    force[corner] = tension * (run - np.roll(run, 1, axis=0))
    if tied is not None:
        force[tied:] = 0.0  # what they are tied to bears that
    return force


def lay_strap(lattice: Lattice, x: Array, step: BindStep, strap: Strap, share: float = 1.0) -> PointLoads:
    """What the band does to the cloth as it lies at ``x``, with ``share`` of its tension."""
    uv = line_points(lattice, step)
    points = sample_sheet(lattice, x, uv)[0]
    start, run = points[:-1], np.diff(points, axis=0)
    square = np.maximum((run**2).sum(axis=1), 1e-30)
    off = strap.place[:, None] - start
    along = np.clip((off * run).sum(axis=2) / square, 0.0, 1.0)
    distance = np.linalg.norm(off - along[..., None] * run, axis=2)
    nearest = distance.argmin(axis=1)
    rows = np.arange(len(nearest))
    part = along[rows, nearest]
    # past the line's ends the band lies on the bare body
    beyond = ((nearest == 0) & (part == 0.0)) | ((nearest == len(run) - 1) & (part == 1.0))
    h = min(lattice.spacing_u, lattice.spacing_v)
    far = distance[rows, nearest]
    to_cloth = part[:, None] * run[nearest] - off[rows, nearest]
    outward = -(to_cloth * strap.push).sum(axis=1) / np.maximum(np.linalg.norm(strap.push, axis=1), 1e-30)
    near = np.where(beyond, far < h, (far < REACH) & ((far < 0.5 * h) | (outward > LEAN * far)))
    force = np.zeros_like(points)
    for k, weight in ((0, 1.0 - part), (1, part)):
        np.add.at(force, nearest[near] + k, (share * weight[near])[:, None] * strap.push[near])
    side = _side(uv)
    size = np.array(lattice.cell.shape) * np.array([lattice.spacing_u, lattice.spacing_v])
    over = step.breadth * ((np.arange(ROWS) + 0.5) / ROWS - 0.5)
    where = np.clip(uv[:, None] + over[None, :, None] * side, 0.0, size)
    return PointLoads(where.reshape(-1, 2), (np.repeat(force[:, None], ROWS, axis=1) / ROWS).reshape(-1, 3))


def _side(uv: Array) -> Array:
    """(2,) unit direction across the line."""
    way = uv[-1] - uv[0]
    return np.asarray(np.array([-way[1], way[0]]) / np.linalg.norm(way))


def cut_body(body: Body, origin: Array, normal: Array) -> Array:
    """(k, 3) m where the edges of the body, without its support, pass through a plane."""
    of_body = ~np.array([part.is_support for part in body.parts], dtype=bool)[body.part]
    faces = body.faces[of_body]
    height = (body.vertices - origin) @ normal
    found = []
    for k in range(3):
        a, b = faces[:, k], faces[:, (k + 1) % 3]
        through = (height[a] < 0.0) != (height[b] < 0.0)
        a, b = a[through], b[through]
        share = height[a] / (height[a] - height[b])
        found.append(body.vertices[a] + share[:, None] * (body.vertices[b] - body.vertices[a]))
    points = np.concatenate(found)
    return points[np.unique(np.round(points, 9), axis=0, return_index=True)[1]]  # each edge is in two faces
