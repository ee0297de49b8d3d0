"""What a body lies on: slab, table over a floor, floor, or a bed with a depression.

All of it is rigid, and so is the body: its weight presses nothing in. A depression is there because you state it, as
measured on the thing; the body is then let down until it first touches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.body import Body, BodyPart, placed, slab

Array = np.ndarray

CHORD = 1e-4  # m: how far the flat triangles of a depression may lie from its true shape
CELLS = (0.004, 0.03)  # m, least and largest cell of that mesh
REACH = 0.02  # m: edges of the body's underside are looked at in steps of this


@dataclass(frozen=True)
class Depression:
    """A hollow with an oval rim, ``depth`` m deep in its middle; ``length`` along x, ``width`` along y, ``middle`` m.

    Its depth at the share r of the way from the middle to the rim is depth (1 + cos(pi r)) / 2: level in the middle
    and at the rim.
    """

    depth: float
    length: float
    width: float
    middle: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Bed:
    """A bed's top: heights ``z`` (nx, ny) m over grid lines ``x`` (nx,) and ``y`` (ny,) m; each cell is two triangles,
    parted from its corner with the least x and y to the opposite one. ``low`` m is its underside."""

    x: Array
    y: Array
    z: Array
    low: float

    def height(self, points: Array) -> Array:
        """(n,) m of the top under or over ``points`` (n, 2 or 3); -inf beside the bed."""
        i = np.clip(np.searchsorted(self.x, points[:, 0], side="right") - 1, 0, len(self.x) - 2)
        j = np.clip(np.searchsorted(self.y, points[:, 1], side="right") - 1, 0, len(self.y) - 2)
        p = (points[:, 0] - self.x[i]) / (self.x[i + 1] - self.x[i])
        q = (points[:, 1] - self.y[j]) / (self.y[j + 1] - self.y[j])
        a, b, c, d = self.z[i, j], self.z[i + 1, j], self.z[i + 1, j + 1], self.z[i, j + 1]
        z = np.where(p >= q, a + p * (b - a) + q * (c - b), a + q * (d - a) + p * (c - d))
        beside = (np.minimum(p, q) < 0.0) | (np.maximum(p, q) > 1.0)
        return np.where(beside, -np.inf, z)


def shape_bed(length: float, width: float, thickness: float, top: float, hollow: Depression) -> Bed:
    """The bed's top, its middle at x = y = 0; lengths m. Raises InputError where the depression does not fit."""
    half = (0.5 * length, 0.5 * width)
    radius = (0.5 * hollow.length, 0.5 * hollow.width)
    if hollow.depth >= thickness:
        problem = f"a depression {1e3 * hollow.depth:g} mm deep goes through a bed {1e3 * thickness:g} mm thick"
        raise InputError("", "depression", problem, "give a depth_mm below the bed's thickness_mm")
    if any(abs(hollow.middle[k]) + radius[k] > half[k] for k in (0, 1)):
        problem = "the depression reaches over the edge of the bed"
        raise InputError("", "depression", problem, "make it smaller, or give another middle_mm")
    # The sharpest bend, in the middle, is depth pi^2 / (2 radius^2); a chord of it stands off by bend cell^2 / 8.
    lines = []
    for k in (0, 1):
        bend = 0.5 * hollow.depth * (np.pi / radius[k]) ** 2
        cell = float(np.clip(np.sqrt(8.0 * 0.5 * CHORD / bend), *CELLS))
        n = int(np.ceil(2.0 * radius[k] / cell))
        inner = hollow.middle[k] + np.linspace(-radius[k], radius[k], n + 1)
        lines.append(np.unique(np.concatenate([[-half[k]], inner, [half[k]]])))
    x, y = lines
    out = np.hypot((x[:, None] - hollow.middle[0]) / radius[0], (y[None, :] - hollow.middle[1]) / radius[1])
    z = top - 0.5 * hollow.depth * (1.0 + np.cos(np.pi * np.minimum(out, 1.0)))
    return Bed(x, y, z, top - thickness)


def make_bed(bed: Bed, surface: str) -> Body:
    """The bed as a closed part "support"."""
    nx, ny = bed.z.shape
    top = np.stack([*np.meshgrid(bed.x, bed.y, indexing="ij"), bed.z], axis=-1).reshape(-1, 3)
    number = np.arange(nx * ny).reshape(nx, ny)
    a, b, c, d = (part.ravel() for part in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]))
    # Counter-clockwise from above, without the last of each side, which is the first of the next.
    rim = np.concatenate([number[:-1, 0], number[-1, :-1], number[:0:-1, -1], number[0, :0:-1]])
    foot = top[rim].copy()
    foot[:, 2] = bed.low
    below = len(top) + np.arange(len(rim))
    ahead, beyond = np.roll(rim, -1), np.roll(below, -1)
    middle = np.full(len(rim), len(top) + len(rim))
    faces = [(a, b, c), (a, c, d), (rim, below, beyond), (rim, beyond, ahead), (below, middle, beyond)]
    vertices = np.concatenate([top, foot, [[*foot[:, :2].mean(axis=0), bed.low]]])
    triangles = np.concatenate([np.stack(face, axis=1) for face in faces]).astype(np.int32)
    return Body(
        vertices=vertices,
        faces=np.ascontiguousarray(triangles),
        part=np.zeros(len(triangles), np.int32),
        parts=(BodyPart("support", surface, True),),
        region=np.full(len(triangles), -1, np.int32),
    )


def make_floor(size: float, top: float, surface: str) -> Body:
    """A floor ``size`` m long and broad, its top at ``top`` m; part "floor"."""
    body = slab(size, size, 0.1, top, surface)
    return Body(body.vertices, body.faces, body.part, (BodyPart("floor", surface, True),), body.region)


def let_down(body: Body, bed: Bed) -> Body:
    """A copy moved straight up or down until it just touches the bed's top.

    Its corners, and its underside in steps of `REACH`, are held against the bed's triangles; a bed's bend between them
    makes up to 0.2 mm at the sharpest depression that is taken. Raises InputError where the body is beside the bed.
    """
    points = _underside(body)
    gap = points[:, 2] - bed.height(points)
    if not np.isfinite(gap).any():
        raise InputError("", "support", "the body lies beside the bed", "move the body, or make the bed larger")
    return placed(body, (0.0, 0.0, -float(gap.min())))


def _underside(body: Body) -> Array:
    import trimesh

    corner = body.vertices[body.faces]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    longest = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max(axis=1)
    coarse = body.faces[(normal[:, 2] < 0.0) & (longest > REACH)]
    if not len(coarse):
        return body.vertices
    more, _ = trimesh.remesh.subdivide_to_size(body.vertices, coarse, REACH, max_iter=20)
    return np.concatenate([body.vertices, more])
