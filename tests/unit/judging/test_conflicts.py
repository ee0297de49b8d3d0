"""The smallest sets of claims that no lay meets together, against brute force."""

import itertools

import numpy as np

from drapesim.judging.conflicts import all_conflicts, smallest_conflicts


def by_brute_force(unmet):
    """Every set of the smallest size that holds an unmet claim of every lay."""
    names = sorted(set().union(*unmet))
    for size in range(1, len(names) + 1):
        found = [set(c) for c in itertools.combinations(names, size) if all(set(c) & lay for lay in unmet)]
        if found:
            return sorted(tuple(sorted(each)) for each in found)
    return []


def test_random_lays_against_brute_force():
    chance = np.random.default_rng(3)
    sizes = set()
    for _ in range(150):
        claims = [f"c{k}" for k in range(chance.integers(3, 8))]
        share = chance.uniform(0.15, 0.6)
        lays = [frozenset(c for c in claims if chance.random() < share) for _ in range(chance.integers(1, 14))]
        lays = [lay for lay in lays if lay] or [frozenset(claims)]
        found = smallest_conflicts(lays, most=10_000)
        assert found == by_brute_force(lays)
        sizes.add(len(found[0]))
    assert len(sizes) >= 4  # small sets and large ones were among them


def test_a_lay_that_meets_all_leaves_no_conflict():
    assert smallest_conflicts([frozenset({"a"}), frozenset()]) == []
    assert all_conflicts([frozenset({"a"}), frozenset()]) == []
    assert smallest_conflicts([]) == all_conflicts([]) == []


def test_claims_that_no_lay_meets_stand_alone_and_hide_no_other_conflict():
    lays = [frozenset({"never", "a"}), frozenset({"never", "b"}), frozenset({"never", "a", "b", "c"})]
    assert all_conflicts(lays) == [("never",), ("a", "b")]


def test_no_more_sets_are_told_than_asked_for():
    lays = [frozenset(f"a{k}" for k in range(20))]
    assert len(smallest_conflicts(lays, most=5)) == 5
