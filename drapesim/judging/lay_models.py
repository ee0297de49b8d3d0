"""Lay models: where a body's landmarks come to lie on the flat map, by a rule that needs no settled sheet.

Let r = (x, y, z) be a landmark of the figure in the world, p = (x, y) its place in plan.

- ``straight down`` (parallel projection along the vertical): m = p.
- ``along the surface`` (the cloth lies on the body; map distance is way over the figure): from landmark i to landmark j
  the map runs in the direction in which j lies in plan, and as far as j is from i in space, pulled straight:
  v_ij = |r_j - r_i| (p_j - p_i) / |p_j - p_i|. That is the shortest way that cloth can take; a bulge between the two
  makes it longer, a hollow does not. No flat cloth honours all these ways at once, and it is the near ones that it
  follows, so the map is what comes nearest to them: m minimises the sum of |m_j - m_i - v_ij|^2 / (d_ij + 30 mm)^4
  over all pairs, where d_ij is their distance on the map. (Where j lies upright over i the direction is lost; both
  lengths are taken as root of squares with 5 mm, which keeps the rule smooth. Power and lengths are our convention.)

Then the whole is turned and shifted onto the map, without stretch: how the cloth lay on the body is not asked. A real
lay follows neither rule: cloth has folds, shears and gives. Of the demonstration cover, settled loosely on the carved
figure at 40 mm, the points nearest to 15 landmarks that it reaches lie off by 35 mm (root mean square; 88 at the
elbows) from the first rule, and by 18 mm (38) from the second.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

Array = np.ndarray
Lay = Literal["straight down", "along the surface"]
LAYS: tuple[Lay, ...] = ("straight down", "along the surface")
UPRIGHT, NEAR, POWER = 5e-3, 0.03, 4  # m, m, see above


@dataclass(frozen=True)
class MapView:
    """Landmarks on one flat map: names, points (n, 2) m with u to the right and v downward, their sd (n,) m.

    ``side`` of the body that lies against it; ``hand`` +1 or -1: v grows with the world's +y or against it (seen with
    the head to the right), which follows from the side seen and from whether the cloth lies on or under the body.
    """

    names: tuple[str, ...]
    points: Array
    sd: Array
    hand: float
    side: str = "front"


def pick_hand(lie: str, shows: str, seen_from: str) -> float:
    """+1 or -1 for `MapView.hand`: a supine body's front, seen from the inner side, is +1."""
    lies_on = (lie == "supine") == (shows == "front")
    return 1.0 if lies_on == (seen_from == "inner") else -1.0


@dataclass(frozen=True)
class Web:
    """All pairs of a map's landmarks: ``first``, ``last`` (p,), and ``gather`` (n, p): from ways v_ij to places m."""

    first: Array
    last: Array
    gather: Array


def weave(points: Array) -> Web:
    """The pairs of landmarks at ``points`` (n, 2) m on the map, weighted by their distances there."""
    n = len(points)
    first, last = np.triu_indices(n, 1)
    weight = (np.linalg.norm(points[last] - points[first], axis=1) + NEAR) ** -POWER
    rows = np.arange(len(first))
    ends = np.zeros((len(first), n))
    ends[rows, last], ends[rows, first] = 1.0, -1.0
    gather = np.linalg.pinv(ends.T @ (weight[:, None] * ends)) @ (ends.T * weight)
    return Web(first, last, gather)


def lay_flat(lay: Lay, places: Array, web: Web, hand: float) -> Array:
    """(n, 2) m: the landmarks ``places`` (n, 3) m laid flat by a model, before they are turned and shifted."""
    plan = places[:, :2] * np.array([1.0, hand])
    if lay == "straight down":
        return plan
    step, across = places[web.last] - places[web.first], plan[web.last] - plan[web.first]
    long = np.sqrt((step**2).sum(axis=1) + UPRIGHT**2)
    return web.gather @ (across * (long / np.sqrt((across**2).sum(axis=1) + UPRIGHT**2))[:, None])


def slope_flat(lay: Lay, places: Array, moves: Array, web: Web, hand: float) -> Array:
    """(k, n, 2): how `lay_flat`'s points move where the landmarks move by ``moves`` (k, n, 3)."""
    turned = np.array([1.0, hand])
    plan, shift = places[:, :2] * turned, moves[:, :, :2] * turned
    if lay == "straight down":
        return shift
    step, across = places[web.last] - places[web.first], plan[web.last] - plan[web.first]
    long, wide = (np.sqrt((d**2).sum(axis=1) + UPRIGHT**2) for d in (step, across))
    by_step, by_across = moves[:, web.last] - moves[:, web.first], shift[:, web.last] - shift[:, web.first]
    longer, wider = (by_step * step).sum(axis=2) / long, (by_across * across).sum(axis=2) / wide
    way = by_across * (long / wide)[:, None] + across * ((longer - wider * long / wide) / wide)[:, :, None]
    return np.einsum("np,kpc->knc", web.gather, way)


@dataclass(frozen=True)
class Placing:
    """The turn (rad) and shift (2,) m that bring laid-flat points onto the map."""

    turn: float
    shift: Array

    def put(self, points: Array) -> Array:
        """(n, 2) m on the map."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        return points @ np.array([[c, s], [-s, c]]) + self.shift


def fit_placing(flat: Array, view: MapView) -> Placing:
    """The turn and shift with the least weighted squares between ``flat`` (n, 2) and the map (closed form)."""
    weight = view.sd**-2 / (view.sd**-2).sum()
    middle, goal = weight @ flat, weight @ view.points
    a, b = flat - middle, view.points - goal
    turn = float(np.arctan2(weight @ (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), weight @ (a * b).sum(axis=1)))
    bare = Placing(turn, np.zeros(2))
    return Placing(turn, goal - bare.put(middle[None])[0])


def lay_more(lay: Lay, known: Array, flat: Array, more: Array, hand: float) -> Array:
    """(k, 2) m: points ``more`` (k, 3) of a figure laid flat, its landmarks ``known`` (n, 3) lying at ``flat`` (n, 2).

    Along the surface each is put where the ways from the landmarks lead on the mean, near ones counting most.
    """
    turned = np.array([1.0, hand])
    if lay == "straight down":
        return more[:, :2] * turned
    step = more[:, None] - known[None]
    across = step[:, :, :2] * turned
    wide = np.sqrt((across**2).sum(axis=2) + UPRIGHT**2)
    way = across * (np.sqrt((step**2).sum(axis=2) + UPRIGHT**2) / wide)[:, :, None]
    weight = (wide + NEAR) ** -POWER
    return ((flat + way) * weight[:, :, None]).sum(axis=1) / weight.sum(axis=1)[:, None]
