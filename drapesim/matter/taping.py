"""Taping a mesh: the girth that a tape measure reads round a section, and lengths across it.

A tape spans hollows: its length is the perimeter of the convex hull of the section.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import InputError

Array = np.ndarray


@dataclass(frozen=True)
class Tape:
    """Where a girth is taken: the plane through ``origin`` (3,) m, inside the part, square to ``normal`` (3,)."""

    origin: Array
    normal: Array


def hull_perimeter(points: Array) -> float:
    """Perimeter (m) of the convex hull of ``points`` (n, 2) m."""
    from scipy.spatial import ConvexHull

    return float(ConvexHull(points).area)  # scipy calls the perimeter of a flat hull its area


def plane_axes(normal: Array) -> Array:
    """(2, 3) two directions that span the plane square to ``normal``."""
    normal = normal / np.linalg.norm(normal)
    first = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(normal, first)])


def cut_section(vertices: Array, faces: Array, tape: Tape) -> Array:
    """The outline round the tape's origin, (n, 2) m in `plane_axes` from the origin; vertices (n, 3) m, faces (m, 3).

    Raises InputError where no outline goes round the origin: it is not inside the part.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    height = (vertices - tape.origin) @ (tape.normal / np.linalg.norm(tape.normal))
    height = np.where(np.abs(height) < 1e-12, 1e-12, height)  # no vertex lies in the plane itself
    above = height > 0.0
    cut = faces[(above[faces].sum(axis=1) % 3) != 0].astype(np.int64)
    start, end = cut, np.roll(cut, -1, axis=1)
    crosses = above[start] != above[end]
    keys = np.minimum(start, end) * len(vertices) + np.maximum(start, end)
    edges, number = np.unique(keys[crosses], return_inverse=True)
    pair = number.reshape(-1, 2)  # each cut face has two crossed edges, in the order of its corners
    a, b = edges // len(vertices), edges % len(vertices)
    share = (height[a] / (height[a] - height[b]))[:, None]
    flat = (vertices[a] + share * (vertices[b] - vertices[a]) - tape.origin) @ plane_axes(tape.normal).T
    ones = np.ones(len(pair))
    _, label = connected_components(
        coo_matrix((ones, (pair[:, 0], pair[:, 1])), shape=(len(edges),) * 2), directed=False
    )
    # Each face runs from the edge where its outline goes up to where it goes down, so that angles add up to a turn.
    first_up = above[end[crosses].reshape(-1, 2)[:, 0]]
    ends = np.where(first_up[:, None], pair, pair[:, ::-1])
    p, q = flat[ends[:, 0]], flat[ends[:, 1]]
    angle = np.arctan2(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0], (p * q).sum(axis=1))
    turns = np.abs(np.bincount(label[ends[:, 0]], angle)) / (2.0 * np.pi)
    round_it = np.nonzero(turns > 0.5)[0]
    if len(round_it) == 0:
        raise InputError("", "tape", "no outline goes round the tape's place", "place it inside the part to be taped")
    size = [np.linalg.norm(flat[label == each], axis=1).max() for each in round_it]
    return flat[label == round_it[int(np.argmin(size))]]


def tape_girth(vertices: Array, faces: Array, tape: Tape) -> float:
    """Girth (m) that a tape reads in the plane of ``tape`` round its origin."""
    return hull_perimeter(cut_section(vertices, faces, tape))
