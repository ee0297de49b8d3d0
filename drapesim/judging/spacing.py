"""Spacing: how far a mark's gaps change with the node spacing, measured on sheets settled at several of them.

The sheets have the same start, but each goes its own way to rest, and folds may come out otherwise. So a change holds
both the error of the spacing and the spread between roads; the two cannot be told apart here. It is no bound.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from drapesim.matter.answers import SpacingChange
from drapesim.matter.sheet import Lattice
from drapesim.settling.contact_record import GapReading

Array = np.ndarray

LEAST_ORDER = 1.0
"""At this order the error left at the finest spacing is as large as the last change; below it, larger (summing the
geometric series of changes that shrink by 2^order with each halving)."""


@dataclass(frozen=True)
class CoarserLay:
    """The same sheet from the same start, settled at a wider spacing: its nodes at ``x`` (n, 3) m."""

    lattice: Lattice
    x: Array
    is_settled: bool


@dataclass(frozen=True)
class Change:
    """What the readings of one mark at several spacings say: error (s,) m of each gap, and what faces the body.

    surely_facing, perhaps_facing (s,) bool: does the inner side face the body at all spacings, at any?
    """

    error: Array
    surely_facing: Array
    perhaps_facing: Array
    figures: SpacingChange


def compare_spacings(
    readings: Sequence[GapReading], spacings: Sequence[float], weight: Array, tolerance: float
) -> Change:
    """``readings`` of the same samples at ``spacings`` (m), the widest first; ``weight`` (s,) sums to 1.

    Nothing is extrapolated. The error of a gap is its change between the last two spacings. With three spacings the
    order is log(change before / last change) / log(ratio of spacings), of the changes' means over the mark. Where it is
    below `LEAST_ORDER`, so that the last change is less than what is left, the larger of the two changes is taken.
    """
    steps = [_between(a.gap, b.gap) for a, b in pairwise(readings)]
    order = math.nan
    used = 1
    if len(steps) > 1:
        order = _order(float(weight @ steps[-2]), float(weight @ steps[-1]), spacings[-2] / spacings[-1])
        used = 1 if order >= LEAST_ORDER else 2
    facing = np.array([reading.facing > 0.0 for reading in readings[-1 - used :]])
    surely, perhaps = np.asarray(facing.all(axis=0)), np.asarray(facing.any(axis=0))
    before, now = (_figures(reading, weight, tolerance) for reading in readings[-2:])
    with np.errstate(invalid="ignore"):  # where there is no body all gaps are infinite
        least, middle, most, share = (now - before).tolist()
    figures = SpacingChange(spacings[-2], spacings[-1], least, middle, most, share, order)
    return Change(np.asarray(np.max(steps[-used:], axis=0)), surely, perhaps, figures)


def weighted_quantile(values: Array, weight: Array, share: float) -> float:
    """The least of ``values`` that is not exceeded over ``share`` of the weight (which sums to 1)."""
    order = np.argsort(values, kind="stable")
    at = int(np.searchsorted(np.cumsum(weight[order]), share - 1e-12))
    return float(values[order[min(at, len(order) - 1)]])


def _between(a: Array, b: Array) -> Array:
    """(s,) m: how far two gaps are apart; inf where only one of them is known."""
    with np.errstate(invalid="ignore"):
        apart = np.abs(b - a)
    return np.where(a == b, 0.0, np.where(np.isfinite(apart), apart, np.inf))


def _order(before: float, last: float, ratio: float) -> float:
    if before == last == 0.0:
        return math.inf
    if not (math.isfinite(before) and math.isfinite(last)):
        return math.nan
    return math.inf if last == 0.0 else -math.inf if before == 0.0 else math.log(before / last) / math.log(ratio)


def _figures(reading: GapReading, weight: Array, tolerance: float) -> Array:
    """Gap min, median and max (m), and the share in contact."""
    gap = reading.gap
    share = float(weight[(gap <= tolerance) & (reading.facing > 0.0)].sum())
    return np.array([gap.min(), weighted_quantile(gap, weight, 0.5), gap.max(), share])
