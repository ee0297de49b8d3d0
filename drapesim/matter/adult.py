"""A posed adult by measures, as a closed mesh with regions and landmarks.

The mesh is the level surface of one solid (see `adult_solid`), cut by marching cubes and evened out; so it is closed
whatever the attitude. That no triangles cross is tested exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from drapesim.kernels.crossing import APART, find_crossings
from drapesim.kernels.tree import plant_tree
from drapesim.matter.adult_girths import fit_girths
from drapesim.matter.adult_solid import AdultSolid, make_adult_solid
from drapesim.matter.body import Body, BodyPart
from drapesim.matter.evening import even_out, finer_near
from drapesim.matter.measures import BodyMeasures
from drapesim.matter.skeleton import SIDES, JointAngles, Lie
from drapesim.matter.solid import cut_grid, measure_field, name_regions, sample_grid

Array = np.ndarray

CELL = 0.0065  # m, of the marching cubes
UNTANGLINGS = 2
SOFT = 0.012  # m round a narrow fold within which the mesh follows the grid, and again until it follows the field alone
SOFTENINGS = 3


@dataclass(frozen=True)
class Adult:
    """The built body; its solid, which was lifted by ``lift`` (m) to stand on z = 0; ``softened``: places whose narrow
    folds were cut no finer than the grid; -1 where the whole mesh is as marching cubes left it.
    """

    body: Body
    solid: AdultSolid
    lift: float
    softened: int


def build_adult(
    m: BodyMeasures,
    angles: JointAngles,
    lie: Lie = "supine",
    edge: float = 0.0095,
    fine_edge: float = 0.0044,
    surface: str = "skin",
) -> Adult:
    """Body of an adult in the attitude ``angles``, lying as ``lie`` says, its lowest point on z = 0.

    Triangle edges near ``edge`` (m) and, on face, hands and toes, ``fine_edge``. The hip joints' midpoint is at
    x = y = 0, head towards +x. The same input gives the same bytes. Raises InputError where the measures cannot be met.
    """
    adult = make_adult_solid(m, angles, lie, fit_girths(m))

    vertices, faces, n_soft = _cut_and_even(adult, _sizes(m, adult, edge, fine_edge))
    faces = np.ascontiguousarray(faces, dtype=np.int32)
    names = name_regions(adult.solid, vertices[faces].mean(axis=1)).astype(str)
    region_names, region = np.unique(names, return_inverse=True)
    lift = np.array([0.0, 0.0, -vertices[:, 2].min()])
    landmarks = {name: place + lift for name, place in _find_landmarks(adult, vertices, faces).items()}
    vertices = vertices + lift
    vertices[:, 2] -= vertices[:, 2].min()
    body = Body(
        vertices=np.ascontiguousarray(vertices),
        faces=faces,
        part=np.zeros(len(faces), dtype=np.int32),
        parts=(BodyPart("body", surface=surface),),
        region=region.astype(np.int32),
        region_names=tuple(str(name) for name in region_names),
        landmarks=MappingProxyType(landmarks),
    )
    return Adult(body, adult, float(lift[2]), n_soft)


def _cut_and_even(adult: AdultSolid, size: Callable[[Array], Array]) -> tuple[Array, Array, int]:
    """An even mesh of the solid without crossing triangles, and at how many places it follows the grid.

    In a slit narrower than the grid's cells, marching cubes close what the field leaves open, and vertices on their way
    to its sides pass one another. Round such places the mesh is evened out on the field as the grid has it, which
    knows no such slit.
    """
    grid = sample_grid(adult.solid, CELL, thorough=True)
    cut = cut_grid(grid)
    places = np.empty((0, 3))

    def field(points: Array) -> Array:
        value = measure_field(adult.solid, points)
        if len(places):
            share = np.clip(2.0 - _distance_to(points, places) / SOFT, 0.0, 1.0)
            near = np.nonzero(share > 0.0)[0]
            value[near] += share[near] * (grid.value(points[near]) - value[near])
        return value

    for _ in range(SOFTENINGS):
        vertices, faces = even_out(*cut, field, size)
        vertices, crossed = _untangle(vertices, faces)
        if len(crossed) == 0:
            return vertices, faces, len(places)
        places = np.concatenate([places, _thin_places(crossed)])
    return *cut, -1


def _distance_to(points: Array, places: Array) -> Array:
    """Distance (n,) m of points to the nearest of the places."""
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(places).query(points, distance_upper_bound=2.0 * SOFT)[0])


def _thin_places(points: Array) -> Array:
    """One place for each cube of a quarter of SOFT that holds points."""
    _, first = np.unique(np.round(points / (0.25 * SOFT)).astype(np.int64), axis=0, return_index=True)
    return points[np.sort(first)]


def _untangle(vertices: Array, faces: Array) -> tuple[Array, Array]:
    """Vertices smoothed where triangles cross, and the places (k, 3) m where some did if any still does.

    Only triangles that cross and those round them move, towards the middles of their neighbours.
    """
    triangles = np.ascontiguousarray(faces, dtype=np.int32)
    x = np.ascontiguousarray(vertices)
    start, end = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()  # each neighbour once: the shell is closed
    count = np.bincount(start, minlength=len(x))[:, None]
    places = np.empty((0, 3))
    for attempt in range(UNTANGLINGS + 1):
        found = find_crossings(x, triangles, x, triangles, plant_tree(x, triangles), True)
        crossed = found[found[:, 2] != APART, :2].ravel()
        if len(crossed) == 0:
            return x, crossed
        if attempt == 0:
            places = x[triangles[crossed]].mean(axis=1)
        moving = np.zeros(len(x), dtype=bool)
        moving[triangles[crossed]] = True
        moving[triangles[moving[triangles].any(axis=1)]] = True
        x = x.copy()
        for _ in range(3):
            total = np.stack([np.bincount(start, x[end, k], len(x)) for k in range(3)], axis=1)
            x[moving] += 0.5 * (total / count - x)[moving]
    return x, places


def _sizes(m: BodyMeasures, adult: AdultSolid, edge: float, fine_edge: float) -> Callable[[Array], Array]:
    """Wanted edge length (m) at points: fine within balls round face, hands and toes, growing to coarse beyond."""
    s, k = adult.skeleton, m.stature / 1.70
    spots = [(adult.head.at(np.array([0.080, 0.0, 0.190]))[0], 0.060 * k, 1.0),
             (adult.head.at(np.array([0.080, 0.0, 0.110]))[0], 0.095 * k, 0.7)]  # fmt: skip
    for _, word in SIDES:
        wrist, knuckle = s.joint(f"{word} wrist"), s.landmark(f"{word} knuckle")
        places = [wrist, knuckle, *(s.landmark(f"{word} {f} fingertip") for f in ("index", "ring")),
                  s.landmark(f"{word} thumb tip")]  # fmt: skip
        spots += [(place, 0.055 * k, 1.0) for place in places]
        toe, heel = s.landmark(f"{word} toe tip"), s.landmark(f"{word} heel")
        spots.append((toe + 0.12 * (heel - toe), 0.050 * k, 0.8))
    return finer_near(spots, edge, fine_edge)


def _find_landmarks(adult: AdultSolid, vertices: Array, faces: Array) -> dict[str, Array]:
    """The skeleton's landmarks moved onto the mesh: along the way out of their part, else to the nearest vertex.

    A landmark that something lies on, such as a navel under a hand, has no place of its own on the skin; it then is
    at the nearest vertex.
    """
    s = adult.skeleton
    f = s.frames
    courses = {"crown": f["head"][0], "back of head": -f["head"][2], "nape": -f["chest"][2],
               "throat pit": f["chest"][2], "sternum": f["chest"][2], "navel": f["loin"][2],
               "pubis": f["pelvis"][2]}  # fmt: skip
    courses |= dict.fromkeys(("brow", "nose root", "nose tip", "chin"), f["head"][2])
    courses["chin base"] = -f["head"][0]
    for side, word in SIDES:
        out = {name: side * f[name if name in f else f"{word} {name}"][1]
               for name in ("head", "chest", "pelvis", "thigh", "foot", "upper arm")}  # fmt: skip
        knee = f[f"{word} thigh"][2] + f[f"{word} shin"][2]
        courses |= {f"{word} {name}": course for name, course in {
            "ear point": out["head"], "nipple": f["chest"][2], "acromion": f["chest"][0],
            "shoulder point": out["chest"],
            "elbow": -f[f"{word} upper arm"][2], "elbow side": out["upper arm"], "wrist": -f[f"{word} hand"][2],
            "knuckle": -f[f"{word} hand"][2], "hip point": f["pelvis"][2], "hip side": out["pelvis"],
            "hip crest": out["pelvis"], "knee cap": knee / np.linalg.norm(knee), "knee side": out["thigh"],
            "outer ankle": out["foot"], "inner ankle": -out["foot"], "heel": -f[f"{word} foot"][2],
        }.items()}  # fmt: skip
    found = {}
    for name, place in zip(s.landmark_names, s.landmarks, strict=True):
        hit = _meet(place, courses[name], vertices, faces) if name in courses else None
        nearest = vertices[np.argmin(((vertices - place) ** 2).sum(axis=1))]
        found[name] = nearest if hit is None else hit
    return found


MOST_SHIFT = 0.045  # m, along the way out


def _meet(place: Array, course: Array, vertices: Array, faces: Array) -> Array | None:
    """Where the line through ``place`` along ``course`` leaves the mesh nearest to it (Moeller and Trumbore 1997)."""
    near = np.nonzero((np.abs(vertices[faces] - place).min(axis=1) < 0.06).all(axis=1))[0]
    a, b, c = (vertices[faces[near, n]] for n in range(3))
    across = np.cross(course, c - a)
    det = ((b - a) * across).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        u = ((place - a) * across).sum(axis=1) / det
        other = np.cross(place - a, b - a)
        v = (other @ course) / det
        reach = ((c - a) * other).sum(axis=1) / det
    leaves = np.cross(b - a, c - a) @ course > 1e-16
    hit = np.nonzero((u >= 0.0) & (v >= 0.0) & (u + v <= 1.0) & (np.abs(reach) < MOST_SHIFT) & leaves)[0]
    if len(hit) == 0:
        return None
    best = hit[np.argmin(np.abs(reach[hit]))]
    place_on: Array = a[best] + u[best] * (b - a)[best] + v[best] * (c - a)[best]
    return place_on
