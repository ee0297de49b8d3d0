"""Where rays first meet a triangle mesh: exact, by walking the tree of boxes.

Ray and triangle after T. Moeller and B. Trumbore, "Fast, minimum storage ray/triangle intersection", Journal of
Graphics Tools 2 (1997) 21 (from memory). Edges belong to both triangles, so that no ray slips between two.
"""

from __future__ import annotations

import numpy as np

from drapesim.kernels.distance import CHUNKS, curve_order
from drapesim.kernels.jit import kernel, parallel_kernel, prange
from drapesim.kernels.tree import LEAF, STACK, Tree

EDGE = 1e-12  # share of a triangle by which its edges are widened
ALONG = 1e-14  # a triangle whose plane holds the ray this nearly is passed by


@kernel
def meet_triangle(ox, oy, oz, dx, dy, dz, a, b, c, vertices):
    """Way (in lengths of d) from o along d to the triangle a, b, c; inf where it is not met."""
    ax = vertices[a, 0]
    ay = vertices[a, 1]
    az = vertices[a, 2]
    ex = vertices[b, 0] - ax
    ey = vertices[b, 1] - ay
    ez = vertices[b, 2] - az
    fx = vertices[c, 0] - ax
    fy = vertices[c, 1] - ay
    fz = vertices[c, 2] - az
    px = dy * fz - dz * fy
    py = dz * fx - dx * fz
    pz = dx * fy - dy * fx
    det = ex * px + ey * py + ez * pz
    size = (ex * ex + ey * ey + ez * ez) * (fx * fx + fy * fy + fz * fz)
    if det * det <= ALONG * ALONG * size:
        return np.inf
    rx = ox - ax
    ry = oy - ay
    rz = oz - az
    u = (rx * px + ry * py + rz * pz) / det
    if u < -EDGE or u > 1.0 + EDGE:
        return np.inf
    qx = ry * ez - rz * ey
    qy = rz * ex - rx * ez
    qz = rx * ey - ry * ex
    v = (dx * qx + dy * qy + dz * qz) / det
    if v < -EDGE or u + v > 1.0 + 2.0 * EDGE:
        return np.inf
    return (fx * qx + fy * qy + fz * qz) / det


@kernel
def reaches_box(low, high, at, ox, oy, oz, dx, dy, dz, most):
    """True if the ray from o along d meets box ``at`` before ``most``; slabs, a zero component of d is allowed."""
    enter = 0.0
    leave = most
    for k in range(3):
        o = ox if k == 0 else (oy if k == 1 else oz)
        d = dx if k == 0 else (dy if k == 1 else dz)
        if d == 0.0:
            if o < low[at, k] or o > high[at, k]:
                return False
            continue
        s = (low[at, k] - o) / d
        t = (high[at, k] - o) / d
        if s > t:
            s, t = t, s
        enter = max(enter, s)
        leave = min(leave, t)
    return enter <= leave * (1.0 + 1e-12) + 1e-12


@parallel_kernel
def cast_into(way_out, face_out, origins, ways, most, vertices, faces, tree):
    """Way (n,) to the first face met from ``origins`` (n, 3) along ``ways`` (n, 3), inf beyond ``most`` (n,); its
    number (n,) int32 or -1, the lowest among equals."""
    n = origins.shape[0]
    n_leaves = tree.low.shape[0] // 2
    n_faces = tree.order.shape[0]
    for chunk in prange(CHUNKS):
        stack = np.empty(STACK, np.int64)
        for i in range(chunk * n // CHUNKS, (chunk + 1) * n // CHUNKS):
            ox = origins[i, 0]
            oy = origins[i, 1]
            oz = origins[i, 2]
            dx = ways[i, 0]
            dy = ways[i, 1]
            dz = ways[i, 2]
            best = most[i]
            found = np.int64(-1)
            for s in range(tree.large.shape[0]):
                f = tree.large[s]
                t = meet_triangle(ox, oy, oz, dx, dy, dz, faces[f, 0], faces[f, 1], faces[f, 2], vertices)
                if t >= 0.0 and (t < best or (t == best and (found < 0 or f < found))):
                    best = t
                    found = f
            top = 0
            if n_faces > 0:
                stack[0] = 1
                top = 1
            while top > 0:
                top -= 1
                at = stack[top]
                if not reaches_box(tree.low, tree.high, at, ox, oy, oz, dx, dy, dz, best):
                    continue
                if at < n_leaves:
                    stack[top] = 2 * at + 1
                    stack[top + 1] = 2 * at
                    top += 2
                    continue
                first = (at - n_leaves) * LEAF
                for s in range(first, min(first + LEAF, n_faces)):
                    f = tree.order[s]
                    t = meet_triangle(ox, oy, oz, dx, dy, dz, faces[f, 0], faces[f, 1], faces[f, 2], vertices)
                    if t >= 0.0 and (t < best or (t == best and (found < 0 or f < found))):
                        best = t
                        found = f
            face_out[i] = found
            way_out[i] = best if found >= 0 else np.inf


def cast_rays(
    origins: np.ndarray, ways: np.ndarray, most: np.ndarray, vertices: np.ndarray, faces: np.ndarray, tree: Tree
) -> tuple[np.ndarray, np.ndarray]:
    """(way (n,) m, face (n,) int32) where rays from ``origins`` (n, 3) m along unit ``ways`` (n, 3) first meet a face
    of ``tree`` within ``most`` (n,) m; inf and -1 where they meet none. All finite."""
    order = curve_order(origins)
    way, face = np.empty(len(order)), np.empty(len(order), np.int32)
    start, toward, limit = (np.ascontiguousarray(each[order], dtype=np.float64) for each in (origins, ways, most))
    cast_into(way, face, start, toward, limit, vertices, faces, tree)
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    return way[back], face[back]
