"""The lab's figures as words, its table and its progress."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import replace
from types import MappingProxyType

import pytest
from rich.console import Console

from drapesim.front.lab_report import COLUMNS, check_lab_folder, render, tabulate, tell_fit
from drapesim.front.lab_terminal import LabBar, LabPlain, LabSilent, choose_lab_display, show_lab
from drapesim.front.lab_words import spell_bar, spell_error, spell_reading, spell_summary, spell_value
from drapesim.ground.outcome import InputError
from drapesim.ground.reductions import compare_overhang
from drapesim.jobs.lab.bench import Aims, LabProgress
from drapesim.jobs.lab.fit import Calibrated, Fitted
from drapesim.jobs.lab.record import LabResult, Reading
from drapesim.matter.fabric import Provenance

BEND = Reading("bend_warp", "bending length, warp", "mm", 0.032, 0.0315, 0.01, note="overhang 64 <mm>")
FLOOR = Reading("drape", "drape coefficient over its floor", "percent", 0.70, 0.85, 0.01, at_least=True)
GRIP = Reading("friction.slate", "friction on slate", "1", 0.4, math.nan, 0.01)
OPEN = Reading("bend_weft", "bending length, weft", "mm", 0.03, 0.03, None)


def result(*readings, **changes):
    made = LabResult("cantilever", "Cantilever", "warp", readings, 0.008, 0.25, 33, 1000)
    return replace(made, **changes)


@pytest.fixture
def card(curved_card):
    origins = {"bend_warp": Provenance("a report", status="measured"), "bend_weft": Provenance("", status="estimated")}
    return replace(curved_card, provenance=MappingProxyType(origins))


def test_a_band_is_told_by_its_ends():
    inside = Reading("drape", "drape coefficient", "percent", 0.8, 0.8, 0.02, band=(0.71, 0.838))
    assert spell_reading(inside) == "card 80 %, simulated 71.0 to 83.8 % (inside)"
    above = replace(inside, card=0.9, simulated=0.838)
    assert spell_reading(above) == "card 90 %, simulated 71.0 to 83.8 % (-6.89 %)"
    assert (inside.met, above.met) == (True, False)


def test_values_and_departures():
    assert spell_value(0.032, "mm") == "32 mm"
    assert spell_value(0.6109, "deg") == "35 degrees"
    assert spell_error(BEND) == "-1.56 %"
    assert spell_error(OPEN) == "0.00 %"
    assert spell_error(replace(OPEN, simulated=0.03000001)) == "0.00 %"
    assert spell_error(replace(OPEN, simulated=0.0315)) == "+5.00 %"
    assert spell_error(FLOOR) == "+15.0 points"
    assert spell_error(GRIP) == "not measured"
    assert (spell_bar(BEND), spell_bar(FLOOR), spell_bar(OPEN)) == ("1 %", "-1 point", "-")
    assert spell_reading(BEND) == "card 32 mm, simulated 31.5 mm (-1.56 %)"
    assert spell_reading(FLOOR).startswith("floor 70 %")


def test_summary_names_what_is_missed_and_what_did_not_settle():
    good = replace(BEND, simulated=0.032)
    assert spell_summary([result(good)]) == (True, "1 of 1 readings meet their bar.")
    assert spell_summary([result(good, OPEN)]) == (True, "1 of 1 readings meet their bar. 1 more has no bar.")
    well, words = spell_summary([result(BEND, GRIP), result(OPEN, OPEN, failures=("why",))])
    assert not well
    assert words == (
        "0 of 2 readings meet their bar. NOT met: cantilever, bending length, warp; cantilever, friction on slate. "
        "UNSETTLED: cantilever warp. 2 more have no bar."
    )


@pytest.mark.parametrize("width", [160, 60])
def test_terminal_shows_each_reading_wide_or_narrow(card, width):
    console = Console(file=io.StringIO(), width=width, highlight=False, force_terminal=True, color_system=None)
    shown = [result(BEND, FLOOR, remarks=("No rest.",)), result(GRIP, failures=("The sheet swings.",))]
    show_lab(console, shown, card, 0.008, ["Made from readings."])
    text = console.file.getvalue()
    for words in ("NOT met", "31.5 mm", "UNSETTLED", "The sheet swings.", "Made from readings.", "8 mm apart"):
        assert words in text
    assert "Cantilever: No rest." in text, "what the lab remarks is shown though all settled"
    assert ("Virtual tests" in text) == (width == 160)


def test_table_as_csv(card):
    rows = list(csv.DictReader(io.StringIO(tabulate([result(BEND, FLOOR), result(GRIP, failures=("x",))], card))))
    assert tuple(rows[0]) == COLUMNS
    assert [row["met"] for row in rows] == ["NOT met", "met", "NOT met"]
    assert float(rows[0]["simulated"]) == pytest.approx(31.5)
    assert float(rows[0]["off_percent"]) == pytest.approx(-1.5625)
    assert float(rows[1]["off_percent"]) == pytest.approx(15.0)
    assert rows[2]["simulated"] == ""
    assert [row["settled"] for row in rows] == ["yes", "yes", "no"]
    assert rows[0]["card_value_is"] == "measured"


def test_sheet_says_plainly_what_is_missed(card):
    page = render([result(BEND), result(OPEN, failures=("It swings.",))], card, 0.008, ["Made <so>."], {})
    assert '<div class="outcome bad" id="outcome">0 of 1 readings meet their bar. NOT met' in page
    assert "overhang 64 &lt;mm&gt;" in page
    assert "Made &lt;so&gt;." in page
    assert "It swings." in page
    assert "<img" not in page
    good = render([result(replace(BEND, simulated=0.032))], card, 0.008, [], {"cantilever": "data:x"})
    assert '<div class="outcome" id="outcome">1 of 1' in good
    assert '<img src="data:x"' in good


def test_fit_is_told_in_sentences(card):
    changes = (
        Calibrated("bend_warp", "warp", 0.030, 0.031, 2e-5, 2, 0.008),
        Calibrated("shear_rigidity", "bias", 42.0, 38.0, -3e-5, 3, 0.008),
    )
    lines = tell_fit(Fitted(card, {}, Aims(), changes, 0.015))
    assert lines[1].startswith("Bending length, warp: 30 mm as read, set to 31 mm")
    assert lines[2].startswith(
        "Shear rigidity (clamps make a short piece look stiffer): 42 N/m per rad as read, set to 38 N/m per rad"
    )
    assert len(lines) == 3
    forms = {"weft": compare_overhang(0.06, 0.19)}
    _, told, *_ = tell_fit(Fitted(card, {}, Aims(), changes, 0.015, reductions=forms))
    assert told.startswith("Bending length, weft, by the exact heavy elastica: 29.99 mm, which is used.")
    assert "Peirce 1930, (cos(a/2) / (8 tan a))^(1/3): 30.56 mm, rigidity +5.8 %" in told
    bias = Calibrated("bend_bias", "bias", 0.016, 0.0156, 2e-5, 5, 0.008)
    *_, doubt = tell_fit(Fitted(card, {}, Aims(), (*changes, bias), 0.008))
    assert doubt.startswith("On the bias, with nodes so wide, this holds for bends like the test's")
    assert doubt.endswith("with nodes 4 mm apart one value would do.")


def test_folder_with_a_finished_sheet_is_kept(tmp_path):
    check_lab_folder(tmp_path / "new", False)
    (tmp_path / "lab.csv").write_text("x")
    with pytest.raises(InputError, match="holds finished lab readings; name another folder with --out"):
        check_lab_folder(tmp_path, False)
    check_lab_folder(tmp_path, True)
    with pytest.raises(InputError, match="this is a file"):
        check_lab_folder(tmp_path / "lab.csv", True)


def test_progress_in_lines():
    console = Console(file=io.StringIO(), width=150)
    plain = LabPlain(console)
    for step in (
        LabProgress("compiling", 0, 3, 0.0, 0.0, 0.0),
        LabProgress("cantilever warp", 1, 3, 0.0, 0.0, 0.1),
        LabProgress("cantilever warp", 1, 3, 0.0, 0.0, 0.2),
        LabProgress("drape meter", 2, 3, 0.1, 2.0, 2.1),
    ):
        plain(step)
    lines = console.file.getvalue().splitlines()
    assert len(lines) == 3
    assert lines[0].startswith("compiling the inner loops")
    assert lines[1] == "test 1 of 3: cantilever warp"
    assert lines[2] == "test 2 of 3: drape meter; about 18 s left"


def test_displays(monkeypatch):
    assert type(choose_lab_display(True)) is LabSilent
    assert type(choose_lab_display(False)) is LabPlain
    console = Console(file=io.StringIO(), width=100, force_terminal=True)
    with LabBar(console) as bar:
        bar(LabProgress("drape meter", 2, 3, 0.1, 2.0, 2.1))
        (task,) = bar.bars.tasks
        assert task.description == "test 2 of 3: drape meter"
        assert task.completed == pytest.approx(0.1)
        assert task.fields["left"] == "about 18 s left"
