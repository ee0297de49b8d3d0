"""The nearest point of a triangle mesh, without a side; and distances along it from points to every face."""

from __future__ import annotations

from typing import Any

import numpy as np

from drapesim.ground.outcome import InputError

Array = np.ndarray

MOST_STOPS = 8  # points inside each edge that a way along the surface may go through ...
LINKS = 4_000_000  # ... fewer where that would make more pieces of way than these
MOST_WALKED = 1_500_000  # faces
BLOCK = 500_000  # faces whose normals are reckoned at a time


def find_on_mesh(points: Array, vertices: Array, faces: Array) -> tuple[Array, Array, Array]:
    """(distance (n,) m, nearest point (n, 3), its face (n,) int32) of ``points`` (n, 3); exact, always positive."""
    return find_near(points, plant_mesh(vertices, faces))


def plant_mesh(vertices: Array, faces: Array) -> tuple[Any, Any]:
    """What `find_near` searches: to be kept where the same mesh is asked more than once.

    What the search needs for a side (neighbours, rings) takes most of the time on millions of faces and is left empty.
    """
    from drapesim.kernels.pairs import Surface
    from drapesim.kernels.tree import plant_tree

    vertices = np.ascontiguousarray(vertices, dtype=np.float64)
    faces = np.ascontiguousarray(faces, dtype=np.int32)
    n, m = len(vertices), len(faces)
    normal = np.empty((m, 3))
    for start in range(0, m, BLOCK):
        a, b, c = (vertices[faces[start : start + BLOCK, k]] for k in range(3))
        cross = np.cross(b - a, c - a)
        normal[start : start + BLOCK] = cross / np.linalg.norm(cross, axis=1, keepdims=True)
    surface = Surface(
        vertices=vertices, faces=faces, normal=normal, neighbour=np.full((m, 3), -1, np.int32),
        owns=np.zeros((m, 6), bool), convex=np.zeros((m, 3), bool), ring_start=np.zeros(n + 1, np.int64),
        ring=np.zeros(0, np.int64), vertex_normal=np.zeros((n, 3)), part=np.zeros(m, np.int32),
    )  # fmt: skip
    return surface, plant_tree(vertices, faces)


def find_near(points: Array, planted: tuple[Any, Any]) -> tuple[Array, Array, Array]:
    """As `find_on_mesh`, of a mesh that `plant_mesh` made ready."""
    from drapesim.kernels.distance import find_nearest

    distance, point, face = find_nearest(np.asarray(points, dtype=np.float64), *planted)
    return np.abs(distance), point, face


def measure_ways(
    starts: Array, vertices: Array, faces: Array, most: float = np.inf, start_faces: Array | None = None
) -> tuple[Array, Array]:
    """(length (m,) m, number of the start (m,)) of the shortest way along the surface from ``starts`` (k, 3) to each
    face's middle; inf and -1 where no way of at most ``most`` (m) leads.

    ``start_faces`` (k,): the face that each start lies on; found if left out. Dijkstra's search (scipy) runs over the
    corners and up to eight points inside each edge, joined straight across the faces: never shorter than the true way.
    On a sphere it is longer, from two edges on, by at most 2.5 % with eight (up to 20,000 faces are walked), by 4.1 %
    with five (to 53,000), by 5.1 % with three (to 148,000), by 13 % with one. InputError beyond ``MOST_WALKED`` faces.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import dijkstra

    if start_faces is None:
        start_faces = find_on_mesh(starts, vertices, faces)[2]
    found, whose = np.full(len(faces), np.inf), np.full(len(faces), -1)
    corner = vertices[faces]
    kept = np.arange(len(faces))
    if np.isfinite(most):  # no way is shorter than straight
        near = np.zeros(len(faces), dtype=bool)
        size = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max(axis=1)
        middle = corner.mean(axis=1)
        for start in starts:
            near |= np.linalg.norm(middle - start, axis=1) <= most + size
        near[start_faces] = True
        kept = np.flatnonzero(near)
    if len(kept) > MOST_WALKED:
        problem = f"ways along {len(kept)} faces are asked for, and at most {MOST_WALKED} are walked"
        raise InputError("", "region", problem, "thin the mesh out first, or use a ball, a box or a plane")
    stops = int(np.clip(np.sqrt(LINKS / (3 * len(kept))), 1, MOST_STOPS))
    vertex, corner_node = np.unique(faces[kept], return_inverse=True)
    corner_node = corner_node.reshape(-1, 3)
    ends = np.sort(np.stack([corner_node, np.roll(corner_node, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    edge, side = np.unique(ends, axis=0, return_inverse=True)
    low, high = vertices[vertex[edge[:, 0]]], vertices[vertex[edge[:, 1]]]
    share = np.arange(1, stops + 1) / (stops + 1)
    inside = low[:, None] + share[None, :, None] * (high - low)[:, None]
    place = np.concatenate([vertices[vertex], inside.reshape(-1, 3), np.asarray(starts, dtype=np.float64)])
    first = len(vertex)
    stop = first + stops * side.reshape(-1, 3)[:, :, None] + np.arange(stops)  # (k, 3, stops)
    chain = np.concatenate([edge[:, :1], first + stops * np.arange(len(edge))[:, None] + np.arange(stops),
                            edge[:, 1:]], axis=1)  # fmt: skip
    links = [np.stack([chain[:, :-1], chain[:, 1:]], -1).reshape(-1, 2)]
    for k in range(3):
        after = stop[:, (k + 1) % 3]
        links.append(np.stack(np.broadcast_arrays(corner_node[:, k, None], after), -1).reshape(-1, 2))
        links.append(np.stack(np.broadcast_arrays(stop[:, k, :, None], after[:, None]), -1).reshape(-1, 2))
    of_face = np.concatenate([corner_node, stop.reshape(len(kept), -1)], axis=1)
    source = len(place) - len(starts) + np.arange(len(starts))
    at = np.searchsorted(kept, start_faces)
    links += [np.stack(np.broadcast_arrays(source[:, None], of_face[at]), -1).reshape(-1, 2)]
    link = np.concatenate(links)
    length = np.maximum(np.linalg.norm(place[link[:, 0]] - place[link[:, 1]], axis=1), 1e-12)
    graph = coo_array((length, (link[:, 0], link[:, 1])), shape=(len(place),) * 2).tocsr()
    way, _, root = dijkstra(graph, directed=False, indices=source, limit=most, min_only=True, return_predecessors=True)
    middle = corner[kept].mean(axis=1)
    onward = way[of_face] + np.linalg.norm(place[of_face] - middle[:, None], axis=2)
    best = np.argmin(onward, axis=1)
    rows = np.arange(len(kept))
    found[kept] = onward[rows, best]
    whose[kept] = np.where(np.isfinite(found[kept]), root[of_face[rows, best]] - source[0], -1)
    for k, face in enumerate(start_faces):  # straight within the face itself
        straight = float(np.linalg.norm(vertices[faces[face]].mean(axis=0) - starts[k]))
        if straight < found[face]:
            found[face], whose[face] = straight, k
    beyond = found > most
    found[beyond], whose[beyond] = np.inf, -1
    return found, whose
