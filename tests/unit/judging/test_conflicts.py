"""The smallest sets of claims that no lay meets together, against brute force."""

import itertools
import time

import numpy as np

from drapesim.judging.conflicts import Conflicts, all_conflicts, smallest_conflicts


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
        assert list(found.sets) == by_brute_force(lays)
        assert (found.untold, found.cut_at) == (0, 0)
        sizes.add(len(found.sets[0]))
    assert len(sizes) >= 4  # small sets and large ones were among them


def test_a_lay_that_meets_all_leaves_no_conflict():
    assert smallest_conflicts([frozenset({"a"}), frozenset()]) == Conflicts(())
    assert all_conflicts([frozenset({"a"}), frozenset()]) == Conflicts(())
    assert smallest_conflicts([]) == all_conflicts([]) == Conflicts(())


def test_claims_that_no_lay_meets_stand_alone_and_hide_no_other_conflict():
    lays = [frozenset({"never", "a"}), frozenset({"never", "b"}), frozenset({"never", "a", "b", "c"})]
    assert all_conflicts(lays).sets == (("never",), ("a", "b"))


def test_no_more_sets_are_told_than_asked_for():
    lays = [frozenset(f"a{k}" for k in range(20))]
    found = smallest_conflicts(lays, most=5)
    assert (len(found.sets), found.untold, found.cut_at) == (5, 15, 0)


def test_many_lays_and_claims_end_soon_and_what_was_not_looked_at_is_told():
    chance = np.random.default_rng(5)
    claims = [f"c{k}" for k in range(54)]
    lays = [frozenset(c for c in claims if chance.random() < 0.2) or frozenset(claims) for _ in range(200)]
    began = time.process_time()
    found = all_conflicts(lays)
    assert time.process_time() - began < 1.0
    assert found.sets == ()
    assert found.cut_at > 4  # all smaller sets were seen
    few = [frozenset(c for c in claims if chance.random() < 0.5) for _ in range(200)]
    cut = smallest_conflicts(few, branches=1_000)
    assert cut.cut_at > 1
    for names in cut.sets:  # what is told is a conflict even so
        assert len(names) == cut.cut_at
        assert all(set(names) & lay for lay in few)
