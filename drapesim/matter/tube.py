"""Tubes and fitted solids: leaves of a carved solid (see `solid`) for bodies that bend.

A `Tube` is a limb or trunk: rounded sections strung along a curved axis. A `Fitted` is a solid that was carved in a
frame of its own, stretched to size and put where it belongs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

Array = np.ndarray

FINE = 161  # places along the axis at which the sections are tabulated
COARSE = 5  # every which of them is looked at for the nearest place


@dataclass(frozen=True)
class Tube:
    """Rounded sections along a curved axis.

    ``places`` (k, 3) m along the axis, ``axes`` (k, 3, 3) there: rows along, breadth and depth (orthonormal); at each,
    ``half_breadth`` and the depth from ``low`` to ``high`` (m, from the axis) and ``power``, 2 for an ellipse, more for
    squarer. Between places cubics without overshoot; frames turn evenly. ``caps`` (m): lengths of the rounded ends.
    ``stops``: (end as a share of the places, front name, back name) in rising order, or ``region`` for all.
    """

    places: Array
    axes: Array
    half_breadth: Array
    low: Array
    high: Array
    power: Array
    caps: tuple[float, float] = (0.02, 0.02)
    region: str = ""
    region_stops: tuple[tuple[float, str, str], ...] = ()

    @cached_property
    def _table(self) -> tuple[Array, Array, Array, Array, bool]:
        """t (m) along the axis, places, axes, sections (4, m), and whether the axis is straight."""
        from scipy.interpolate import CubicHermiteSpline, PchipInterpolator
        from scipy.spatial.transform import Rotation, Slerp

        places, axes = np.asarray(self.places, dtype=float), np.asarray(self.axes, dtype=float)
        step = np.linalg.norm(np.diff(places, axis=0), axis=1)
        t = np.concatenate([[0.0], np.cumsum(step)])
        is_straight = bool(max(np.abs(axes - axes[0]).max(), np.abs(places - places[0] - t[:, None] * axes[0, 0]).max())
                           < 1e-9)  # fmt: skip
        fine = np.linspace(0.0, t[-1], FINE)
        if is_straight:
            along = places[0] + fine[:, None] * axes[0, 0]
            frames = np.broadcast_to(axes[0], (FINE, 3, 3))
        else:
            along = CubicHermiteSpline(t, places, axes[:, 0])(fine)
            frames = Slerp(t, Rotation.from_matrix(axes))(fine).as_matrix()
        low, high = np.asarray(self.low, dtype=float), np.asarray(self.high, dtype=float)
        columns = [self.half_breadth, 0.5 * (high - low), 0.5 * (high + low), self.power]
        sections = PchipInterpolator(t, np.stack(columns, axis=1))(fine).T
        return fine, along, np.ascontiguousarray(frames), np.ascontiguousarray(sections), is_straight

    @cached_property
    def box(self) -> tuple[Array, Array]:
        """Lower and upper corner, m."""
        _, along, frames, (breadth, depth, mid, _), _ = self._table
        centre = along + mid[:, None] * frames[:, 2]
        half = np.abs(frames[:, 1]) * breadth[:, None] + np.abs(frames[:, 2]) * depth[:, None]
        ends = np.stack([along[0] - self.caps[0] * frames[0, 0], along[-1] + self.caps[1] * frames[-1, 0]])
        ends = ends + mid[[0, -1], None] * frames[[0, -1], 2]
        spread = half[[0, -1]]
        low = np.minimum((centre - half).min(axis=0), (ends - spread).min(axis=0))
        return low, np.maximum((centre + half).max(axis=0), (ends + spread).max(axis=0))

    def _place(self, points: Array) -> tuple[Array, Array, Array, Array]:
        """Of each point: t beyond the ends as well, breadth and depth coordinates from the axis, sections (4, n)."""
        fine, along, frames, sections, is_straight = self._table
        step = fine[1]
        if is_straight:
            local = (points - along[0]) @ frames[0].T
            t = local[:, 0]
        else:
            nodes = along[::COARSE]
            square = (nodes * nodes).sum(axis=1) - 2.0 * points @ nodes.T
            t = fine[::COARSE][np.argmin(square, axis=1)]
            for _ in range(3):  # to where the axis runs square to the way to the point; straight on beyond the ends
                cell, part = _cell(t, step)
                course = along[cell + 1] - along[cell]
                base = along[cell] + part[:, None] * course
                square_course = np.einsum("ij,ij->i", course, course)
                t = (cell + part + np.einsum("ij,ij->i", points - base, course) / square_course) * step
            local = np.empty((len(points), 3))
        inside = np.clip(t, 0.0, fine[-1])
        cell, part = _cell(inside, step)
        if not is_straight:
            base = along[cell] + part[:, None] * (along[cell + 1] - along[cell])
            turned = frames[cell] + part[:, None, None] * (frames[cell + 1] - frames[cell])
            local = np.einsum("nij,nj->ni", turned, points - base)
        at = sections[:, cell] * (1.0 - part) + sections[:, cell + 1] * part
        return t, local[:, 1], local[:, 2], at

    def distance(self, points: Array) -> Array:
        """First-order distance (k0 - 1) / |grad k0| of the section's norm k0; (n,) m."""
        fine = self._table[0]
        t, across, above, (breadth, depth, mid, power) = self._place(points)
        over = t - np.clip(t, 0.0, fine[-1])
        cap = np.where(over < 0.0, self.caps[0], self.caps[1])
        y, z, e = np.abs(across) / breadth, np.abs(above - mid) / depth, np.abs(over) / cap
        least = 1e-6
        yn, zn, en = (np.maximum(part, least) ** (power - 1.0) for part in (y, z, e))
        k0 = np.maximum((yn * y + zn * z + en * e) ** (1.0 / power), 0.05)
        k1 = np.sqrt((yn / breadth) ** 2 + (zn / depth) ** 2 + (en / cap) ** 2) / k0 ** (power - 1.0)
        return (k0 - 1.0) / np.maximum(k1, 1e-3)

    def names_at(self, points: Array) -> Array:
        """(n,) object array of region names: by place, front or back of the section's middle."""
        if not self.region_stops:
            return np.full(len(points), self.region, dtype=object)
        t, _, above, at = self._place(points)
        share = t / self._table[0][-1]
        stop = np.searchsorted([s[0] for s in self.region_stops[:-1]], share)
        front = np.array([s[1] for s in self.region_stops], dtype=object)
        back = np.array([s[2] for s in self.region_stops], dtype=object)
        return np.where(above >= at[2], front[stop], back[stop])


def _cell(t: Array, step: float) -> tuple[Array, Array]:
    """Cell of the fine table and the share of the way through it; beyond the ends the share leaves 0 to 1."""
    place = t / step
    cell = np.clip(place.astype(np.int64), 0, FINE - 2)
    return cell, place - cell


@dataclass(frozen=True)
class Fitted:
    """A solid carved in its own frame, stretched and placed.

    ``inner`` the solid's field, (n, 3) -> (n,) m, ``namer`` its region names, ``inner_box`` its corners. ``origin``
    (3,) m and ``axes`` (3, 3) rows place its frame. Along each axis, ``knots`` maps the placed coordinate (rising, m)
    to the carved one piece by piece, straight on beyond the ends.
    """

    inner: Callable[[Array], Array]
    namer: Callable[[Array], Array]
    inner_box: tuple[Array, Array]
    origin: Array
    axes: Array
    knots: tuple[tuple[Array, Array], ...]  # (placed, carved) along each axis
    region: str = ""

    @cached_property
    def region_stops(self) -> tuple[Any, ...]:
        """Not empty, so that `solid.name_regions` asks ``names_at``."""
        return (True,)

    def within(self, points: Array) -> Array:
        """Carved coordinates (n, 3) of world points."""
        local = (points - self.origin) @ self.axes.T
        return np.stack([_bent(local[:, k], *self.knots[k]) for k in range(3)], axis=1)

    def at(self, carved: Array) -> Array:
        """World places (n, 3) of carved ones: the inverse of ``within``."""
        carved = np.atleast_2d(carved)
        local = np.stack([_bent(carved[:, k], self.knots[k][1], self.knots[k][0]) for k in range(3)], axis=1)
        return self.origin + local @ self.axes

    @cached_property
    def _shrink(self) -> float:
        """Least stretch: distances are given no longer than they are."""
        return min(float((np.diff(placed) / np.diff(carved)).min()) for placed, carved in self.knots)

    @cached_property
    def box(self) -> tuple[Array, Array]:
        """Lower and upper corner, m."""
        low, high = self.inner_box
        corners = np.array([[(low, high)[(n >> a) & 1][a] for a in range(3)] for n in range(8)])
        places = self.at(corners)
        return places.min(axis=0), places.max(axis=0)

    def distance(self, points: Array) -> Array:
        """Distance, shortened a little where the stretch differs between the axes; (n,) m."""
        return self.inner(self.within(points)) * self._shrink

    def names_at(self, points: Array) -> Array:
        """(n,) object array of region names."""
        return self.namer(self.within(points))


def _bent(x: Array, start: Array, end: Array) -> Array:
    """Piecewise straight map of ``start`` to ``end`` (k,), its end pieces going on."""
    piece = np.clip(np.searchsorted(start, x) - 1, 0, len(start) - 2)
    slope = np.diff(end) / np.diff(start)
    return end[piece] + slope[piece] * (x - start[piece])
