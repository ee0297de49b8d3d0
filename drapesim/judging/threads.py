"""Threads: how long a way along the cloth from one mark to another can be made, whatever the lay.

A straight cloth path from a point of mark A to a point of mark B, d = (du, dv) along warp and weft, is at most as long,
on the cloth as it lies in space, as

    N(d) = sqrt(p^2 + q^2 + 2 p q sin g),   p = (1 + safe extension of the warp) |du|,   q likewise of the weft,

g being the angle at which the weave locks: along a thread it is p or q, on the bias the weave shears and lets it grow
by tens of per cent without any yarn stretched. N is a norm, so the straight path is the shortest that lies in the
cloth, and round a hole the path over its corners is.

Where mark X is claimed to meet mark Y, some point of X lies on some point of Y, layer on layer: the mid-surfaces are
apart by no more than the tolerance and one thickness. So the way from A along the cloth to X, over to Y, and on along
the cloth to B binds A to B as well, and it may be shorter than the cloth between them. Nobody says that the point of
a mark that touches the body is the one that meets, so a way that goes on from the same mark crosses all of it. On a
free sheet any two marks can be brought onto each other; a claim that they meet forbids something only where such ways
end in marks that are claimed on places of the body.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drapesim.matter.fabric import FabricCard, Provenance
from drapesim.matter.marks import GRID, MEETS, Mark
from drapesim.matter.marks_svg import CHORD_ERROR, POINT_DIAMETER

Array = np.ndarray

STEP = 5e-3  # m: outlines of marks are walked in steps of this where a path has to go round holes


@dataclass(frozen=True)
class Limits:
    """How far the cloth gives at most: extension of warp and weft, locking angle (rad)."""

    warp: float
    weft: float
    angle: float

    def longest(self, d: Array) -> Array:
        """N (...,) m of flat vectors d (..., 2) m."""
        p, q = (1.0 + self.warp) * np.abs(d[..., 0]), (1.0 + self.weft) * np.abs(d[..., 1])
        return np.sqrt(p * p + q * q + 2.0 * p * q * math.sin(self.angle))

    def shortest(self, d: Array) -> Array:
        """(...,) m: how short sheared cloth may lie along d (..., 2) m without a fold; no yarn gets shorter."""
        p, q = np.abs(d[..., 0]), np.abs(d[..., 1])
        return np.sqrt(np.maximum(p * p + q * q - 2.0 * p * q * math.sin(self.angle), 0.0))


def find_limits(card: FabricCard) -> Limits:
    """The card's limits, each at the end of its range that lets the cloth give more."""

    def most(value: float, origin: Provenance | None) -> float:
        if origin is None:
            return value
        if origin.high is not None:
            return max(value, origin.high)
        return value * (1.0 + 2.0 * (origin.uncertainty or 0.0))

    warp, weft = card.safe_strain
    return Limits(
        most(warp, card.provenance.get("safe_strain_warp")),
        most(weft, card.provenance.get("safe_strain_weft")),
        min(most(card.locking_angle, card.provenance.get("locking_angle")), 0.5 * math.pi),
    )


def outline_of(mark: Mark) -> Array:
    """(k, 2) uv points whose hull holds the mark."""
    return np.concatenate(mark.rings) if mark.rings else mark.samples


def hull_of(points: Array) -> Array:
    """Corners (k, 2) of the convex hull of ``points`` (n, 2); all of them where they lie on a line."""
    import shapely

    hull = shapely.MultiPoint(points).convex_hull
    return np.asarray(hull.exterior.coords)[:-1] if hull.geom_type == "Polygon" else np.asarray(hull.coords)


def farthest_points(a: Array, b: Array, limits: Limits, piece: Sequence[Array] = ()) -> tuple[Array, float]:
    """Points (2, 2) of patches a (k, 2) and b (l, 2) m that are farthest apart on the cloth, and their N, m.

    N is convex, so corners of the hulls are enough where the cloth between is whole. ``piece``: outline and holes of
    the cloth, closed rings (k, 2) m, where it is no convex piece; then paths go round (`path_length`), between points
    `STEP` apart on the outlines, and a step is added.
    """
    if not len(piece):
        a, b = hull_of(a), hull_of(b)
        table = limits.longest(a[:, None] - b[None])
        i, j = np.unravel_index(int(np.argmax(table)), table.shape)
        return np.stack([a[i], b[j]]), float(table[i, j])
    best, points = -math.inf, np.stack([a[0], b[0]])
    for p, q in itertools.product(walk_ring(a), walk_ring(b)):
        n = path_length(p, q, limits, piece)
        if n > best:
            best, points = n, np.stack([p, q])
    return points, best + 2.0 * float(limits.longest(np.array([STEP, STEP])))


def walk_ring(ring: Array) -> Array:
    if len(ring) < 2:
        return ring
    line = np.concatenate([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], max(2, math.ceil(along[-1] / STEP) + 1))[:-1]
    return np.stack([np.interp(at, along, line[:, k]) for k in (0, 1)], axis=1)


def path_length(p: Array, q: Array, limits: Limits, piece: Sequence[Array]) -> float:
    """N, m, of the path with the least N from p to q (2,) inside ``piece``; inf where none joins them.

    ``piece``: rings (k, 2) m, the outline first, then holes. Such a path bends at corners of the piece only.
    """
    import shapely
    from scipy.sparse.csgraph import dijkstra

    cloth = shapely.Polygon(piece[0], list(piece[1:])).buffer(1e-9)
    nodes = np.concatenate([p[None], q[None], *piece])
    i, j = np.triu_indices(len(nodes), 1)
    inside = shapely.covers(cloth, shapely.linestrings(np.stack([nodes[i], nodes[j]], axis=1)))
    length = np.where(inside, limits.longest(nodes[i] - nodes[j]), np.inf)
    table = np.full((len(nodes), len(nodes)), np.inf)
    table[i, j] = table[j, i] = np.maximum(length, 1e-12)
    return float(dijkstra(table, indices=0)[1])


def blur_of(mark: Mark, limits: Limits) -> float:
    """N, m, of how far what is kept of a mark may be off what was drawn.

    Areas are flattened, lines sampled, and small circles made points: all of that counts for the accused.
    """
    off = CHORD_ERROR if mark.rings else 0.5 * (POINT_DIAMETER if len(mark.samples) == 1 else GRID)
    return float(limits.longest(np.full(2, off)))


def granted_to(mark: Mark, card: FabricCard) -> float:
    """m between the mid-surface of the cloth and the body that counts as touching."""
    return mark.claim.tolerance + 0.5 * card.thickness


@dataclass(frozen=True)
class Meet:
    """Two marks of which one is claimed to meet the other; ``granted`` m between their mid-surfaces that counts so."""

    marks: tuple[Mark, Mark]
    granted: float


def list_meets(marks: Sequence[Mark], card: FabricCard) -> tuple[Meet, ...]:
    """The claims of ``marks`` that two of them meet, each with the larger of both tolerances."""
    named = {mark.name: mark for mark in marks}
    meets = []
    for mark in marks:
        if mark.claim.kind == MEETS and mark.claim.place in named:
            other = named[mark.claim.place]
            meets.append(Meet((mark, other), max(mark.claim.tolerance, other.claim.tolerance) + card.thickness))
    return tuple(meets)


@dataclass(frozen=True)
class Thread:
    """A way from mark to mark that nothing makes longer, straight along the cloth or over marks that meet; m.

    marks: the first, then each pair that is crossed from layer to layer, then the last; legs (k, 2, 2) uv: the farthest
    points of each leg along the cloth; longest: N of the legs with what the drawing leaves open; granted: what is
    crossed from layer to layer.
    """

    marks: tuple[str, ...]
    legs: Array
    longest: float
    granted: float

    @property
    def flat(self) -> float:
        """m: the legs as they lie on the flat map."""
        return float(np.linalg.norm(self.legs[:, 1] - self.legs[:, 0], axis=1).sum())

    @property
    def over(self) -> tuple[str, ...]:
        """Marks crossed from layer to layer, in pairs."""
        return self.marks[1:-1]


def bind(first: Mark, second: Mark, limits: Limits, piece: Sequence[Array] = ()) -> tuple[Array, float]:
    """The leg (2, 2) uv along the cloth between two marks, and N of it with what the drawing leaves open, m."""
    points, longest = farthest_points(outline_of(first), outline_of(second), limits, piece)
    return points, longest + blur_of(first, limits) + blur_of(second, limits)


def find_thread(
    first: Mark, second: Mark, limits: Limits, meets: Sequence[Meet] = (), piece: Sequence[Array] = ()
) -> Thread:
    """The shortest of the ways that bind two marks."""
    points, longest = bind(first, second, limits, piece)
    straight = Thread((first.name, second.name), points[None], longest, 0.0)
    if not meets:
        return straight
    stops, cost, before = _spread(first, meets, limits, piece)
    last = [bind(stop, second, limits, piece) for stop in stops]
    at = int(np.argmin(cost + [n for _, n in last]))
    if at == 0 or cost[at] + last[at][1] >= longest:
        return straight
    legs, names, granted, total = [last[at][0]], [second.name], 0.0, last[at][1]
    while at:
        meet = meets[(at - 1) // 2]
        one, other = meet.marks if at % 2 else meet.marks[::-1]  # come to `one`, left from `other`
        points, n = bind(stops[before[at]], one, limits, piece)
        legs, names = [points, *legs], [one.name, other.name, *names]
        granted, total, at = granted + meet.granted, total + n, before[at]
    return Thread((first.name, *names), np.array(legs), total, granted)


def _spread(
    first: Mark, meets: Sequence[Meet], limits: Limits, piece: Sequence[Array]
) -> tuple[list[Mark], Array, list[int]]:
    """Marks from which a way may go on along the cloth, the shortest thread to each (m), and where it came from.

    Number 0 is ``first``; meet k is left from its second mark as number 2 k + 1, and from its first as 2 k + 2.
    """
    stops, entries, over = [first], [first], [0.0]
    for meet in meets:
        one, two = meet.marks
        stops, entries, over = [*stops, two, one], [*entries, one, two], [*over, meet.granted, meet.granted]
    n = len(stops)
    step = np.array([[0.0 if j == 0 else bind(stops[i], entries[j], limits, piece)[1] + over[j] for j in range(n)]
                     for i in range(n)])  # fmt: skip
    cost, before = np.full(n, np.inf), [0] * n
    cost[0] = 0.0
    for _ in range(n):
        for i, j in itertools.product(range(n), range(1, n)):
            if cost[i] + step[i, j] < cost[j]:
                cost[j], before[j] = cost[i] + step[i, j], i
    return stops, cost, before


def spread_over(first: Mark, limits: Limits, meets: Sequence[Meet] = ()) -> list[tuple[Mark, float]]:
    """Marks from which a way of ``first`` may go on along the cloth, each with the m it takes at most till there."""
    stops, cost, _ = _spread(first, meets, limits, ())
    return list(zip(stops, cost.tolist(), strict=True))
