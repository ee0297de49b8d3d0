"""The press job at its edges: what it refuses, what it keeps, and what the table of verdicts makes of it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.jobs.marks import answer_marks
from drapesim.jobs.press import CSV_FILE, JSON_FILE, choose_marks, load_presses, press_marks, write_presses
from drapesim.judging.pressing import DONE, MOST, PressTest
from drapesim.matter.answers import NATURAL, NOT_HERE, PRESSED, UNDECIDED
from tests.unit.made_run import make_run

TEST = PressTest("wax", True, 0.5, 0.496, (0.0, 0.0, -1.0), 4e-3, 5e-3, 1e-5, 0.25, 5e-3, 9e-4, (), DONE, 10.0, 7, 900)


@pytest.fixture
def run():
    made = make_run()
    wax, seam = made.verdicts
    settled = replace(made.certificate, settled=True)
    return replace(made, certificate=settled, verdicts=(replace(wax, verdict=NOT_HERE, place=None), seam))


def test_refusals(run):
    assert [mark.name for mark in choose_marks(run)] == ["wax"]
    with pytest.raises(InputError, match="did not settle"):
        choose_marks(make_run())
    with pytest.raises(InputError, match='no mark "wex"'):
        choose_marks(run, ["wex"])
    with pytest.raises(InputError, match="claims no contact"):
        choose_marks(run, ["seam"])
    touching = replace(run, verdicts=(replace(run.verdicts[0], verdict=NATURAL), run.verdicts[1]))
    with pytest.raises(InputError, match="touches with nothing pressing"):
        choose_marks(touching, ["wax"])
    with pytest.raises(InputError, match="every mark that claims contact"):
        choose_marks(touching)
    for force in (0.0, -1.0, np.nan):
        with pytest.raises(InputError, match="no force to press with"):
            press_marks(run, most=force)


def test_kept_and_read_again_for_the_same_sheet_only(run, tmp_path):
    assert load_presses(tmp_path, run) == []
    write_presses(tmp_path, run, [TEST])
    assert load_presses(tmp_path, run) == [TEST]
    head, row = (tmp_path / CSV_FILE).read_text().splitlines()
    entry = dict(zip(head.split(","), row.split(","), strict=False))
    assert (entry["mark"], entry["force_N"], entry["shift_mm"]) == ("wax", "0.5", "4")
    assert json.loads((tmp_path / JSON_FILE).read_text())["marks"][0]["touches_if_pressed"] == "yes"
    assert load_presses(tmp_path, replace(run, x=run.x + 1e-6)) == []
    for other in ("{}", "[]", "no table"):
        (tmp_path / JSON_FILE).write_text(other)
        assert load_presses(tmp_path, run) == []


def test_verdict_is_pressed_only_where_the_test_did_it(run):
    assert answer_marks(run)[0].verdict == UNDECIDED
    assert "No press test" in answer_marks(run)[0].reason
    row = answer_marks(run, presses=[TEST])[0]
    assert row.verdict == PRESSED == "touches if pressed or pulled"
    assert "0.5 N" in row.reason
    failed = answer_marks(run, presses=[replace(TEST, touches=False, stopped=MOST)])[0]
    assert failed.verdict == UNDECIDED
    assert "not tried" in failed.reason
