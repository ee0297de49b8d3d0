"""Contacts that push, aimed anew at where their two features are closest now, without a search.

A search freezes every contact as a plane. While the sheet moves on by fractions of a millimetre the same two features
stay closest, but not at the same place nor along the same line: over a body's vertex that carries hundreds of nodes, a
micrometre matters. Left to the next search, all that comes as one shock.
"""

from __future__ import annotations

import math

import numpy as np

from drapesim.kernels.jit import bare_kernel, kernel, parallel_kernel, prange
from drapesim.kernels.layers import LAYER_EDGE, LAYER_NODE
from drapesim.kernels.pairs import (
    CONE_SLACK,
    EDGE_EDGE,
    EDGE_VERTEX,
    FACE_VERTEX,
    NODE_EDGE,
    NODE_FACE,
    NODE_VERTEX,
    WIDE_SLACK,
    closest_places,
    in_edge_cone,
    in_vertex_cone,
    is_over_face,
    triangle_normal,
    weights_over,
)

TURN = 0.5  # cosine: a direction that has turned by more than this is another contact
OVER = 1e-3  # of an edge, past its end: where a body's edge goes on straight, contacts would change for ever
RUNS = 16
FEATURE = (1 << 30) - 1  # mask of one feature in a key
THERE, ELSEWHERE, OFF = range(3)


@bare_kernel
def aim_one(c, corner, way, flat, contacts, point, key, body, n_triangles):
    """Find where contact c's two features are closest now.

    Its direction goes into ``way[0]``, new weights into ``way[1]``, the body's point into ``way[2]``; ``corner`` (4, 3)
    takes the cloth's nodes. Returns `THERE`, `ELSEWHERE` if another feature is closer, `OFF` if the closest places do
    not lie inside both.
    """
    for k in range(4):
        a = contacts.node[c, k]
        way[1, k] = contacts.weight[c, k]
        for d in range(3):
            corner[k, d] = flat[d, a]
    for d in range(3):
        way[0, d] = contacts.normal[c, d]
        way[2, d] = point[c, d]
    kind = key[c] >> 60
    feature = key[c] & FEATURE
    px = corner[0, 0]
    py = corner[0, 1]
    pz = corner[0, 2]
    if kind == NODE_FACE:
        return THERE if is_over_face(px, py, pz, body, feature) else OFF
    if kind == NODE_VERTEX:
        rx = px - body.vertices[feature, 0]
        ry = py - body.vertices[feature, 1]
        rz = pz - body.vertices[feature, 2]
        aim_along(way, rx, ry, rz)
        return THERE if in_vertex_cone(way[0, 0], way[0, 1], way[0, 2], body, feature, CONE_SLACK) else ELSEWHERE
    if kind in (NODE_EDGE, EDGE_EDGE):
        f = feature // 3
        k = feature - 3 * f
        i = body.faces[f, k]
        j = body.faces[f, (k + 1) % 3]
        v = body.vertices
        ex = v[j, 0] - v[i, 0]
        ey = v[j, 1] - v[i, 1]
        ez = v[j, 2] - v[i, 2]
        rx = px - v[i, 0]
        ry = py - v[i, 1]
        rz = pz - v[i, 2]
        slack = CONE_SLACK
        if kind == NODE_EDGE:
            s = 0.0
            t = (rx * ex + ry * ey + rz * ez) / (ex * ex + ey * ey + ez * ez)
            if not -OVER < t < 1.0 + OVER:
                return OFF
            aim_along(way, rx - t * ex, ry - t * ey, rz - t * ez)
        else:
            ux = corner[1, 0] - px
            uy = corner[1, 1] - py
            uz = corner[1, 2] - pz
            s, t = closest_places(ux, uy, uz, ex, ey, ez, rx, ry, rz)
            if not (-OVER < s < 1.0 + OVER and -OVER < t < 1.0 + OVER):
                return OFF
            turn_along(way, uy * ez - uz * ey, uz * ex - ux * ez, ux * ey - uy * ex)
            way[1, 0] = 1.0 - s
            way[1, 1] = s
            slack = WIDE_SLACK
        way[2, 0] = v[i, 0] + t * ex
        way[2, 1] = v[i, 1] + t * ey
        way[2, 2] = v[i, 2] + t * ez
        return THERE if in_edge_cone(way[0, 0], way[0, 1], way[0, 2], body, f, k, slack) else ELSEWHERE
    if kind == EDGE_VERTEX:
        rx = px - body.vertices[feature, 0]
        ry = py - body.vertices[feature, 1]
        rz = pz - body.vertices[feature, 2]
        ux = corner[1, 0] - px
        uy = corner[1, 1] - py
        uz = corner[1, 2] - pz
        s = -(ux * rx + uy * ry + uz * rz) / (ux * ux + uy * uy + uz * uz)
        if not -OVER < s < 1.0 + OVER:
            return OFF
        aim_along(way, rx + s * ux, ry + s * uy, rz + s * uz)
        way[1, 0] = 1.0 - s
        way[1, 1] = s
        return THERE if in_vertex_cone(way[0, 0], way[0, 1], way[0, 2], body, feature, CONE_SLACK) else ELSEWHERE
    if kind == FACE_VERTEX:
        nx, ny, nz = triangle_normal(corner, 0, 1, 2)
        wa, wb, wc = weights_over(
            corner, 0, 1, 2, nx, ny, nz,
            body.vertices[feature, 0], body.vertices[feature, 1], body.vertices[feature, 2],
        )  # fmt: skip
        if wa <= 0.0 or wb <= 0.0 or wc <= 0.0:
            return OFF
        turn_along(way, nx, ny, nz)
        way[1, 0] = wa
        way[1, 1] = wb
        way[1, 2] = wc
        return THERE if in_vertex_cone(way[0, 0], way[0, 1], way[0, 2], body, feature, WIDE_SLACK) else ELSEWHERE
    if kind == LAYER_NODE:
        if feature < n_triangles:
            nx, ny, nz = triangle_normal(corner, 1, 2, 3)
            wa, wb, wc = weights_over(corner, 1, 2, 3, nx, ny, nz, px, py, pz)
            if wa <= 0.0 or wb <= 0.0 or wc <= 0.0:
                return OFF
            turn_along(way, nx, ny, nz)
            way[1, 1] = -wa
            way[1, 2] = -wb
            way[1, 3] = -wc
            return THERE
        ex = corner[2, 0] - corner[1, 0]
        ey = corner[2, 1] - corner[1, 1]
        ez = corner[2, 2] - corner[1, 2]
        rx = px - corner[1, 0]
        ry = py - corner[1, 1]
        rz = pz - corner[1, 2]
        s = (rx * ex + ry * ey + rz * ez) / (ex * ex + ey * ey + ez * ez)
        if not -OVER < s < 1.0 + OVER:
            return OFF
        aim_along(way, rx - s * ex, ry - s * ey, rz - s * ez)
        way[1, 1] = s - 1.0
        way[1, 2] = -s
        return THERE
    if kind == LAYER_EDGE:
        ux = corner[1, 0] - px
        uy = corner[1, 1] - py
        uz = corner[1, 2] - pz
        ex = corner[3, 0] - corner[2, 0]
        ey = corner[3, 1] - corner[2, 1]
        ez = corner[3, 2] - corner[2, 2]
        rx = px - corner[2, 0]
        ry = py - corner[2, 1]
        rz = pz - corner[2, 2]
        s, t = closest_places(ux, uy, uz, ex, ey, ez, rx, ry, rz)
        if not (-OVER < s < 1.0 + OVER and -OVER < t < 1.0 + OVER):
            return OFF
        aim_along(way, rx + s * ux - t * ex, ry + s * uy - t * ey, rz + s * uz - t * ez)
        way[1, 0] = 1.0 - s
        way[1, 1] = s
        way[1, 2] = t - 1.0
        way[1, 3] = -t
        return THERE
    return OFF


@bare_kernel
def aim_along(way, dx, dy, dz):
    """Unit direction of d into ``way[0]``."""
    size = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
    way[0, 0] = size * dx
    way[0, 1] = size * dy
    way[0, 2] = size * dz


@bare_kernel
def turn_along(way, dx, dy, dz):
    """Unit direction of d, or against it if that is nearer to ``way[0]``, into ``way[0]``."""
    if dx * way[0, 0] + dy * way[0, 1] + dz * way[0, 2] < 0.0:
        aim_along(way, -dx, -dy, -dz)
    else:
        aim_along(way, dx, dy, dz)


@kernel
def aim_range(lo, hi, left, flat, contacts, point, key, body, n_triangles):
    """Contacts lo..hi-1 of `aim_contacts`."""
    corner = np.empty((4, 3))
    way = np.zeros((3, 4))
    place = np.empty(3)
    for c in range(lo, hi):
        left[c] = False
        if contacts.force[c, 0] == 0.0 and contacts.force[c, 1] == 0.0 and contacts.force[c, 2] == 0.0:
            continue
        state = aim_one(c, corner, way, flat, contacts, point, key, body, n_triangles)
        along = 0.0
        apart = contacts.offset[c]
        for d in range(3):
            along += way[0, d] * contacts.normal[c, d]
            apart -= contacts.normal[c, d] * point[c, d]
        left[c] = state != THERE or not along > TURN
        if state == OFF or not along > TURN:
            continue
        lean = 0.0
        gap = 0.0
        old_gap = -contacts.offset[c]
        offset = apart
        for d in range(3):
            before = 0.0
            now = 0.0
            for k in range(4):
                before += contacts.weight[c, k] * corner[k, d]
                now += way[1, k] * corner[k, d]
            contacts.anchor[c, d] -= before  # minus the stretch of the grip
            old_gap += contacts.normal[c, d] * before
            lean += way[0, d] * contacts.anchor[c, d]
            gap += way[0, d] * now
            offset += way[0, d] * way[2, d]
            place[d] = now
        for d in range(3):
            contacts.anchor[c, d] += place[d] - lean * way[0, d]
            contacts.normal[c, d] = way[0, d]
            point[c, d] = way[2, d]
        for k in range(4):
            contacts.weight[c, k] = way[1, k]
        contacts.offset[c] = offset
        contacts.last[c] += gap - offset - old_gap  # what it went since the last step stays: the dashpot knows it


@parallel_kernel
def aim_contacts(left, flat, contacts, point, key, body, n_triangles):
    """Aim all contacts that push anew.

    ``left`` (K,) tells those to search: another feature is closest now, or they have turned far. ``flat``
    (3, N) positions on the padded grid; ``point`` (K, 3) on the body and ``key`` (K,) as in `Found`. Changes weight,
    normal, offset, anchor and last of ``contacts``, and ``point``. What a contact carries stays: its push, what it went
    in the last step, and the stretch of its grip, turned into the new plane.
    """
    n = left.shape[0]
    for b in prange(RUNS):
        aim_range(b * n // RUNS, (b + 1) * n // RUNS, left, flat, contacts, point, key, body, n_triangles)
