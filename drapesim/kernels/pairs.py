"""Which part of the cloth is near which part of the body, as frozen planes.

Six kinds of contact, each named cloth feature - body feature, are found for every cloth triangle:
node-face, node-edge, node-vertex, edge-edge, edge-vertex, face-vertex. A contact is kept when the closest points lie
inside both features and its direction lies in the body feature's normal cone. For a node the cone is exact: its
contacts are the local minima of its distance. For cloth edges and faces it is widened: a straight cloth edge over a
finely faceted body may come down on any of several body edges, each of which it must not cross, and which of them it
presses is for the balance of forces to find (with the exact cone the choice flickers from search to search). A pair of
features is met exactly once, since each edge and corner is owned by the first triangle that has it. Concave
and flat body edges need no contact of their own: something else touches first.

Kinds (``NODE_FACE`` ...) number the rows of the key, so a contact can be recognised in the next search.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from drapesim.kernels.jit import bare_kernel, kernel, parallel_kernel, prange
from drapesim.kernels.listing import pack_into
from drapesim.kernels.tree import STACK, Tree, bound_triangle, box_apart, gather_group

NODE_FACE, NODE_EDGE, NODE_VERTEX, EDGE_EDGE, EDGE_VERTEX, FACE_VERTEX = range(6)
FEW_NEAR = 8192  # body faces near a few cloth triangles that the search has room for at first
ROOM = 16  # contacts a triangle that each run has room for at first: on average there are one or two
CONE_SLACK = 1e-6  # sine; for node contacts, of which a smooth place has just one
WIDE_SLACK = 0.35  # sine; an edge or a face may lie on any of several close body features, and the solver picks which
FLAT = 1e-3  # sine of the turn below which a body edge is taken as flat: a 10 mm edge then hides 2.5 um at most


class Surface(NamedTuple):
    """A triangle mesh with what the search needs to know of its features."""

    vertices: np.ndarray  # (n, 3)
    faces: np.ndarray  # (f, 3) int32
    normal: np.ndarray  # (f, 3) unit, outward
    neighbour: np.ndarray  # (f, 3) int32 face across edge k (corner k to k+1), -1 at a border
    owns: np.ndarray  # (f, 6) bool: corners 0-2, edges 3-5
    convex: np.ndarray  # (f, 3) bool: edge k is convex and not flat
    ring_start: np.ndarray  # (n + 1,) int64
    ring: np.ndarray  # vertex numbers round each vertex
    vertex_normal: np.ndarray  # (n, 3) angle-weighted, unit
    part: np.ndarray  # (f,) int32


NO_BODY = Surface(
    vertices=np.zeros((0, 3)), faces=np.zeros((0, 3), np.int32), normal=np.zeros((0, 3)),
    neighbour=np.zeros((0, 3), np.int32), owns=np.zeros((0, 6), np.bool_), convex=np.zeros((0, 3), np.bool_),
    ring_start=np.zeros(1, np.int64), ring=np.zeros(0, np.int64), vertex_normal=np.zeros((0, 3)),
    part=np.zeros(0, np.int32),
)  # fmt: skip


class Found(NamedTuple):
    """Contacts found, one row each."""

    node: np.ndarray  # (K, 4) int64 cloth node numbers; unused places have weight 0
    weight: np.ndarray  # (K, 4)
    normal: np.ndarray  # (K, 3)
    point: np.ndarray  # (K, 3) on the body; zero for cloth on cloth, where the weights sum to zero
    gap: np.ndarray  # (K,) distance of the cloth's mid-surface along the normal (of two mid-surfaces)
    part: np.ndarray  # (K,) int32 of the body, -1 for the cloth itself
    key: np.ndarray  # (K,) int64
    triangle: np.ndarray  # (K,) int32 cloth triangle in whose search it was found


@bare_kernel
def emit(found, at, kind, cloth_feature, body_feature, a, b, c, wa, wb, wc, nx, ny, nz, qx, qy, qz, gap, part):
    """Write one contact to row ``at`` if there is room; return the next row."""
    if at < found.gap.shape[0]:
        found.node[at, 0] = a
        found.node[at, 1] = b
        found.node[at, 2] = c
        found.node[at, 3] = a
        found.weight[at, 0] = wa
        found.weight[at, 1] = wb
        found.weight[at, 2] = wc
        found.weight[at, 3] = 0.0
        found.normal[at, 0] = nx
        found.normal[at, 1] = ny
        found.normal[at, 2] = nz
        found.point[at, 0] = qx
        found.point[at, 1] = qy
        found.point[at, 2] = qz
        found.gap[at] = gap
        found.part[at] = part
        found.key[at] = (
            (np.int64(kind) << np.int64(60)) | (np.int64(cloth_feature) << np.int64(30)) | np.int64(body_feature)
        )
    return at + 1


@bare_kernel
def in_edge_cone(dx, dy, dz, body, f, k, sine):
    """True if the unit direction lies between the normals of the two faces at edge k of face f, give or take."""
    a = body.faces[f, k]
    b = body.faces[f, (k + 1) % 3]
    ex = body.vertices[b, 0] - body.vertices[a, 0]
    ey = body.vertices[b, 1] - body.vertices[a, 1]
    ez = body.vertices[b, 2] - body.vertices[a, 2]
    length = math.sqrt(ex * ex + ey * ey + ez * ez)
    slack = sine * length
    n = body.normal[f]
    if dx * (n[1] * ez - n[2] * ey) + dy * (n[2] * ex - n[0] * ez) + dz * (n[0] * ey - n[1] * ex) > slack:
        return False
    g = body.neighbour[f, k]
    if g < 0:
        return True
    n = body.normal[g]
    return dx * (n[1] * ez - n[2] * ey) + dy * (n[2] * ex - n[0] * ez) + dz * (n[0] * ey - n[1] * ex) >= -slack


@bare_kernel
def in_vertex_cone(dx, dy, dz, body, p, sine):
    """True if no edge at vertex p leads towards the unit direction, give or take ``sine``."""
    for r in range(body.ring_start[p], body.ring_start[p + 1]):
        q = body.ring[r]
        ex = body.vertices[q, 0] - body.vertices[p, 0]
        ey = body.vertices[q, 1] - body.vertices[p, 1]
        ez = body.vertices[q, 2] - body.vertices[p, 2]
        if dx * ex + dy * ey + dz * ez > sine * math.sqrt(ex * ex + ey * ey + ez * ez):
            return False
    return body.ring_start[p + 1] > body.ring_start[p]


@bare_kernel
def is_over_face(px, py, pz, body, f):
    """True if the foot of p on the plane of face f lies in that face, its border included."""
    v = body.vertices
    n = body.normal[f]
    for k in range(3):
        i = body.faces[f, k]
        j = body.faces[f, (k + 1) % 3]
        ex = v[j, 0] - v[i, 0]
        ey = v[j, 1] - v[i, 1]
        ez = v[j, 2] - v[i, 2]
        rx = px - v[i, 0]
        ry = py - v[i, 1]
        rz = pz - v[i, 2]
        side = n[0] * (ey * rz - ez * ry) + n[1] * (ez * rx - ex * rz) + n[2] * (ex * ry - ey * rx)
        if side < -1e-12 * (ex * ex + ey * ey + ez * ez):
            return False
    return True


@bare_kernel
def node_contacts(found, at, node, px, py, pz, f, body, band, depth):
    """Contacts of one cloth node with face f and the edges and vertices that face owns."""
    v = body.vertices
    a = body.faces[f, 0]
    n = body.normal[f]
    h = n[0] * (px - v[a, 0]) + n[1] * (py - v[a, 1]) + n[2] * (pz - v[a, 2])
    if -depth <= h <= band and is_over_face(px, py, pz, body, f):
        at = emit(
            found, at, NODE_FACE, node, f, node, node, node, 1.0, 0.0, 0.0,
            n[0], n[1], n[2], px - h * n[0], py - h * n[1], pz - h * n[2], h, body.part[f],
        )  # fmt: skip
    for k in range(3):
        i = body.faces[f, k]
        rx = px - v[i, 0]
        ry = py - v[i, 1]
        rz = pz - v[i, 2]
        if body.owns[f, k]:
            d = math.sqrt(rx * rx + ry * ry + rz * rz)
            if 1e-9 < d <= band and in_vertex_cone(rx / d, ry / d, rz / d, body, i, CONE_SLACK):
                at = emit(
                    found, at, NODE_VERTEX, node, i, node, node, node, 1.0, 0.0, 0.0,
                    rx / d, ry / d, rz / d, v[i, 0], v[i, 1], v[i, 2], d, body.part[f],
                )  # fmt: skip
        if body.owns[f, 3 + k] and body.convex[f, k]:
            j = body.faces[f, (k + 1) % 3]
            ex = v[j, 0] - v[i, 0]
            ey = v[j, 1] - v[i, 1]
            ez = v[j, 2] - v[i, 2]
            t = (rx * ex + ry * ey + rz * ez) / (ex * ex + ey * ey + ez * ez)
            if 0.0 < t < 1.0:
                dx = rx - t * ex
                dy = ry - t * ey
                dz = rz - t * ez
                d = math.sqrt(dx * dx + dy * dy + dz * dz)
                if 1e-9 < d <= band and in_edge_cone(dx / d, dy / d, dz / d, body, f, k, CONE_SLACK):
                    at = emit(
                        found, at, NODE_EDGE, node, 3 * f + k, node, node, node, 1.0, 0.0, 0.0,
                        dx / d, dy / d, dz / d, px - dx, py - dy, pz - dz, d, body.part[f],
                    )  # fmt: skip
    return at


@bare_kernel
def closest_places(ux, uy, uz, ex, ey, ez, rx, ry, rz):
    """(s, t): where the lines p + s u and q + t e, with r = p - q, come closest; (-1, -1) if they are parallel.

    Of parallel edges the ends touch first, so nothing is lost with them.
    """
    uu = ux * ux + uy * uy + uz * uz
    ee = ex * ex + ey * ey + ez * ez
    ue = ux * ex + uy * ey + uz * ez
    det = uu * ee - ue * ue
    if det <= 1e-10 * uu * ee:
        return -1.0, -1.0
    ur = ux * rx + uy * ry + uz * rz
    er = ex * rx + ey * ry + ez * rz
    return (ue * er - ee * ur) / det, (uu * er - ue * ur) / det


@bare_kernel
def triangle_normal(x, a, b, c):
    """(nx, ny, nz) of the triangle a-b-c by winding, as long as twice its area."""
    ux = x[b, 0] - x[a, 0]
    uy = x[b, 1] - x[a, 1]
    uz = x[b, 2] - x[a, 2]
    vx = x[c, 0] - x[a, 0]
    vy = x[c, 1] - x[a, 1]
    vz = x[c, 2] - x[a, 2]
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx


@bare_kernel
def weights_over(x, a, b, c, nx, ny, nz, px, py, pz):
    """(wa, wb, wc): barycentric weights of the foot of p on the triangle a-b-c with `triangle_normal` n."""
    ux = x[b, 0] - x[a, 0]
    uy = x[b, 1] - x[a, 1]
    uz = x[b, 2] - x[a, 2]
    vx = x[c, 0] - x[a, 0]
    vy = x[c, 1] - x[a, 1]
    vz = x[c, 2] - x[a, 2]
    rx = px - x[a, 0]
    ry = py - x[a, 1]
    rz = pz - x[a, 2]
    nn = nx * nx + ny * ny + nz * nz
    wc = (nx * (uy * rz - uz * ry) + ny * (uz * rx - ux * rz) + nz * (ux * ry - uy * rx)) / nn
    wb = (nx * (ry * vz - rz * vy) + ny * (rz * vx - rx * vz) + nz * (rx * vy - ry * vx)) / nn
    return 1.0 - wb - wc, wb, wc


@bare_kernel
def edge_contacts(found, at, feature, a, b, x, f, body, band, depth):
    """Contacts of the cloth edge a-b with the edges and vertices that face f owns."""
    v = body.vertices
    ux = x[b, 0] - x[a, 0]
    uy = x[b, 1] - x[a, 1]
    uz = x[b, 2] - x[a, 2]
    uu = ux * ux + uy * uy + uz * uz
    for k in range(3):
        i = body.faces[f, k]
        rx = x[a, 0] - v[i, 0]
        ry = x[a, 1] - v[i, 1]
        rz = x[a, 2] - v[i, 2]
        ur = ux * rx + uy * ry + uz * rz
        if body.owns[f, k]:
            s = -ur / uu
            if 0.0 < s < 1.0:
                dx = rx + s * ux
                dy = ry + s * uy
                dz = rz + s * uz
                d = math.sqrt(dx * dx + dy * dy + dz * dz)
                if 1e-9 < d <= band and in_vertex_cone(dx / d, dy / d, dz / d, body, i, CONE_SLACK):
                    at = emit(
                        found, at, EDGE_VERTEX, feature, i, a, b, b, 1.0 - s, s, 0.0,
                        dx / d, dy / d, dz / d, v[i, 0], v[i, 1], v[i, 2], d, body.part[f],
                    )  # fmt: skip
        if body.owns[f, 3 + k] and body.convex[f, k]:
            j = body.faces[f, (k + 1) % 3]
            ex = v[j, 0] - v[i, 0]
            ey = v[j, 1] - v[i, 1]
            ez = v[j, 2] - v[i, 2]
            s, t = closest_places(ux, uy, uz, ex, ey, ez, rx, ry, rz)
            if not (0.0 < s < 1.0 and 0.0 < t < 1.0):
                continue
            nx = uy * ez - uz * ey
            ny = uz * ex - ux * ez
            nz = ux * ey - uy * ex
            size = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
            n1 = body.normal[f]
            n2 = body.normal[body.neighbour[f, k]]
            if nx * (n1[0] + n2[0]) + ny * (n1[1] + n2[1]) + nz * (n1[2] + n2[2]) < 0.0:
                size = -size
            nx *= size
            ny *= size
            nz *= size
            gap = nx * rx + ny * ry + nz * rz
            if -depth <= gap <= band and in_edge_cone(nx, ny, nz, body, f, k, WIDE_SLACK):
                at = emit(
                    found, at, EDGE_EDGE, feature, 3 * f + k, a, b, b, 1.0 - s, s, 0.0,
                    nx, ny, nz, v[i, 0] + t * ex, v[i, 1] + t * ey, v[i, 2] + t * ez, gap, body.part[f],
                )  # fmt: skip
    return at


@bare_kernel
def face_contacts(found, at, feature, a, b, c, normal, size, x, f, body, band, depth):
    """Contacts of the inside of cloth triangle a-b-c with the vertices that face f owns.

    ``normal``: its `triangle_normal`, of length ``size``.
    """
    nx, ny, nz = normal
    for k in range(3):
        if not body.owns[f, k]:
            continue
        i = body.faces[f, k]
        rx = body.vertices[i, 0] - x[a, 0]
        ry = body.vertices[i, 1] - x[a, 1]
        rz = body.vertices[i, 2] - x[a, 2]
        high = nx * rx + ny * ry + nz * rz
        if abs(high) > 1.001 * max(band, depth) * size:
            continue
        wa, wb, wc = weights_over(x, a, b, c, nx, ny, nz, body.vertices[i, 0], body.vertices[i, 1], body.vertices[i, 2])
        if wa <= 0.0 or wb <= 0.0 or wc <= 0.0:
            continue
        px = body.vertex_normal[i, 0]
        py = body.vertex_normal[i, 1]
        pz = body.vertex_normal[i, 2]
        per = -1.0 / size if nx * px + ny * py + nz * pz < 0.0 else 1.0 / size
        gap = -per * high
        if -depth <= gap <= band and in_vertex_cone(per * nx, per * ny, per * nz, body, i, WIDE_SLACK):
            at = emit(
                found, at, FACE_VERTEX, feature, i, a, b, c, wa, wb, wc, per * nx, per * ny, per * nz,
                body.vertices[i, 0], body.vertices[i, 1], body.vertices[i, 2], gap, body.part[f],
            )  # fmt: skip
    return at


@bare_kernel
def plane_apart(x, a, normal, reach, body, f):
    """True if face f lies wholly on one side of the plane through node a across ``normal``, its heights past reach."""
    nx, ny, nz = normal
    above = True
    below = True
    for k in range(3):
        p = body.faces[f, k]
        h = (
            nx * (body.vertices[p, 0] - x[a, 0])
            + ny * (body.vertices[p, 1] - x[a, 1])
            + nz * (body.vertices[p, 2] - x[a, 2])
        )
        above = above and h > reach
        below = below and h < -reach
    return above or below


@bare_kernel
def is_aside(x, a, b, normal, body, f, margin):
    """True if face f lies more than ``margin`` to one side of the cloth edge a-b, across it and its ``normal``."""
    ex = x[b, 0] - x[a, 0]
    ey = x[b, 1] - x[a, 1]
    ez = x[b, 2] - x[a, 2]
    nx, ny, nz = normal
    out = ey * nz - ez * ny, ez * nx - ex * nz, ex * ny - ey * nx
    return plane_apart(x, a, out, margin * math.sqrt(out[0] ** 2 + out[1] ** 2 + out[2] ** 2), body, f)


@bare_kernel
def contacts_of_triangle(found, at, t, x, triangles, owns, body, band, depth, near, box, n_near, close, low, high):
    """Append all contacts of cloth triangle t with faces ``near`` (n_near,), ``box`` (n_near, 6); returns the next row.

    ``close``: scratch for the rows of those that are near this triangle.
    """
    margin = max(band, depth)
    shallow = min(depth, 2e-3)  # an edge or face cannot tell the far side of a thin part from its own
    first = at
    bound_triangle(low, high, t, x, triangles, margin)
    normal = triangle_normal(x, triangles[t, 0], triangles[t, 1], triangles[t, 2])
    size = math.sqrt(normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2)
    n_close = 0
    for s in range(n_near):
        close[n_close] = s
        n_close += 0 if box_apart(box, s, low, high, 0.0) else 1
    for c in range(n_close):
        s = close[c]
        f = near[s]
        if plane_apart(x, triangles[t, 0], normal, margin * size, body, f):
            continue
        for k in range(3):
            p = np.int64(triangles[t, k])
            if owns[t, k]:
                for d in range(3):
                    low[d] = x[p, d]
                    high[d] = x[p, d]
                if not box_apart(box, s, low, high, margin):
                    at = node_contacts(found, at, p, x[p, 0], x[p, 1], x[p, 2], f, body, band, depth)
            if owns[t, 3 + k]:
                q = np.int64(triangles[t, (k + 1) % 3])
                for d in range(3):
                    low[d] = min(x[p, d], x[q, d])
                    high[d] = max(x[p, d], x[q, d])
                if not box_apart(box, s, low, high, band) and not is_aside(
                    x, p, q, normal, body, f, max(band, shallow)
                ):
                    at = edge_contacts(found, at, 3 * t + k, p, q, x, f, body, band, shallow)
        at = face_contacts(
            found, at, t, np.int64(triangles[t, 0]), np.int64(triangles[t, 1]), np.int64(triangles[t, 2]),
            normal, size, x, f, body, band, shallow,
        )  # fmt: skip
    for row in range(first, min(at, found.gap.shape[0])):
        found.triangle[row] = t
    return at


@kernel
def rows_of_run(found, base, room):
    """The rows base .. base + room - 1 of ``found``, for one run to write."""
    end = base + room
    return Found(
        found.node[base:end], found.weight[base:end], found.normal[base:end], found.point[base:end],
        found.gap[base:end], found.part[base:end], found.key[base:end], found.triangle[base:end],
    )  # fmt: skip


@kernel
def contacts_of_run(run, n_runs, found, room, most_near, wanted, x, triangles, owns, body, tree, band, depth):
    """One run of `find_contacts_into`; returns the number of its rows, -1 if ``most_near`` is too small."""
    near = np.empty(most_near, np.int64)
    box = np.empty((most_near, 6))
    close = np.empty(most_near, np.int64)
    stack = np.empty(STACK, np.int64)
    low = np.empty(3)
    high = np.empty(3)
    mine = rows_of_run(found, run * room, room)
    at = np.int64(0)
    n = wanted.shape[0]
    w = run * n // n_runs
    last = (run + 1) * n // n_runs
    while w < last:
        end, n_near = gather_group(
            w, last, wanted, x, triangles, band, depth, near, box, stack, low, high, body.vertices, body.faces, tree
        )
        if n_near > most_near:
            return np.int64(-1)
        while w < end and n_near > 0:
            at = contacts_of_triangle(
                mine, at, wanted[w], x, triangles, owns, body, band[w], depth, near, box, n_near, close, low, high
            )
            w += 1
        w = end
    return at


@parallel_kernel
def find_contacts_into(found, room, most_near, count, wanted, x, triangles, owns, body, tree, band, depth):
    """All contacts of the ``wanted`` (m,) triangles of the cloth x (n, 3) with ``body``, each in its ``band`` (m,).

    The work is cut into ``len(count)`` runs; run r writes rows r room .. r room + count[r]. A count above ``room``
    says how much room is needed; -1 that more than ``most_near`` faces lie near a few triangles.
    """
    for run in prange(count.shape[0]):
        count[run] = contacts_of_run(
            np.int64(run), count.shape[0], found, room, most_near, wanted, x, triangles, owns, body, tree, band, depth
        )


def empty_found(n: int) -> Found:
    """Room for n contacts."""
    return Found(
        np.empty((n, 4), np.int64), np.empty((n, 4)), np.empty((n, 3)), np.empty((n, 3)), np.empty(n),
        np.empty(n, np.int32), np.empty(n, np.int64), np.empty(n, np.int32),
    )  # fmt: skip


def find_contacts(
    x: np.ndarray,
    triangles: np.ndarray,
    owns: np.ndarray,
    body: Surface,
    tree: Tree,
    band: float | np.ndarray,
    depth: float,
    wanted: np.ndarray | None = None,
) -> Found:
    """All contacts within ``band`` outside and ``depth`` inside, of the ``wanted`` cloth triangles (all if None).

    ``band`` (m): one, or one for each wanted triangle.
    """
    if wanted is None:
        wanted = np.arange(len(triangles))
    runs = max(1, min(64, len(wanted) // 8))
    room, most_near = 64 + ROOM * len(wanted) // runs, FEW_NEAR
    wanted = wanted.astype(np.int64)
    bands = np.array(np.broadcast_to(band, len(wanted)), dtype=np.float64)
    while True:
        found, count = empty_found(runs * room), np.zeros(runs, np.int64)
        find_contacts_into(found, room, most_near, count, wanted, x, triangles, owns, body, tree, bands, depth)
        if count.min() >= 0 and count.max() <= room:
            break
        if count.min() < 0:
            most_near *= 4
        room = max(room, int(1.2 * count.max()) + 1)
    return packed(found, room, count)


def packed(found: Found, room: int, count: np.ndarray) -> Found:
    """The rows that the runs of a search have written, ``count`` (runs,) each, without the room between them."""
    rows = empty_found(int(count.sum()))
    pack_into(rows, found, room, count)
    return rows
