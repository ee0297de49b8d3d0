"""Places: where a mark touches the body, is that the part of the body that it is claimed for?"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from drapesim.judging.geodesic import Ground, walk_to_patch, walk_to_point
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
MOST = 0.5  # share of what touches of a mark that must lie on the place for it to belong there. Our convention


class Reading(Protocol):
    """What is needed of a mark's samples: weights summing to 1, gaps, errors, facing (as measured, for sure, perhaps),
    nearest points and faces."""

    @property
    def weight(self) -> Array: ...
    @property
    def gap(self) -> Array: ...
    @property
    def error(self) -> Array: ...
    @property
    def facing(self) -> Array: ...
    @property
    def surely_facing(self) -> Array: ...
    @property
    def perhaps_facing(self) -> Array: ...
    @property
    def point(self) -> Array: ...
    @property
    def face(self) -> Array: ...


def check_place(
    place: str,
    tolerance: float,
    reading: Reading,
    uv: Array,
    lattice: Lattice,
    x: Array,
    figure: BodyField,
    ground: Ground,
    node_region: Array,
    obstacle: str,
) -> PlaceCheck:
    """Second test of a mark with samples ``uv`` (s, 2) m that claims ``place``, a region or else a landmark.

    ``tolerance`` (m): the largest gap that is contact; ``ground``: the faces of ``figure`` to walk on; ``node_region``
    (n,): region of each node's nearest body face (`find_node_regions`); ``obstacle``: why the lay decides nothing, ""
    if it does.
    """
    is_region = place in figure.body.region_names
    least, share, most, is_sure = share_on_place(place, tolerance, reading, figure)
    asked = np.isfinite(most)
    belongs = None
    if asked and is_sure and not obstacle:
        belongs = True if least >= MOST else False if most < MOST else None
    reason = obstacle or say_belongs(place, belongs, (least, share, most), is_sure)
    centre = int(np.argmin(np.linalg.norm(uv - reading.weight @ uv, axis=1)))
    start, face = reading.point[centre], int(reading.face[centre])
    if is_region:
        number = figure.body.region_names.index(place)
        off_body = walk_to_patch(ground, start, face, np.flatnonzero(figure.body.region == number))
        over = node_region == number
        if not over.any():  # the cloth goes nowhere near it: take the node that comes nearest
            over[np.argmin(distance_to(place, x, figure))] = True
        on_cloth = float(np.linalg.norm(lattice.uv[over] - uv[centre], axis=1).min()) if off_body > 0.0 else 0.0
    else:
        off_body = walk_to_point(ground, figure, start, face, np.asarray(figure.body.landmarks[place]))
        on_cloth = float(np.linalg.norm(nearest_cloth(figure.body.landmarks[place], lattice, x) - uv[centre]))
    return PlaceCheck(place, bool(asked), belongs, reason, least, share, most, off_body, on_cloth)


def share_on_place(
    place: str, tolerance: float, reading: Reading, figure: BodyField
) -> tuple[float, float, float, bool]:
    """(least, measured, most) share of the touching area that lies on ``place``; and: is it sure that any touches?

    A sample touches if its inner side faces the body with a gap of at most ``tolerance`` (m), and is on the place if
    its nearest body point is. Least and most are over everything that the errors allow: each gap larger or smaller by
    its error, each nearest body point moved by as much, in each sample as is worst or best. nan where nothing touches.
    """
    body = figure.body
    to_place = distance_to(place, reading.point, figure)
    if place in body.region_names:
        number = body.region_names.index(place)
        on = (reading.face >= 0) & (body.region[reading.face] == number)
        surely_on = on & (distance_to_rest(place, reading.point, figure, float(reading.error.max())) > reading.error)
        perhaps_on = on | (to_place <= reading.error)
    else:
        on = to_place <= LANDMARK_REACH
        surely_on, perhaps_on = to_place <= LANDMARK_REACH - reading.error, to_place <= LANDMARK_REACH + reading.error
    surely = reading.surely_facing & (reading.gap <= tolerance - reading.error)
    perhaps = reading.perhaps_facing & (reading.gap <= tolerance + reading.error)
    touching = (reading.facing > 0.0) & (reading.gap <= tolerance)

    def ratio(these: Array, others: Array) -> float:
        part, rest = float(reading.weight[these].sum()), float(reading.weight[others].sum())
        return part / (part + rest) if part + rest > 0.0 else float("nan")

    measured = ratio(touching & on, touching & ~on)
    most = ratio(perhaps & perhaps_on, surely & ~perhaps_on)
    if not surely.any():  # it may be that nothing touches
        return (0.0 if perhaps.any() else float("nan")), measured, (1.0 if perhaps.any() else float("nan")), False
    return ratio(surely & surely_on, perhaps & ~surely_on), measured, most, True


def say_belongs(place: str, belongs: bool | None, shares: tuple[float, float, float], is_sure: bool) -> str:
    """One sentence with the ``shares`` (least, measured, most) that carried the second test."""
    least, share, most = (100.0 * s for s in shares)
    if not np.isfinite(most):
        return f"Nothing of it touches in this lay, so it is not asked whether it belongs to the {place}."
    if not is_sure:
        return "Whether anything of it touches at all lies inside the numerical uncertainty."
    on = f"of what touches lies on the {place}"
    if belongs is None:
        return f"The numerical uncertainty leaves open whether half {on}: {least:.0f} to {most:.0f} %."
    span = "" if most - least < 0.5 else f" ({least:.0f} to {most:.0f} % within the numerical uncertainty)"
    known = share if np.isfinite(share) else least
    return f"{known:.0f} % {on}{span}; half is needed."


def distance_to(place: str, points: Array, figure: BodyField) -> Array:
    """(n,) m: straight distance of ``points`` (n, 3) to the claimed region's faces, or to the landmark."""
    body = figure.body
    if place not in body.region_names:
        return np.linalg.norm(points - np.asarray(body.landmarks[place]), axis=1)
    return _distance_to_faces(points, figure, body.region == body.region_names.index(place))


def distance_to_rest(place: str, points: Array, figure: BodyField, reach: float) -> Array:
    """(n,) m: straight distance of ``points`` (n, 3) to the figure's faces outside of the region ``place``.

    Faces farther than ``reach`` (m) from all points may be left out: the distance is then too long, but not below it.
    """
    is_figure = np.zeros(len(figure.surface.faces), dtype=bool)
    is_figure[figure.tree.order] = is_figure[figure.tree.large] = True
    is_figure &= figure.body.region != figure.body.region_names.index(place)
    corner = figure.surface.vertices[figure.surface.faces]
    near = (corner.max(axis=1) >= points.min(axis=0) - reach) & (corner.min(axis=1) <= points.max(axis=0) + reach)
    return _distance_to_faces(points, figure, is_figure & near.all(axis=1))


def _distance_to_faces(points: Array, figure: BodyField, wanted: Array) -> Array:
    kept = np.flatnonzero(wanted)
    if not len(kept):
        return np.full(len(points), np.inf)
    tree = plant_tree(figure.surface.vertices, np.ascontiguousarray(figure.surface.faces[kept]))
    patch = BodyField(figure.body, figure.surface, tree._replace(order=kept[tree.order], large=kept[tree.large]))
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
