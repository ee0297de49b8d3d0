"""Reach: proofs that no lay of any kind brings marks to where they are claimed to touch.

The taut-string bound. A straight cloth path from a point of mark A to a point of mark B, d = (du, dv) along warp and
weft, is at most as long, on the cloth as it lies in space, as

    N(d) = sqrt(p^2 + q^2 + 2 p q sin g),   p = (1 + safe extension of the warp) |du|,   q likewise of the weft,

g being the angle at which the weave locks: along a thread it is p or q, on the bias the weave shears and lets it grow
by tens of per cent without any yarn stretched. N is a norm, so the straight path is the shortest that lies in the
cloth, and round a hole the path over its corners is. The mid-surface of the cloth stays outside the body. If A touches
place a and B touches place b, each within its tolerance, then the way from a to b outside the body is no longer than
N + both tolerances + the cloth's thickness. Where the least way (`drapesim.judging.taut`) is longer, no lay can do it.

All that is not known is granted: the farthest pair of points of the marks, the nearest pair of points of the places,
one touching point each; of the card the upper end of each limit's range, or two standard uncertainties above it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drapesim.judging.obstacle import Obstacle, Place
from drapesim.judging.places import LANDMARK_REACH
from drapesim.judging.taut import (
    Level,
    away_from,
    bound_way,
    measure_string,
    prove_ways,
    pull_string,
)
from drapesim.matter.body import Body
from drapesim.matter.fabric import FabricCard, Provenance
from drapesim.matter.marks import GRID, PLACE_CLAIMS, Mark
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


@dataclass(frozen=True)
class PairProof:
    """Two marks, each claimed on a place. Lengths in m.

    flat: between ``points`` (2, 2) uv, the farthest apart that the marks have in the sense of N; longest: N of them and
    what the drawing leaves open (`blur_of`);
    granted: tolerances and thickness; way: proven least way between the places (of a pair that is not impossible, no
    more than was asked); string (k, 3): the taut string found, empty where none was pulled. fold: the least length of
    cloth between the marks beyond the taut way, 0 where none need be.
    """

    marks: tuple[str, str]
    places: tuple[str, str]
    points: Array
    flat: float
    longest: float
    granted: float
    way: float
    string: Array
    fold: float = 0.0

    @property
    def is_impossible(self) -> bool:
        """No lay does it."""
        return self.way > self.longest + self.granted

    @property
    def needed(self) -> float:
        """Stretch of the flat path that the way would ask for; 0 if none."""
        return max(0.0, (self.way - self.granted) / self.flat - 1.0) if self.flat > 0.0 else math.inf

    @property
    def allowed(self) -> float:
        """Stretch of the flat path that yarns and shear allow."""
        return self.longest / self.flat - 1.0 if self.flat > 0.0 else 0.0


@dataclass(frozen=True)
class ChainProof:
    """Three marks of which any two may go, but not all: wherever the middle one touches, one end is too far."""

    marks: tuple[str, str, str]
    places: tuple[str, str, str]
    is_impossible: bool


@dataclass(frozen=True)
class Reach:
    """All pairs of marks with claimed places, and the chains of three that were proven impossible."""

    pairs: tuple[PairProof, ...]
    chains: tuple[ChainProof, ...]
    limits: Limits

    def reasons(self) -> dict[str, str]:
        """Sentence of the strongest proof by mark, for each mark that takes part in one."""
        found: dict[str, str] = {}
        for pair in sorted(self.pairs, key=lambda p: p.allowed - p.needed):
            if pair.is_impossible:
                for mark in pair.marks:
                    found.setdefault(mark, say_pair(pair, self.limits))
        for chain in self.chains:
            for mark in chain.marks:
                found.setdefault(mark, say_chain(chain))
        return found


def find_places(marks: Sequence[Mark], body: Body) -> dict[str, Place]:
    """The claimed place of each mark that claims one, by mark name."""
    found = {}
    for mark in marks:
        name = mark.claim.place
        if mark.claim.kind not in PLACE_CLAIMS:
            continue
        if name in body.region_names:
            faces = np.flatnonzero(body.region == body.region_names.index(name))
            found[mark.name] = Place(name, faces=faces)
        elif name in body.landmarks:
            found[mark.name] = Place(name, centre=np.asarray(body.landmarks[name], float), radius=LANDMARK_REACH)
    return found


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
    for p, q in itertools.product(_walk(a), _walk(b)):
        n = path_length(p, q, limits, piece)
        if n > best:
            best, points = n, np.stack([p, q])
    return points, best + 2.0 * float(limits.longest(np.array([STEP, STEP])))


def _walk(ring: Array) -> Array:
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


def prove_pair(
    first: Mark,
    second: Mark,
    obstacle: Obstacle,
    levels: tuple[Level, Level],
    card: FabricCard,
    limits: Limits,
    piece: Sequence[Array] = (),
    with_string: bool = True,
) -> PairProof:
    """The taut-string bound for two marks whose places have the ``levels``."""
    points, longest = farthest_points(outline_of(first), outline_of(second), limits, piece)
    longest += blur_of(first, limits) + blur_of(second, limits)
    granted = granted_to(first, card) + granted_to(second, card)
    a, b = levels
    way = bound_way(obstacle, a, b.place, b, longest + granted, closely=with_string)
    string, fold = np.zeros((0, 3)), 0.0
    if way > longest + granted:
        if with_string:
            string = pull_string(obstacle, a, b.place)
    else:
        fold = _least_fold(first, second, obstacle, a, b, limits, granted)
    flat = float(np.linalg.norm(points[1] - points[0]))
    names = (first.name, second.name), (a.place.name, b.place.name)
    return PairProof(*names, points, flat, longest, granted, way, string, fold)


def _least_fold(
    first: Mark, second: Mark, obstacle: Obstacle, a: Level, b: Level, limits: Limits, granted: float
) -> float:
    """m of cloth that must stand off between two marks: its shortest path less the longest of the taut ways."""
    one, two = hull_of(outline_of(first)), hull_of(outline_of(second))
    least = float(limits.shortest(_walk(one)[:, None] - _walk(two)[None]).min())
    straight = least - _breadth(obstacle, a.place) - _breadth(obstacle, b.place) - granted
    return max(0.0, straight - measure_string(pull_string(obstacle, a, b.place, 32))) if straight > 0.0 else 0.0


def _breadth(obstacle: Obstacle, place: Place) -> float:
    """m: an upper estimate of the way between two points of a place, half the turn of a ball that holds it."""
    if place.faces is None:
        return math.pi * place.radius
    corner = obstacle.x[obstacle.faces[np.isin(obstacle.parent, place.faces)]].reshape(-1, 3)
    return 0.5 * math.pi * float(np.linalg.norm(np.ptp(corner, axis=0)))


def prove_chain(
    ends: tuple[Mark, Mark], middle: Mark, obstacle: Obstacle, levels: tuple[Level, Level], place: Place,
    card: FabricCard, limits: Limits,
) -> ChainProof:  # fmt: skip
    """Can the ``middle`` mark touch its ``place`` without an end being too far? ``levels``: of the ends' places.

    Each face of the place is tried with each sample of the middle mark, a sample standing for all within its reach.
    """
    half = granted_to(middle, card)
    held = np.isin(obstacle.parent, place.faces) if place.faces is not None else (
        np.linalg.norm(obstacle.centre - place.centre, axis=1) <= place.radius + obstacle.radius
    )  # fmt: skip
    ways, threads = [], []
    samples = middle.samples
    reach = blur_of(middle, limits)
    if middle.rings:  # samples are the middles of squares of at most this half diagonal
        reach += float(limits.longest(np.full(2, math.sqrt(float(middle.weights.max())))))
    for mark, level in zip(ends, levels, strict=True):
        hull = hull_of(outline_of(mark))
        thread = limits.longest(hull[:, None] - samples[None]).max(axis=0)
        thread += reach + blur_of(mark, limits) + granted_to(mark, card) + half
        matters = away_from(obstacle, level.place) + away_from(obstacle, place) <= float(thread.max())
        way = np.where(matters, prove_ways(obstacle, level, matters), np.inf)
        ways.append(way[held])
        threads.append(thread)
    fits = (ways[0][:, None] <= threads[0][None]) & (ways[1][:, None] <= threads[1][None])
    names = (ends[0].name, middle.name, ends[1].name)
    return ChainProof(names, (levels[0].place.name, place.name, levels[1].place.name), not bool(fits.any()))


def prove_reach(
    marks: Sequence[Mark],
    obstacle: Obstacle,
    levels: dict[str, Level],
    card: FabricCard,
    piece: Sequence[Array] = (),
) -> Reach:
    """All pairs, then all chains of three whose pairs are not impossible. ``levels``: by name of place."""
    limits = find_limits(card)
    placed = [mark for mark in marks if mark.claim.place in levels]
    pairs: dict[frozenset[str], PairProof] = {}
    for first, second in itertools.combinations(placed, 2):
        two = levels[first.claim.place], levels[second.claim.place]
        pairs[frozenset((first.name, second.name))] = prove_pair(first, second, obstacle, two, card, limits, piece)
    chains = []
    for trio in itertools.combinations(placed, 3):
        if len(piece) or any(
            pairs[frozenset((p.name, q.name))].is_impossible for p, q in itertools.combinations(trio, 2)
        ):
            continue
        for k in range(3):
            ends = trio[k - 2], trio[k - 1]
            two = levels[ends[0].claim.place], levels[ends[1].claim.place]
            chain = prove_chain(ends, trio[k], obstacle, two, levels[trio[k].claim.place].place, card, limits)
            if chain.is_impossible:
                chains.append(chain)
                break
    return Reach(tuple(pairs.values()), tuple(chains), limits)


def say_pair(pair: PairProof, limits: Limits) -> str:
    """The proof as a sentence, lengths in mm."""
    (a, b), (p, q) = pair.marks, pair.places
    flat, way = 1e3 * pair.flat, 1e3 * (pair.way - pair.granted)
    if not pair.is_impossible:
        fold = (
            f" A fold or slack of at least {1e3 * pair.fold:.0f} mm must stand between them." if pair.fold > 0 else ""
        )
        return f"{a} and {b} are not kept from the {p} and the {q} by the length of cloth between them.{fold}"
    turned = abs(pair.points[1] - pair.points[0])
    why = f"yarns at their safe extension, the weave sheared by {math.degrees(limits.angle):.0f} degrees"
    if min(turned) < 1e-6:
        why = "along the warp" if turned[1] < turned[0] else "along the weft"
    return (
        f"{a} and {b} are {flat:.0f} mm apart on the cloth; the shortest way round the body from the {p} to the {q} is "
        f"{way:.0f} mm; the cloth would have to stretch {100 * pair.needed:.1f} %, its limit in this direction "
        f"({why}) is {100 * pair.allowed:.1f} %."
    )


def say_chain(chain: ChainProof) -> str:
    """The proof of a chain as a sentence."""
    (a, m, b), (p, r, q) = chain.marks, chain.places
    return (
        f"{a}, {m} and {b} cannot all be where they are claimed: wherever on the {r} {m} touches, the cloth from it "
        f"is too short to bring {a} to the {p} or {b} to the {q}."
    )
