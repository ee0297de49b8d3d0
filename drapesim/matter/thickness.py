"""How thick a body is: from points of its surface straight inward to the wall that faces them.

From a point the way goes against the outward normal until it meets the surface again. It counts where the wall met
there faces the point, its normal turned back by at least 120 degrees: so plates, fingers and ears count, and the sides
of an edge or a corner, which are as near to each other as one likes, do not, unless it is sharper than 60 degrees: a
wedge thins to nothing. The way is walked in steps as long as the exact distance to the surface allows, so no wall is
stepped over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from drapesim.matter.nearest import find_near, plant_mesh

Array = np.ndarray

BY_FACE, BY_AREA = 10_000, 5_000  # points: middles of faces, evenly among them; and at random, evenly by area
LOOKED_AGAIN = 10  # thinnest points round which every face within `AROUND` is looked at too
AROUND = 0.01  # m
START = 2e-5  # m, first step away from the own face
HIT = 5e-6  # m, so near to a wall the way has met it
FACING = -0.5  # cosine between the normals
MOST_STEPS = 150  # a way many times as long as it is wide is given up: it is no thin part


@dataclass(frozen=True)
class Thickness:
    """``least`` m at ``place`` (3,) m; ``by_area`` (k,) m, rising: where a wall faces them, of points even by area.

    ``share_facing``: the share of the area that has a wall to face it. ``least`` is inf where there is none.
    """

    least: float
    place: Array
    by_area: Array
    share_facing: float

    def share_below(self, width: float) -> float:
        """The share of the surface's area that is thinner than ``width`` (m)."""
        return self.share_facing * float(np.searchsorted(self.by_area, width)) / max(len(self.by_area), 1)

    def quantile(self, share: float) -> float:
        """The thickness (m) below which this share of the surface's area lies; inf beyond what has a wall to face."""
        k = int(share / max(self.share_facing, 1e-12) * len(self.by_area))
        return float(self.by_area[k]) if k < len(self.by_area) else float("inf")


def measure_thickness(vertices: Array, faces: Array, seed: int = 0) -> Thickness:
    """Thickness of closed shells with outward normals: vertices (n, 3) m, faces (m, 3). Exact to some hundredths of mm.

    The thinnest place is sought among `BY_FACE` + `BY_AREA` points and round the thinnest of them: on meshes of more
    faces a spike between the points may be missed.
    """
    planted = plant_mesh(vertices, faces)
    corner = vertices[faces]
    normal = planted[0].normal
    middle = corner.mean(axis=1)
    rng = np.random.default_rng(seed)
    area = 0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    drawn = rng.choice(len(faces), BY_AREA, p=area / area.sum())
    share = np.sqrt(rng.random(BY_AREA))[:, None]
    turn = rng.random(BY_AREA)[:, None]
    place = corner[drawn]
    points = (1.0 - share) * place[:, 0] + share * (1.0 - turn) * place[:, 1] + share * turn * place[:, 2]
    even = np.unique(np.linspace(0, len(faces) - 1, min(len(faces), BY_FACE)).astype(np.int64))
    start = np.concatenate([points, middle[even]])
    found = walk_inward(start, np.concatenate([normal[drawn], normal[even]]), planted)
    by_area = np.sort(found[:BY_AREA][np.isfinite(found[:BY_AREA])])
    if len(even) < len(faces):
        thin = np.argsort(found)[:LOOKED_AGAIN]
        near = np.zeros(len(faces), dtype=bool)
        for point in start[thin[np.isfinite(found[thin])]]:
            near |= ((middle - point) ** 2).sum(axis=1) < AROUND**2
        again = np.flatnonzero(near)
        if len(again):
            start = np.concatenate([start, middle[again]])
            found = np.concatenate([found, walk_inward(middle[again], normal[again], planted)])
    least = int(np.argmin(found))
    return Thickness(float(found[least]), start[least], by_area, len(by_area) / BY_AREA)


def walk_inward(start: Array, normal: Array, planted: tuple[Any, Any]) -> Array:
    """(n,) m from ``start`` (n, 3) against ``normal`` (n, 3) to the wall that faces it; inf where none does."""
    gone = np.full(len(start), START)
    found = np.full(len(start), np.inf)
    live = np.arange(len(start))
    for _ in range(MOST_STEPS):
        distance, _, face = find_near(start[live] - gone[live, None] * normal[live], planted)
        met = distance < HIT
        facing = np.einsum("ij,ij->i", planted[0].normal[face], normal[live]) <= FACING
        found[live[met & facing]] = gone[live[met & facing]]
        gone[live] += distance
        live = live[~met]
        if not len(live):
            break
    return found
