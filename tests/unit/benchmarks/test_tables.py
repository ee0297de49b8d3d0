"""What the benchmark `settle` says of its rows: growth, ratios, limits, endings."""

import argparse
import math
import resource
from typing import Any

import pytest

from benchmarks import settle
from benchmarks._ceilings import Ceilings
from benchmarks._counts import Work
from benchmarks._tables import (
    LABELS,
    STAGES,
    fit_exponent,
    header,
    record_line,
    size_line,
    spell_bytes,
    stage_lines,
    tell_growth,
    tell_limits,
)

CEILINGS = Ceilings(2, 40e9, 4e9, 2e9, [[1e5, 100e9], [1e7, 25e9]], 0)
STEP = "finish_rows"


def make_section(nodes: int, steps: int, began: float, ended: float) -> dict[str, Any]:
    """One lattice: half of its time in the step loop, a tenth in the certificate."""
    span = ended - began
    return {
        "nodes": nodes, "row": 100, "threads": 2, "began": began, "ended": ended, "steps": steps,
        "contact_steps": 50.0 * steps, "touched_steps": 40.0 * steps, "sampled": 100,
        "sampled_runs": 4, "sampled_beside": 20, "sampled_awake": 60, "sampled_four": 30, "sampled_pushing": 20,
        "sampled_acting": 50,
        "stages": {"certificate: all else": [0.1 * span, 0.1 * span]},
        "loops": {STEP: [0.5 * span, 0.8 * span], "smooth_rows": [0.1 * span, 0.1 * span]},
    }  # fmt: skip


def make_row(scene: str, nodes: int, seconds: float, ending: str = "SETTLED") -> dict[str, Any]:
    sections = [
        make_section(nodes // 4, 100, 0.0, 0.2 * seconds),
        make_section(nodes, 1000, 0.2 * seconds, seconds),
    ]
    return {
        "scene": scene, "wanted": nodes, "nodes": nodes, "spacing_mm": 10.0, "ending": ending, "why": [],
        "seconds": seconds, "work": 1.5 * seconds, "peak_mb": 300.0, "sections": sections, "missing": [], "load": 0.1,
    }  # fmt: skip


def test_exponent_of_a_power_law() -> None:
    sizes = [3e3, 12e3, 50e3]
    assert fit_exponent(sizes, [2e-4 * n**1.5 for n in sizes]) == pytest.approx(1.5, abs=1e-12)
    assert math.isnan(fit_exponent([3e3], [1.0]))
    assert math.isnan(fit_exponent([3e3, 3e3], [1.0, 2.0]))


def test_exponent_is_a_fit_and_not_first_to_last() -> None:
    # one size off the line by a factor e: by least squares over three even steps the ends decide, the middle does not
    assert fit_exponent([1.0, math.e, math.e**2], [1.0, math.e**2, math.e**2]) == pytest.approx(1.0)
    assert fit_exponent([1.0, math.e, math.e**2], [1.0, 1.0, math.e**3]) == pytest.approx(1.5)
    assert fit_exponent([1, 2, 4, 8], [1, 2, 4, 80]) == pytest.approx(1.0 + 0.3 * math.log2(10.0))


def test_growth_leaves_out_what_did_not_settle() -> None:
    rows = [make_row("loose", 3000, 10.0), make_row("loose", 12000, 80.0), make_row("loose", 50000, 9.0, "STUCK")]
    (told,) = tell_growth(rows, ["loose"])
    assert "nodes^1.50" in told
    assert "2 sizes, 3,000 to 12,000 nodes" in told
    assert "steps on the finest lattice as nodes^0.00" in told.replace("-0.00", "0.00")
    assert "no growth exponent" in tell_growth(rows[1:], ["loose"])[0]


def test_two_layers_are_compared_with_one_of_the_same_size() -> None:
    rows = [make_row("loose", 3000, 10.0), make_row("loose", 12000, 50.0), make_row("folded", 3000, 25.0)]
    told = tell_growth(rows, [])
    assert told == ["Two layers take 2.50 times as long as one, and 2.50 times the work (3,000 nodes)."]
    rows[-1]["ending"] = "OUT_OF_STEPS"
    assert tell_growth(rows, []) == []


def test_limits_are_shares_of_what_was_measured() -> None:
    work = Work(ops=20e9, divides=1e9, roots=0.5e9, near=50e9, far=5e9)
    limits = tell_limits(work, 1.0, CEILINGS, near_size=1e5, far_size=1e7)
    assert limits.arithmetic == pytest.approx(0.5)
    assert limits.divider == pytest.approx(0.5)
    assert limits.near == pytest.approx(0.5)
    assert limits.far == pytest.approx(0.2)
    assert tell_limits(work, 2.0, CEILINGS, 1e5, 1e7).near == pytest.approx(0.25)
    assert limits._replace(far=0.9).nearest() == ("far copy", 0.9)


def test_copies_between_the_measured_sizes_are_interpolated() -> None:
    assert CEILINGS.copy(1e6) == pytest.approx(50e9)  # half way on both logarithms
    assert CEILINGS.copy(1.0) == pytest.approx(100e9)
    assert CEILINGS.copy(1e12) == pytest.approx(25e9)


def test_time_per_step_leaves_the_certificate_out() -> None:
    row = make_row("loose", 12000, 10.0)  # finest lattice: 8 s, of which 0.8 for the certificate, 1000 steps
    words = size_line(row).split()
    assert words[words.index("+") + 2] == "7.200"
    assert "100 + 1,000" in size_line(row)
    node_steps = (3000 * 100 + 12000 * 1000) / 10.0 / 1e6
    assert f"{node_steps:.1f}" in words


def test_stages_add_up_and_tell_what_is_not_counted() -> None:
    _, heads, *lines = stage_lines(make_row("loose", 1200000, 10.0), CEILINGS)
    assert heads == header(STAGES)
    shares = [float(next(word for word in text.split() if word.endswith("%")).rstrip("%")) for text in lines]
    assert sum(shares) == pytest.approx(100.0, abs=0.3)
    assert shares == sorted(shares, reverse=True)
    moving, solving = (next(t for t in lines if t.startswith(name)) for name in (LABELS[STEP], "smooth_rows"))
    # 1,200,000 nodes of 58 + 53 operations in 3.2 ms of work on each of two threads
    assert f"{1200000 * 111 / 3.2e-3 * 1e-9:.1f}" in moving.split()
    assert "80%" in moving.split()  # at work
    assert solving.split()[-1] == "-"


def test_a_row_without_figures_still_has_a_line() -> None:
    row = {"scene": "loose", "nodes": 3000, "ending": settle.KILLED, "sections": []}
    assert size_line(row).split()[:3] == ["loose", "3,000", "-"]


def test_the_record_has_the_columns_of_the_results() -> None:
    row = make_row("loose", 12000, 10.0)
    line = record_line(row, "a machine", "versions", "2026-01-01")
    assert line.count("|") == 10
    assert "other work" not in line
    assert "other work (load 3.0)" in record_line(row | {"load": 3.0}, "a machine", "versions", "2026-01-01")


def test_sizes_and_scenes_are_read() -> None:
    assert settle.read_sizes("3k,12k,1500") == [3000, 12000, 1500]
    assert settle.read_scenes("loose,sphere") == ("loose", "sphere")
    for wrong in ("", "3m", "5", "9000k"):
        with pytest.raises(argparse.ArgumentTypeError, match="give"):
            settle.read_sizes(wrong)
    with pytest.raises(argparse.ArgumentTypeError, match="no scene 'table'"):
        settle.read_scenes("loose,table")


def test_sizes_are_spelt() -> None:
    assert [spell_bytes(2.0**power) for power in (6, 16, 22, 30)] == ["64 B", "64 KiB", "4 MiB", "1.0 GiB"]


def test_peak_memory_is_that_of_this_process() -> None:
    most = 1024.0 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss  # of this process, or of what has started it
    assert 0.2 * most < settle.peak_memory() <= 1.01 * most
