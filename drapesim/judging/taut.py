"""Taut strings: how far it is at least from place to place round the outside of a body, with a proof, and the way.

A taut string runs over the faces of the body and, over hollows, straight through the air. Let a *level* be a number at
each vertex, quadratic on each face, that rises nowhere faster than 1 m a metre: on no face, and between no two points
of the body that see each other. Then no way outside the body from a place where the level is at most p to one where it
is at least q is shorter than q - p, for the shortest way is made of such pieces, and on none of them the level gains
more than its length. So any level is a proof, however it was come by; a bad one proves less, never too much.

The level is found as fronts find it (`drapesim.kernels.taut.spread_front`: round fronts over unfolded faces;
`jump_front`: straight through the air). Then every face and every pair of faces that may see each other is looked at
(`find_steep`), and wherever the level rises by k > 1 m a metre, all rise between the same heights is divided by k.
Pairs count as seeing each other unless a face turns its back or the body is certain to stop all ways between them.
Only faces matter that a way no longer than the bound can touch.

On a face the level is quadratic, bent as the fronts round its corners are (`find_dips`), but linear along edges that
fold inward. A linear one that is exact at the corners of a face with the edge h is too steep by up to h / 2r at the
distance r from where its front is round; the quadratic one by some (h / r)^2. That is what the bound loses: 0.2 % on a
ball and a box, 0.8 % from nose to wrist of the demo figure, 1.7 % where all triangles are slender.

The support is left out, which makes ways shorter if anything: of a body that lies on a level support nothing is lost,
since a taut string stays within the body's convex hull.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import KDTree

from drapesim.ground.outcome import InputError
from drapesim.judging.obstacle import RIM, Obstacle, Place
from drapesim.kernels.taut import LEAST, find_steep, jump_front, spread_front
from drapesim.settling.exact import measure_distance

Array = np.ndarray

ROUNDS = 10  # of fronts through the air
ALLOWED = 1.0 + 1e-4  # pairs steeper than this are kept; all else counts as if it were as steep
SETTLED = 1e-4  # m: fronts through the air that lower no level by more are the last
TRIES = 9  # lengths asked of, when two levels tell which faces matter
CLOSE = 3e-4  # share of a length that is not worth a further try
SLOTS = 12
UNIT = 0.01  # m, the length in which bends are fitted
SWEEPS = 120  # of pulling a string straight, for each number of pieces
BIN = 5e-4  # m of level in which the steepest face counts for all


@dataclass(frozen=True)
class Steep:
    """Where a level rises too fast: between the faces ``upper`` and ``lower`` (k,) (-1: any), see `find_steep` for
    ``floor`` and ``steep`` (k,), and on faces: ``slope`` (m,), rise a metre on each."""

    slope: Array
    upper: Array
    lower: Array
    floor: Array
    steep: Array


@dataclass(frozen=True)
class Level:
    """A level from ``place``: value (n,) m at vertices; start, its most there.

    before (n, 2): the vertices that each one's level came between; dip (m, 3) m: see `find_dips`; bottom (m,) m: its
    least on each face; most: m, above which nothing is looked at.
    """

    obstacle: Obstacle
    place: Place
    value: Array
    start: float
    before: Array
    dip: Array
    bottom: Array
    most: float

    @cached_property
    def steep(self) -> Steep:
        """Found when first asked for: most of the work, and in vain where even the level itself proves too little."""
        return _find_steep(self)

    @cached_property
    def away(self) -> Array:
        """(m,) m: see `away_from`."""
        return away_from(self.obstacle, self.place)

    def least_rise(self, goal: Place) -> float:
        """m from the place to ``goal`` by the level; no proof, but none that stands on this level proves more."""
        return min(_least_on(self.obstacle, goal, self), self.most) - self.start


def raise_level(obstacle: Obstacle, place: Place, most: float = np.inf) -> Level:
    """The level from ``place`` over the whole obstacle; nothing above ``most`` m is looked at."""
    value, start = _seed(obstacle, place)
    value, most = value + place.radius, most + place.radius  # from the middle of a round place: so round its fronts are
    n, faces = len(obstacle.x), obstacle.faces
    before = np.full((n, 2), -1, dtype=np.int64)
    seeds = np.flatnonzero(np.isfinite(value))
    if not len(seeds):
        raise InputError("", place.name, "the place holds nothing of the body's surface", "name another place")
    edge = np.unique(np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2), axis=1), axis=0)
    length = np.linalg.norm(obstacle.x[edge[:, 1]] - obstacle.x[edge[:, 0]], axis=1)
    rows = np.concatenate([edge[:, 0], np.full(len(seeds), n)])
    columns = np.concatenate([edge[:, 1], seeds])
    weight = np.concatenate([length, 1.0 + value[seeds]])  # a weight of 0 would be no link
    graph = coo_array((weight, (rows, columns)), shape=(n + 1, n + 1)).tocsr()
    found, previous = dijkstra(graph, directed=False, indices=n, return_predecessors=True)
    value = found[:n] - 1.0
    before[:, 0] = before[:, 1] = np.where(previous[:n] < n, previous[:n], -1)
    out, jumped = np.zeros(1), np.full(n, -1, dtype=np.int64)
    everywhere, jumped_from = np.arange(n), np.full(n, np.inf)
    clusters = obstacle.of_vertices
    for _ in range(ROUNDS):
        order = np.argsort(value[faces].min(axis=1), kind="stable")
        for _ in range(60):
            spread_front(obstacle.x, faces, obstacle.apex, order, value, before, out)
            if out[0] < 1e-8:
                break
        stirred = np.maximum.reduceat((value < jumped_from)[clusters.order], clusters.first[:-1])
        lowest = np.where(stirred, np.minimum.reduceat(value[clusters.order], clusters.first[:-1]), np.inf)
        jumped_from = value.copy()
        fallen = value.copy()
        jump_front(
            obstacle.x, everywhere, obstacle.ring_start, obstacle.ring, obstacle.normal, obstacle.size, clusters.first,
            clusters.order, clusters.middle, clusters.width, clusters.of, clusters.seen, lowest, most, obstacle.depth,
            obstacle.low, obstacle.step, value, jumped, fallen,
        )  # fmt: skip
        moved = (jumped >= 0) & (fallen < value)
        before[moved] = jumped[moved, None]
        most_fallen = float((value[moved] - fallen[moved]).max()) if moved.any() else 0.0
        value = fallen
        if most_fallen < SETTLED:
            break
    value = np.minimum(value, value[np.isfinite(value)].max())  # shells that nothing sees: any level will do
    return _level_of(obstacle, place, value - place.radius, start, before, most - place.radius)


def _seed(obstacle: Obstacle, place: Place) -> tuple[Array, float]:
    """Levels (n,) m that are known from the start (inf elsewhere), and the most that the level reaches on the place."""
    value = np.full(len(obstacle.x), np.inf)
    if place.faces is not None:
        value[obstacle.faces[np.isin(obstacle.parent, place.faces)]] = 0.0
        return value, 0.0
    away = np.linalg.norm(obstacle.x - place.centre, axis=1)
    touched = obstacle.faces[_touched(obstacle, place)]
    value[touched] = np.maximum(away[touched] - place.radius, -RIM)
    return value, _extreme(obstacle, place, np.where(np.isfinite(value), value, 0.0), highest=True)


def _touched(obstacle: Obstacle, place: Place) -> Array:
    """Faces that may hold something of a round place."""
    away = np.linalg.norm(obstacle.centre - place.centre, axis=1)
    return np.flatnonzero(away <= place.radius + obstacle.radius)


def _held(obstacle: Obstacle, place: Place) -> Array:
    """Faces of a place; of a round one, all that may hold something of it."""
    return _touched(obstacle, place) if place.faces is None else np.flatnonzero(np.isin(obstacle.parent, place.faces))


def _extreme(obstacle: Obstacle, place: Place, value: Array, highest: bool) -> float:
    """Most or least that the level ``value`` (n,) m, linear on faces, reaches on ``place``; -inf or inf of nothing.

    On a face within a ball it does so at a corner inside, where an edge leaves the ball, or at the point of the circle
    (in which the ball cuts the face's plane) that lies farthest along the slope.
    """
    sign = 1.0 if highest else -1.0
    if place.faces is not None:
        return sign * float((sign * value[obstacle.faces[np.isin(obstacle.parent, place.faces)]]).max())
    best = -np.inf
    for f in _touched(obstacle, place):
        corner, level = obstacle.x[obstacle.faces[f]], sign * value[obstacle.faces[f]]
        inside = np.linalg.norm(corner - place.centre, axis=1) <= place.radius
        if inside.any():
            best = max(best, float(level[inside].max()))
        for k in range(3):
            p, q = corner[k] - place.centre, corner[(k + 1) % 3] - corner[k]
            a, b, c = q @ q, p @ q, p @ p - place.radius**2
            if b * b - a * c >= 0.0:
                for t in (-b - np.sqrt(b * b - a * c)) / a, (-b + np.sqrt(b * b - a * c)) / a:
                    if 0.0 <= t <= 1.0:
                        best = max(best, float(level[k] + t * (level[(k + 1) % 3] - level[k])))
        n = obstacle.normal[f]
        foot = place.centre + n * (n @ (corner[0] - place.centre))
        left = place.radius**2 - float((foot - place.centre) @ (foot - place.centre))
        slope = _gradients(corner[None], level[None])[0]
        steep = float(np.linalg.norm(slope))
        if left > 0.0 and steep > 0.0:
            point = foot + np.sqrt(left) * slope / steep
            turns = [n @ np.cross(corner[(k + 1) % 3] - corner[k], point - corner[k]) for k in range(3)]
            if min(turns) >= 0.0:
                best = max(best, float(level[0] + slope @ (point - corner[0])))
    return sign * best


def _gradients(corner: Array, level: Array) -> Array:
    """(m, 3): slope of levels (m, 3) m, linear on triangles ``corner`` (m, 3, 3) m."""
    u, w = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    p, q = level[:, 1] - level[:, 0], level[:, 2] - level[:, 0]
    uu, ww, uw = (np.einsum("mc,mc->m", a, b) for a, b in ((u, u), (w, w), (u, w)))
    det = np.maximum(uu * ww - uw * uw, 1e-300)
    return ((p * ww - q * uw) / det)[:, None] * u + ((q * uu - p * uw) / det)[:, None] * w


def _level_of(obstacle: Obstacle, place: Place, value: Array, start: float, before: Array, most: float) -> Level:
    at = value[obstacle.faces]
    dip = find_dips(obstacle, value, value + place.radius)
    control = 0.5 * (at + np.roll(at, -1, axis=1)) - 2.0 * dip
    bottom = np.minimum(at.min(axis=1), control.min(axis=1))
    return Level(obstacle, place, value, start, before, dip, bottom, most)


def _find_steep(level: Level) -> Steep:
    obstacle, dip = level.obstacle, level.dip
    faces = obstacle.faces
    at = level.value[faces]
    clusters = obstacle.of_faces
    lowest = np.minimum.reduceat(level.bottom[clusters.order], clusters.first[:-1])
    m = len(faces)
    count, other = np.zeros(m, dtype=np.int64), np.full((m, SLOTS), -1, dtype=np.int64)
    floor, steep = np.zeros((m, SLOTS)), np.zeros((m, SLOTS))
    find_steep(
        obstacle.x, faces, obstacle.normal, obstacle.centre, obstacle.radius, at.max(axis=1), level.bottom,
        clusters.first, clusters.order, clusters.middle, clusters.width, clusters.of, clusters.seen, lowest,
        clusters.axis, clusters.spread, level.most, obstacle.depth, obstacle.low, obstacle.step, level.value, dip,
        ALLOWED, count, other, floor, steep,
    )  # fmt: skip
    used = np.arange(SLOTS) < count[:, None]
    upper = np.repeat(np.arange(m), SLOTS).reshape(m, SLOTS)[used]
    slope = np.zeros(m)
    for k in range(3):  # the slope is linear on a face, so steepest at a corner; there the control values give it
        corner = at.copy()
        corner[:, (k + 1) % 3] -= 4.0 * dip[:, k]
        corner[:, (k + 2) % 3] -= 4.0 * dip[:, (k + 2) % 3]
        slope = np.maximum(slope, np.linalg.norm(_gradients(obstacle.x[faces], corner), axis=1))
    return Steep(slope, upper, other[used], floor[used], steep[used])


def find_dips(obstacle: Obstacle, value: Array, away: Array) -> Array:
    """(m, 3) m: how far a smooth level lies below the mean of an edge's ends in its middle, from corner k to k + 1.

    A front of curvature q dips by q (length across the way it runs)^2 / 8. q is fitted at each vertex, with the slope,
    to its neighbours (least squares on the flattened ring), kept between 0 and that of a front round at the distance
    ``away`` (n,) m, and the mean of both ends is taken. It is a guess, and needs to be no more.
    """
    x, faces = obstacle.x, obstacle.faces
    start = faces.ravel()
    end = np.roll(faces, -1, axis=1).ravel()  # each neighbour once: every edge is in two faces, once each way
    corner = x[faces]
    weight = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    normal, slope = np.zeros_like(x), np.zeros_like(x)
    gradient = _gradients(corner, value[faces])
    for k in range(3):
        np.add.at(normal, faces[:, k], weight[:, None] * obstacle.normal)
        np.add.at(slope, faces[:, k], weight[:, None] * gradient)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    slope -= np.einsum("nc,nc->n", slope, normal)[:, None] * normal
    slope /= np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 1e-300)
    across = np.cross(normal, slope)
    way = x[end] - x[start]
    length = np.linalg.norm(way, axis=1)
    flat = way - np.einsum("ec,ec->e", way, normal[start])[:, None] * normal[start]
    flat *= (length / np.maximum(np.linalg.norm(flat, axis=1), 1e-300))[:, None]
    p, q = np.einsum("ec,ec->e", flat, slope[start]), np.einsum("ec,ec->e", flat, across[start])
    rows = np.stack([p, q, 0.5 * q * q / UNIT], axis=1) / length[:, None]  # all three without unit
    rise = (value[end] - value[start]) / length
    table, right = np.zeros((len(x), 3, 3)), np.zeros((len(x), 3))
    np.add.at(table, start, rows[:, :, None] * rows[:, None, :])
    np.add.at(right, start, rows * rise[:, None])
    bend = np.linalg.solve(table + 1e-9 * np.eye(3), right[:, :, None])[:, 2, 0] / UNIT
    bend = np.clip(np.nan_to_num(bend), 0.0, 1.0 / np.maximum(away, 1e-3))
    edge = np.linalg.norm(corner - np.roll(corner, -1, axis=1), axis=2)
    run = np.clip((value[faces] - np.roll(value[faces], -1, axis=1)) / edge, -1.0, 1.0)
    mean = 0.5 * (bend[faces] + np.roll(bend[faces], -1, axis=1))
    dip = 0.125 * mean * edge**2 * (1.0 - run**2)
    dip[find_hollow(obstacle)] = 0.0
    return dip


def find_hollow(obstacle: Obstacle) -> Array:
    """(m, 3) bool: is the edge from corner k to the next folded inward, so that its two faces see each other?

    There the level is kept linear: what two faces share must lie on one plane's level for `find_steep` to part them.
    """
    x, faces = obstacle.x, obstacle.faces
    ends = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    number = np.unique(ends[:, 0] * len(x) + ends[:, 1], return_inverse=True)[1].reshape(-1, 3)
    hollow = np.zeros(int(number.max()) + 1, dtype=bool)
    for k in range(3):
        apex = obstacle.apex[:, (k + 2) % 3]
        up = np.einsum("mc,mc->m", obstacle.normal, x[apex] - x[faces[:, k]])
        hollow[number[(apex >= 0) & (up > 0.5 * LEAST), k]] = True  # not where rounding bends what is flat
    return hollow[number]


def away_from(obstacle: Obstacle, place: Place) -> Array:
    """(m,) m: straight from each face to ``place``, never too long."""
    if place.faces is None:
        away = np.linalg.norm(obstacle.centre - place.centre, axis=1) - place.radius
    else:
        held = np.isin(obstacle.parent, place.faces)
        away = KDTree(obstacle.centre[held]).query(obstacle.centre)[0] - obstacle.radius[held].max()
    return np.maximum(away - obstacle.radius, 0.0)


def even_out(obstacle: Obstacle, level: Level, matters: Array) -> tuple[Array, Array]:
    """Heights (b,) m and the rise (b,) m that is proven up to each: the level with every steep spot evened out.

    matters (m,) bool: faces that count.
    """
    top, bottom = level.value[obstacle.faces].max(axis=1), level.bottom
    ends = float(min(level.most, top[np.isfinite(top)].max())) + BIN
    heights = np.arange(0.0, ends + BIN, BIN)
    spots = level.steep
    rows = np.flatnonzero(matters & (spots.slope > 1.0) & (bottom < ends))
    pairs = matters[spots.upper] & ((spots.lower < 0) | matters[spots.lower])
    lows = np.concatenate([bottom[rows], spots.floor[pairs]])
    highs = np.concatenate([top[rows], top[spots.upper[pairs]]])
    kappa = np.concatenate([spots.slope[rows], spots.steep[pairs]])
    first = np.clip(np.floor(lows / BIN).astype(int), 0, len(heights) - 1)
    last = np.clip(np.floor(highs / BIN).astype(int) + 1, 1, len(heights))
    steepest = np.maximum(ALLOWED, most_over(first, np.maximum(last, first + 1), kappa, len(heights)))
    return heights, np.concatenate([[0.0], np.cumsum(BIN / steepest)[:-1]])


def most_over(first: Array, last: Array, value: Array, n: int) -> Array:
    """(n,): at each place the largest ``value`` (k,) of the ranges from ``first`` (k,) to before ``last`` (k,); else 0.

    Each range is put down as two that overlap, of a power of two long, and these are halved from the longest down.
    """
    power = np.floor(np.log2(last - first)).astype(int)
    longest = int(power.max()) if len(power) else 0
    table = np.zeros((longest + 1, n))
    np.maximum.at(table, (power, first), value)
    np.maximum.at(table, (power, last - 2**power), value)
    for k in range(longest, 0, -1):
        half = 2 ** (k - 1)
        table[k - 1] = np.maximum(table[k - 1], table[k])
        table[k - 1, half:] = np.maximum(table[k - 1, half:], table[k, :-half])
    return table[0]


def bound_way(
    obstacle: Obstacle,
    level: Level,
    goal: Place,
    other: Level | None = None,
    enough: float = math.inf,
    closely: bool = True,
) -> float:
    """m that every way round the outside from the level's place to ``goal`` has at least.

    ``other``: the level from ``goal``, if there is one. Then it is asked of rising lengths m whether any way so short
    exists: faces x drop out for which the ways proven from the place to x and from x to the goal are together longer
    than m, with them their steep spots, and so more is proven of the rest. That goes on while it helps. ``enough`` m:
    it is asked first of this length, and if it cannot be proven, no more is asked; nor if it can, unless ``closely``.
    Where even the level itself rises by no more than ``enough``, only the straight distance of the two is told.
    """
    highest = _least_on(obstacle, goal, level)
    guess = min(highest, level.most) - level.start
    if not guess > 0.0:
        return 0.0
    if guess <= enough < math.inf:
        return min(guess, float(level.away[_held(obstacle, goal)].min()))
    straight = level.away + (away_from(obstacle, goal) if other is None else other.away)
    proven, failed = 0.0, guess
    for tried in range(TRIES):
        most = min(guess, enough * 1.000001) if tried == 0 else 0.5 * (proven + failed)
        matters = straight <= most
        gain, kept = 0.0, -1
        while gain < most:
            gain = max(gain, _gain(obstacle, level, matters, highest))
            if other is None:
                break
            back = _least_on(obstacle, level.place, other)
            gain = max(gain, _gain(obstacle, other, matters, back))
            matters &= prove_ways(obstacle, level, matters) + prove_ways(obstacle, other, matters) <= most
            left = int(matters.sum())
            if not left:
                gain = most
            if left == kept:
                break
            kept = left
        proven = max(proven, min(most, gain))
        if gain < most:
            failed = most
        if other is None or failed - proven < CLOSE * guess or (tried == 0 and gain < most < guess) or not closely:
            break
    return proven


def _least_on(obstacle: Obstacle, goal: Place, level: Level) -> float:
    """m: no more than the level's least on ``goal``. A face's dips take off a third more than the deepest, at most."""
    held = _held(obstacle, goal)
    at = level.value[obstacle.faces[held]]
    return _extreme(obstacle, goal, level.value, highest=False) - float((at.min(axis=1) - level.bottom[held]).max())


def _gain(obstacle: Obstacle, level: Level, matters: Array, highest: float) -> float:
    heights, rise = even_out(obstacle, level, matters)
    return float(np.interp(highest, heights, rise) - np.interp(level.start, heights, rise))


def prove_ways(obstacle: Obstacle, level: Level, matters: Array) -> Array:
    """(m,) m: what is proven of the way from the level's place to each face, over faces that matter (m,) alone."""
    heights, rise = even_out(obstacle, level, matters)
    return np.maximum(np.interp(level.bottom, heights, rise) - np.interp(level.start, heights, rise), 0.0)


def pull_string(obstacle: Obstacle, level: Level, goal: Place, pieces: int = 256) -> Array:
    """(k, 3) m: the taut string from the level's place to ``goal``, for pictures and to see how good a bound is.

    The way by which the level came, pulled straight: each point goes to the middle between its neighbours and, where
    that is inside the body, to the nearest point of the surface, first with few points and then with more. It is as
    short as the ways near it; its chords may cut into round parts by (length of a piece)^2 / (8 R), and off a sharp
    edge. It is pulled between the middles of round places and then cut at their rims.
    """
    faces = obstacle.faces
    if goal.faces is not None:
        ends = np.unique(faces[np.isin(obstacle.parent, goal.faces)])
    else:
        away = np.linalg.norm(obstacle.x - goal.centre, axis=1)
        ends = np.flatnonzero(away <= max(goal.radius, float(away.min())))
    at = int(ends[np.argmin(level.value[ends])])
    way = [at]
    while level.value[at] > level.start and len(way) < 5000:
        one, two = level.before[at]
        if one < 0:
            break
        at = int(one if level.value[one] <= level.value[two] else two)
        way.append(at)
    points = obstacle.x[way[::-1]]
    for place, is_end in ((level.place, False), (goal, True)):
        if place.centre is not None:
            middle = measure_distance(place.centre[None], obstacle.field)[1]
            points = np.concatenate([points, middle] if is_end else [middle, points])
    n = min(8, pieces)
    while len(points) > 1:
        points = _spread_points(points, n)
        for _ in range(SWEEPS):
            for k in (1, 2):
                points[k:-1:2] = 0.5 * (points[k - 1 : -2 : 2] + points[k + 1 :: 2])
                distance, nearest, _ = measure_distance(points[k:-1:2], obstacle.field)
                inside = distance < 0.0
                points[k:-1:2][inside] = nearest[inside]
        if n >= pieces:
            break
        n *= 2
    return _leave(_leave(points, level.place)[::-1], goal)[::-1]


def _spread_points(points: Array, n: int) -> Array:
    """``n`` + 1 points evenly along a polyline (k, 3)."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    new = np.linspace(0.0, along[-1], n + 1)
    return np.stack([np.interp(new, along, points[:, d]) for d in range(3)], axis=1)


def _leave(points: Array, place: Place) -> Array:
    """A polyline (k, 3) m that starts in a round place, from where it last leaves it."""
    if place.centre is None or len(points) < 2:
        return points
    inside = np.linalg.norm(points - place.centre, axis=1) < place.radius
    if not inside.any() or inside[-1]:
        return points
    k = int(np.flatnonzero(inside)[-1])
    p, q = points[k] - place.centre, points[k + 1] - points[k]
    a, b, c = float(q @ q), float(p @ q), float(p @ p) - place.radius**2
    t = (-b + math.sqrt(max(b * b - a * c, 0.0))) / a
    return np.concatenate([[points[k] + t * q], points[k + 1 :]])


def measure_string(points: Array) -> float:
    """m along a polyline (k, 3)."""
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
