"""Conflicts: sets of claims of which no lay that was tried meets all, and how little would resolve them.

A set conflicts among lays if in each of them at least one of its claims is not met: it hits every lay's set of unmet
claims. The smallest such sets are the smallest hitting sets, found exactly, by branching on the claims of one lay that
is not hit yet, deeper only where no smaller set does (the hitting-set tree of Reiter 1987, Artificial Intelligence 32,
57, from memory; tested against brute force). It says nothing of lays that were not tried.
"""

from __future__ import annotations

from collections.abc import Sequence

Names = frozenset[str]

MOST_SETS = 24  # that are told


def smallest_conflicts(unmet: Sequence[Names], most: int = MOST_SETS) -> list[tuple[str, ...]]:
    """All smallest sets that hit every one of ``unmet`` (the claims not met, one set a lay), sorted, ``most`` at most.

    Empty if there is no lay, or one that leaves nothing unmet.
    """
    lays = {each for each in unmet if not any(other < each for other in unmet)}  # who hits the smaller hits the larger
    if not lays or frozenset() in lays:
        return []
    ordered = sorted(lays, key=lambda names: (len(names), sorted(names)))
    for size in range(1, len(frozenset().union(*lays)) + 1):
        found: set[Names] = set()
        _branch(ordered, frozenset(), size, found, set())
        if found:
            return sorted(tuple(sorted(names)) for names in found)[:most]
    raise AssertionError("all claims together hit every lay")


def _branch(lays: Sequence[Names], chosen: Names, left: int, found: set[Names], seen: set[Names]) -> None:
    if chosen in seen:
        return
    seen.add(chosen)
    open_lay = next((names for names in lays if not names & chosen), None)
    if open_lay is None:
        found.add(chosen)
    elif left:
        for name in sorted(open_lay):
            _branch(lays, chosen | {name}, left - 1, found, seen)


def all_conflicts(unmet: Sequence[Names], most: int = MOST_SETS) -> list[tuple[str, ...]]:
    """The claims that no lay meets, one set each; then the smallest sets of those that some lay meets singly."""
    if not unmet or any(not names for names in unmet):
        return []
    never = frozenset.intersection(*unmet)
    rest = [names - never for names in unmet]
    return [(name,) for name in sorted(never)] + smallest_conflicts(rest, most)
