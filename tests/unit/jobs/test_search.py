"""What is made of the lays that a search tried, on lays made by hand."""

from types import SimpleNamespace

import pytest

from drapesim.front.search_words import count_claims, say_conflict, say_unmet
from drapesim.jobs.search import find_failed, measure_allowances, weigh
from drapesim.jobs.tried import TriedLay
from drapesim.matter.freedom import Axis

AXES = (Axis(("lay", 0, "place_mm", 0), -60.0, 60.0, 0.0), Axis(("lay", 0, "turn_deg"), -8.0, 8.0, 0.0))


def lay(number, spacing, values, settled=True, **claims):
    """A lay whose ``claims`` are (meets, short in mm)."""
    meets, short = {k: v[0] for k, v in claims.items()}, {k: v[1] for k, v in claims.items()}
    ending = "SETTLED" if settled else "STUCK"
    return TriedLay(number, "moved", spacing, values, ending, settled, "", 9, 0.1 * number, meets, {}, short)


TRIED = [
    lay(1, 30.0, (0.0, 0.0), a=(None, 4.0), b=(None, 0.0), c=(False, 9.0)),
    lay(2, 30.0, (20.0, 2.0), a=(None, 0.5), b=(False, 6.0), c=(None, 7.0)),
    lay(3, 30.0, (50.0, 0.0), settled=False, a=(None, 0.0), b=(None, 0.0), c=(None, 0.0)),
    lay(4, 15.0, (0.0, 0.0), a=(False, 3.2), b=(True, 0.0), c=(False, 8.5)),
    lay(5, 15.0, (22.0, 2.0), a=(True, 0.0), b=(False, 2.5), c=(False, 6.0)),
    lay(6, 15.0, (12.0, 1.0), a=(False, 1.5), b=(False, 1.0), c=(False, 6.5)),
]


@pytest.fixture
def found():
    freedom = SimpleNamespace(axes=AXES)
    trials = SimpleNamespace(tried=TRIED, fine_mm=15.0, freedom=freedom, scene=None, is_fine=lambda h: h == 15.0)
    return weigh(trials)


def test_coarse_lays_are_granted_what_their_spacing_alone_falls_short_by():
    granted = measure_allowances(TRIED, 15.0)
    assert granted == pytest.approx({"a": 0.8, "b": 0.0, "c": 0.5})
    assert find_failed(TRIED[0], granted) == {"a", "c"}
    assert find_failed(TRIED[1], granted) == {"b", "c"}  # 0.5 mm of a is granted
    assert find_failed(TRIED[3], None) == {"a", "c"}  # at the scene's own spacing the verdicts count
    assert find_failed(lay(9, 15.0, (0.0, 0.0), a=(None, 3.0)), None) == frozenset()


def test_the_best_meets_most_and_unsettled_lays_do_not_count(found):
    assert [each.number for each in found.best] == [4, 5, 6]
    assert count_claims(found.best[0]) == "1 of 3 claims met, 2 not met"


def test_conflicts_are_the_smallest_sets_and_the_closest_lay_is_told(found):
    assert [each.marks for each in found.conflicts] == [("c",), ("a", "b")]
    alone, pair = found.conflicts
    assert alone.closest.number == 5
    assert (pair.closest.number, pair.short_mm, pair.worst_mm) == (6, (1.5, 1.0), 1.5)
    assert say_conflict(pair) == (
        "a, b: no lay tried meets all of these; lay 6 comes nearest, short in a by 1.5 mm, b by 1.0 mm."
    )
    assert say_conflict(alone) == "c: no lay tried meets this one; lay 5 comes nearest, short in c by 6.0 mm."


def test_what_the_best_lay_fails_comes_with_the_slightest_change(found):
    a, c = found.unmet
    assert (a.mark, a.short_mm, c.mark, c.nearest) == ("a", 3.2, "c", None)
    assert a.nearest.lay.number == 2  # nearer than lay 5; lay 6 does not meet it
    assert a.nearest.changes == (20.0, 2.0)
    assert a.nearest.gives_up == ("b",)
    assert say_unmet(found, a) == (
        "a: the best lay falls short by 3.2 mm; the nearest lay that may meet it is lay 2, with place x +20.00 mm, "
        "turn +2.00 degrees; it gives up b."
    )
    assert say_unmet(found, c) == "c: the best lay falls short by 8.5 mm; no lay tried meets it."
