"""Clear repair of a triangle mesh: a few plain changes, one sentence for each, and a refusal where they do not do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drapesim.ground.outcome import InputError

Array = np.ndarray

SAME = 1e-6  # m, corners nearer than this are one (finer than any scan, coarser than single precision at 2 m)
FLAT = 1e-15  # m2, a triangle of less area has no direction
LARGEST_HOLE = 0.050  # m, perimeter of the largest hole that is filled
SPECK = 0.01  # a shell whose diagonal is under this share of the largest shell's is dropped
MOST_FLAT = 1000  # flat triangles that are still taken out one by one
BLOCK = 500_000  # faces of which areas and volumes are reckoned at a time


@dataclass(frozen=True)
class Sides:
    """The sides of all faces in the order of their edges: side 3 f + k runs from corner k of face f to the next one.

    Sorting them is what costs most on millions of faces, so it is done once and handed round.
    """

    order: Array  # (3 m,) int64: sides, those of one edge one after the other
    is_new: Array  # (3 m,) bool: the first side of its edge
    rising: Array  # (3 m,) bool, in the same order: runs from the smaller to the larger number


def repair_mesh(vertices: Array, faces: Array, file: str) -> tuple[Array, Array, tuple[str, ...]]:
    """Closed shells with outward normals, m; the sentences say what was changed.

    vertices (n, 3) m, finite; faces (m, 3) with every number below n. Raises InputError when the mesh stays open, has
    edges of more than two faces, or is one-sided.
    """
    notes: list[str] = []
    vertices, faces = tidy_faces(vertices, faces, file, notes)
    sides = sort_sides(faces)
    n_crowded = count_edges(sides)[1]
    if n_crowded:
        problem = f"{n_crowded} edges are shared by more than two faces, so inside and outside are not defined"
        raise InputError(file, "", problem, "remove inner walls and doubled sheets, or rebuild the surface")
    faces, sides = wind_alike(faces, sides, file, notes)
    n_shells, label = label_shells(sides)
    faces, label, n_dropped = drop_specks(vertices, faces, n_shells, label, notes)
    if n_dropped:
        sides, n_shells = sort_sides(faces), n_shells - n_dropped
    if count_edges(sides)[0]:
        vertices, faces = _fill_holes(vertices, faces, sides, file, notes)
        n_shells, label = label_shells(sort_sides(faces))
    del sides
    faces = _face_outward(vertices, faces, n_shells, label, notes)
    faces = _drop_hollows(vertices, faces, n_shells, label, notes)
    n_flat = int((face_areas(vertices, faces) <= FLAT).sum())
    if n_flat:
        raise InputError(file, "", f"{n_flat} triangles have no area and could not be taken out", "rebuild the surface")
    return *drop_unused(vertices, faces), tuple(notes)


def tidy_faces(vertices: Array, faces: Array, file: str, notes: list[str]) -> tuple[Array, Array]:
    """Corners at one place merged; faces without area or said twice dropped. `InputError` if nothing is left."""
    vertices, faces = _merge_corners(vertices, faces, notes)
    faces = _drop_faces(faces, notes)
    if len(faces) == 0:
        raise InputError(file, "", "every face is a point, a line or a repetition", "export a surface of triangles")
    return vertices, _turn_flat(vertices, faces, notes)


def drop_unused(vertices: Array, faces: Array) -> tuple[Array, Array]:
    """The vertices that faces (m, 3) name, in their order, and the faces renumbered as int32."""
    used = np.zeros(len(vertices), dtype=bool)
    used[faces.ravel()] = True
    if used.all():
        return np.ascontiguousarray(vertices), np.ascontiguousarray(faces, dtype=np.int32)
    place = np.cumsum(used, dtype=np.int64) - 1
    return np.ascontiguousarray(vertices[used]), place[faces].astype(np.int32)


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" + ("" if number == 1 else "s")


def face_areas(vertices: Array, faces: Array) -> Array:
    """(m,) m2, a block of faces at a time."""
    area = np.empty(len(faces))
    for start in range(0, len(faces), BLOCK):
        a, b, c = (vertices[faces[start : start + BLOCK, k]] for k in range(3))
        area[start : start + BLOCK] = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return area


def sort_sides(faces: Array) -> Sides:
    """See `Sides`; faces (m, 3) integers, m at least 1."""
    key = np.empty(faces.shape, dtype=np.int64)
    rising = np.empty(faces.shape, dtype=bool)
    n = int(faces.max()) + 1
    for k in range(3):
        start, end = faces[:, k], faces[:, (k + 1) % 3]
        key[:, k] = np.minimum(start, end)
        key[:, k] *= n
        key[:, k] += np.maximum(start, end)
        rising[:, k] = start < end
    order = np.argsort(key.reshape(-1))
    ordered = key.reshape(-1)[order]
    is_new = np.ones(len(ordered), dtype=bool)
    np.not_equal(ordered[1:], ordered[:-1], out=is_new[1:])
    return Sides(order, is_new, rising.reshape(-1)[order])


def count_sides(faces: Array) -> tuple[int, int, int]:
    """Number of edges of one face, of more than two faces, and of two faces that run along it the same way."""
    return count_edges(sort_sides(faces))


def count_edges(sides: Sides) -> tuple[int, int, int]:
    """As `count_sides`."""
    first = np.flatnonzero(sides.is_new)
    count = np.diff(np.append(first, len(sides.order)))
    two = first[count == 2]
    alike = sides.rising[two] == sides.rising[two + 1]
    return int((count == 1).sum()), int((count > 2).sum()), int(alike.sum())


def _merge_corners(vertices: Array, faces: Array, notes: list[str]) -> tuple[Array, Array]:
    low = vertices.min(axis=0)
    grid = max(SAME, float((vertices.max(axis=0) - low).max()) / (2**21 - 2))
    packed = np.zeros(len(vertices), dtype=np.int64)
    for k in range(3):
        packed <<= 21
        packed |= np.round((vertices[:, k] - low[k]) / grid).astype(np.int64)
    _, first, inverse = np.unique(packed, return_index=True, return_inverse=True)
    n_merged = len(vertices) - len(first)
    if n_merged == 0:
        return vertices, faces
    notes.append(f"{_count(n_merged, 'repeated vertex').replace('vertexs', 'vertices')} merged.")
    return vertices[first], inverse.reshape(-1).astype(faces.dtype)[faces]


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
        faces = faces[~again]
    return faces


def _turn_flat(vertices: Array, faces: Array, notes: list[str]) -> Array:
    """Take out triangles whose corners lie on one line by turning their longest side, which leaves no gap."""
    flat = np.nonzero(face_areas(vertices, faces) <= FLAT)[0]
    if len(flat) == 0 or len(flat) > MOST_FLAT:
        return faces
    of_flat = np.zeros(len(vertices), dtype=bool)
    of_flat[faces[flat].ravel()] = True
    near = np.nonzero(of_flat[faces].any(axis=1))[0]  # all that can be touched: the whole mesh may be large
    faces, patch, n_turned = faces.copy(), faces[near], 0
    for number in np.searchsorted(near, flat):
        corner = vertices[patch[number]]
        side = int(np.argmax(np.linalg.norm(np.roll(corner, -1, axis=0) - corner, axis=1)))
        a, b, c = np.roll(patch[number], -side)
        beside = np.nonzero((patch == a).any(axis=1) & (patch == b).any(axis=1))[0]
        beside = beside[beside != number]
        if len(beside) != 1:
            continue
        d = int(patch[beside[0]].sum() - a - b)
        forward = any(patch[beside[0]][k] == b and patch[beside[0]][k - 2] == a for k in range(3))
        taken = ((patch == c).any(axis=1) & (patch == d).any(axis=1)).any()
        if d == c or not forward or taken:
            continue
        patch[number], patch[beside[0]] = (c, a, d), (d, b, c)
        n_turned += 1
    faces[near] = patch
    if n_turned:
        notes.append(f"{_count(n_turned, 'face')} without area taken out by turning an edge.")
    return faces


def _pair_sides(sides: Sides) -> tuple[Array, Array, Array]:
    """Faces on both sides of each edge of two faces, and whether the two run along it the same way."""
    twin = np.flatnonzero(~sides.is_new & np.append(sides.is_new[1:], True))
    twin = twin[sides.is_new[twin - 1]]
    first, second = (sides.order[twin - 1] // 3).astype(np.int32), (sides.order[twin] // 3).astype(np.int32)
    return first, second, sides.rising[twin - 1] == sides.rising[twin]


def label_shells(sides: Sides) -> tuple[int, Array]:
    """How many shells hang together by edges, and the number of each face's shell."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    f, g, _ = _pair_sides(sides)
    n = len(sides.order) // 3
    return connected_components(coo_matrix((np.ones(len(f), dtype=np.int8), (f, g)), shape=(n, n)), directed=False)


def wind_alike(faces: Array, sides: Sides, file: str, notes: list[str]) -> tuple[Array, Sides]:
    """Turn faces until all of a shell are wound alike, as few as possible."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    f, g, alike = _pair_sides(sides)
    if not alike.any():
        return faces, sides
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
    faces = np.where(turn[:, None], faces[:, ::-1], faces)
    return faces, sort_sides(faces)


def bound_shells(vertices: Array, faces: Array, n_shells: int, label: Array) -> tuple[Array, Array]:
    """Lower and upper corners (n_shells, 3) m."""
    low, high = np.full((n_shells, 3), np.inf), np.full((n_shells, 3), -np.inf)
    for k in range(3):
        np.minimum.at(low, label, vertices[faces[:, k]])
        np.maximum.at(high, label, vertices[faces[:, k]])
    return low, high


def drop_specks(
    vertices: Array, faces: Array, n_shells: int, label: Array, notes: list[str]
) -> tuple[Array, Array, int]:
    """The faces that stay, their shells renumbered, and how many shells went."""
    if n_shells == 1:
        return faces, label, 0
    low, high = bound_shells(vertices, faces, n_shells, label)
    diagonal = np.linalg.norm(high - low, axis=1)
    small = diagonal < SPECK * diagonal.max()
    if small.any():
        largest = diagonal[small].max() * 1e3
        notes.append(f"{_count(int(small.sum()), 'loose speck')} of at most {largest:.1f} mm dropped.")
        kept = ~small[label]
        faces, label = faces[kept], (np.cumsum(~small) - 1)[label[kept]]
    return faces, label, int(small.sum())


def trace_rims(faces: Array, sides: Sides) -> list[list[int]]:
    """Closed loops of vertices along the open edges, each run so that a face put on it is wound like the rest.

    An edge is open as often as more of its sides run one way than the other.
    """
    lead = np.flatnonzero(sides.is_new)
    net = np.add.reduceat(np.where(sides.rising, 1, -1).astype(np.int8), lead, dtype=np.int64)
    loose = np.flatnonzero(net)
    side = sides.order[lead[loose]]
    one, two = faces[side // 3, side % 3], faces[side // 3, (side + 1) % 3]
    times, is_rising = np.abs(net[loose]), net[loose] > 0
    low, high = np.minimum(one, two), np.maximum(one, two)
    start, end = (np.repeat(np.where(is_rising, p, q), times) for p, q in ((low, high), (high, low)))
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


def rim_length(vertices: Array, rim: list[int]) -> float:
    """Length of the closed line through ``rim``, m."""
    return float(np.linalg.norm(vertices[rim] - vertices[np.roll(rim, 1)], axis=1).sum())


def _fill_holes(vertices: Array, faces: Array, sides: Sides, file: str, notes: list[str]) -> tuple[Array, Array]:
    """Close every rim of at most ``LARGEST_HOLE``; `InputError` where one is longer."""
    rims = trace_rims(faces, sides)
    perimeter = np.array([rim_length(vertices, rim) for rim in rims])
    wide = perimeter > LARGEST_HOLE
    if wide.any():
        problem = (
            f"the surface is open: {_count(int(wide.sum()), 'hole')} of more than {LARGEST_HOLE * 1e3:.0f} mm around, "
            f"the largest {perimeter.max() * 1e3:.0f} mm"
        )
        raise InputError(file, "", problem, "close the surface first; only smaller holes are filled here")
    notes.append(f"{_count(len(rims), 'hole')} filled, the largest {perimeter.max() * 1e3:.1f} mm around.")
    return cap_rims(vertices, faces, rims)


def cap_rims(vertices: Array, faces: Array, rims: list[list[int]]) -> tuple[Array, Array]:
    """The mesh with a fan from its middle over each rim, or one triangle over a rim of three."""
    middles: list[Array] = []
    patches: list[list[list[int]]] = []
    for rim in rims:
        if len(rim) == 3:
            patches.append([rim])
            continue
        centre = len(vertices) + len(middles)
        middles.append(vertices[rim].mean(axis=0))
        patches.append([[rim[k], rim[(k + 1) % len(rim)], centre] for k in range(len(rim))])
    faces = np.concatenate([faces, *[np.array(patch, dtype=faces.dtype) for patch in patches]])
    return np.concatenate([vertices, np.array(middles).reshape(-1, 3)]), faces


def _face_outward(vertices: Array, faces: Array, n_shells: int, label: Array, notes: list[str]) -> Array:
    volume = shell_volumes(vertices, faces, n_shells, label)
    inward = volume < 0.0
    if not inward.any():
        return faces
    notes.append(f"{_count(int(inward.sum()), 'shell')} with normals inward turned outward.")
    return np.where(inward[label][:, None], faces[:, ::-1], faces)


def shell_volumes(vertices: Array, faces: Array, n_shells: int, label: Array) -> Array:
    """(n_shells,) m3, negative where the normals point inward."""
    volume, middle = np.zeros(n_shells), vertices.mean(axis=0)
    for start in range(0, len(faces), BLOCK):
        a, b, c = (vertices[faces[start : start + BLOCK, k]] - middle for k in range(3))
        each = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0
        volume += np.bincount(label[start : start + BLOCK], each, n_shells)
    return volume


def _drop_hollows(vertices: Array, faces: Array, n_shells: int, label: Array, notes: list[str]) -> Array:
    """Leave out shells that lie wholly inside another: no cloth gets there, and their normals would contradict."""
    if n_shells == 1:
        return faces
    low, high = bound_shells(vertices, faces, n_shells, label)
    inner = np.zeros(n_shells, dtype=bool)
    member = np.unique(label, return_index=True)[1]
    for shell in range(n_shells):
        corner = vertices[faces[member[shell], 0]]
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
