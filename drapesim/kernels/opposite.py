"""The other layer: for points of a sheet, the nearest other part of the same sheet that lies across from each face.

Every part of a sheet is near itself, so what counts as another layer has to be said. A point q of the sheet lies
across from p if it is nearer to p than all that surrounds it on the sheet, so that the straight way stands upright
on it or ends at a hem; if that way stands on both faces rather than leaving along them, its cosine with either normal
being at least `FACING`; and if the way along the cloth is more than `ROUND` times as long. Half a turn of cloth round a
roll is the border case of the last (pi r along, 2 r across); two flaps of a crease are one another's layers where they
open by less than 60 degrees. The rules are ours, no source. Without the first of them, flaps that open by more would be
given ways at a slant, as long as the other rules just allow.
"""

from __future__ import annotations

import math

import numpy as np

from drapesim.kernels.distance import (
    AT_VERTEX,
    CHUNKS,
    IN_FACE,
    ON_EDGE,
    ROUNDING,
    box_distance_sq,
    curve_order,
    nearest_on_triangle,
)
from drapesim.kernels.jit import kernel, parallel_kernel, prange
from drapesim.kernels.tree import LEAF, STACK, Tree

ROUND = 0.5 * math.pi
FACING = 0.5
AS_NEAR = 1.0 - 1e-9  # squared distances that differ by less are one, by rounding
MOST_ROUND = 64  # triangles round a corner
SAME = 1e-9  # m: two points of the sheet that are nearer to each other on the flat map are one


@kernel
def weigh_in_triangle(q, f, vertices, triangles, weight):
    """Barycentric ``weight`` (3,) of the point q (3,) of triangle f, each 0 or more, summing to 1."""
    a = triangles[f, 0]
    b = triangles[f, 1]
    c = triangles[f, 2]
    uu = 0.0
    uv = 0.0
    vv = 0.0
    ru = 0.0
    rv = 0.0
    for k in range(3):
        u = vertices[b, k] - vertices[a, k]
        v = vertices[c, k] - vertices[a, k]
        r = q[k] - vertices[a, k]
        uu += u * u
        uv += u * v
        vv += v * v
        ru += r * u
        rv += r * v
    det = uu * vv - uv * uv
    s = min(max((ru * vv - rv * uv) / det, 0.0), 1.0)
    t = min(max((rv * uu - ru * uv) / det, 0.0), 1.0 - s)
    weight[0] = 1.0 - s - t
    weight[1] = s
    weight[2] = t


@kernel
def is_nearest_around(px, py, pz, d, f, feature, vertices, triangles, normal, neighbour):
    """True if no triangle that has the nearest ``feature`` of f too comes nearer to the point than sqrt(d)."""
    if feature == IN_FACE:
        return True
    limit = AS_NEAR * d
    if feature < AT_VERTEX:
        g = neighbour[f, feature - ON_EDGE]
        return g < 0 or nearest_on_triangle(px, py, pz, g, vertices, triangles, normal, np.inf)[0] >= limit
    corner = triangles[f, feature - AT_VERTEX]
    for side in range(2):  # round the corner one way until the hem or back again, then the other way
        g = np.int64(f)
        for _ in range(MOST_ROUND):
            k = 0
            while triangles[g, k] != corner:
                k += 1
            g = np.int64(neighbour[g, k if side == 0 else (k + 2) % 3])
            if g < 0 or g == f:
                break
            if nearest_on_triangle(px, py, pz, g, vertices, triangles, normal, np.inf)[0] < limit:
                return False
    return True


@parallel_kernel
def opposite_into(
    distance_out, triangle_out, weight_out, cosine_out, point, uv, way, vertices, flat, triangles, normal, neighbour,
    tree, reach,
):  # fmt: skip
    """The nearest other layer over each face of every point; see the top of this file.

    ``point`` (n, 3) m, ``uv`` (n, 2) m, ``way`` (n, 3) unit normals out of face 0; face 1 is the other one. The sheet:
    ``vertices`` (k, 3) m, ``flat`` (k, 2) m, ``triangles`` (t, 3), ``normal`` (t, 3) unit,
    ``neighbour`` (t, 3) across edge k from corner k to k + 1 (-1: hem). Written: distance (n, 2) m
    (inf: none within ``reach``), triangle (n, 2) (-1), weight (n, 2, 3), and the cosine (n, 2) between the triangle's
    normal and the way from it to the point.
    """
    n = point.shape[0]
    n_leaves = tree.low.shape[0] // 2
    n_order = tree.order.shape[0]
    for chunk in prange(CHUNKS):
        stack = np.empty(STACK, np.int64)
        q = np.empty(3)
        weight = np.empty(3)
        for i in range(chunk * n // CHUNKS, (chunk + 1) * n // CHUNKS):
            px = point[i, 0]
            py = point[i, 1]
            pz = point[i, 2]
            for side in range(2):
                distance_out[i, side] = reach * reach
                triangle_out[i, side] = -1
                for k in range(3):
                    weight_out[i, side, k] = 0.0
                cosine_out[i, side] = 0.0
            n_large = tree.large.shape[0]
            stack[0] = 1
            top = 1 if n_order > 0 else 0
            turn = 0
            while top > 0 or turn < n_large:
                # the few large triangles first, each as a leaf of its own
                if turn < n_large:
                    first = turn
                    last = turn + 1
                    is_large = True
                    turn += 1
                else:
                    is_large = False
                    top -= 1
                    at = stack[top]
                    limit = max(distance_out[i, 0], distance_out[i, 1])
                    if box_distance_sq(tree.low, tree.high, at, px, py, pz) > limit * ROUNDING:
                        continue
                    if at < n_leaves:
                        stack[top] = 2 * at + 1
                        stack[top + 1] = 2 * at
                        top += 2
                        continue
                    first = (at - n_leaves) * LEAF
                    last = min(first + LEAF, n_order)
                for s in range(first, last):
                    f = tree.large[s] if is_large else tree.order[s]
                    limit = max(distance_out[i, 0], distance_out[i, 1])
                    d, qx, qy, qz, feature = nearest_on_triangle(
                        px, py, pz, f, vertices, triangles, normal, limit * ROUNDING
                    )
                    if d > limit or d <= 0.0:
                        continue
                    size = math.sqrt(d)
                    rx = (qx - px) / size
                    ry = (qy - py) / size
                    rz = (qz - pz) / size
                    along = rx * way[i, 0] + ry * way[i, 1] + rz * way[i, 2]
                    if abs(along) < FACING:
                        continue
                    side = 0 if along > 0.0 else 1
                    best = distance_out[i, side]
                    # among equals the lowest number, whatever the order of the walk
                    if d > best or (d == best and triangle_out[i, side] >= 0 and f > triangle_out[i, side]):
                        continue
                    cosine = -(rx * normal[f, 0] + ry * normal[f, 1] + rz * normal[f, 2])
                    if abs(cosine) < FACING:
                        continue
                    if not is_nearest_around(px, py, pz, d, f, feature, vertices, triangles, normal, neighbour):
                        continue
                    q[0] = qx
                    q[1] = qy
                    q[2] = qz
                    weigh_in_triangle(q, f, vertices, triangles, weight)
                    du = -uv[i, 0]
                    dv = -uv[i, 1]
                    for k in range(3):
                        du += weight[k] * flat[triangles[f, k], 0]
                        dv += weight[k] * flat[triangles[f, k], 1]
                    way_along = math.sqrt(du * du + dv * dv)
                    if way_along <= SAME or way_along <= ROUND * size:
                        continue
                    distance_out[i, side] = d
                    triangle_out[i, side] = f
                    cosine_out[i, side] = cosine
                    for k in range(3):
                        weight_out[i, side, k] = weight[k]
            for side in range(2):
                if triangle_out[i, side] < 0:
                    distance_out[i, side] = np.inf
                else:
                    distance_out[i, side] = math.sqrt(distance_out[i, side])


def find_opposite(
    point: np.ndarray,
    uv: np.ndarray,
    way: np.ndarray,
    vertices: np.ndarray,
    flat: np.ndarray,
    triangles: np.ndarray,
    normal: np.ndarray,
    neighbour: np.ndarray,
    tree: Tree,
    reach: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(distance (n, 2) m, triangle (n, 2) int32, weight (n, 2, 3), cosine (n, 2)): see `opposite_into`."""
    order = curve_order(point)
    n = len(point)
    p, at, out = (np.ascontiguousarray(array[order], dtype=np.float64) for array in (point, uv, way))
    distance, triangle = np.empty((n, 2)), np.empty((n, 2), np.int32)
    weight, cosine = np.empty((n, 2, 3)), np.empty((n, 2))
    opposite_into(
        distance, triangle, weight, cosine, p, at, out, vertices, flat, triangles, normal, neighbour, tree, reach
    )
    back = np.empty_like(order)
    back[order] = np.arange(n)
    return distance[back], triangle[back], weight[back], cosine[back]
