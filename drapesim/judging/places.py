"""Places: does a mark lie on the part of the body that it is claimed for?"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from drapesim.kernels.tree import plant_tree
from drapesim.matter.answers import PlaceCheck
from drapesim.matter.body import Body
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import sample_sheet
from drapesim.mechanics.body_contact import BodyField
from drapesim.settling.exact import measure_distance

Array = np.ndarray

LANDMARK_REACH = 0.02
"""m: a mark lies on a landmark if its nearest body point is no farther from it. Our convention, no source."""
MOST = 0.5  # share of a mark that must lie on the place for the mark to belong there: the larger part


class Reading(Protocol):
    """What is needed of a mark's samples: weights summing to 1, gap errors, nearest body points and faces."""

    @property
    def weight(self) -> Array: ...
    @property
    def error(self) -> Array: ...
    @property
    def point(self) -> Array: ...
    @property
    def face(self) -> Array: ...


def check_place(
    place: str,
    reading: Reading,
    uv: Array,
    lattice: Lattice,
    x: Array,
    figure: BodyField,
    node_region: Array,
    is_certified: bool,
) -> PlaceCheck:
    """Second test of a mark with samples ``uv`` (s, 2) m that claims ``place``, a region or else a landmark.

    ``node_region`` (n,): region of each node's nearest body face (`find_node_regions`).

    A sample is on the place if its nearest body point is; ``belongs`` is decided if moving that point by the sample's
    error either way does not change on which side of one half the share lies.
    """
    body = figure.body
    centre = int(np.argmin(np.linalg.norm(uv - reading.weight @ uv, axis=1)))
    is_region = place in body.region_names
    distance = distance_to(place, reading.point, figure)
    inside = reading.face >= 0
    inside &= body.region[reading.face] == body.region_names.index(place) if is_region else distance <= LANDMARK_REACH
    doubt = reading.error if is_region else reading.error + LANDMARK_REACH
    possible = float(reading.weight[distance <= doubt].sum())
    share = float(reading.weight[inside].sum())
    belongs = None
    if is_certified:
        belongs = True if share >= MOST else False if possible < MOST else None
    if is_region and inside[centre]:
        on_cloth = 0.0
    elif is_region:
        over = node_region == body.region_names.index(place)
        if not over.any():  # the cloth goes nowhere near it: take the node that comes nearest
            over[np.argmin(distance_to(place, x, figure))] = True
        on_cloth = float(np.linalg.norm(lattice.uv[over] - uv[centre], axis=1).min())
    else:
        on_cloth = float(np.linalg.norm(nearest_cloth(body.landmarks[place], lattice, x) - uv[centre]))
    off_body = 0.0 if is_region and inside[centre] else float(distance[centre])
    return PlaceCheck(place, True, belongs, "", share, share, possible, off_body, on_cloth)


def distance_to(place: str, points: Array, figure: BodyField) -> Array:
    """(n,) m: straight distance of ``points`` (n, 3) to the claimed region's faces, or to the landmark."""
    body = figure.body
    if place not in body.region_names:
        return np.linalg.norm(points - np.asarray(body.landmarks[place]), axis=1)
    kept = np.flatnonzero(body.region == body.region_names.index(place))
    if not len(kept):
        return np.full(len(points), np.inf)
    tree = plant_tree(figure.surface.vertices, np.ascontiguousarray(figure.surface.faces[kept]))
    patch = BodyField(body, figure.surface, tree._replace(order=kept[tree.order], large=kept[tree.large]))
    return np.abs(measure_distance(points, patch)[0])


def find_node_regions(x: Array, figure: BodyField) -> Array:
    """(n,) region number of the body face nearest to each node (-1: no region)."""
    return figure.body.region[measure_distance(x, figure)[2]]


def nearest_cloth(point: Array, lattice: Lattice, x: Array) -> Array:
    """(2,) m: flat-map place of the cloth point nearest to ``point`` (3,) m.

    The nearest node, and then the cells around it searched on ever finer grids, to a thousandth of a cell.
    """
    step = np.array([lattice.spacing_u, lattice.spacing_v])
    uv = lattice.uv[int(np.argmin(np.linalg.norm(x - point, axis=1)))]
    reach = 1.0
    offsets = np.stack(np.meshgrid(*[np.linspace(-1.0, 1.0, 21)] * 2, indexing="ij"), axis=-1).reshape(-1, 2)
    for _ in range(4):
        tried = uv + reach * step * offsets
        points, _ = sample_sheet(lattice, x, tried)
        away = np.linalg.norm(points - point, axis=1)
        uv = tried[int(np.nanargmin(away))]
        reach *= 0.2
    return uv


def name_region(weight: Array, face: Array, body: Body) -> str:
    """Name of the region that is nearest to the largest share of a mark's samples; "" if it has no name."""
    number = np.where(face >= 0, body.region[face], -1)
    share = np.bincount(number + 1, weight, minlength=len(body.region_names) + 1)
    best = int(np.argmax(share))
    return body.region_names[best - 1] if best else ""
