"""Which way of transfer, in which lay, resembles an observed flat map most: scores, their uncertainty, and a ranking.

Each candidate predicts a strength in 0..1 all over the flat map. Its *correlation* with the observed density
(Pearson's: tone and contrast do not count) is what ranks it; beside that stand the *overlap* of areas, 2 |A and B| /
(|A| + |B|) (L. R. Dice, Ecology 26 (1945) 297; from memory), and how far *landmarks* lie apart, where some are
observed.
Uncertainty: square blocks of the cloth are drawn again with replacement, the same for all candidates, so that
differences are paired, and the cloth's own tone is told anew in each resample, as in `density`. A high rank says that
this geometry fits better than the others that were tried. It does not say that it took place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from drapesim.judging.density import BLOCK, Tone, correlate, draw_blocks, find_interval, number_blocks, sum_blocks

Array = np.ndarray

RESAMPLED = 1000
HALF = 0.5  # of full strength, from which a place counts as image
EVEN = 1e-12  # share of a sum of squares that rounding leaves
FULL = 98.0  # per cent of the places lie below the observed full density


@dataclass(frozen=True)
class Candidate:
    """What one ``way`` in one ``lay`` predicts: ``strength`` (n,) at common places of the flat map (nan: no cloth), and
    where landmarks print, name -> (2,) m."""

    lay: str
    way: str
    strength: Array
    landmarks: Mapping[str, Array]


@dataclass(frozen=True)
class Score:
    """How one candidate resembles the observed map. correlation with its 95 % interval; overlap 0..1; landmark_rms m
    over ``landmarks`` of them (nan: none); first: share of resamples in which it ranks first; behind, behind_most:
    how far its correlation lies behind the first's, with the 95 % interval's lower end in ``behind_least``."""

    lay: str
    way: str
    correlation: float
    least: float
    most: float
    overlap: float
    landmark_rms: float
    landmarks: int
    first: float
    behind: float
    behind_least: float
    behind_most: float


def rank(
    uv: Array,
    density: Array,
    candidates: Sequence[Candidate],
    observed: Mapping[str, Array] | None = None,
    block: float = BLOCK,
    seed: int = 0,
    tone: Tone | None = None,
) -> tuple[Score, ...]:
    """Scores of ``candidates`` against the observed ``density`` (n,) at ``uv`` (n, 2) m, best first.

    ``observed``: landmarks traced on the flat map, name -> (2,) m. Places where any candidate has no cloth are left out
    for all. A candidate that predicts the same strength everywhere resembles nothing: correlation nan, last.
    ``tone``: the cloth's own, whose doubt goes into the intervals.
    """
    known = np.isfinite(density)
    for each in candidates:
        known &= np.isfinite(each.strength)
    d = density[known]
    number = number_blocks(uv[known], block)
    n_blocks = int(number.max(initial=-1)) + 1
    drawn = draw_blocks(n_blocks, seed, RESAMPLED) if n_blocks else np.zeros((RESAMPLED, 0))
    terms, doubt = np.zeros((len(d), 1)), np.zeros((len(drawn), 1))
    if tone is not None and len(tone.doubt):
        terms, doubt = tone.terms(uv[known]), tone.doubt[np.arange(len(drawn)) % len(tone.doubt)]
    whole, spread = [], []
    for each in candidates:
        sums = sum_blocks(number, n_blocks, each.strength[known], d)
        whole.append(float(correlate(sums, np.ones((1, n_blocks)))[0]))
        spread.append(correlate_anew(number, each.strength[known], d, drawn, terms, doubt))
    value = np.array(whole)
    table = np.array(spread)  # (candidates, times)
    order = sorted(range(len(candidates)), key=lambda k: -value[k] if np.isfinite(value[k]) else np.inf)
    best = order[0]
    winner = np.argmax(np.where(np.isfinite(table), table, -2.0), axis=0)
    rows = []
    for k in order:
        each = candidates[k]
        apart, count = _landmarks(each.landmarks, observed or {})
        low, high = np.clip(find_interval(table[k], float(value[k]), number), -1.0, 1.0).tolist()
        near, far = find_interval(table[best] - table[k], float(value[best] - value[k]), number)
        rows.append(
            Score(each.lay, each.way, value[k], low, high, overlap(each.strength[known], d), apart, count,
                  float((winner == k).mean()), float(value[best] - value[k]), near, far)
        )  # fmt: skip
    return tuple(rows)


def correlate_anew(number: Array, a: Array, b: Array, drawn: Array, terms: Array, doubt: Array) -> Array:
    """(times,) Pearson's correlation of ``a`` (n,) with ``b`` - ``terms`` (n, k) ``doubt`` (times, k) in each resample.

    ``number`` (n,) of each place's block, ``drawn`` (times, blocks) how often each block is in it.
    """
    if not len(a):
        return np.full(len(drawn), np.nan)
    order = np.argsort(number, kind="stable")
    starts = np.searchsorted(number[order], np.arange(drawn.shape[1]))
    a, b, t = a[order] - a.mean(), b[order] - b.mean(), terms[order]

    def total(values: Array) -> Array:
        """(times, ...) sums over each resample."""
        return np.tensordot(drawn, np.add.reduceat(values, starts, axis=0), 1)

    n = np.maximum(total(np.ones(len(a))), 1.0)
    moved = np.einsum("rk,rk->r", total(t), doubt)
    sum_a, sum_b = total(a), total(b) - moved
    ab = total(a * b) - np.einsum("rk,rk->r", total(t * a[:, None]), doubt)
    bb = total(b * b) - 2.0 * np.einsum("rk,rk->r", total(t * b[:, None]), doubt)
    bb += np.einsum("rj,rjk,rk->r", doubt, total(t[:, :, None] * t[:, None, :]), doubt)
    square_a = total(a * a)
    spread_a, spread_b = square_a - sum_a**2 / n, bb - sum_b**2 / n
    known = (spread_a > EVEN * square_a) & (spread_b > EVEN * bb)  # one tone in all that was drawn: no correlation
    size = np.sqrt(np.where(known, spread_a * spread_b, 1.0))
    return np.asarray(np.where(known, (ab - sum_a * sum_b / n) / size, np.nan))


def overlap(strength: Array, density: Array) -> float:
    """Dice's overlap of where ``strength`` is over a half and where ``density`` is over half its full value."""
    if not len(density):
        return np.nan
    a, b = strength > HALF, density > HALF * np.percentile(density, FULL)
    return 2.0 * float((a & b).sum()) / max(float(a.sum() + b.sum()), 1.0)


def _landmarks(found: Mapping[str, Array], observed: Mapping[str, Array]) -> tuple[float, int]:
    apart = [
        float(np.linalg.norm(found[name] - place))
        for name, place in observed.items()
        if name in found and np.isfinite(found[name]).all()
    ]
    return (float(np.sqrt(np.mean(np.square(apart)))), len(apart)) if apart else (np.nan, 0)
