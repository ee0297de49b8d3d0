"""What a run says of itself while it works."""

import io
import math
import time
from dataclasses import replace

import pytest
from rich.console import Console

from drapesim.front import terminal
from drapesim.front.terminal import Bars, Forecast, Plain, Silent, choose_display, spell_residual, spell_seconds
from drapesim.settling.level import Progress
from tests.unit.made_run import make_run


def step(stage="settling", level=0, steps=40, rms=0.1, share=0.5, seconds=1.0):
    return Progress(stage, 0.015, level, 3, steps, rms, 3 * rms, share, seconds)


def test_forecast_of_a_steady_fall_is_exact():
    forecast = Forecast()
    left = [forecast.left(step(share=0.02 * t, seconds=t)) for t in range(21)]
    assert left[:3] == [None] * 3
    for t in range(4, 21):
        assert left[t] == pytest.approx((1.0 - 0.02 * t) / 0.02)


def test_forecast_forgets_what_is_long_past():
    forecast = Forecast()
    for t in range(40):
        forecast.left(step(share=0.0, seconds=t))
    for t in range(40, 61):
        left = forecast.left(step(share=0.01 * (t - 40), seconds=t))
    assert left == pytest.approx(80.0)


def test_forecast_says_nothing_when_nothing_is_gained_or_the_lattice_is_new():
    forecast = Forecast()
    assert [forecast.left(step(share=0.5 - 0.01 * t, seconds=t)) for t in range(8)] == [None] * 8
    for t in range(8, 20):
        forecast.left(step(share=0.1 * t, seconds=t))
    assert forecast.left(step(level=1, share=0.9, seconds=20.0)) is None


def test_time_left_is_said_to_be_of_this_lattice_until_the_last():
    told = []
    for level in (1, 2):
        forecast = Forecast()
        for t in range(9):
            words = terminal.spell_left(step(level=level, share=0.1 * t, seconds=t), forecast)
        told.append(words)
        assert terminal.spell_left(step(level=level, share=1.0, seconds=9.0), forecast) == ""
    assert told == ["about 2 s left on this lattice", "about 2 s left"]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(None, ""), (math.inf, ""), (0.2, "about 1 s"), (89.0, "about 89 s"), (180.0, "about 3 min"),
     (7300.0, "about 2 h")],
)  # fmt: skip
def test_spelling_of_time(seconds, words):
    assert spell_seconds(seconds) == words


def test_residual_is_not_shown_before_there_is_one():
    assert spell_residual(step(rms=math.nan)) == ""
    assert spell_residual(step(rms=0.0123)) == "residual 0.012 rms, 0.037 max node weights"


def test_plain_lines_come_with_each_stage_and_every_ten_seconds(monkeypatch):
    clock = [100.0]
    monkeypatch.setattr(terminal.time, "monotonic", lambda: clock[0])
    text = io.StringIO()
    show = Plain(Console(file=text, width=40))
    show(step("preparing", steps=0, rms=math.nan))
    show(step("compiling", steps=0, rms=math.nan))
    for _ in range(25):
        show(step())
        clock[0] += 1.0
    show(step("writing", steps=0, rms=math.nan))
    lines = text.getvalue().splitlines()
    assert lines[0] == "preparing"
    assert lines[1].startswith("compiling the inner loops for this processor, once")
    assert lines[2:-1] == ["settling, 15 mm nodes (lattice 1 of 3); residual 0.1 rms, 0.3 max node weights"] * 3
    assert lines[-1] == "writing"


def test_bars_name_each_lattice():
    text = io.StringIO()
    with Bars(Console(file=text, width=160, force_terminal=True, color_system=None)) as show:
        show(step("compiling", steps=0, rms=math.nan))
        time.sleep(0.6)  # the bars are redrawn four times a second
        show(step(level=0))
        show(step(level=1, share=0.25))
    said = text.getvalue()
    for part in ("compiling the inner loops", "(lattice 1 of 3)", "(lattice 2 of 3)", "0.1 rms", "handed on"):
        assert part in said


def test_each_of_several_runs_has_its_own_bars():
    with Bars(Console(file=io.StringIO(), width=160, force_terminal=True, color_system=None)) as show:
        for _ in range(2):
            show(step("preparing", steps=0, rms=math.nan))
            show(step(level=0))
            show(step(level=1))
        assert len(show.bars.tasks) == 4


def test_display_is_chosen_by_the_stream(capsys):
    assert type(choose_display(is_quiet=True)) is Silent
    assert type(choose_display(is_quiet=False)) is Plain  # the tests' stderr is no terminal


def test_a_narrow_terminal_gets_the_marks_as_text(finished):
    told = {}
    for width in (80, 150):
        text = io.StringIO()
        terminal.show_run(Console(file=text, width=width), finished)
        told[width] = text.getvalue()
    assert max(map(len, told[80].splitlines())) <= 80
    for verdict in finished.verdicts:
        assert f"{verdict.mark}: {verdict.verdict}; as claimed:" in told[80]
        assert verdict.mark in told[150]
        assert "estimated by rule and not measured: bending rigidity, bias." in " ".join(told[80].split())
    assert "place claimed: top: not asked" in told[80]
    assert "\u2026" not in told[80]  # nothing cut off


@pytest.mark.parametrize("width", [80, 150])
def test_what_is_not_finite_is_called_not_measured(width):
    run = make_run()
    lost = replace(
        run.certificate, residual_rms=math.nan, residual_max=math.inf, stay_max=math.nan, penetration_max=math.nan,
        strain_max=(math.nan, math.nan), strain_over_safe=math.nan, energy_closure=math.inf, mobilised=math.nan,
        spacing_over_c=math.inf,
    )  # fmt: skip
    text = io.StringIO()
    terminal.show_run(Console(file=text, width=width), replace(run, certificate=lost))
    words = text.getvalue().replace("\u2502", " ").split()
    assert "measured" in words
    assert not {"nan", "inf", "-inf"} & {word.strip("();,:%") for word in words}


def test_terminal_says_where_the_error_comes_from():
    run = make_run()
    change = replace(run.verdicts[0].change, gap_min=1e-6, order=1.96)
    lines = terminal.change_lines((replace(run.verdicts[0], change=change), run.verdicts[1]))
    assert lines == [
        "Numerical error of the gaps: measured, 20 against 10 mm; estimated from curvature.",
        "With a plus: how far the cloth's bending hysteresis (2HB) may hold it off, by analogy with a free strip; "
        "it counts in the verdicts.",
        "Change from the wider spacing (gap min, median, max in mm; contact in points of per cent)",
        "  wax: gap 0.00, +0.20, +0.50; contact -12; observed order 2.0",
    ]
    assert terminal.change_lines(run.verdicts[1:]) == ["Numerical error of the gaps: estimated from curvature."]
    (told,) = (line for line in terminal.verdict_lines(run.verdicts[:1]) if "error" in line and "gap" in line[:6])
    assert "error 0.10 + 0.20;" in told
