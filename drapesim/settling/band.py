"""A smooth band round cloth and body: a taut string of constant tension on the outermost of both, in one plane.

The band lies in the plane of its line on the cloth. There it is the convex hull of the cloth's section and the body's:
a taut string bridges hollows and only pushes. At each corner of the hull it presses with T times the change of its
direction. Cloth under it bears that; where it lies on the bare body, the body does. No friction along the band.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from drapesim.matter.body import Body
from drapesim.matter.lay import BindStep
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import sample_sheet
from drapesim.settling.loads import PointLoads

Array = np.ndarray

ROWS = 5  # places across the band's breadth that its force is shared by


def line_points(lattice: Lattice, step: BindStep) -> Array:
    """(m, 2) flat-map places along the band's line, as far apart as the nodes."""
    a, b = np.asarray(step.patch[0]), np.asarray(step.patch[1])
    way = (b - a) / np.linalg.norm(b - a)
    h = float(np.abs(way) @ np.array([lattice.spacing_u, lattice.spacing_v]))
    count = max(4, round(float(np.linalg.norm(b - a)) / h))
    return a + (b - a) * (np.arange(count + 1) / count)[:, None]


def tie_down(lattice: Lattice, x: Array, step: BindStep, top: float) -> Array | None:
    """(2, 3) m where the ends are tied to a support whose top is at ``top`` m; None for a closed band."""
    if step.ends == "round":
        return None
    ends = sample_sheet(lattice, x, np.asarray(step.patch))[0]
    ends[:, 2] = top
    return ends


def band_forces(lattice: Lattice, x: Array, step: BindStep, body: Body | None, hooks: Array | None) -> PointLoads:
    """What the band does to the cloth as it lies now; work is tension times the change of its length."""
    uv = line_points(lattice, step)
    a, b = uv[0], uv[-1]
    side = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
    points = sample_sheet(lattice, x, uv)[0]
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
    others = np.zeros((0, 2))
    if hooks is not None:
        others = (hooks - origin) @ axes.T
    elif body is not None:
        others = (cut_body(body, origin, normal) - origin) @ axes.T
    flat = np.concatenate([(points - origin) @ axes.T, others])
    push = hull_forces(flat, step.tension, len(points) if hooks is not None else None)[: len(points)]
    off = step.breadth * ((np.arange(ROWS) + 0.5) / ROWS - 0.5)
    where = np.clip(uv[:, None] + off[None, :, None] * side, 0.0, size)
    force = np.repeat((push @ axes)[:, None], ROWS, axis=1) / ROWS
    return PointLoads(where.reshape(-1, 2), force.reshape(-1, 3))


def hull_forces(points: Array, tension: float, tied: int | None) -> Array:
    """(k, 2) N on ``points`` (k, 2) m of a taut string round them; ``tied``: the two from there on are its ends."""
    force = np.zeros_like(points)
    try:
        corner = ConvexHull(points).vertices  # counter-clockwise
    except QhullError:
        return force
    run = np.roll(points[corner], -1, axis=0) - points[corner]
    run /= np.linalg.norm(run, axis=1, keepdims=True)
    if tied is not None:
        start, end = corner, np.roll(corner, -1)
        between = (start >= tied) & (end >= tied)
        run[between] = 0.0  # from one end to the other there is no band
    force[corner] = tension * (run - np.roll(run, 1, axis=0))
    return force


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
    return np.concatenate(found)
