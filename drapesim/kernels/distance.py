"""Exact distances to a triangle mesh: nearest point with sign, and closest approach of another mesh.

The sign comes from the nearest feature's pseudonormal: the face normal inside a face, the mean of the two face normals
on an edge, the angle-weighted vertex normal at a vertex (Baerentzen and Aanaes, IEEE Trans. Vis. Comput. Graph. 11
(2005) 243, from memory). It is right for a closed shell with outward normals. Where shells overlap it is right outside
all of them; inside, a hidden part of a surface may be the nearest.
"""

from __future__ import annotations

import math

import numpy as np

from drapesim.kernels.jit import bare_kernel, parallel_kernel, prange
from drapesim.kernels.pairs import Surface
from drapesim.kernels.tree import LEAF, STACK, Tree, bound_triangle, curve_codes_into, find_in_box

CHUNKS = 256  # turns of the parallel loop; fixed, so that the answer does not depend on the number of threads
ROUNDING = 1.0 + 1e-12  # a box may seem farther than a triangle in it by this factor
NEARLY_PARALLEL_SQ = 1e-16  # sine squared; the ends of such edges are as near as their insides, within 1e-8 of a length
IN_FACE, ON_EDGE, AT_VERTEX = 0, 1, 4  # nearest feature: face; edge k: 1 + k; corner k: 4 + k


@bare_kernel
def nearest_on_triangle(px, py, pz, f, vertices, faces, normal, limit):
    """(squared distance, qx, qy, qz, feature) of the nearest point q of triangle f; (inf, ...) if beyond ``limit``."""
    a = faces[f, 0]
    nx = normal[f, 0]
    ny = normal[f, 1]
    nz = normal[f, 2]
    h = nx * (px - vertices[a, 0]) + ny * (py - vertices[a, 1]) + nz * (pz - vertices[a, 2])
    if h * h > limit:
        return np.inf, px, py, pz, IN_FACE
    best = np.inf
    qx = px - h * nx
    qy = py - h * ny
    qz = pz - h * nz
    feature = IN_FACE
    inside = True
    for k in range(3):
        i = faces[f, k]
        j = faces[f, k + 1 if k < 2 else 0]
        ex = vertices[j, 0] - vertices[i, 0]
        ey = vertices[j, 1] - vertices[i, 1]
        ez = vertices[j, 2] - vertices[i, 2]
        rx = px - vertices[i, 0]
        ry = py - vertices[i, 1]
        rz = pz - vertices[i, 2]
        if nx * (ey * rz - ez * ry) + ny * (ez * rx - ex * rz) + nz * (ex * ry - ey * rx) >= 0.0:
            continue  # the nearest point lies on an edge that the point sees from outside, or in the face
        inside = False
        along = ex * rx + ey * ry + ez * rz
        length_sq = ex * ex + ey * ey + ez * ez
        at = ON_EDGE + k
        if along <= 0.0:
            along = 0.0
            at = AT_VERTEX + k
        elif along >= length_sq:
            along = 1.0
            at = AT_VERTEX + (k + 1 if k < 2 else 0)
        else:
            along /= length_sq
        dx = rx - along * ex
        dy = ry - along * ey
        dz = rz - along * ez
        distance_sq = dx * dx + dy * dy + dz * dz
        if distance_sq < best:
            best = distance_sq
            qx = px - dx
            qy = py - dy
            qz = pz - dz
            feature = at
    if inside:
        best = h * h
    return best, qx, qy, qz, feature


@bare_kernel
def side_of_feature(dx, dy, dz, f, feature, surface):
    """Scalar product of d (from the nearest point to the query) and the nearest feature's pseudonormal."""
    if feature >= AT_VERTEX:
        n = surface.vertex_normal[surface.faces[f, feature - AT_VERTEX]]
        return dx * n[0] + dy * n[1] + dz * n[2]
    n = surface.normal[f]
    side = dx * n[0] + dy * n[1] + dz * n[2]
    if feature >= ON_EDGE:
        g = surface.neighbour[f, feature - ON_EDGE]
        if g >= 0:
            m = surface.normal[g]
            side += dx * m[0] + dy * m[1] + dz * m[2]
    return side


@bare_kernel
def box_distance_sq(low, high, at, px, py, pz):
    """Squared distance from a point to box ``at`` (0 inside, inf for an empty box)."""
    dx = max(low[at, 0] - px, 0.0, px - high[at, 0])
    dy = max(low[at, 1] - py, 0.0, py - high[at, 1])
    dz = max(low[at, 2] - pz, 0.0, pz - high[at, 2])
    return dx * dx + dy * dy + dz * dz


@bare_kernel
def nearest_face(px, py, pz, guess, node, reach, surface, tree):
    """(squared distance, face, qx, qy, qz, feature): the nearest face, lowest number first among equals.

    ``guess``: a face to try first (-1: none); it changes the speed and not the answer. ``node``, ``reach``: scratch.
    """
    best = np.inf
    face = -1
    bx = px
    by = py
    bz = pz
    kind = IN_FACE
    if guess >= 0:
        best, bx, by, bz, kind = nearest_on_triangle(
            px, py, pz, guess, surface.vertices, surface.faces, surface.normal, np.inf
        )
        face = guess
    for s in range(tree.large.shape[0]):
        f = tree.large[s]
        d, qx, qy, qz, feature = nearest_on_triangle(
            px, py, pz, f, surface.vertices, surface.faces, surface.normal, best * ROUNDING
        )
        if d < best or (d == best and f < face):
            best, face, bx, by, bz, kind = d, f, qx, qy, qz, feature
    n_leaves = tree.low.shape[0] // 2
    n = tree.order.shape[0]
    top = 0
    if n > 0:
        node[0] = 1
        reach[0] = box_distance_sq(tree.low, tree.high, 1, px, py, pz)
        top = 1
    while top > 0:
        top -= 1
        if reach[top] > best * ROUNDING:
            continue
        at = node[top]
        while at < n_leaves:
            near = 2 * at
            far = near + 1
            d_near = box_distance_sq(tree.low, tree.high, near, px, py, pz)
            d_far = box_distance_sq(tree.low, tree.high, far, px, py, pz)
            if d_far < d_near:
                near, far = far, near
                d_near, d_far = d_far, d_near
            if d_far <= best * ROUNDING:
                node[top] = far
                reach[top] = d_far
                top += 1
            at = near
            if d_near > best * ROUNDING:
                at = -1
                break
        if at < 0:
            continue
        first = (at - n_leaves) * LEAF
        for s in range(first, min(first + LEAF, n)):
            f = tree.order[s]
            d, qx, qy, qz, feature = nearest_on_triangle(
                px, py, pz, f, surface.vertices, surface.faces, surface.normal, best * ROUNDING
            )
            if d < best or (d == best and f < face):
                best, face, bx, by, bz, kind = d, f, qx, qy, qz, feature
    return best, face, bx, by, bz, kind


@parallel_kernel
def nearest_into(point_out, face_out, distance_out, points, surface, tree):
    """Nearest point (n, 3), its face (n,) int32 and the signed distance (n,) m for each of ``points`` (n, 3).

    Negative inside. The surface is that of the faces in ``tree``. Points that follow each other closely in space are
    found faster.
    """
    n = points.shape[0]
    for chunk in prange(CHUNKS):
        node = np.empty(STACK, np.int64)
        reach = np.empty(STACK)
        guess = np.int64(-1)
        for i in range(chunk * n // CHUNKS, (chunk + 1) * n // CHUNKS):
            px = points[i, 0]
            py = points[i, 1]
            pz = points[i, 2]
            d, f, qx, qy, qz, feature = nearest_face(px, py, pz, guess, node, reach, surface, tree)
            guess = f
            face_out[i] = f
            point_out[i, 0] = qx
            point_out[i, 1] = qy
            point_out[i, 2] = qz
            if feature == IN_FACE:
                a = surface.faces[f, 0]
                distance_out[i] = (
                    surface.normal[f, 0] * (px - surface.vertices[a, 0])
                    + surface.normal[f, 1] * (py - surface.vertices[a, 1])
                    + surface.normal[f, 2] * (pz - surface.vertices[a, 2])
                )
            else:
                side = side_of_feature(px - qx, py - qy, pz - qz, f, feature, surface)
                distance_out[i] = math.copysign(math.sqrt(d), side)


@bare_kernel
def edges_distance_sq(x, a, b, y, c, d, limit):
    """Squared distance of the insides of edges a-b (of x) and c-d (of y); inf if an end is nearer or past ``limit``."""
    ux = x[b, 0] - x[a, 0]
    uy = x[b, 1] - x[a, 1]
    uz = x[b, 2] - x[a, 2]
    vx = y[d, 0] - y[c, 0]
    vy = y[d, 1] - y[c, 1]
    vz = y[d, 2] - y[c, 2]
    rx = y[c, 0] - x[a, 0]
    ry = y[c, 1] - x[a, 1]
    rz = y[c, 2] - x[a, 2]
    nx = uy * vz - uz * vy
    ny = uz * vx - ux * vz
    nz = ux * vy - uy * vx
    nn = nx * nx + ny * ny + nz * nz
    h = nx * rx + ny * ry + nz * rz
    if h * h >= limit * nn:
        return np.inf
    if nn <= NEARLY_PARALLEL_SQ * (ux * ux + uy * uy + uz * uz) * (vx * vx + vy * vy + vz * vz):
        return np.inf
    s = nx * (ry * vz - rz * vy) + ny * (rz * vx - rx * vz) + nz * (rx * vy - ry * vx)
    t = nx * (ry * uz - rz * uy) + ny * (rz * ux - rx * uz) + nz * (rx * uy - ry * ux)
    if s <= 0.0 or s >= nn or t <= 0.0 or t >= nn:
        return np.inf
    return h * h / nn


@bare_kernel
def triangles_distance_sq(x, triangles, normal, t, surface, f, limit):
    """Squared distance of cloth triangle t and body face f that do not cross; ``limit`` if it is not below that."""
    best = limit
    for k in range(3):
        p = triangles[t, k]
        q = surface.faces[f, k]
        d = nearest_on_triangle(x[p, 0], x[p, 1], x[p, 2], f, surface.vertices, surface.faces, surface.normal, best)[0]
        best = min(best, d)
        v = surface.vertices
        d = nearest_on_triangle(v[q, 0], v[q, 1], v[q, 2], t, x, triangles, normal, best)[0]
        best = min(best, d)
    for k in range(3):
        a = triangles[t, k]
        b = triangles[t, k + 1 if k < 2 else 0]
        for m in range(3):
            c = surface.faces[f, m]
            d = surface.faces[f, m + 1 if m < 2 else 0]
            best = min(best, edges_distance_sq(x, a, b, surface.vertices, c, d, best))
    return best


@parallel_kernel
def approach_into(distance_out, x, triangles, normal, surface, tree, band):
    """Least distance (t,) m of each cloth triangle's mid-surface to the faces in ``tree``; inf if not within ``band``.

    The least over all node-face, vertex-triangle and edge-edge distances: unsigned, and for triangles that cross a
    face not zero but the least of those. ``normal`` (t, 3): unit normals of the cloth triangles.
    """
    n = triangles.shape[0]
    for chunk in prange(CHUNKS):
        near = np.empty(256, np.int64)
        stack = np.empty(STACK, np.int64)
        low = np.empty(3)
        high = np.empty(3)
        for t in range(chunk * n // CHUNKS, (chunk + 1) * n // CHUNKS):
            bound_triangle(low, high, t, x, triangles, band)
            n_near = find_in_box(near, stack, low, high, surface.vertices, surface.faces, tree)
            if n_near > near.shape[0]:
                near = np.empty(2 * n_near, np.int64)
                n_near = find_in_box(near, stack, low, high, surface.vertices, surface.faces, tree)
            limit = band * band
            best = limit
            for s in range(n_near):
                f = near[s]
                apart = 0.0
                for k in range(3):
                    a = surface.vertices[surface.faces[f, 0], k]
                    b = surface.vertices[surface.faces[f, 1], k]
                    c = surface.vertices[surface.faces[f, 2], k]
                    gap = max(low[k] + band - max(a, b, c), min(a, b, c) - high[k] + band, 0.0)
                    apart += gap * gap
                if apart < best:
                    best = triangles_distance_sq(x, triangles, normal, t, surface, f, best)
            distance_out[t] = math.sqrt(best) if best < limit else np.inf


def find_nearest(points: np.ndarray, surface: Surface, tree: Tree) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(signed distance (n,) m, nearest point (n, 3), face (n,) int32) of ``points`` (n, 3)."""
    order = curve_order(points)
    points = np.ascontiguousarray(points[order], dtype=np.float64)
    point, face, distance = np.empty_like(points), np.empty(len(points), np.int32), np.empty(len(points))
    nearest_into(point, face, distance, points, surface, tree)
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    return distance[back], point[back], face[back]


def curve_order(points: np.ndarray) -> np.ndarray:
    """Order in which ``points`` (n, 3), finite, follow each other closely in space."""
    code = np.zeros(len(points), np.int64)
    if len(points):
        low = points.min(0)
        scale = (2**21 - 1) / max(float((points.max(0) - low).max()), 1e-30)
        curve_codes_into(code, np.ascontiguousarray(points), low, scale)
    return np.argsort(code, kind="stable")
