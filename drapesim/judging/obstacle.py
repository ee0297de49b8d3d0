"""A body as an obstacle for strings: its surface with edges halved where they matter, in groups, and how deep it is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.kernels.taut import find_seen
from drapesim.mechanics.body_contact import BodyField
from drapesim.mechanics.contact_list import face_neighbours
from drapesim.settling.exact import measure_distance

Array = np.ndarray

MOST_FACES = 150_000
EDGE = (0.004, 0.012)  # m: edges longer than a share of the body's size within these limits are halved
RIM = 0.0015  # m: edges at the rim of a round place are halved down to this, and others to
GRADE = 0.2  # times their distance from the rim: a level is too steep by some (edge / distance)^2
FLIPS, FLAT = 40, 1e-12  # rounds of turning edges; 1 - cosine within which two faces lie in one plane
CELL = 0.006  # m, least cell of the grid that tells how deep the body is
MOST_CELLS = 3_000_000
CLUSTER = 32  # faces or vertices that are looked at together


@dataclass(frozen=True)
class Place:
    """A part of the body: whole ``faces`` (of the body), or all of its surface within ``radius`` m of ``centre``."""

    name: str
    faces: Array | None = None
    centre: Array | None = None
    radius: float = 0.0


@dataclass(frozen=True)
class Clusters:
    """``order`` (k,) in groups from ``first`` (c + 1,); each has its ``middle`` (c, 3) and ``width`` (c,) m.

    Normals of its members are within the angle ``spread`` (c,) of ``axis`` (c, 3). of (n,): the group that each is in;
    seen (c, c) bool: may anything of two groups see each other? False only where the body is certain to be between.
    """

    first: Array
    order: Array
    middle: Array
    width: Array
    axis: Array
    spread: Array
    of: Array
    seen: Array


@dataclass(frozen=True)
class Obstacle:
    """A closed surface to run strings round: vertices x (n, 3) m, faces (m, 3) with the body's face each is part of.

    apex (m, 3), ring_start, ring, normal, centre, radius, size: see `drapesim.kernels.taut`. depth: on a grid with the
    corner ``low`` (3,) and the step ``step`` m, how deep inside the body its points lie (m, negative outside).
    """

    field: BodyField
    x: Array
    faces: Array
    parent: Array
    apex: Array
    ring_start: Array
    ring: Array
    normal: Array
    centre: Array
    radius: Array
    size: Array
    depth: Array
    low: Array
    step: float
    of_faces: Clusters
    of_vertices: Clusters


def build_obstacle(field: BodyField, places: Sequence[Place] = (), finest: float = EDGE[0]) -> Obstacle:
    """The faces in the tree of ``field`` (the figure's, without the support), long edges halved.

    Edges are the finer the nearer they are to the rim of a round one of the ``places``. ``finest`` m: the least length
    that edges elsewhere are halved for; less proves more, and takes longer.

    Raises `InputError` for a body of more than `MOST_FACES` faces.
    """
    kept = np.sort(np.concatenate([field.tree.order, field.tree.large]))
    used, faces = np.unique(field.surface.faces[kept], return_inverse=True)
    x, faces, parent = field.surface.vertices[used], faces.reshape(-1, 3), kept
    extent = np.ptp(x, axis=0)
    longest = float(np.clip(extent.max() / 30.0, finest, EDGE[1]))
    rims = [(place.centre, place.radius) for place in places if place.centre is not None]

    def find_longest(middle: Array) -> Array:
        wanted = np.full(len(middle), longest)
        for centre, radius in rims:
            off = np.abs(np.linalg.norm(middle - centre, axis=1) - radius)
            wanted = np.minimum(wanted, np.maximum(RIM, GRADE * off))
        return wanted

    alike = np.zeros(len(field.surface.faces), dtype=np.int64)  # faces of the same places
    for place in places:
        if place.faces is not None:
            alike[place.faces] = 1 + np.unique(2 * alike[place.faces], return_inverse=True)[1] + alike.max()
    x, faces, parent = halve_edges(x, faces, parent, find_longest, alike)
    if len(faces) > MOST_FACES:
        problem = f"strings are run round at most {MOST_FACES} faces, and the body has {len(faces)}"
        raise InputError("", "body", problem, "thin it out with drapesim body scan --error-mm")
    faces = np.ascontiguousarray(faces, dtype=np.int64)
    neighbour = face_neighbours(faces.astype(np.int32))
    apex = np.full(faces.shape, -1, dtype=np.int64)
    for k in range(3):  # across the edge opposite to corner k, which runs from corner k + 1 to k + 2
        across = neighbour[:, (k + 1) % 3]
        there = across >= 0
        other = faces[across[there]]
        u, w = faces[there, (k + 1) % 3], faces[there, (k + 2) % 3]
        apex[there, k] = other[np.arange(len(other)), np.argmax((other != u[:, None]) & (other != w[:, None]), axis=1)]
    corner = x[faces]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    centre = corner.mean(axis=1)
    radius = np.linalg.norm(corner - centre[:, None], axis=2).max(axis=1)
    by_vertex = np.argsort(faces.ravel(), kind="stable")
    ring_start = np.searchsorted(faces.ravel()[by_vertex], np.arange(len(x) + 1))
    edge = np.linalg.norm(corner - np.roll(corner, -1, axis=1), axis=2)
    size = np.zeros(len(x))
    for k in range(3):
        np.maximum.at(size, faces[:, k], 0.6 * np.maximum(edge[:, k], edge[:, k - 1]))
    step = max(CELL, float((np.prod(extent + 0.02) / MOST_CELLS) ** (1 / 3)))
    low = x.min(axis=0) - step
    counts = np.ceil((extent + 2.0 * step) / step).astype(int) + 1
    grid = low + step * np.stack(np.meshgrid(*[np.arange(n) for n in counts], indexing="ij"), axis=-1).reshape(-1, 3)
    depth = np.ascontiguousarray(-measure_distance(grid, field)[0].reshape(counts))
    deep = depth, low, step
    return Obstacle(
        field, np.ascontiguousarray(x), faces, parent, apex, ring_start, by_vertex // 3, np.ascontiguousarray(normal),
        np.ascontiguousarray(centre), radius, size, depth, low, step,
        gather(centre, radius, normal, deep), gather(x, 0.5 * size, None, deep),
    )  # fmt: skip


def halve_edges(
    x: Array, faces: Array, parent: Array, longest: Callable[[Array], Array], alike: Array
) -> tuple[Array, Array, Array]:
    """Corners (n, 3) m, faces (m, 3) and each one's ``parent``, halved until no edge exceeds ``longest`` m there.

    An edge is halved for both its faces at once, so that none ends in the middle of another. Between halvings faces in
    one plane, whose parents are ``alike`` (equal numbers), are made compact (`flip_flat`): halves of slender faces are
    as slender, and a level is too steep on them.
    """
    while True:
        faces = flip_flat(x, faces, alike[parent])
        ends = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2), axis=2)
        edge, side = np.unique(ends.reshape(-1, 2), axis=0, return_inverse=True)
        length = np.linalg.norm(x[edge[:, 1]] - x[edge[:, 0]], axis=1)
        side = side.reshape(-1, 3)
        # Only the longest edge of a face is halved at a time: its pieces keep their shape.
        wanted = np.zeros(len(edge), dtype=bool)
        wanted[side[np.arange(len(faces)), np.argmax(length[side], axis=1)]] = True
        wanted &= length > longest(x[edge].mean(axis=1))
        if not wanted.any():
            return x, faces, parent
        middle = np.full(len(edge), -1)
        middle[wanted] = len(x) + np.arange(int(wanted.sum()))
        x = np.concatenate([x, x[edge[wanted]].mean(axis=1)])
        while wanted.any():
            halved = middle[side]
            cut = (halved >= 0).any(axis=1)
            k = np.argmax(np.where(halved >= 0, length[side], -1.0), axis=1)[cut]
            rows = np.flatnonzero(cut)
            a, b, c = (faces[rows, (k + d) % 3] for d in range(3))
            m = halved[rows, k]
            fresh = np.concatenate([np.stack([a, m, c], axis=1), np.stack([m, b, c], axis=1)])
            faces = np.concatenate([faces[~cut], fresh])
            parent = np.concatenate([parent[~cut], parent[rows], parent[rows]])
            ends = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2), axis=2).reshape(-1, 2)
            known = {(int(p), int(q)): int(m) for (p, q), m in zip(edge, middle, strict=True) if m >= 0}
            edge, side = np.unique(ends, axis=0, return_inverse=True)
            side = side.reshape(-1, 3)
            length = np.linalg.norm(x[edge[:, 1]] - x[edge[:, 0]], axis=1)
            middle = np.array([known.get((int(p), int(q)), -1) for p, q in edge])
            wanted = middle >= 0


def flip_flat(x: Array, faces: Array, alike: Array) -> Array:
    """``faces`` (m, 3) with edges between two that lie in one plane turned where that makes them more compact.

    The surface stays as it is. An edge is turned where the angles across it add up to more than 180 degrees, as
    Delaunay triangulations are made (Lawson 1977; from memory), between faces with equal ``alike`` (m,) alone.
    """
    faces = faces.copy()
    for _ in range(FLIPS):
        corner = x[faces]
        normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
        neighbour = face_neighbours(faces.astype(np.int32))
        f, k = np.nonzero(neighbour > np.arange(len(faces))[:, None])
        g = neighbour[f, k]
        flat = (alike[f] == alike[g]) & (np.einsum("ec,ec->e", normal[f], normal[g]) > 1.0 - FLAT)
        f, k, g = f[flat], k[flat], g[flat]
        u, w, a = (faces[f, (k + d) % 3] for d in range(3))
        b = faces[g].sum(axis=1) - u - w
        wide = _angle(x, a, u, w) + _angle(x, b, u, w) - np.pi
        order = np.argsort(-wide, kind="stable")
        order = order[wide[order] > 1e-6]
        first = np.full(len(faces), len(order))
        np.minimum.at(first, np.concatenate([f[order], g[order]]), np.tile(np.arange(len(order)), 2))
        rank = np.arange(len(order))
        chosen = order[(first[f[order]] == rank) & (first[g[order]] == rank)]  # each face takes part once
        if not len(chosen):
            break
        u, w, a, b = u[chosen], w[chosen], a[chosen], b[chosen]
        faces[f[chosen]] = np.stack([u, b, a], axis=1)
        faces[g[chosen]] = np.stack([b, w, a], axis=1)
    return faces


def _angle(x: Array, at: Array, one: Array, two: Array) -> Array:
    p, q = x[one] - x[at], x[two] - x[at]
    return np.asarray(np.arctan2(np.linalg.norm(np.cross(p, q), axis=1), np.einsum("ec,ec->e", p, q)))


def gather(points: Array, radius: Array, normal: Array | None, deep: tuple[Array, Array, float]) -> Clusters:
    """Groups of up to `CLUSTER` neighbours of ``points`` (n, 3) m, balls with ``radius`` (n,) m.

    ``deep``: the obstacle's grid, its low corner and step.
    """
    groups = [np.arange(len(points))]
    done: list[Array] = []
    while groups:
        group = groups.pop()
        if len(group) <= CLUSTER:
            done.append(group)
            continue
        axis = int(np.argmax(np.ptp(points[group], axis=0)))
        group = group[np.argsort(points[group, axis], kind="stable")]
        groups += [group[: len(group) // 2], group[len(group) // 2 :]]
    middle = np.array([points[group].mean(axis=0) for group in done])
    width = np.array(
        [(np.linalg.norm(points[g] - m, axis=1) + radius[g]).max() for g, m in zip(done, middle, strict=True)]
    )
    axes, spread = np.zeros((len(done), 3)), np.full(len(done), np.pi)
    if normal is not None:
        axes = np.array([normal[group].mean(axis=0) for group in done])
        axes /= np.maximum(np.linalg.norm(axes, axis=1, keepdims=True), 1e-12)
        least = [float((normal[group] @ a).min()) for group, a in zip(done, axes, strict=True)]
        spread = np.arccos(np.clip(least, -1.0, 1.0)) + 1e-7
    of = np.empty(len(points), dtype=np.int64)
    of[np.concatenate(done)] = np.repeat(np.arange(len(done)), [len(group) for group in done])
    seen = np.empty((len(done), len(done)), dtype=np.bool_)
    find_seen(middle, width, *deep, seen)
    return Clusters(np.cumsum([0, *map(len, done)]), np.concatenate(done), middle, width, axes, spread, of, seen)
