"""The body and what it lies on: triangles in metres, z up, with named parts, regions and landmarks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Literal

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.body_repair import BLOCK, count_sides, repair_mesh
from drapesim.matter.mesh_files import read_triangles

Array = np.ndarray
Triple = tuple[float, float, float]


@dataclass(frozen=True)
class BodyPart:
    """One shell the cloth can touch."""

    name: str  # "body", "support"
    surface: str  # key into FabricCard.friction
    is_support: bool = False


@dataclass(frozen=True)
class Body:
    """Everything rigid in the scene, as one oriented triangle soup of closed shells (outward normals).

    vertices (n, 3) float64 m; faces (m, 3) int32; part (m,) int32 into ``parts``;
    region (m,) int32 into ``region_names`` (-1: none); landmarks name -> (3,) m.
    """

    vertices: Array
    faces: Array
    part: Array
    parts: tuple[BodyPart, ...]
    region: Array
    region_names: tuple[str, ...] = ()
    landmarks: Mapping[str, Array] = field(default_factory=lambda: MappingProxyType({}))
    repairs: tuple[str, ...] = ()  # one sentence for each thing that was changed on loading


def check_body(body: Body) -> Body:
    """Return ``body`` if its arrays are as promised and every part is closed with its normals outward.

    Raises InputError naming the first thing that is wrong.
    """

    def refuse(problem: str) -> InputError:
        return InputError("", "body", problem, "give closed shells of triangles with outward normals, in metres")

    n, m = len(body.vertices), len(body.faces)
    wanted = {"vertices": (np.float64, (n, 3)), "faces": (np.int32, (m, 3)), "part": (np.int32, (m,)),
              "region": (np.int32, (m,))}  # fmt: skip
    for name, (kind, shape) in wanted.items():
        array = getattr(body, name)
        if array.dtype != kind or array.shape != shape or not array.flags.c_contiguous:
            raise refuse(f"{name} is {array.dtype} {array.shape}, not a C-ordered {np.dtype(kind)} {shape}")
    if m == 0:
        raise refuse("there are no faces")
    if not np.isfinite(body.vertices).all():
        raise refuse("a vertex is not a finite number")
    if body.faces.min() < 0 or body.faces.max() >= n:
        raise refuse(f"a face names vertex {body.faces.max()} of {n}")
    for name, array, most in (("part", body.part, len(body.parts)), ("region", body.region, len(body.region_names))):
        if array.min() < (0 if name == "part" else -1) or array.max() >= most:
            raise refuse(f"a face's {name} is {array.min()} to {array.max()}, and there are {most} names")
    for number, part in enumerate(body.parts):
        faces = body.faces[body.part == number]
        if len(faces) == 0:
            raise refuse(f'part "{part.name}" has no faces')
        n_open, n_crowded, n_turned = count_sides(faces)
        if n_open or n_crowded or n_turned:
            raise refuse(
                f'part "{part.name}" is not closed: {n_open} open edges, {n_crowded} shared by more than two faces, '
                f"{n_turned} with faces turned against each other"
            )
        if enclosed_volume(body.vertices, faces) <= 0.0:
            raise refuse(f'part "{part.name}" has its normals inward')
    return body


def enclosed_volume(vertices: Array, faces: Array) -> float:
    """Signed volume, m3, by the divergence theorem; positive when the normals point outward."""
    total = 0.0
    for start in range(0, len(faces), BLOCK):
        a, b, c = (vertices[faces[start : start + BLOCK, k]] for k in range(3))
        total += float(np.einsum("ij,ij->", a, np.cross(b, c)))
    return total / 6.0


def _shell(vertices: Array, faces: Array, surface: str, name: str = "body", is_support: bool = False) -> Body:
    """One part without regions; the middle of its highest level is the landmark "top"."""
    vertices = np.ascontiguousarray(vertices, dtype=np.float64)
    top = vertices[vertices[:, 2] > vertices[:, 2].max() - 1e-9]
    return Body(
        vertices=vertices,
        faces=np.ascontiguousarray(faces, dtype=np.int32),
        part=np.zeros(len(faces), dtype=np.int32),
        parts=(BodyPart(name, surface, is_support),),
        region=np.full(len(faces), -1, dtype=np.int32),
        landmarks=MappingProxyType({} if is_support else {"top": 0.5 * (top.min(axis=0) + top.max(axis=0))}),
    )


def sphere(
    radius: float, centre: Triple | Array = (0.0, 0.0, 0.0), surface: str = "limewood", subdivisions: int = 4
) -> Body:
    """Ball of 20 * 4**subdivisions triangles from an icosahedron, corners on the sphere; lengths m."""
    _want_positive(radius=radius)
    g = (1.0 + 5.0**0.5) / 2.0
    corners = [(-1, g, 0), (1, g, 0), (-1, -g, 0), (1, -g, 0), (0, -1, g), (0, 1, g), (0, -1, -g), (0, 1, -g),
               (g, 0, -1), (g, 0, 1), (-g, 0, -1), (-g, 0, 1)]  # fmt: skip
    faces = np.array([
        (0, 11, 5), (0, 5, 1), (0, 1, 7), (0, 7, 10), (0, 10, 11), (1, 5, 9), (5, 11, 4), (11, 10, 2), (10, 7, 6),
        (7, 1, 8), (3, 9, 4), (3, 4, 2), (3, 2, 6), (3, 6, 8), (3, 8, 9), (4, 9, 5), (2, 4, 11), (6, 2, 10), (8, 6, 7),
        (9, 8, 1),
    ])  # fmt: skip
    v = np.array(corners, dtype=np.float64)
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    for _ in range(subdivisions):
        sides = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
        edge, inverse = np.unique(sides, axis=0, return_inverse=True)
        middle = v[edge].sum(axis=1)
        mid = inverse.reshape(-1, 3) + len(v)
        v = np.concatenate([v, middle / np.linalg.norm(middle, axis=1, keepdims=True)])
        (a, b, c), (ab, bc, ca) = faces.T, mid.T
        faces = np.concatenate([np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])
    return _shell(v * radius + np.asarray(centre), faces, surface)


def cylinder(
    radius: float,
    length: float,
    centre: Triple | Array = (0.0, 0.0, 0.0),
    axis: Literal["x", "y", "z"] = "y",
    surface: str = "limewood",
    n_segments: int = 256,
) -> Body:
    """Closed cylinder, its corners on the true surface; the flats lie radius (1 - cos(pi / n_segments)) inside it."""
    _want_positive(radius=radius, length=length)
    angle = np.arange(n_segments) * (2.0 * np.pi / n_segments)
    profile = np.stack([np.sin(angle), np.cos(angle)], axis=1) * radius
    vertices, faces = _extrude(profile, length)
    order = {"x": [1, 2, 0], "y": [0, 1, 2], "z": [2, 0, 1]}[axis]  # cyclic: stays right-handed
    return _shell(vertices[:, order] + np.asarray(centre), faces, surface)


def box(lo: Triple | Array, hi: Triple | Array, surface: str = "limewood") -> Body:
    """Box of 12 triangles from corner ``lo`` to corner ``hi``, m."""
    _want_positive(**{f"extent along {a}": h - low for a, low, h in zip("xyz", lo, hi, strict=True)})
    return _shell(*_box_mesh(lo, hi), surface)


def ridge(
    height: float,
    breadth: float,
    length: float,
    radius: float = 0.0,
    surface: str = "limewood",
    centre: Triple | Array = (0.0, 0.0, 0.0),
    n_arc: int = 32,
) -> Body:
    """Ridge along y: two slopes that meet on top, rounded by ``radius``; ``centre`` is the middle of its foot; m."""
    _want_positive(height=height, breadth=breadth, length=length)
    if not 0.0 <= radius < min(height, 0.5 * breadth):
        problem = f"radius {radius:g} m does not fit a ridge {height:g} m high and {breadth:g} m broad"
        raise InputError("", "ridge", problem, "give less than the height and less than half the breadth")
    foot = np.array([[0.5 * breadth, 0.0], [-0.5 * breadth, 0.0]])
    if radius > 0.0:
        # Slope from the foot tangent to the circle: its normal (sin, cos) meets (foot - middle) . normal = radius.
        rise = height - radius
        tilt = np.arctan2(rise, 0.5 * breadth) + np.arcsin(radius / np.hypot(rise, 0.5 * breadth))
        angle = np.linspace(-tilt, tilt, n_arc + 1)
        top = np.stack([radius * np.sin(angle), rise + radius * np.cos(angle)], axis=1)
    else:
        top = np.array([[0.0, height]])
    vertices, faces = _extrude(np.concatenate([top, foot]), length)
    return _shell(vertices + np.asarray(centre), faces, surface)


def slab(length: float, width: float, thickness: float, top_z: float = 0.0, surface: str = "slate") -> Body:
    """The support: a box with its top at ``top_z`` and its middle at x = y = 0; part "support"; m."""
    _want_positive(length=length, width=width, thickness=thickness)
    half = (0.5 * length, 0.5 * width)
    mesh = _box_mesh((-half[0], -half[1], top_z - thickness), (*half, top_z))
    return _shell(*mesh, surface, name="support", is_support=True)


def _box_mesh(lo: Triple | Array, hi: Triple | Array) -> tuple[Array, Array]:
    corner = np.array([[(lo, hi)[(n >> a) & 1][a] for a in range(3)] for n in range(8)], dtype=np.float64)
    quads = ((0, 4, 6, 2), (1, 3, 7, 5), (0, 1, 5, 4), (2, 6, 7, 3), (0, 2, 3, 1), (4, 5, 7, 6))
    return corner, np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])


def _extrude(profile: Array, length: float) -> tuple[Array, Array]:
    """Prism along y over a convex ``profile`` (k, 2) of (x, z), listed clockwise seen from -y; middle at y = 0.

    Rings are placed so that no wall triangle is more than about eight times longer than broad.
    """
    k = len(profile)
    side = np.linalg.norm(np.roll(profile, -1, axis=0) - profile, axis=1)
    n_rings = int(np.clip(np.ceil(length / (8.0 * np.median(side))), 1, 64))
    y = np.linspace(-0.5 * length, 0.5 * length, n_rings + 1)
    around = np.tile(profile, (n_rings + 1, 1))
    rings = np.stack([around[:, 0], np.repeat(y, k), around[:, 1]], axis=1)
    middle = 0.5 * (profile.min(axis=0) + profile.max(axis=0))
    ends = np.array([[middle[0], y[0], middle[1]], [middle[0], y[-1], middle[1]]])
    i = np.arange(n_rings * k)
    after = i - i % k + (i + 1) % k
    j, last = np.arange(k), n_rings * k
    following = (j + 1) % k
    walls = [np.stack([i, after, i + k], axis=1), np.stack([after, after + k, i + k], axis=1)]
    caps = [np.stack([np.full(k, len(rings)), following, j], axis=1),
            np.stack([np.full(k, len(rings) + 1), last + j, last + following], axis=1)]  # fmt: skip
    return np.concatenate([rings, ends]), np.concatenate(walls + caps)


def _want_positive(**lengths: float) -> None:
    for name, value in lengths.items():
        if not (np.isfinite(value) and value > 0.0):
            raise InputError("", "body", f"{name} is {value:g} m", "give a length above zero")


def join(*bodies: Body) -> Body:
    """All bodies as one: parts in the order given, equal region names shared, landmarks and repairs together.

    Raises InputError when two bodies have a landmark of the same name.
    """
    names = list(dict.fromkeys(name for body in bodies for name in body.region_names))
    landmarks: dict[str, Array] = {}
    vertices, faces, part, region = [], [], [], []
    n_vertices = n_parts = 0
    for body in bodies:
        twice = landmarks.keys() & body.landmarks.keys()
        if twice:
            raise InputError("", "body", f'two parts have a landmark "{min(twice)}"', "give each landmark its own name")
        landmarks.update(body.landmarks)
        place = np.array([names.index(name) for name in body.region_names] + [-1])  # the last serves region -1
        vertices.append(body.vertices)
        faces.append(body.faces + n_vertices)
        part.append(body.part + n_parts)
        region.append(place[body.region])
        n_vertices, n_parts = n_vertices + len(body.vertices), n_parts + len(body.parts)
    return Body(
        vertices=np.concatenate(vertices),
        faces=np.concatenate(faces).astype(np.int32),
        part=np.concatenate(part).astype(np.int32),
        parts=tuple(part for body in bodies for part in body.parts),
        region=np.concatenate(region).astype(np.int32),
        region_names=tuple(names),
        landmarks=MappingProxyType(landmarks),
        repairs=tuple(sentence for body in bodies for sentence in body.repairs),
    )


def placed(
    body: Body, move: Triple | Array = (0.0, 0.0, 0.0), turn: float = 0.0, rotation: Array | None = None
) -> Body:
    """A copy turned by ``rotation`` (3, 3), then by ``turn`` (rad, counter-clockwise from above), then moved (m)."""
    c, s = np.cos(turn), np.sin(turn)
    whole = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ (np.eye(3) if rotation is None else rotation)
    if abs(np.linalg.det(whole) - 1.0) > 1e-9 or not np.allclose(whole @ whole.T, np.eye(3), atol=1e-9):
        raise InputError("", "body", "the rotation stretches or mirrors", "give an orthonormal matrix of determinant 1")

    def carry(points: Array) -> Array:
        return np.ascontiguousarray(points @ whole.T + np.asarray(move))

    landmarks = MappingProxyType({name: carry(place) for name, place in body.landmarks.items()})
    return replace(body, vertices=carry(body.vertices), landmarks=landmarks)


def rest_on(body: Body, z: float = 0.0) -> Body:
    """A copy moved straight up or down so that its lowest vertex lies exactly at height ``z`` (m)."""
    lift = z - body.vertices[:, 2].min()
    moved = placed(body, move=(0.0, 0.0, lift))
    low = moved.vertices[:, 2] <= z + 1e-12
    moved.vertices[low, 2] = z  # rounding must leave nothing below
    return moved


UNITS = MappingProxyType({"um": 1e-6, "mm": 1e-3, "cm": 1e-2, "m": 1.0, "in": 0.0254, "ft": 0.3048})
GUESSED = ("mm", "cm", "m", "in")
PERSON = (1.0, 2.4)  # m, longest extent of a figure for which a unit may be guessed; no two units fit one number
MOST_EXTENT = 20.0  # m
LENGTH_TOLERANCE = 0.02  # of the stated length
# Rows: the file's axes that become x, y and z, with sign; all are rotations.
UPRIGHT = MappingProxyType({
    "z": ((1, 0, 0), (0, 1, 0), (0, 0, 1)), "-z": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    "y": ((1, 0, 0), (0, 0, -1), (0, 1, 0)), "-y": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),
    "x": ((0, 0, -1), (0, 1, 0), (1, 0, 0)), "-x": ((0, 0, 1), (0, 1, 0), (-1, 0, 0)),
})  # fmt: skip


def load_body(
    path: str | Path,
    unit: str | None = None,
    up: str | None = None,
    stated_length_m: float | None = None,
    surface: str = "limewood",
) -> Body:
    """A scan or model from PLY, STL, OBJ or GLB as one part "body", repaired; what was done is in ``Body.repairs``.

    ``unit`` of the file's numbers, a key of ``UNITS``: left out, GLB is metres (its standard), others are guessed from
    the size of a person. ``up``: "x", "y", "z" or one of these with a minus; left out, y for GLB (its standard) and z
    for others.
    ``stated_length_m``: the longest extent by another measurement, checked to 2%.

    Raises InputError for a file that is missing, of another kind, broken, or beyond repair.
    """
    vertices, faces, notes = read_surface(path, unit, up, stated_length_m)
    vertices, faces, repairs = repair_mesh(vertices, faces, str(path))
    return check_body(replace(_shell(vertices, faces, surface), landmarks=MappingProxyType({}),
                              repairs=(*notes, *repairs)))  # fmt: skip


def read_surface(
    path: str | Path, unit: str | None = None, up: str | None = None, stated_length_m: float | None = None
) -> tuple[Array, Array, tuple[str, ...]]:
    """A scan as it is: vertices (n, 3) m with z up, faces (m, 3) int32, and what was guessed; see `load_body`."""
    vertices, faces = read_triangles(Path(path))
    rotation = find_upright(path, up)
    extent = float((vertices.max(axis=0) - vertices.min(axis=0)).max())
    notes: tuple[str, ...] = ()
    if unit is None and Path(path).suffix.lower() == ".glb":
        unit = "m"
    elif unit is None:
        unit = _guess_unit(path, extent)
        notes = (
            f"The unit was not stated and was guessed to be {unit}, which makes the longest extent "
            f"{extent * UNITS[unit]:.3f} m.",
        )
    if unit not in UNITS:
        raise InputError(path, "unit", f'"{unit}" is no unit', f"give one of {', '.join(UNITS)}")
    length = extent * UNITS[unit]
    if stated_length_m is not None and abs(length - stated_length_m) > LENGTH_TOLERANCE * stated_length_m:
        problem = f"the longest extent is {length:.3f} m, but {stated_length_m:.3f} m was stated"
        raise InputError(path, "length", problem, "check the unit and the stated length; they may differ by 2%")
    check_extent(path, length)
    vertices = vertices @ rotation.T
    vertices *= UNITS[unit]
    return vertices, faces, notes


def check_extent(path: str | Path, length: float) -> None:
    """`InputError` where a body of this longest extent (m) is surely in another unit."""
    if not 0.0 < length <= MOST_EXTENT:
        problem = f"the longest extent is {length:.4g} m, and at most {MOST_EXTENT:g} m is taken"
        raise InputError(path, "unit", problem, "check the unit")


def find_upright(path: str | Path, up: str | None) -> Array:
    """(3, 3) rotation from the file's axes to ours, as `load_body` takes it. Raises InputError for an unknown axis."""
    up = up or ("y" if Path(path).suffix.lower() == ".glb" else "z")
    if up not in UPRIGHT:
        raise InputError(path, "up", f'"{up}" is no axis', f"give one of {', '.join(UPRIGHT)}")
    return np.array(UPRIGHT[up], dtype=np.float64)


def _guess_unit(path: str | Path, extent: float) -> str:
    for unit in GUESSED:
        if PERSON[0] <= extent * UNITS[unit] <= PERSON[1]:
            return unit
    problem = f"the unit is not stated, and a longest extent of {extent:.4g} is the size of a person in no unit"
    raise InputError(path, "unit", problem, f"state one of {', '.join(UNITS)}")
