"""Reach: proofs that no lay of any kind brings marks to where they are claimed to touch.

The taut-string bound. The mid-surface of the cloth stays outside the body. If mark A touches place a and mark B touches
place b, each within its tolerance, then the way from a to b outside the body is no longer than the longest that a
thread from A to B can be made (`drapesim.judging.threads`) + both tolerances + the cloth's thickness. Where the least
way (`drapesim.judging.taut`) is longer, no lay can do it.

All that is not known is granted: the farthest pair of points of the marks, the nearest pair of points of the places,
one touching point each; of the card the upper end of each limit's range, or two standard uncertainties above it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

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
from drapesim.judging.threads import (
    Limits,
    Meet,
    blur_of,
    find_limits,
    find_thread,
    granted_to,
    hull_of,
    list_meets,
    outline_of,
    spread_over,
    walk_ring,
)
from drapesim.matter.body import Body
from drapesim.matter.fabric import FabricCard
from drapesim.matter.marks import PLACE_CLAIMS, Mark

Array = np.ndarray


@dataclass(frozen=True)
class PairProof:
    """Two marks, each claimed on a place. Lengths in m.

    over: marks between that are claimed to meet, in pairs, where that binds the two closer than the cloth between them;
    legs (k, 2, 2): uv ends of each stretch along the cloth, the farthest apart that the marks have in the sense of N;
    flat: their lengths on the flat map; longest: N of them and what the drawing leaves open; granted: tolerances and
    thickness; found: length of the shortest way found between the places, round the outside; way: what is proven of it
    (no more than the straight distance, where not even the way found is too long); string (k, 3): the taut string,
    empty where none was pulled. fold: the least length of cloth between the marks beyond the taut way, 0 where none
    need be.
    """

    marks: tuple[str, str]
    places: tuple[str, str]
    over: tuple[str, ...]
    legs: Array
    flat: float
    longest: float
    granted: float
    found: float
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
    def spare(self) -> float:
        """m by which the thread can be made longer than the way found; below 0 where it cannot be long enough."""
        return self.longest + self.granted - self.found

    @property
    def allowed(self) -> float:
        """Stretch of the flat path that yarns and shear allow."""
        return self.longest / self.flat - 1.0 if self.flat > 0.0 else 0.0


@dataclass(frozen=True)
class ChainProof:
    """Three marks of which any two may go, but not all: wherever the middle one touches, one end is too far.

    over: marks that are claimed to meet, if there are any that bind the ends to the middle.
    """

    marks: tuple[str, str, str]
    places: tuple[str, str, str]
    is_impossible: bool
    over: tuple[str, ...] = ()


@dataclass(frozen=True)
class Reach:
    """All pairs of marks with claimed places, and the chains of three that were proven impossible.

    meets: claims that two marks meet, which were taken in.
    """

    pairs: tuple[PairProof, ...]
    chains: tuple[ChainProof, ...]
    limits: Limits
    meets: tuple[tuple[str, str], ...] = ()

    def reasons(self) -> dict[str, str]:
        """Sentence of the strongest proof by mark, for each mark that takes part in one."""
        found: dict[str, str] = {}
        for pair in sorted(self.pairs, key=lambda p: p.allowed - p.needed):
            if pair.is_impossible:
                for mark in (*pair.marks, *pair.over):
                    found.setdefault(mark, say_pair(pair, self.limits))
        for chain in self.chains:
            for mark in (*chain.marks, *chain.over):
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


def prove_pair(
    first: Mark,
    second: Mark,
    obstacle: Obstacle,
    levels: tuple[Level, Level],
    card: FabricCard,
    limits: Limits,
    piece: Sequence[Array] = (),
    with_string: bool = True,
    meets: Sequence[Meet] = (),
) -> PairProof:
    """The taut-string bound for two marks whose places have the ``levels``."""
    thread = find_thread(first, second, limits, meets, piece)
    granted = granted_to(first, card) + granted_to(second, card) + thread.granted
    a, b = levels
    way = bound_way(obstacle, a, b.place, b, thread.longest + granted, closely=with_string)
    string, fold = np.zeros((0, 3)), 0.0
    if way > thread.longest + granted:
        if with_string:
            string = pull_string(obstacle, a, b.place)
    elif not thread.over:
        fold = _least_fold(first, second, obstacle, a, b, limits, granted)
    return PairProof(
        (first.name, second.name), (a.place.name, b.place.name), thread.over, thread.legs, thread.flat, thread.longest,
        granted, max(0.0, a.least_rise(b.place)), way, string, fold,
    )  # fmt: skip


def _least_fold(
    first: Mark, second: Mark, obstacle: Obstacle, a: Level, b: Level, limits: Limits, granted: float
) -> float:
    """m of cloth that must stand off between two marks: its shortest path less the longest of the taut ways."""
    one, two = hull_of(outline_of(first)), hull_of(outline_of(second))
    least = float(limits.shortest(walk_ring(one)[:, None] - walk_ring(two)[None]).min())
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
    card: FabricCard, limits: Limits, meets: Sequence[Meet] = (),
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
        thread = np.full(len(samples), np.inf)
        for stop, cost in spread_over(mark, limits, meets):
            on = limits.longest(hull_of(outline_of(stop))[:, None] - samples[None]).max(axis=0)
            thread = np.minimum(thread, cost + on + blur_of(stop, limits))
        thread += reach + granted_to(mark, card) + half
        ways.append((level.bottom - level.start)[held])  # no more than this can be proven
        threads.append(thread)

    def fits() -> bool:
        return bool(((ways[0][:, None] <= threads[0][None]) & (ways[1][:, None] <= threads[1][None])).any())

    if not fits():
        for k, level in enumerate(levels):
            matters = level.away + away_from(obstacle, place) <= float(threads[k].max())
            ways[k] = np.where(matters, prove_ways(obstacle, level, matters), np.inf)[held]
    names = (ends[0].name, middle.name, ends[1].name)
    over = tuple(dict.fromkeys(mark.name for meet in meets for mark in meet.marks if mark.name not in names))
    return ChainProof(names, (levels[0].place.name, place.name, levels[1].place.name), not fits(), over)


def prove_reach(
    marks: Sequence[Mark],
    obstacle: Obstacle,
    levels: dict[str, Level],
    card: FabricCard,
    piece: Sequence[Array] = (),
    tell: Callable[[str, int, int], None] = lambda *_: None,
) -> Reach:
    """All pairs, then all chains of three whose pairs are not impossible. ``levels``: by name of place.

    Marks that are to meet others count as ways from layer to layer. ``tell`` is called with what is done, and with how
    much of how much. Where no pair is impossible, the one with the least to spare has its string pulled, too.
    """
    limits, meets = find_limits(card), list_meets(marks, card)
    placed = [mark for mark in marks if mark.claim.place in levels and mark.claim.kind in PLACE_CLAIMS]
    pairs: dict[frozenset[str], PairProof] = {}
    twos = list(itertools.combinations(placed, 2))
    for number, (first, second) in enumerate(twos):
        tell("pairs of marks", number, len(twos))
        two = levels[first.claim.place], levels[second.claim.place]
        pairs[frozenset((first.name, second.name))] = prove_pair(
            first, second, obstacle, two, card, limits, piece, meets=meets
        )
    chains = []
    trios = [] if len(piece) else list(itertools.combinations(placed, 3))
    for number, trio in enumerate(trios):
        tell("chains of three", number, len(trios))
        if any(pairs[frozenset((p.name, q.name))].is_impossible for p, q in itertools.combinations(trio, 2)):
            continue
        for k in range(3):
            ends = trio[k - 2], trio[k - 1]
            two = levels[ends[0].claim.place], levels[ends[1].claim.place]
            place = levels[trio[k].claim.place].place
            chain = prove_chain(ends, trio[k], obstacle, two, place, card, limits, meets)
            if chain.is_impossible:
                chains.append(chain)
                break
    found = list(pairs.values())
    apart = [k for k in range(len(found)) if found[k].found > 0.0]
    if apart and not any(pair.is_impossible for pair in found):
        tight = min(apart, key=lambda k: found[k].spare)
        a, b = (levels[place] for place in found[tight].places)
        found[tight] = replace(found[tight], string=pull_string(obstacle, a, b.place))
    named = tuple((meet.marks[0].name, meet.marks[1].name) for meet in meets)
    return Reach(tuple(found), tuple(chains), limits, named)


def say_pair(pair: PairProof, limits: Limits) -> str:
    """The proof as a sentence, lengths in mm."""
    (a, b), (p, q) = pair.marks, pair.places
    flat, way = 1e3 * pair.flat, 1e3 * (pair.way - pair.granted)
    if not pair.is_impossible:
        if pair.fold > 0.0:
            return f"Between {a} and {b} a fold or slack of at least {1e3 * pair.fold:.0f} mm must stand."
        found = f"the shortest way found round the body is {1e3 * pair.found:.0f} mm"
        by = "way over the marks that meet" if pair.over else "cloth between them"
        if pair.spare < 0.0:
            return (
                f"{a} and {b} may be too near each other for the {p} and the {q}: {found}, and the {by} can be made "
                f"only {1e3 * (pair.longest + pair.granted):.0f} mm long; the bound is not tight enough to prove it."
            )
        spare = f"{1e3 * pair.spare:.0f} mm longer"
        return f"{a} and {b} can be that far apart as the {p} and the {q}: {found}, and the {by} can be made {spare}."
    turned = abs(pair.legs[0, 1] - pair.legs[0, 0])
    why = f"yarns at their safe extension, the weave sheared by {math.degrees(limits.angle):.0f} degrees"
    if len(pair.legs) == 1 and min(turned) < 1e-6:
        why = "along the warp" if turned[1] < turned[0] else "along the weft"
    apart = f"{a} and {b} are {flat:.0f} mm apart on the cloth"
    if pair.over:
        told = ", and ".join(" lies on ".join(two) for two in zip(pair.over[::2], pair.over[1::2], strict=True))
        apart = f"{a} and {b} are {flat:.0f} mm apart along the cloth where, as claimed, {told}"
    return (
        f"{apart}; the shortest way round the body from the {p} to the {q} is at least "
        f"{way:.0f} mm; the cloth would have to stretch {100 * pair.needed:.1f} %, its limit in this direction "
        f"({why}) is {100 * pair.allowed:.1f} %."
    )


def say_chain(chain: ChainProof) -> str:
    """The proof of a chain as a sentence."""
    (a, m, b), (p, r, q) = chain.marks, chain.places
    said = (
        f"{a}, {m} and {b} cannot all be where they are claimed: wherever on the {r} {m} touches, the cloth from it "
        f"is too short to bring {a} to the {p} or {b} to the {q}."
    )
    return f"{said} That {_list(chain.over)} meet as claimed was counted in." if chain.over else said


def _list(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)
