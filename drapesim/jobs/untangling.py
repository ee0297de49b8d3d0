"""Small moves of a few vertices that take crossings out of a mesh that was thinned out.

Where two sheets of the skin lie nearer to each other than the thinning out may move them, or a triangle has folded
over, some triangles cross. The surface is right within the stated distance all the same, so moves that stay within it
are fair.
"""

from __future__ import annotations

import numpy as np

from drapesim.matter.body_repair import FLAT, face_areas
from drapesim.settling.exact import count_self_crossings

Array = np.ndarray

MOST_PAIRS = 400  # beyond it a mesh is not a little tangled
ROUNDS = 16
NEAR = 6.0  # of the longest edge at the place: how far around crossings are counted
STEPS = (0.1, 0.2, 0.4)  # of the allowed move


def untangle(vertices: Array, faces: Array, pairs: Array, allowed: float) -> Array | None:
    """Moved vertices (n, 3) m of a closed mesh without crossings, or None. ``pairs`` (k, 2): its faces that cross.

    Of each crossing triangle the corners are moved toward the middle of their neighbours, inward, or outward, whichever
    leaves the fewest crossings; none farther than ``allowed`` (m) in all.
    """
    if len(pairs) > MOST_PAIRS:
        return None
    moved = vertices.copy()
    for _ in range(ROUNDS):
        tangled = np.unique(faces[pairs.ravel()])
        patch = _find_patch(moved, faces, pairs)
        best, fewest = None, len(pairs)
        for trial in _try_moves(moved, patch, tangled, allowed):
            way = trial[tangled] - vertices[tangled]
            far = np.linalg.norm(way, axis=1, keepdims=True)
            trial[tangled] = vertices[tangled] + way * np.minimum(1.0, allowed / np.maximum(far, 1e-300))
            count = count_self_crossings(trial, patch)[0]
            if count < fewest and (face_areas(trial, patch) > FLAT).all():
                best, fewest = trial, count
        if best is None:
            return None
        moved = best
        count, pairs = count_self_crossings(moved, faces)
        if not count:
            return moved
        if count > MOST_PAIRS:
            return None
    return None


def _find_patch(vertices: Array, faces: Array, pairs: Array) -> Array:
    """The faces round those that cross: crossings are counted among them, which is quick."""
    from scipy.spatial import cKDTree

    middle = vertices[faces].mean(axis=1)
    corner = vertices[faces[pairs.ravel()]]
    reach = NEAR * float(np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max())
    near = cKDTree(middle[np.unique(pairs)]).query(middle, distance_upper_bound=reach)[0] < np.inf
    return np.ascontiguousarray(faces[near])


def _try_moves(vertices: Array, patch: Array, tangled: Array, allowed: float) -> list[Array]:
    """Meshes with the ``tangled`` vertices moved in one of several ways."""
    total, number, normal = np.zeros_like(vertices), np.zeros(len(vertices)), np.zeros_like(vertices)
    a, b, c = (vertices[patch[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    for k in range(3):
        for other in (patch[:, (k + 1) % 3], patch[:, (k + 2) % 3]):
            np.add.at(total, patch[:, k], vertices[other])
            np.add.at(number, patch[:, k], 1.0)
        np.add.at(normal, patch[:, k], cross)
    middle = total[tangled] / number[tangled, None]
    normal = normal[tangled]
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    trials = []
    for way in [0.5 * (middle - vertices[tangled]), *(s * allowed * normal for s in STEPS),
                *(-s * allowed * normal for s in STEPS)]:  # fmt: skip
        trial = vertices.copy()
        trial[tangled] += way
        trials.append(trial)
    return trials
