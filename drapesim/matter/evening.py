"""Evening out a triangle mesh: collapse short edges, split long ones, flip, relax, and stay on the carved surface.

Everything works on whole arrays: each round takes an independent set of edges (no two of them share a triangle, for
collapses not even a neighbour), so that the changes cannot disturb one another and the mesh stays one closed manifold.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from scipy import sparse

Array = np.ndarray
Field = Callable[[Array], Array]
Size = Callable[[Array], Array]

LEAST_COSINE = 0.2  # a changed triangle must face within 78 degrees of where it faced, or the change is dropped


def finer_near(spots: Sequence[tuple[Array, float, float]], coarse: float, fine: float) -> Size:
    """Edge lengths (m): ``coarse`` in general, toward ``fine`` within balls, growing by 0.15 of the way from them.

    ``spots``: centre (3,) m, radius m, and share of the way from coarse to fine, of each ball.
    """

    def size(points: Array) -> Array:
        wanted = np.full(len(points), coarse)
        for centre, radius, share in spots:
            offset = points - centre
            away = np.maximum(np.sqrt(np.einsum("ij,ij->i", offset, offset)) - radius, 0.0)
            wanted = np.minimum(wanted, coarse + share * (fine - coarse) + 0.15 * away)
        return wanted

    return size


def even_out(vertices: Array, faces: Array, field: Field, size: Size, rounds: int = 12) -> tuple[Array, Array]:
    """Even mesh with edges near ``size(points)`` (m) on the zero level of ``field``.

    vertices (n, 3) m; faces (m, 3), a closed manifold close to the surface. Returns new (vertices, faces).
    """
    v, f = drop_onto(field, vertices, faces), faces.astype(np.int64)
    for n in range(rounds):
        v, f, n_gone = _collapse(v, f, size)
        if n % 3 == 2 or n_gone == 0:
            f = _flip(v, f)
            v = _relax(field, v, f)
        if n_gone < 0.002 * len(v):
            break
    for _ in range(2):
        v, f = _split(v, f, size)
        v = drop_onto(field, v, f)
        for _ in range(3):
            f = _flip(v, f)
        v = _relax(field, v, f)
    for _ in range(4):
        v, f, _ = _collapse(v, f, size, short=0.62)
        f = _flip(v, f)
        v = _relax(field, v, f)
    f = _flip(v, f)
    v = drop_onto(field, v, f, steps=3)
    return v, np.ascontiguousarray(f.astype(np.int32))


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("ij,ij->i", a, b)


def _length(a: Array) -> Array:
    return np.sqrt(_dot(a, a))


def face_normals(vertices: Array, faces: Array) -> Array:
    """(m, 3) normals, length twice the area, m2."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.cross(b - a, c - a)


def vertex_normals(vertices: Array, faces: Array) -> Array:
    """(n, 3) unit normals, weighted by area."""
    normal = face_normals(vertices, faces)
    total = np.stack([np.bincount(faces.ravel(), np.repeat(normal[:, k], 3), len(vertices)) for k in range(3)], axis=1)
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-30)


def drop_onto(field: Field, vertices: Array, faces: Array, steps: int = 2) -> Array:
    """Vertices moved onto the zero level: Newton steps along their normals, of at most 2 mm.

    Where the normal is no guide (a fold), along the gradient of the field.
    """
    v, normal, probe = vertices.copy(), vertex_normals(vertices, faces), 2e-4
    for _ in range(steps):
        value = field(v)
        slope = (field(v + probe * normal) - value) / probe
        lost = np.nonzero(slope < 0.5)[0]
        if len(lost):
            shifted = (v[lost, None] + probe * np.eye(3)).reshape(-1, 3)
            gradient = (field(shifted).reshape(-1, 3) - value[lost, None]) / probe
            slope[lost] = np.linalg.norm(gradient, axis=1)
            normal[lost] = gradient / np.maximum(slope[lost, None], 1e-12)
        v -= np.clip(value / np.maximum(slope, 0.2), -2e-3, 2e-3)[:, None] * normal
    return v


def _edges(faces: Array) -> tuple[Array, Array, Array]:
    """Edges (e, 2) with a < b, their two faces (e, 2) and the two opposite vertices (e, 2)."""
    start, end, tip = faces.ravel(), np.roll(faces, -1, axis=1).ravel(), np.roll(faces, -2, axis=1).ravel()
    n = int(faces.max()) + 1
    order = np.argsort(np.minimum(start, end) * n + np.maximum(start, end), kind="stable")
    first, second = order[0::2], order[1::2]
    edge = np.stack([np.minimum(start, end)[first], np.maximum(start, end)[first]], axis=1)
    return edge, np.stack([first // 3, second // 3], axis=1), np.stack([tip[first], tip[second]], axis=1)


def _adjacency(edge: Array, n: int) -> sparse.csr_matrix:
    rows, cols = np.concatenate([edge[:, 0], edge[:, 1]]), np.concatenate([edge[:, 1], edge[:, 0]])
    return sparse.csr_matrix((np.ones(len(rows), dtype=np.int32), (rows, cols)), shape=(n, n))


def _least_around(values: Array, edge: Array) -> Array:
    """Least value over each vertex and its neighbours."""
    out = values.copy()
    np.minimum.at(out, edge[:, 0], values[edge[:, 1]])
    np.minimum.at(out, edge[:, 1], values[edge[:, 0]])
    return out


def _collapse(v: Array, f: Array, size: Size, short: float = 0.8) -> tuple[Array, Array, int]:
    """Merge the ends of an independent set of short edges; the number of vertices removed comes third."""
    edge, _, tip = _edges(f)
    a, b = edge.T
    middle = 0.5 * (v[a] + v[b])
    ratio = _length(v[b] - v[a]) / size(middle)
    near = _adjacency(edge, len(v))
    valence = np.diff(near.indptr)
    wanted = np.nonzero((ratio < short) & (valence[tip].min(axis=1) > 4) & (valence[a] + valence[b] < 14))[0]
    if len(wanted) == 0:
        return v, f, 0
    # Link condition: the ends have exactly two common neighbours, or the surface would pinch.
    common = np.asarray(near[a[wanted]].multiply(near[b[wanted]]).sum(axis=1)).ravel()
    wanted = wanted[common == 2]
    rank = np.full(len(edge), len(edge))
    # Length decides, with a fixed scatter: in an even mesh a pure length order leaves long chains of waiting edges.
    scatter = ((wanted * 2654435761) % 1024) / 4096.0
    rank[wanted[np.argsort(ratio[wanted] + scatter, kind="stable")]] = np.arange(len(wanted))
    least = np.full(len(v), len(edge))
    np.minimum.at(least, a, rank)
    np.minimum.at(least, b, rank)
    least = _least_around(least, edge)
    chosen = wanted[rank[wanted] == np.minimum(least[a[wanted]], least[b[wanted]])]
    star = np.full(len(v), -1)
    star[a[chosen]] = star[b[chosen]] = np.arange(len(chosen))
    touched = np.nonzero((star[f] >= 0).any(axis=1))[0]
    owner = star[f[touched]].max(axis=1)
    moved = v.copy()
    moved[a[chosen]] = moved[b[chosen]] = middle[chosen]
    old, new = face_normals(v, f[touched]), face_normals(moved, f[touched])
    target = np.arange(len(v))
    target[b[chosen]] = a[chosen]
    gone = _is_pinched(target[f[touched]])
    cosine = _dot(old, new)
    bad = ~gone & (cosine < LEAST_COSINE * _length(old) * _length(new))
    refused = np.zeros(len(chosen), dtype=bool)
    refused[owner[bad]] = True
    chosen = chosen[~refused]
    target = np.arange(len(v))
    target[b[chosen]] = a[chosen]
    v = v.copy()
    v[a[chosen]] = middle[chosen]
    f = target[f]
    f = f[~_is_pinched(f)]
    used, compact = np.unique(f, return_inverse=True)
    return v[used], compact.reshape(f.shape), len(chosen)


def _is_pinched(f: Array) -> Array:
    return (f[:, 0] == f[:, 1]) | (f[:, 1] == f[:, 2]) | (f[:, 2] == f[:, 0])


def _split(v: Array, f: Array, size: Size, long: float = 1.4) -> tuple[Array, Array]:
    """Halve every edge longer than ``long`` times its size; each triangle is cut to match (1, 2 or 3 halved sides)."""
    edge, _, _ = _edges(f)
    middle = 0.5 * (v[edge[:, 0]] + v[edge[:, 1]])
    halved = _length(v[edge[:, 1]] - v[edge[:, 0]]) > long * size(middle)
    fresh = np.full(len(edge), -1)
    fresh[halved] = len(v) + np.arange(halved.sum())
    side = np.sort(np.stack([f, np.roll(f, -1, axis=1)], axis=2), axis=2)
    n = len(v)
    edge_key = edge[:, 0] * n + edge[:, 1]  # sorted, as _edges sorts by it
    mid = fresh[np.searchsorted(edge_key, (side[..., 0] * n + side[..., 1]).ravel())].reshape(f.shape)
    v = np.concatenate([v, middle[halved]])
    count = (mid >= 0).sum(axis=1)
    pieces = [f[count == 0]]
    for wanted in (1, 2):  # turn each triangle so that the odd side comes first
        at = np.nonzero(count == wanted)[0]
        odd = np.argmax((mid[at] >= 0) if wanted == 1 else (mid[at] < 0), axis=1)
        turn = (odd[:, None] + np.arange(3)) % 3
        (p, q, r), (m0, m1, m2) = np.take_along_axis(f[at], turn, 1).T, np.take_along_axis(mid[at], turn, 1).T
        if wanted == 1:
            pieces += [np.stack([p, m0, r], 1), np.stack([m0, q, r], 1)]
        else:
            shorter = np.linalg.norm(v[p] - v[m1], axis=1) < np.linalg.norm(v[q] - v[m2], axis=1)
            pieces.append(np.stack([m2, m1, r], 1))
            pieces.append(np.where(shorter[:, None], np.stack([p, q, m1], 1), np.stack([p, q, m2], 1)))
            pieces.append(np.where(shorter[:, None], np.stack([p, m1, m2], 1), np.stack([q, m1, m2], 1)))
    (p, q, r), (m0, m1, m2) = f[count == 3].T, mid[count == 3].T
    pieces += [np.stack(t, 1) for t in ([p, m0, m2], [m0, q, m1], [m2, m1, r], [m0, m1, m2])]
    return v, np.concatenate(pieces)


def _least_angle_cosine(a: Array, b: Array, c: Array) -> Array:
    """Largest corner cosine of each triangle (that of its smallest angle)."""
    ab, bc, ca = b - a, c - b, a - c
    la, lb, lc = (np.maximum(_length(e), 1e-12) for e in (ab, bc, ca))
    first = np.maximum(-_dot(ab, ca) / (la * lc), -_dot(ab, bc) / (la * lb))
    return np.maximum(first, -_dot(bc, ca) / (lb * lc))


def _flip(v: Array, f: Array) -> Array:
    """Turn the diagonals of an independent set of quads whose smallest angle grows by it and that are nearly flat."""
    edge, pair, _ = _edges(f)
    first = f[pair[:, 0]]
    # Orient each quad: face 0 holds a -> b with tip c, face 1 holds b -> a with tip d.
    c = first.sum(axis=1) - edge.sum(axis=1)
    d = f[pair[:, 1]].sum(axis=1) - edge.sum(axis=1)
    forward = (first == edge[:, :1]) & (np.roll(first, -1, axis=1) == edge[:, 1:])
    is_forward = forward.any(axis=1)
    a, b = np.where(is_forward, edge[:, 0], edge[:, 1]), np.where(is_forward, edge[:, 1], edge[:, 0])
    before = np.maximum(_least_angle_cosine(v[a], v[b], v[c]), _least_angle_cosine(v[b], v[a], v[d]))
    after = np.maximum(_least_angle_cosine(v[c], v[a], v[d]), _least_angle_cosine(v[d], v[b], v[c]))
    gain = before - after
    wanted = np.nonzero((gain > 1e-3) & (c != d))[0]
    a, b, c, d, gain = a[wanted], b[wanted], c[wanted], d[wanted], gain[wanted]
    n0, n1 = np.cross(v[b] - v[a], v[c] - v[a]), np.cross(v[a] - v[b], v[d] - v[b])
    m0, m1 = np.cross(v[a] - v[c], v[d] - v[c]), np.cross(v[b] - v[d], v[c] - v[d])
    mean = n0 / _length(n0)[:, None] + n1 / _length(n1)[:, None]

    def facing(m: Array) -> Array:
        return _dot(m, mean) / np.maximum(_length(m) * _length(mean), 1e-30)

    flat = _dot(n0, n1) > 0.7 * _length(n0) * _length(n1)
    n = len(v)
    key = np.minimum(c, d) * n + np.maximum(c, d)
    edge_key = edge[:, 0] * n + edge[:, 1]
    at = np.minimum(np.searchsorted(edge_key, key), len(edge_key) - 1)
    good = flat & (facing(m0) > 0.7) & (facing(m1) > 0.7) & (edge_key[at] != key)
    keep = np.nonzero(good)[0]
    rank = np.empty(len(keep), dtype=np.int64)
    rank[np.argsort(-gain[keep], kind="stable")] = np.arange(len(keep))
    faces_of = pair[wanted[keep]]
    least = np.full(len(f), len(f) * 3)
    np.minimum.at(least, faces_of[:, 0], rank)
    np.minimum.at(least, faces_of[:, 1], rank)
    win = (rank == least[faces_of[:, 0]]) & (rank == least[faces_of[:, 1]])
    _, single = np.unique(key[keep][win], return_index=True)  # two quads must not grow the same new edge
    win = np.nonzero(win)[0][single]
    q, sides = keep[win], faces_of[win]
    f = f.copy()
    f[sides[:, 0]] = np.stack([c[q], a[q], d[q]], axis=1)
    f[sides[:, 1]] = np.stack([d[q], b[q], c[q]], axis=1)
    return f


def _relax(field: Field, v: Array, f: Array, share: float = 0.6) -> Array:
    """Move each vertex within the surface towards the middle of its neighbours, then back onto the surface."""
    edge, _, _ = _edges(f)
    near = _adjacency(edge, len(v))
    mean = (near @ v) / np.diff(near.indptr)[:, None]
    normal = vertex_normals(v, f)
    step = share * (mean - v)
    step -= _dot(step, normal)[:, None] * normal
    return drop_onto(field, v + step, f, steps=1)
