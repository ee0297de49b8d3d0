"""Clear repair of a triangle mesh: a few plain changes, one sentence for each, and a refusal where they do not do."""

from __future__ import annotations

import numpy as np

from drapesim.ground.outcome import InputError

Array = np.ndarray

SAME = 1e-6  # m, corners nearer than this are one (finer than any scan, coarser than single precision at 2 m)
FLAT = 1e-15  # m2, a triangle of less area has no direction
LARGEST_HOLE = 0.050  # m, perimeter of the largest hole that is filled
SPECK = 0.01  # a shell whose diagonal is under this share of the largest shell's is dropped
MOST_FLAT = 1000  # flat triangles that are still taken out one by one


def repair_mesh(vertices: Array, faces: Array, file: str) -> tuple[Array, Array, tuple[str, ...]]:
    """Closed shells with outward normals, m; the sentences say what was changed.

    vertices (n, 3) m, finite; faces (m, 3) with every number below n. Raises InputError when the mesh stays open, has
    edges of more than two faces, or is one-sided.
    """
    notes: list[str] = []
    vertices, faces = _merge_corners(vertices, faces, notes)
    faces = _drop_faces(faces, notes)
    if len(faces) == 0:
        raise InputError(file, "", "every face is a point, a line or a repetition", "export a surface of triangles")
    faces = _turn_flat(vertices, faces, notes)
    n_crowded = count_sides(faces)[1]
    if n_crowded:
        problem = f"{n_crowded} edges are shared by more than two faces, so inside and outside are not defined"
        raise InputError(file, "", problem, "remove inner walls and doubled sheets, or rebuild the surface")
    faces = _wind_alike(faces, file, notes)
    faces = _drop_specks(vertices, faces, notes)
    vertices, faces = _fill_holes(vertices, faces, file, notes)
    faces = _face_outward(vertices, faces, notes)
    faces = _drop_hollows(vertices, faces, notes)
    n_flat = int((_areas(vertices, faces) <= FLAT).sum())
    if n_flat:
        raise InputError(file, "", f"{n_flat} triangles have no area and could not be taken out", "rebuild the surface")
    used, compact = np.unique(faces, return_inverse=True)
    return np.ascontiguousarray(vertices[used]), compact.reshape(-1, 3).astype(np.int32), tuple(notes)


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" + ("" if number == 1 else "s")


def _areas(vertices: Array, faces: Array) -> Array:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)


def _side_keys(faces: Array) -> tuple[Array, Array]:
    """One number for each side's pair of vertices, and whether the side runs from the smaller to the larger."""
    start, end = faces.ravel().astype(np.int64), np.roll(faces, -1, axis=1).ravel().astype(np.int64)
    return np.minimum(start, end) * (int(faces.max()) + 1) + np.maximum(start, end), start < end


def count_sides(faces: Array) -> tuple[int, int, int]:
    """Number of edges of one face, of more than two faces, and of two faces that run along it the same way."""
    key, rising = _side_keys(faces)
    order = np.argsort(key, kind="stable")
    first = np.nonzero(np.diff(key[order], prepend=-1))[0]
    count = np.diff(np.append(first, len(key)))
    n_rising = np.add.reduceat(rising[order].astype(np.int64), first)
    return int((count == 1).sum()), int((count > 2).sum()), int(((count == 2) & (n_rising != 1)).sum())


def _merge_corners(vertices: Array, faces: Array, notes: list[str]) -> tuple[Array, Array]:
    low = vertices.min(axis=0)
    grid = max(SAME, float((vertices.max(axis=0) - low).max()) / (2**21 - 2))
    cell = np.round((vertices - low) / grid).astype(np.int64)
    packed = (cell[:, 0] << 42) | (cell[:, 1] << 21) | cell[:, 2]
    _, first, inverse = np.unique(packed, return_index=True, return_inverse=True)
    n_merged = len(vertices) - len(first)
    if n_merged == 0:
        return vertices, faces
    notes.append(f"{_count(n_merged, 'repeated vertex').replace('vertexs', 'vertices')} merged.")
    return vertices[first], inverse.reshape(-1)[faces]


def _drop_faces(faces: Array, notes: list[str]) -> Array:
    pinched = (faces[:, 0] == faces[:, 1]) | (faces[:, 1] == faces[:, 2]) | (faces[:, 2] == faces[:, 0])
    if pinched.any():
        notes.append(f"{_count(int(pinched.sum()), 'face')} without area dropped.")
        faces = faces[~pinched]
    if len(faces) == 0:
        return faces
    corners = np.sort(faces, axis=1)
    order = np.lexsort(corners.T[::-1])
    again = np.zeros(len(faces), dtype=bool)
    again[order[1:]] = (corners[order[1:]] == corners[order[:-1]]).all(axis=1)
    if again.any():
        notes.append(f"{_count(int(again.sum()), 'repeated face')} dropped.")
    return faces[~again]


def _turn_flat(vertices: Array, faces: Array, notes: list[str]) -> Array:
    """Take out triangles whose corners lie on one line by turning their longest side, which leaves no gap."""
    flat = np.nonzero(_areas(vertices, faces) <= FLAT)[0]
    if len(flat) == 0 or len(flat) > MOST_FLAT:
        return faces
    faces, n_turned = faces.copy(), 0
    for number in flat:
        corner = vertices[faces[number]]
        side = int(np.argmax(np.linalg.norm(np.roll(corner, -1, axis=0) - corner, axis=1)))
        a, b, c = np.roll(faces[number], -side)
        beside = np.nonzero((faces == a).any(axis=1) & (faces == b).any(axis=1))[0]
        beside = beside[beside != number]
        if len(beside) != 1:
            continue
        d = int(faces[beside[0]].sum() - a - b)
        forward = any(faces[beside[0]][k] == b and faces[beside[0]][k - 2] == a for k in range(3))
        taken = ((faces == c).any(axis=1) & (faces == d).any(axis=1)).any()
        if d == c or not forward or taken:
            continue
        faces[number], faces[beside[0]] = (c, a, d), (d, b, c)
        n_turned += 1
    if n_turned:
        notes.append(f"{_count(n_turned, 'face')} without area taken out by turning an edge.")
    return faces


def _pair_sides(faces: Array) -> tuple[Array, Array, Array]:
    """Faces on both sides of each edge of two faces, and whether the two run along it the same way."""
    key, rising = _side_keys(faces)
    order = np.argsort(key, kind="stable")
    twin = np.nonzero(key[order][1:] == key[order][:-1])[0]
    first, second = order[twin], order[twin + 1]
    return first // 3, second // 3, rising[first] == rising[second]


def _label_shells(faces: Array) -> tuple[int, Array]:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    f, g, _ = _pair_sides(faces)
    graph = coo_matrix((np.ones(len(f), dtype=np.int8), (f, g)), shape=(len(faces), len(faces)))
    return connected_components(graph, directed=False)


def _wind_alike(faces: Array, file: str, notes: list[str]) -> Array:
    """Turn faces until all of a shell are wound alike, as few as possible."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    f, g, alike = _pair_sides(faces)
    if not alike.any():
        return faces
    # Two copies of every face, as it is and turned; neighbours that agree are linked. Each shell makes two halves.
    n = len(faces)
    rows = np.concatenate([f, f + n])
    cols = np.concatenate([np.where(alike, g + n, g), np.where(alike, g, g + n)])
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, cols)), shape=(2 * n, 2 * n))
    n_halves, label = connected_components(graph, directed=False)
    as_is, turned = label[:n], label[n:]
    if (as_is == turned).any():
        problem = "the surface is one-sided, so inside and outside are not defined"
        raise InputError(file, "", problem, "rebuild the surface as a closed solid")
    # Of a shell's two halves keep the one that holds more faces as they are; on a tie the lower label.
    weight = np.bincount(as_is, minlength=n_halves)
    turn = (weight[turned] > weight[as_is]) | ((weight[turned] == weight[as_is]) & (turned < as_is))
    notes.append(f"{_count(int(turn.sum()), 'face')} turned to be wound like the rest.")
    return np.where(turn[:, None], faces[:, ::-1], faces)


def _bound_shells(vertices: Array, faces: Array, n_shells: int, label: Array) -> tuple[Array, Array]:
    low, high = np.full((n_shells, 3), np.inf), np.full((n_shells, 3), -np.inf)
    for k in range(3):
        np.minimum.at(low, label, vertices[faces[:, k]])
        np.maximum.at(high, label, vertices[faces[:, k]])
    return low, high


def _drop_specks(vertices: Array, faces: Array, notes: list[str]) -> Array:
    n_shells, label = _label_shells(faces)
    if n_shells == 1:
        return faces
    low, high = _bound_shells(vertices, faces, n_shells, label)
    diagonal = np.linalg.norm(high - low, axis=1)
    small = diagonal < SPECK * diagonal.max()
    if small.any():
        largest = diagonal[small].max() * 1e3
        notes.append(f"{_count(int(small.sum()), 'loose speck')} of at most {largest:.1f} mm dropped.")
    return faces[~small[label]]


def _trace_rims(faces: Array) -> list[list[int]]:
    """Closed loops of vertices along the open edges, each run so that a face put on it is wound like the rest."""
    key, _ = _side_keys(faces)
    order = np.argsort(key, kind="stable")
    new = np.diff(key[order], prepend=-1) != 0
    single = order[new & np.append(new[1:], True)]
    start, end = faces.ravel()[single], np.roll(faces, -1, axis=1).ravel()[single]
    onward: dict[int, list[int]] = {}
    for a, b in zip(end.tolist(), start.tolist(), strict=True):
        onward.setdefault(a, []).append(b)
    rims = []
    for first in list(onward):
        while onward.get(first):
            path, place = [first], {first: 0}
            while True:
                here = onward[path[-1]].pop()
                if here in place:  # closed: cut this loop off, go on with what is left of the path
                    rims.append(path[place[here] :])
                    for vertex in path[place[here] + 1 :]:
                        del place[vertex]
                    path = path[: place[here] + 1]
                    if not onward.get(here):
                        break
                    continue
                place[here] = len(path)
                path.append(here)
    return rims


def _fill_holes(vertices: Array, faces: Array, file: str, notes: list[str]) -> tuple[Array, Array]:
    """Close every rim of at most ``LARGEST_HOLE`` by a fan from its middle."""
    rims = _trace_rims(faces)
    if not rims:
        return vertices, faces
    perimeter = np.array([np.linalg.norm(vertices[rim] - vertices[np.roll(rim, 1)], axis=1).sum() for rim in rims])
    wide = perimeter > LARGEST_HOLE
    if wide.any():
        problem = (
            f"the surface is open: {_count(int(wide.sum()), 'hole')} of more than {LARGEST_HOLE * 1e3:.0f} mm around, "
            f"the largest {perimeter.max() * 1e3:.0f} mm"
        )
        raise InputError(file, "", problem, "close the surface first; only smaller holes are filled here")
    middles: list[Array] = []
    patches: list[list[list[int]]] = []
    for rim in rims:
        if len(rim) == 3:
            patches.append([rim])
            continue
        centre = len(vertices) + len(middles)
        middles.append(vertices[rim].mean(axis=0))
        patches.append([[rim[k], rim[(k + 1) % len(rim)], centre] for k in range(len(rim))])
    notes.append(f"{_count(len(rims), 'hole')} filled, the largest {perimeter.max() * 1e3:.1f} mm around.")
    faces = np.concatenate([faces, *[np.array(patch, dtype=faces.dtype) for patch in patches]])
    return np.concatenate([vertices, np.array(middles).reshape(-1, 3)]), faces


def _face_outward(vertices: Array, faces: Array, notes: list[str]) -> Array:
    n_shells, label = _label_shells(faces)
    a, b, c = (vertices[faces[:, k]] - vertices.mean(axis=0) for k in range(3))
    volume = np.bincount(label, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0, n_shells)
    inward = volume < 0.0
    if not inward.any():
        return faces
    notes.append(f"{_count(int(inward.sum()), 'shell')} with normals inward turned outward.")
    return np.where(inward[label][:, None], faces[:, ::-1], faces)


def _drop_hollows(vertices: Array, faces: Array, notes: list[str]) -> Array:
    """Leave out shells that lie wholly inside another: no cloth gets there, and their normals would contradict."""
    n_shells, label = _label_shells(faces)
    if n_shells == 1:
        return faces
    low, high = _bound_shells(vertices, faces, n_shells, label)
    inner = np.zeros(n_shells, dtype=bool)
    for shell in range(n_shells):
        corner = vertices[faces[np.argmax(label == shell), 0]]
        around = np.nonzero((low < low[shell]).all(axis=1) & (high > high[shell]).all(axis=1))[0]
        inner[shell] = any(wind_around(corner, vertices, faces[label == other]) > 0.5 for other in around)
    if inner.any():
        notes.append(f"{_count(int(inner.sum()), 'shell')} wholly inside another dropped.")
    n_kept = int((~inner).sum())
    if n_kept > 1:
        notes.append(f"The file holds {n_kept} separate shells; all are kept as one body.")
    return faces[~inner[label]]


def wind_around(point: Array, vertices: Array, faces: Array) -> float:
    """Winding number of a closed mesh about a point: 1 inside, 0 outside (van Oosterom and Strackee 1983)."""
    a, b, c = (vertices[faces[:, k]] - point for k in range(3))
    la, lb, lc = (np.linalg.norm(e, axis=1) for e in (a, b, c))
    top = np.einsum("ij,ij->i", a, np.cross(b, c))
    dots = [np.einsum("ij,ij->i", p, q) for p, q in ((a, b), (b, c), (c, a))]
    return float(np.arctan2(top, la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb).sum() / (2.0 * np.pi))
