"""Promises of `drapesim search`: a short strip on a roller, its marks 30 mm beside the ridge that they claim."""

import json
import shutil
import tomllib
from pathlib import Path

import pytest

import drapesim.jobs.tried
from drapesim.front.cli import main
from drapesim.front.search_words import say_outcome, table_lays
from drapesim.ground.outcome import InputError
from drapesim.jobs.search import search_scene, weigh
from drapesim.jobs.tried import JOURNAL_FILE, REFUSED, Trials
from drapesim.matter.freedom import read_freedom
from drapesim.matter.plan import read_scene

ROOT = Path(__file__).parents[2]
SCENE = f"""
title = "Strip on a roller, searched"
[sheet]
length_mm = 400
width_mm = 60
spacing_mm = 20
[fabric]
card = "{ROOT}/scenes/fabrics/cover-linen.toml"
[flat_map]
marks = "marks.svg"
claims = "claims.toml"
[body]
surface = "limewood"
cylinder = {{ radius_mm = 100, length_mm = 200, axis = "y", centre_mm = [0, 0, 500] }}
landmarks_mm = {{ ridge = [0, 0, 600], flank = [50, 0, 586.6] }}
[[lay]]
do = "lower"
point_mm = [200, 30]
place_mm = [0, 0]
clearance_mm = 5
[search]
coarse_spacing_mm = 30
confirm = 1
[[search.free]]
key = "lay[1].place_mm"
low = [-60, 0]
high = [60, 0]
"""
MARKS = """<svg xmlns="http://www.w3.org/2000/svg" width="400mm" height="60mm" viewBox="0 0 400 60">
<rect id="wax" x="220" y="15" width="20" height="30"/>
<rect id="soot" x="272" y="15" width="20" height="30"/>
<rect id="false" x="190" y="15" width="20" height="30"/>
</svg>
"""
CLAIMS = """
wax = { claim = "touches_place", place = "ridge" }
soot = { claim = "touches_place", place = "flank" }
false = { claim = "lies_clear", tolerance_mm = 4 }
"""


@pytest.fixture(scope="module")
def searched(tmp_path_factory):
    folder = tmp_path_factory.mktemp("search")
    (folder / "strip.toml").write_text(SCENE)
    (folder / "marks.svg").write_text(MARKS)
    (folder / "claims.toml").write_text(CLAIMS)
    assert main(["search", str(folder / "strip.toml"), "--out", str(folder / "out"), "--quiet"]) == 0
    return folder


def test_the_hidden_place_is_found_and_told(searched):
    told = json.loads((searched / "out/search.json").read_text())
    best = told["best"][0]
    assert best["values"]["lay[1].place_mm[1]"] == pytest.approx(-30.0, abs=2.0)
    assert best["spacing_mm"] == 20.0
    assert best["claims"]["wax"]["state"] == best["claims"]["soot"]["state"] == "met"
    # the false mark lies between the two on the roller: it meets its claim in no lay, and hides no other conflict; it
    # lacks more than a 30 mm spacing leaves open, or its coarse lays would be undecided and no conflict told
    assert [each["claims"] for each in told["conflicts_among_the_lays_tried"]] == [["false"]]
    assert told["not_met_by_the_best"][0]["nearest_lay"] is None
    assert told["not_met_by_the_best"][0]["short_mm"] > 1.0
    assert "no lay tried meets it" in told["not_met_by_the_best"][0]["said"]
    ready = tomllib.loads((searched / "out/best-1.toml").read_text())
    assert ready["lay"][0]["place_mm"] == [best["values"]["lay[1].place_mm[1]"], 0]
    page = (searched / "out/search.html").read_text()
    assert told["outcome"] in page
    assert main(["check", str(searched / "out/best-1.toml")]) == 0


def test_an_interrupted_search_goes_on_to_the_same_bytes(searched, monkeypatch):
    out, again = searched / "out", searched / "again"
    shutil.copytree(out, again)
    journal = (out / JOURNAL_FILE).read_bytes()
    lines = journal.splitlines(keepends=True)
    assert len(lines) >= 5
    (again / JOURNAL_FILE).write_bytes(b"".join(lines[:4]) + lines[4][:25])  # three lays, and the next cut off
    for name in ("search.json", "lays.csv"):
        (again / name).unlink()
    settled = []
    run_scene = drapesim.jobs.tried.run_scene
    monkeypatch.setattr(drapesim.jobs.tried, "run_scene", lambda *a, **k: settled.append(1) or run_scene(*a, **k))
    words = ["search", str(searched / "strip.toml"), "--out", str(again), "--resume", "--quiet", "--no-pictures"]
    assert main(words) == 0
    assert len(settled) == len(lines) - 4  # what the journal holds is not settled again
    for name in (JOURNAL_FILE, "search.json", "lays.csv", "best-1.toml"):
        assert (again / name).read_bytes() == (out / name).read_bytes(), name


def test_refusals(searched, tmp_path):
    scene, out = searched / "strip.toml", searched / "out"
    with pytest.raises(InputError, match="the folder holds a search"):
        search_scene(scene, out)
    with pytest.raises(InputError, match="there is no search to go on with"):
        search_scene(scene, tmp_path, resume=True)
    other = searched / "other.toml"
    other.write_text(SCENE.replace("low = [-60, 0]", "low = [-50, 0]"))
    with pytest.raises(InputError, match="of another input"):
        search_scene(other, out, resume=True)
    other.write_text(SCENE.replace("coarse_spacing_mm = 30", "coarse_spacing_mm = 15"))
    with pytest.raises(InputError, match="finer than the scene's"):
        search_scene(other, tmp_path / "new")
    other.write_text(SCENE.replace('marks = "marks.svg"\nclaims = "claims.toml"', ""))
    with pytest.raises(InputError, match="no marks"):
        search_scene(other, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_lay_that_cannot_be_is_noted_and_passed_over(searched, tmp_path):
    scene = searched / "far.toml"
    scene.write_text(SCENE.replace("[-60, 0]", "[-3000, 0]"))
    trials = Trials(read_freedom(scene), read_scene(scene), tmp_path)
    trials.check(resume=False, force=False)
    trials.start(resume=False)
    lay = trials.try_lay((-2500.0,), 30.0, "moved")
    assert lay.ending == REFUSED
    assert not lay.settled
    assert "nothing lies under the sheet" in lay.reason
    assert lay.score == 1.0
    again = Trials(trials.freedom, trials.scene, tmp_path)
    again.start(resume=True)
    assert again.try_lay((-2500.0,), 30.0, "moved") == lay
    found = weigh(again)
    assert found.best == found.conflicts == ()
    assert "nothing is found" in say_outcome(found)
    assert lay.reason in table_lays(found).replace('""', '"')
