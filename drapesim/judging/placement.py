"""Placement: where to put a flat cloth down so that its marks come over what they claim, guessed without settling.

Two guesses. From the claims alone: the middles of marks laid flat over the claimed places, as a rigid sheet, by the
plan. From a lay that has been settled: its marks moved over the cloth as another start would move them, read off its
contact record (`shortfall`). Both are least values of a cost over the few numbers that put the cloth down.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from drapesim.judging.shortfall import Ground, Pattern, miss_claims
from drapesim.matter.body import Body
from drapesim.matter.marks import PLACE_CLAIMS, Mark

Array = np.ndarray

REACH = 0.04  # m, off its place, at which a mark counts half as lost in the first guess; our convention, no source


@dataclass(frozen=True)
class Put:
    """A cloth put down flat: flat-map ``point`` (2,) m lies over ``place`` (2,) m; rows of ``axes`` (2, 2): where warp
    and weft point in the world's plan."""

    point: Array
    place: Array
    axes: Array

    def lay(self, uv: Array) -> Array:
        """(s, 2) m: the plan of flat-map places ``uv`` (s, 2) m."""
        return np.asarray(self.place + (uv - self.point) @ self.axes)

    def lift(self, plan: Array) -> Array:
        """(s, 2) m: the flat-map places that lie over ``plan`` (s, 2) m; the inverse of `lay`."""
        return np.asarray(self.point + (plan - self.place) @ self.axes.T)


def find_targets(marks: Sequence[Mark], body: Body) -> tuple[Array, Array, Array]:
    """Of the marks that claim a place: middles (m, 2) m on the flat map, places (m, 2) m in plan, and the radius (m,)
    m within which one place is as good as another; of a region, of what of it is seen from above."""
    middles, places, radii = [], [], []
    corners = body.vertices[body.faces]
    normal = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    for mark in marks:
        name = mark.claim.place
        if mark.claim.kind not in PLACE_CLAIMS:
            continue
        if name in body.region_names:
            seen = (body.region == body.region_names.index(name)) & (normal[:, 2] > 0.0)
            if not seen.any():
                continue
            area = normal[seen, 2]
            place = area @ corners[seen].mean(axis=1)[:, :2] / area.sum()
            radius = float(np.sqrt(area.sum() / np.pi))
        else:
            place, radius = np.asarray(body.landmarks[name])[:2], 0.0
        middles.append(mark.weights @ mark.samples / mark.weights.sum())
        places.append(place)
        radii.append(radius)
    if not middles:
        return np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0)
    return np.array(middles), np.array(places), np.array(radii)


def guess_put(
    targets: tuple[Array, Array, Array], put: Callable[[Array], Put], low: Array, high: Array, seed: int = 0
) -> Array:
    """The numbers between ``low`` and ``high`` (k,), as ``put`` takes them, that lay most middles nearest their places.

    The cost of a mark d off its place is d^2 / (d^2 + r^2), so that a claim that does not go with the others is left
    out; r is `REACH` and half the radius of the place.
    """
    middles, places, radii = targets
    knee = REACH + 0.5 * radii

    def cost(values: Array) -> float:
        away = ((put(values).lay(middles) - places) ** 2).sum(axis=1)
        return float((away / (away + knee**2)).mean())

    return find_least(cost, low, high, seed)


def predict_put(
    pattern: Pattern,
    lays: Sequence[tuple[Put, Ground]],
    put: Callable[[Array], Put],
    low: Array,
    high: Array,
    seed: int = 0,
) -> tuple[Array, float]:
    """The numbers between ``low`` and ``high`` whose lay misses least, as ``lays`` at hand let expect; and that miss.

    Each lay is a cloth put down and what came of it; where it came from another start, the samples are moved.
    """

    def cost(values: Array) -> float:
        new = put(values).lay(pattern.uv)
        return float(np.mean([miss_claims(pattern, ground, old.lift(new)).mean() for old, ground in lays]))

    best = find_least(cost, low, high, seed)
    return best, cost(best)


def find_least(cost: Callable[[Array], float], low: Array, high: Array, seed: int = 0) -> Array:
    """(k,) where ``cost`` is least between ``low`` and ``high`` (k,), by differential evolution and a last polish.

    Cheap costs only: some 1000 are computed. The same input gives the same answer.
    """
    from scipy.optimize import differential_evolution, minimize

    bounds = list(zip(low.tolist(), high.tolist(), strict=True))
    found = differential_evolution(cost, bounds, seed=seed, popsize=8, maxiter=40, tol=1e-4, polish=False)
    last = minimize(cost, found.x, method="Nelder-Mead", bounds=bounds, options={"maxfev": 200, "xatol": 1e-3})
    return np.asarray(last.x if last.fun < found.fun else found.x)
