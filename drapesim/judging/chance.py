"""Chance: how often marks placed by lot would fit a settled lay at least as well as the marks that are there.

The score of a pattern of marks is the mean over its claims of how much of the mark does what is claimed, 0 to 1, read
from the contact record at the mark's samples: for `touches` the share of its area with the inner side to the body and a
gap of at most the tolerance; for `touches_place` and `shows_feature` the share of which that holds and whose nearest
body point is on the place; for `lies_clear` the share that is farther off; for `meets` the share that has the other
mark across from its claimed side, layer on layer, within the tolerance. A thousandth of the score is how near the gaps
come to what is claimed, so that patterns of equal shares are told apart.

Lots are drawn in five ways: the whole pattern shifted; shifted and turned; shifted, turned and mirrored (by a coin);
each mark for itself; and the marks left where they are, the claimed places drawn anew over the body. With k of n lots
that fit at least as well, the share is told as (k + 1) / (n + 1), which is a valid p value of the hypothesis that the
marks lie by that very lot (Davison and Hinkley 1997, Bootstrap Methods and their Application, 4.2.1; from memory), with
the exact interval of Clopper and Pearson (1934) for what infinitely many lots would give.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import KDTree

from drapesim.judging.places import LANDMARK_REACH
from drapesim.matter.body import Body
from drapesim.matter.marks import GRID, MEETS, PLACE_CLAIMS, Mark
from drapesim.matter.sheet import Lattice
from drapesim.settling.contact_record import ContactRecord
from drapesim.settling.layer_record import SIDES, LayerRecord

Array = np.ndarray

WAYS = ("shifted", "turned", "mirrored", "redrawn", "places")
LEAST_DRAWS = 999
NEAR = 0.02  # m: a gap this far from what is claimed counts as not near at all
CLOSENESS = 1e-3  # weight of closeness in the score
ONWARD = 2.0  # spacings, within which the other layers over two neighbours are one: yarns do not stretch twofold
TURNS_TRIED = 200  # turns by which a pattern was tried on the cloth before it is left unturned

SAID = {
    "shifted": "the pattern as a whole, shifted over the cloth",
    "turned": "the pattern as a whole, shifted and turned",
    "mirrored": "the pattern as a whole, shifted, turned and, by a coin, mirrored",
    "redrawn": "each mark by itself, laid down anywhere on the cloth",
    "places": "the marks where they are, with the places they claim drawn anew over the body",
}


@dataclass(frozen=True)
class Ground:
    """What a lay shows at each node: gap (nu, nv) m, facing, region number, nearest body point (nu, nv, 3).

    layer_gap (nu, nv, 2) m and layer_uv (nu, nv, 2, 2) m: to the other layer out of the inner and the outer side, and
    its place on the flat map (nan: none); None where the run has recorded no layers.
    """

    lattice: Lattice
    body: Body
    gap: Array
    facing: Array
    region: Array
    point: Array
    thickness: float = 0.0  # m, of the cloth
    layer_gap: Array | None = None
    layer_uv: Array | None = None


@dataclass(frozen=True)
class Chance:
    """Of ``n`` lots drawn in one ``way``, ``k`` fit at least as well as the marks themselves, which score ``score``.

    share: (k + 1) / (n + 1); low, high: 95 % interval of the share among all such lots; typical: their median score.
    """

    way: str
    n: int
    k: int
    score: float
    share: float
    low: float
    high: float
    typical: float


def spread_ground(
    lattice: Lattice, record: ContactRecord, body: Body, thickness: float = 0.0, layers: LayerRecord | None = None
) -> Ground:
    """The contact and the layer record as tables over the lattice; nan or -1 where there is no cloth."""
    i, j = lattice.ij[:, 0], lattice.ij[:, 1]

    def table(values: Array, empty: float) -> Array:
        out = np.full((*lattice.shape, *values.shape[1:]), empty, dtype=values.dtype)
        out[i, j] = values
        return out

    return Ground(lattice, body, table(record.gap, np.nan), table(record.facing, np.nan), table(record.region, -1),
                  table(record.body_point, np.nan), thickness,
                  None if layers is None else table(layers.gap, np.nan),
                  None if layers is None else table(layers.uv, np.nan))  # fmt: skip


def score_marks(marks: Sequence[Mark], ground: Ground) -> Array:
    """(m,): how much of each mark does what it claims, 0 to 1, of which a thousandth is for closeness."""
    samples = np.concatenate([mark.samples for mark in marks])
    step = np.array([ground.lattice.spacing_u, ground.lattice.spacing_v])
    at = samples / step
    cell = np.clip(np.floor(at).astype(int), 0, np.array(ground.gap.shape) - 2)
    part = np.clip(at - cell, 0.0, 1.0)
    gap, facing = (_interpolate(values, cell, part) for values in (ground.gap, ground.facing))
    nearest = cell + (part > 0.5)
    region, point = (values[nearest[:, 0], nearest[:, 1]] for values in (ground.region, ground.point))
    scores, start, named = np.zeros(len(marks)), 0, {mark.name: mark for mark in marks}
    for number, mark in enumerate(marks):
        rows = slice(start, start + len(mark.samples))
        start += len(mark.samples)
        weight = mark.weights / mark.weights.sum()
        if mark.claim.kind == MEETS:
            if mark.claim.place in named and ground.layer_gap is not None:
                across, off = _read_across(ground, nearest[rows], at[rows], SIDES.index(mark.claim.side))
                on = is_among(across, named[mark.claim.place].samples)
                near = np.where(on, 1.0 - np.clip(off, 0.0, NEAR) / NEAR, 0.0)
                share = weight @ (on & (off <= mark.claim.tolerance))
                scores[number] = (1.0 - CLOSENESS) * float(share) + CLOSENESS * float(weight @ near)
            continue
        tolerance, off, faces = mark.claim.tolerance, gap[rows], facing[rows]
        if mark.claim.side == "outer":
            off, faces = off + np.where(faces < 0.0, -ground.thickness, ground.thickness), -faces
        if mark.claim.kind == "lies_clear":
            off = np.where(faces < 0.0, off - ground.thickness, off)  # neither side may touch
            share = weight @ ~(off <= tolerance)
            near = np.where(np.isfinite(off), np.clip(off / tolerance, 0.0, NEAR / tolerance) * tolerance / NEAR, 1.0)
        else:
            fits = (off <= tolerance) & (faces > 0.0)
            if mark.claim.kind in PLACE_CLAIMS:
                fits = fits & is_on(mark.claim.place, ground.body, region[rows], point[rows])
            share = weight @ fits
            near = np.where(np.isfinite(off), 1.0 - np.clip(off, 0.0, NEAR) / NEAR, 0.0)
        scores[number] = (1.0 - CLOSENESS) * float(share) + CLOSENESS * float(weight @ near)
    return scores


def _read_across(ground: Ground, node: Array, at: Array, side: int) -> tuple[Array, Array]:
    """(place (s, 2) m, gap (s,) m) of the layer that lies across from samples ``at`` (s, 2), in cells; nan, inf: none.

    Beside a node that has a layer across, the other layer goes on as it does between that node and its neighbours.
    """
    assert ground.layer_gap is not None
    assert ground.layer_uv is not None
    step = np.array([ground.lattice.spacing_u, ground.lattice.spacing_v])
    uv, gap = ground.layer_uv[:, :, side], ground.layer_gap[:, :, side]
    place = uv[node[:, 0], node[:, 1]].copy()
    here = place.copy()
    off = at - node
    for axis in (0, 1):
        other = node.copy()
        other[:, axis] += np.where(off[:, axis] < 0.0, -1, 1)
        other[:, axis] = np.clip(other[:, axis], 0, np.array(gap.shape)[axis] - 1)
        way = uv[other[:, 0], other[:, 1]] - here
        is_next = np.linalg.norm(way, axis=1) < ONWARD * step.max()  # else another layer begins there, or none
        place += np.where(is_next[:, None], np.abs(off[:, axis, None]) * way, 0.0)
    found = gap[node[:, 0], node[:, 1]]
    return place, np.where(np.isfinite(found), found, np.inf)


def is_among(points: Array, samples: Array) -> Array:
    """(s,) bool: do ``points`` (s, 2) m lie where ``samples`` (k, 2) m of a mark stand for it? No nan does."""
    tree = KDTree(samples)
    apart = float(np.median(tree.query(samples, k=2)[0][:, 1])) if len(samples) > 1 else GRID
    known = np.isfinite(points).all(axis=1)
    among = np.zeros(len(points), dtype=bool)
    among[known] = tree.query(points[known])[0] <= max(math.sqrt(0.5) * apart, 0.5 * GRID)
    return among


def _interpolate(values: Array, cell: Array, part: Array) -> Array:
    total = np.zeros(len(cell))
    for a in (0, 1):
        for b in (0, 1):
            weight = np.abs(1 - a - part[:, 0]) * np.abs(1 - b - part[:, 1])
            corner = values[cell[:, 0] + a, cell[:, 1] + b]
            total += np.where(weight > 0.0, weight * corner, 0.0)
    return total


def is_on(place: str, body: Body, region: Array, point: Array) -> Array:
    """(s,) bool: are nearest body points, with the numbers of their regions, on the region or landmark ``place``?"""
    if place in body.region_names:
        return region == body.region_names.index(place)
    return np.linalg.norm(point - np.asarray(body.landmarks[place]), axis=1) <= LANDMARK_REACH


def lay_by_lot(marks: Sequence[Mark], size: tuple[float, float], way: str, rng: np.random.Generator) -> list[Mark]:
    """The marks of one lot on a cloth of ``size`` (m); ``way``: one of `WAYS` but "places".

    A turn is drawn first, anew until the turned pattern fits on the cloth, then the place among all where it does.
    """
    if way == "redrawn":
        return [_move([mark], size, True, True, rng)[0] for mark in marks]
    return _move(marks, size, way != "shifted", way == "mirrored", rng)


def _move(
    marks: Sequence[Mark], size: tuple[float, float], turned: bool, mirrored: bool, rng: np.random.Generator
) -> list[Mark]:
    samples = np.concatenate([mark.samples for mark in marks])
    limit = np.array(size)
    for _ in range(TURNS_TRIED):
        angle = rng.uniform(0.0, 2.0 * math.pi) if turned else 0.0
        c, s = math.cos(angle), math.sin(angle)
        turn = np.array([[c, -s], [s, c]])
        if mirrored and rng.random() < 0.5:
            turn = turn @ np.array([[1.0, 0.0], [0.0, -1.0]])
        placed = samples @ turn.T
        low, extent = placed.min(axis=0), np.ptp(placed, axis=0)
        if (extent <= limit).all():
            shift = rng.random(2) * (limit - extent) - low
            break
    else:
        turn, shift = np.eye(2), np.zeros(2)
    return [replace(mark, samples=mark.samples @ turn.T + shift, rings=()) for mark in marks]


def claim_by_lot(marks: Sequence[Mark], body: Body, rng: np.random.Generator) -> list[Mark]:
    """The marks with each claimed region replaced by one drawn from all regions, each claimed landmark likewise."""
    drawn = []
    for mark in marks:
        if mark.claim.kind in PLACE_CLAIMS:
            names = body.region_names if mark.claim.place in body.region_names else tuple(sorted(body.landmarks))
            mark = replace(mark, claim=replace(mark.claim, place=names[int(rng.integers(len(names)))]))
        drawn.append(mark)
    return drawn


def weigh_chance(marks: Sequence[Mark], ground: Ground, way: str, n: int, seed: int) -> Chance:
    """Draw ``n`` lots in one ``way`` and count those that fit at least as well; ties count against the marks."""
    rng = np.random.default_rng([seed, WAYS.index(way)])
    cell = ground.lattice.cell.shape
    size = cell[0] * ground.lattice.spacing_u, cell[1] * ground.lattice.spacing_v
    own = float(score_marks(marks, ground).mean())
    scores = np.empty(n)
    for k in range(n):
        lot = claim_by_lot(marks, ground.body, rng) if way == "places" else lay_by_lot(marks, size, way, rng)
        scores[k] = score_marks(lot, ground).mean()
    better = int((scores >= own - 1e-12).sum())
    return Chance(way, n, better, own, (better + 1) / (n + 1), *interval(better, n), float(np.median(scores)))


def interval(k: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of Clopper and Pearson for a share of which ``k`` in ``n`` were seen."""
    from scipy.stats import beta

    tail = 0.5 * (1.0 - level)
    low = float(beta.ppf(tail, k, n - k + 1)) if k else 0.0
    high = float(beta.ppf(1.0 - tail, k + 1, n - k)) if k < n else 1.0
    return low, high


def judged_by_lay(marks: Sequence[Mark], has_layers: bool) -> list[Mark]:
    """The marks whose claims a lay can judge: where layers were not recorded, those that are to meet are left out."""
    return [mark for mark in marks if has_layers or mark.claim.kind != MEETS]


def list_ways(marks: Sequence[Mark]) -> tuple[str, ...]:
    """The ways that can be drawn: places only where some are claimed."""
    return WAYS if any(mark.claim.kind in PLACE_CLAIMS for mark in marks) else WAYS[:-1]


def say_chance(chance: Chance) -> str:
    """The count in a plain sentence."""
    return (
        f"Of {chance.n} lots ({SAID[chance.way]}), {chance.k} fit the claims at least as well as the marks do: "
        f"{100 * chance.share:.3g} % ({100 * chance.low:.2f} to {100 * chance.high:.2f} % would do so if lots were "
        "drawn without end)."
    )


MEANING = (
    "A small share means that marks laid down by such a lot would seldom fit this one lay so well. It is not the "
    "probability that the marks came about by contact, nor that they did not: it says nothing of other lays, of other "
    "ways in which marks come about, or of how the claims were chosen. Claims drawn up after looking at the lay make "
    "it small by themselves."
)


def say_support(scores: tuple[float, float], names: tuple[str, str], met: tuple[int, int], n: int) -> str:
    """Two propositions scored by the same claims, in a sentence that leaves the conclusion to the reader."""
    a, b = scores
    better = names[0] if a > b else names[1]
    lead = f"fit {better} better" if abs(a - b) > 0.005 else "do not tell the two apart"
    return (
        f"Scored by the same {n} claims, {names[0]} comes to {a:.3f} ({met[0]} met) and {names[1]} to {b:.3f} "
        f"({met[1]} met): the claims {lead}. This is support within these claims and these two lays, and no conclusion "
        "about how the marks came to be."
    )
