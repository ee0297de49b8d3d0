"""Shortfall: by how many millimetres a settled lay misses what is claimed of the marks, read from its contact record.

A verdict says yes or no; a search needs to know how far off. At each of a mark's samples the shortfall of a claim to
touch is what the gap exceeds the tolerance by, of a claimed place besides the distance of the nearest body point from
it (of a landmark, from the ball of `LANDMARK_REACH` round it), of a claim to lie clear what the gap lacks. A wide
spacing leaves gaps open by what the sheet curves between nodes (`verdicts.chord_error`); that much is granted.

A claim's *miss* is 0 where all its samples do what is claimed and nears 1 as they are far off: the mean of s / (s + K),
of a claim to lie clear that of s over its tolerance, which is 1 where it touches. It rises steeply at first, so that
near the best lay millimetres count, and hardly any more from some K on, so that one claim that cannot be met does not
pull the lay away from all others.

Which lay would come of a cloth that is put down a little otherwise can be read off a lay at hand: a cloth that lies on
prominent places keeps its shape in space, nearly, and its marks move over it as they moved over the plan
(`predict_moved`). That is a guess of where to settle next, and never an answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drapesim.judging.places import LANDMARK_REACH, distance_to
from drapesim.judging.verdicts import chord_error
from drapesim.matter.marks import MEETS, PLACE_CLAIMS, Mark
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import BodyField
from drapesim.settling.contact_record import ContactRecord

Array = np.ndarray

KNEE = 5e-3  # m, shortfall at which a sample counts half as missed. Our convention, no source
FARTHEST = 0.1  # m: a larger shortfall is told as this; so is a side that faces away, or no cloth at all
CENTRING = 0.02  # weight of how far a mark's middle lies from its landmark, which tells lays apart that do equally well
MOST_SAMPLES = 4000  # of all marks together; more tell no more
MARK_SAMPLES = (24, 160)  # of one mark at least, if it has so many, and at most


@dataclass(frozen=True)
class Pattern:
    """The marks that the body can judge, as arrays: samples ``uv`` (s, 2) m, ``weight`` (s,) summing to 1 for each
    mark, ``owner`` (s,) its number in ``marks``."""

    marks: tuple[Mark, ...]
    uv: Array
    weight: Array
    owner: Array


@dataclass(frozen=True)
class Ground:
    """A lay's contact record as tables over the lattice (nu, nv), with what the marks of a pattern ask of it.

    ``near`` m: the gap less what the spacing leaves open; ``least`` m: that of whichever side is nearer. ``faces``: 1
    where the inner side is to the body, else 0. ``point`` (nu, nv, 3) m: nearest of the body. ``off`` (k, nu, nv) m:
    from there to each region that is claimed, the last one for none. Of each sample: ``region`` (s,) its place in
    ``off``, ``landmark`` (s, 3) m the point it claims, nan for none.
    """

    lattice: Lattice
    near: Array
    least: Array
    faces: Array
    point: Array
    off: Array
    region: Array
    landmark: Array
    thickness: float


@dataclass(frozen=True)
class Shortfalls:
    """(s,) m of each sample: of the gap, of the place, and how far a landmark is (0 where a region is claimed)."""

    gap: Array
    place: Array
    landmark: Array


def take_pattern(marks: Sequence[Mark]) -> Pattern:
    """The marks that claim something of the body, each by samples spread evenly over it."""
    kept = tuple(mark for mark in marks if mark.claim.kind != MEETS)
    most = int(np.clip(MOST_SAMPLES // max(1, len(kept)), *MARK_SAMPLES))
    chosen = []
    for mark in kept:
        count = min(len(mark.samples), most)
        chosen.append(np.unique(np.linspace(0, len(mark.samples) - 1, count).round().astype(int)))
    uv = [mark.samples[rows] for mark, rows in zip(kept, chosen, strict=True)]
    weight = [mark.weights[rows] / mark.weights[rows].sum() for mark, rows in zip(kept, chosen, strict=True)]
    owner = [np.full(len(rows), number) for number, rows in enumerate(chosen)]
    if not kept:
        return Pattern((), np.zeros((0, 2)), np.zeros(0), np.zeros(0, int))
    return Pattern(kept, np.concatenate(uv), np.concatenate(weight), np.concatenate(owner))


def spread_ground(
    pattern: Pattern, lattice: Lattice, x: Array, record: ContactRecord, figure: BodyField, thickness: float
) -> Ground:
    """The tables of a sheet at ``x`` (n, 3) m on ``figure``, the body without its support."""
    i, j = lattice.ij[:, 0], lattice.ij[:, 1]

    def table(values: Array) -> Array:
        out = np.full((*lattice.shape, *values.shape[1:]), np.nan)
        out[i, j] = values
        return out

    padded = np.pad(chord_error(lattice, x), 1)
    open_by = np.max([padded[:-1, :-1], padded[1:, :-1], padded[:-1, 1:], padded[1:, 1:]], axis=0)
    known = np.isfinite(record.body_point).all(axis=1)
    body, numbers = figure.body, {"": -1}
    off: list[Array] = []
    point_of = np.full((len(pattern.marks), 3), np.nan)
    region_of = np.full(len(pattern.marks), -1)
    for number, mark in enumerate(pattern.marks):
        place = mark.claim.place if mark.claim.kind in PLACE_CLAIMS else ""
        if place and place not in body.region_names:
            point_of[number] = np.asarray(body.landmarks[place])
            continue
        if place not in numbers:
            away = np.full(len(x), np.inf)
            away[known] = distance_to(place, record.body_point[known], figure)
            numbers[place] = len(off)
            off.append(table(np.minimum(away, 10.0 * FARTHEST)))
        region_of[number] = numbers[place]
    gap, facing = table(record.gap), table(record.facing)
    nearer = np.where(facing < 0.0, gap - thickness, gap)
    return Ground(
        lattice, gap - open_by, nearer - open_by, 1.0 * (facing > 0.0), table(record.body_point),
        np.array([*off, np.zeros(lattice.shape)]), region_of[pattern.owner], point_of[pattern.owner], thickness,
    )  # fmt: skip


def read_shortfalls(pattern: Pattern, ground: Ground, uv: Array | None = None) -> Shortfalls:
    """What each sample falls short by; the samples may be moved to ``uv`` (s, 2) m.

    `FARTHEST` where there is no cloth. Between nodes all is read linearly.
    """
    at = (pattern.uv if uv is None else uv) / (ground.lattice.spacing_u, ground.lattice.spacing_v)
    size = np.array(ground.lattice.cell.shape)
    is_cloth = (at >= -1e-9).all(axis=1) & (at <= size + 1e-9).all(axis=1)
    cell = np.clip(np.floor(at).astype(int), 0, size - 1)
    part = np.clip(at - cell, 0.0, 1.0)

    (i, j), (a, b) = cell.T, part.T
    corners = ((i, j, (1 - a) * (1 - b)), (i + 1, j, a * (1 - b)), (i, j + 1, (1 - a) * b), (i + 1, j + 1, a * b))

    def read(values: Array, *first: Array) -> Array:
        return np.asarray(sum(weight * values[(*first, k, m)].T for k, m, weight in corners).T)

    claims = [mark.claim for mark in pattern.marks]
    tolerance = np.array([claim.tolerance for claim in claims])[pattern.owner]
    is_clear = np.array([claim.kind == "lies_clear" for claim in claims], dtype=bool)[pattern.owner]
    is_outer = np.array([claim.side == "outer" for claim in claims], dtype=bool)[pattern.owner]
    turned = (read(ground.faces) < 0.5) != is_outer
    own = read(ground.near) - ground.thickness * is_outer  # as `verdicts.other_side` of a body behind it
    gap = np.where(turned, FARTHEST, np.maximum(0.0, own - tolerance))
    gap = np.where(is_clear, np.maximum(0.0, tolerance - read(ground.least)), gap)
    landmark = np.nan_to_num(np.linalg.norm(read(ground.point) - ground.landmark, axis=1), nan=0.0)
    place = np.where(np.isnan(ground.landmark[:, 0]), read(ground.off, ground.region), landmark - LANDMARK_REACH)
    gap[~is_cloth | np.isnan(gap)] = FARTHEST
    place[~is_cloth & ~is_clear | np.isnan(place)] = FARTHEST
    return Shortfalls(np.minimum(gap, FARTHEST), np.maximum(place, 0.0), landmark)


def miss_claims(pattern: Pattern, ground: Ground, uv: Array | None = None) -> Array:
    """(m,): each claim's miss, 0 to 1; ``uv``: as in `read_shortfalls`."""
    found = read_shortfalls(pattern, ground, uv)
    short = found.gap + found.place
    count = len(pattern.marks)
    tolerance = np.array([mark.claim.tolerance for mark in pattern.marks])[pattern.owner]
    clear = np.array([mark.claim.kind == "lies_clear" for mark in pattern.marks], dtype=bool)[pattern.owner]
    missed = np.where(clear, np.minimum(short / tolerance, 1.0), short / (short + KNEE))
    miss = np.bincount(pattern.owner, pattern.weight * missed, count)
    centred = np.bincount(pattern.owner, ~np.isnan(ground.landmark[:, 0]), count) > 0.0
    near = np.bincount(pattern.owner, pattern.weight * np.minimum(found.landmark / LANDMARK_REACH, 1.0), count)
    return np.asarray(np.where(centred, (1.0 - CENTRING) * miss + CENTRING * near, miss))


def least_tolerances(pattern: Pattern, ground: Ground) -> Array:
    """(m,) m: by how much each claim's tolerance and place would have to give way for its claimed share to do it."""
    found = read_shortfalls(pattern, ground)
    short = np.maximum(found.gap, found.place)
    least = np.zeros(len(pattern.marks))
    for number, mark in enumerate(pattern.marks):
        rows = np.flatnonzero(pattern.owner == number)
        order = rows[np.argsort(short[rows], kind="stable")]
        done = np.cumsum(pattern.weight[order]) >= mark.claim.share - 1e-9
        least[number] = short[order][int(np.argmax(done))]
    return least
