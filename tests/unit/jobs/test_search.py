"""What is made of the lays that a search tried, on lays made by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from drapesim.front.search_words import count_claims, say_conflict, say_unmet
from drapesim.ground.outcome import InputError
from drapesim.jobs.search import Walk, find_failed, measure_allowances, weigh
from drapesim.jobs.tried import JOURNAL_FILE, Trials, TriedLay
from drapesim.matter.freedom import Axis

AXES = (Axis(("lay", 0, "place_mm", 0), -60.0, 60.0, 0.0), Axis(("lay", 0, "turn_deg"), -8.0, 8.0, 0.0))


def lay(number, spacing, values, settled=True, **claims):
    """A lay whose ``claims`` are (meets, short in mm), with a doubt of 1 mm."""
    meets, short = {k: v[0] for k, v in claims.items()}, {k: v[1] for k, v in claims.items()}
    doubt = dict.fromkeys(claims, 1.0)
    ending = "SETTLED" if settled else "STUCK"
    return TriedLay(number, "moved", spacing, values, ending, settled, "", 9, 0.1 * number, meets, {}, short, doubt)


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
    assert find_failed(lay(9, 30.0, (1.0, 0.0), a=(None, 1.7)), granted) == frozenset()  # within its uncertainty
    assert find_failed(lay(9, 30.0, (1.0, 0.0), a=(None, 1.9)), granted) == {"a"}
    assert find_failed(lay(9, 30.0, (1.0, 0.0), a=(False, 0.9)), granted) == {"a"}
    assert find_failed(replace(lay(9, 30.0, (1.0, 0.0), a=(None, 9.0)), doubt_mm={}), granted) == frozenset()
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


def weigh_these(*tried):
    freedom = SimpleNamespace(axes=AXES)
    return weigh(SimpleNamespace(tried=tried, fine_mm=15.0, freedom=freedom, scene=None, is_fine=lambda h: h == 15.0))


def test_a_coarse_lay_does_not_speak_for_its_settled_fine_twin():
    fine = lay(2, 15.0, (0.0, 0.0), a=(False, 2.0))
    found = weigh_these(lay(1, 30.0, (0.0, 0.0), a=(None, 0.0)), fine)
    assert [each.marks for each in found.conflicts] == [("a",)]
    assert found.unmet[0].nearest is None
    other = lay(3, 30.0, (9.0, 0.0), a=(None, 0.0))  # with no twin it counts
    assert weigh_these(fine, other).conflicts == ()


def test_what_the_nearest_lay_leaves_open_is_told():
    best = lay(1, 15.0, (0.0, 0.0), a=(False, 2.0), b=(True, 0.0), c=(True, 0.0))
    found = weigh_these(best, lay(2, 30.0, (9.0, 0.0), a=(True, 0.0), b=(None, 0.0), c=(True, 0.0)))
    assert found.unmet[0].nearest.leaves_open == ("b",)
    assert say_unmet(found, found.unmet[0]).endswith(
        "it gives up no other claim and leaves 1 open that the best lay meets."
    )


def test_what_is_no_matter_of_millimetres_is_not_told_in_them():
    found = weigh_these(lay(1, 15.0, (0.0, 0.0), a=(False, 0.0)))
    for said in (say_unmet(found, found.unmet[0]), say_conflict(found.conflicts[0])):
        assert "for no want of millimetres: another layer lies between, or what touches lies elsewhere" in said
        assert " mm" not in said
        assert "uncertainty" not in said


def test_a_search_that_is_replaced_leaves_nothing_behind_but_what_is_not_its_own(tmp_path, monkeypatch):
    trials = Trials.__new__(Trials)
    trials.out = tmp_path
    trials.__dict__["fingerprint"] = "new"
    (tmp_path / JOURNAL_FILE).write_text('{"search": "old"}\n')
    own = [
        "lays/001/run.h5",
        "search.html",
        "search.json",
        "lays.csv",
        "best-1.toml",
        "best-12.toml",
        "pictures/maps.png",
    ]
    for name in [*own, "best-of-mine.toml", "pictures/mine.png"]:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("x")
    with monkeypatch.context() as stopped:
        stopped.setattr(trials, "clear", lambda: 1 / 0, raising=False)
        with pytest.raises(ZeroDivisionError):
            trials.start(resume=False)
    assert (tmp_path / JOURNAL_FILE).read_text() == '{"search": "new"}\n'  # first of all
    trials.start(resume=False)
    assert not any((tmp_path / name).exists() for name in own)
    assert (tmp_path / "best-of-mine.toml").exists()
    assert (tmp_path / "pictures/mine.png").exists()


class Bowl:
    """Trials whose lays are not settled: the score is a bowl with its bottom at ``bottom``, 0 to 1 on each axis."""

    fine_mm = 15.0

    def __init__(self, bottom, most_lays):
        axes = tuple(Axis(("lay", 1, "by_mm", k), -50.0, 50.0, 0.0) for k in range(len(bottom)))
        start = (0.0,) * len(bottom)
        self.freedom = SimpleNamespace(axes=axes, start=start, spacing_mm=30.0, most_lays=most_lays, confirm=1)
        self.scene, self.bottom, self.tried = SimpleNamespace(marks=(), seed=4), np.array(bottom), []

    def put(self, _values):
        return None

    def find(self, values, spacing):
        return next((t for t in self.tried if t.values == tuple(values) and t.spacing_mm == spacing), None)

    def try_lay(self, values, spacing, stage):
        seen = self.find(values, spacing)
        if seen is None:
            off = (np.array(values) + 50.0) / 100.0 - self.bottom
            seen = replace(lay(len(self.tried) + 1, spacing, tuple(values)), stage=stage, score=float(off @ off))
            self.tried.append(seen)
        return seen


def test_what_does_not_put_the_cloth_down_is_searched_within_the_lays_that_are_granted():
    bowls = [Bowl((0.2, 0.75, 0.6), 50) for _ in range(2)]
    for bowl in bowls:
        Walk(bowl).walk()
    assert [t.values for t in bowls[0].tried] == [t.values for t in bowls[1].tried]  # the same way again
    coarse = [t for t in bowls[0].tried if t.spacing_mm == 30.0]
    assert len(coarse) <= 50
    assert coarse[0].values == (0.0, 0.0, 0.0)
    (confirmed,) = [t for t in bowls[0].tried if t.spacing_mm == 15.0]
    assert confirmed.values == min(coarse, key=lambda t: t.score).values
    assert confirmed.values == pytest.approx((-30.0, 25.0, 10.0), abs=2.0)
    few = Bowl((0.2, 0.75, 0.6), 7)
    Walk(few).walk()
    assert len([t for t in few.tried if t.spacing_mm == 30.0]) <= 7


def test_no_two_lays_have_one_number_where_the_journal_holds_lays_that_this_walk_passes_by(monkeypatch):
    trials = Trials.__new__(Trials)
    trials.tried, trials.tell, trials.scene = [], lambda *_: None, SimpleNamespace(marks=())
    trials.known = {(t.values, t.spacing_mm): t for t in TRIED}
    monkeypatch.setattr(trials, "note", lambda _: None, raising=False)

    def refuse(_):
        raise InputError("scene.toml", "lay[1]", "it cannot be", "change it")

    monkeypatch.setattr(trials, "build", refuse, raising=False)
    numbers = [trials.try_lay(values, 30.0, "moved").number for values in ((0.0, 0.0), (1.0, 0.0), (2.0, 0.0))]
    assert numbers == [1, 7, 8]


def test_how_many_lays_there_may_be_follows_what_the_walk_can_move():
    bowl = Bowl((0.5,), 50)
    bowl.freedom.axes = AXES[:1]  # it would put the cloth down, but this start does not put it down flat
    assert Walk(bowl).most_coarse == 50
    walk = Walk(bowl)
    walk.others = []
    assert walk.most_coarse == 8
