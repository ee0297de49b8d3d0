"""Conflicts: sets of claims of which no lay that was tried meets all, and how little would resolve them.

A set conflicts among lays if in each of them at least one of its claims is not met: it hits every lay's set of unmet
claims. The smallest such sets are the smallest hitting sets, found exactly, by branching on the claims of one lay that
is not hit yet, deeper only where no smaller set does (the hitting-set tree of Reiter 1987, Artificial Intelligence 32,
57, from memory; tested against brute force). It says nothing of lays that were not tried.

The number of branches grows by a power of the size, so the looking ends after `MOST_BRANCHES`, and that is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import and_

Names = frozenset[str]

MOST_SETS = 24  # that are told
MOST_BRANCHES = 30_000  # under a second for hundreds of lays


@dataclass(frozen=True)
class Conflicts:
    """``sets`` that were found, sorted, and what was left out.

    ``untold``: how many more of the same size were found. ``cut_at``: the size of the sets among which the looking
    ended before all were seen, 0 if it did not; smaller sets were all seen, larger ones never are.
    """

    sets: tuple[tuple[str, ...], ...]
    untold: int = 0
    cut_at: int = 0


def smallest_conflicts(unmet: Sequence[Names], most: int = MOST_SETS, branches: int = MOST_BRANCHES) -> Conflicts:
    """All smallest sets that hit every one of ``unmet`` (the claims not met, one set a lay), ``most`` at most.

    None if there is no lay, or one that leaves nothing unmet. Looks at ``branches`` at most.
    """
    lays = {each for each in unmet if not any(other < each for other in unmet)}  # who hits the smaller hits the larger
    if not lays or frozenset() in lays:
        return Conflicts(())
    names = sorted(frozenset().union(*lays))
    bit = {name: 1 << place for place, name in enumerate(names)}
    ordered = [sum(bit[name] for name in each) for each in sorted(lays, key=lambda each: (len(each), sorted(each)))]
    tree = _Tree(ordered, branches)
    for size in range(1, len(names) + 1):
        tree.seen.clear()
        tree.branch(0, size)
        if tree.found or tree.is_cut:
            sets = sorted(tuple(name for name in names if bit[name] & each) for each in tree.found)
            return Conflicts(tuple(sets[:most]), max(0, len(sets) - most), size if tree.is_cut else 0)
    raise AssertionError("all claims together hit every lay")


class _Tree:
    """The branching; a set of claims is an int, a bit a claim."""

    def __init__(self, lays: Sequence[int], most: int) -> None:
        self.lays, self.left, self.is_cut = lays, most, False
        self.found: set[int] = set()
        self.seen: set[int] = set()

    def branch(self, chosen: int, more: int) -> None:
        """Look for the sets of ``more`` claims besides those ``chosen`` that hit all lays."""
        if chosen in self.seen or self.is_cut:
            return
        if self.left == 0:
            self.is_cut = True
            return
        self.seen.add(chosen)
        self.left -= 1
        still = [lay for lay in self.lays if not lay & chosen]
        if more == 1:  # one claim is to hit all the rest; a smaller set would have been found before
            self.found.update(chosen | one for one in _bits(reduce(and_, still)))
            return
        for one in _bits(still[0]):
            self.branch(chosen | one, more - 1)


def _bits(whole: int) -> list[int]:
    return [1 << place for place in range(whole.bit_length()) if whole >> place & 1]


def all_conflicts(unmet: Sequence[Names], most: int = MOST_SETS) -> Conflicts:
    """The claims that no lay meets, one set each; then the smallest sets of those that some lay meets singly."""
    if not unmet or any(not names for names in unmet):
        return Conflicts(())
    never = frozenset.intersection(*unmet)
    rest = smallest_conflicts([names - never for names in unmet], most)
    return Conflicts((*((name,) for name in sorted(never)), *rest.sets), rest.untold, rest.cut_at)
