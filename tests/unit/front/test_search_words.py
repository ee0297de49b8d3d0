"""What is said of a search beside its numbers: conflicts not told, and for which body proofs hold."""

from types import SimpleNamespace

from drapesim.front.search_command import command_search
from drapesim.front.search_sheet import render
from drapesim.front.search_words import head_proofs, list_found, say_looked
from drapesim.ground.outcome import InputError
from drapesim.jobs.search import Conflict, Found
from drapesim.jobs.tried import TriedLay
from drapesim.matter.freedom import Axis

LAY = Axis(("lay", 0, "turn_deg"), -8.0, 8.0, 0.0)
KNEE = Axis(("body", "figure", "knee_bend_deg"), 5.0, 25.0, 12.0)
ONLY = "Proven over all lays, for the scene's own posture only"


def make(*axes, tried=(), best=(), conflicts=(), untold=0, cut_at=0):
    freedom = SimpleNamespace(axes=axes, confirm=1, spacing_mm=30.0)
    scene = SimpleNamespace(title="A search", marks=())
    return Found(freedom, scene, tried, best, {}, (), conflicts, None, untold, cut_at)


def lay(settled):
    return TriedLay(1, "moved", 15.0, (0.0,), "SETTLED", settled, "stuck", 9, 0.1, {}, {}, {})


def nothing_proven():
    return SimpleNamespace(pairs=(), chains=(), limits=None)


def page_of(found):
    return render(found, nothing_proven(), {"chart": "", "maps": ""})


def test_proofs_say_that_they_hold_for_the_scenes_own_posture_where_that_is_free():
    loose, posed = make(LAY), make(LAY, KNEE)
    assert head_proofs(loose) == "Proven over all lays"
    assert head_proofs(posed) == ONLY
    assert ONLY.replace("'", "&#39;") in page_of(posed)
    assert "posture" not in page_of(loose)
    assert "proven_over_all_lays" in list_found(loose, nothing_proven())
    told = list_found(posed, nothing_proven())
    assert "proven_over_all_lays_for_the_scenes_own_posture_only" in told
    assert "proven_over_all_lays" not in told


def test_the_page_says_nothing_of_conflicts_where_no_lay_settled():
    assert "No lay settled, so nothing can be said." in page_of(make(LAY, tried=(lay(False),)))
    settled = page_of(make(LAY, tried=(lay(True),), best=(lay(True),)))
    assert "None: as far as its spacing tells, one of the lays fails no claim." in settled


def test_what_was_not_looked_for_is_told():
    pair, single = Conflict(("a", "b"), None, ()), Conflict(("c",), None, ())
    assert say_looked(make(LAY, conflicts=(single,))) == ""
    assert say_looked(make(LAY, conflicts=(single, pair))) == "Larger sets were not looked for."
    assert say_looked(make(LAY, conflicts=(single, pair), untold=3)).startswith(
        "Of the sets of 2 the first 1 of 4 found are told."
    )
    assert "too many sets of 2" in say_looked(make(LAY, conflicts=(single, pair), cut_at=2))
    assert "Sets of 5 claims or more are too many" in say_looked(make(LAY, conflicts=(single,), cut_at=5))
    assert "None of fewer than 5 claims." in page_of(make(LAY, tried=(lay(True),), cut_at=5))


def test_why_nothing_is_proven_is_printed_though_quiet(monkeypatch, tmp_path, capsys):
    found = make(LAY, tried=(lay(False),))

    def refuse(_):
        raise InputError("scene.toml", "flat_map.claims", "fewer than two marks claim a place", "claim them")

    monkeypatch.setattr("drapesim.jobs.search.search_scene", lambda *_: found)
    monkeypatch.setattr("drapesim.matter.freedom.read_freedom", lambda _: SimpleNamespace(most_lays=9))
    monkeypatch.setattr("drapesim.jobs.reach.prove_scene", refuse)
    options = {"scene": tmp_path / "s.toml", "out": tmp_path, "resume": False, "force": False}
    options |= {"reach": True, "no_pictures": True, "quiet": True}
    assert command_search(SimpleNamespace(**options)) == 3
    assert "No proofs: fewer than two marks claim a place." in capsys.readouterr().out
