"""Bars, readings, and which tests a card calls for."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.ground.units import bending_length
from drapesim.jobs.lab.bench import Aims, LabProgress, check_spacing, list_tests, run_lab, usual_spacing
from drapesim.jobs.lab.cantilever import run_cantilever, tell_band
from drapesim.jobs.lab.heart_loop import read_height
from drapesim.jobs.lab.record import LabResult, Reading, VirtualTest, choose_bar
from drapesim.matter.fabric import Cloth


@pytest.mark.parametrize(("share", "bar"), [(0.1, 0.01), (0.25, 0.01), (0.26, 0.03), (0.5, 0.03), (0.51, None)])
def test_bar_goes_with_the_spacing(share, bar):
    assert choose_bar(share) == bar


def test_reading_off_by_its_bar_and_a_little_more():
    reading = Reading("bend_warp", "bending length", "mm", 0.030, 0.0303, 0.01)
    assert reading.error == pytest.approx(0.01)
    assert replace(reading, simulated=0.03029).met is True
    assert replace(reading, simulated=0.03031).met is False
    assert replace(reading, simulated=0.02969).met is False
    assert replace(reading, simulated=math.nan).met is False
    assert replace(reading, bar=None).met is None


def test_floor_may_be_exceeded():
    floor = Reading("drape", "drape coefficient", "percent", 0.50, 0.80, 0.01, at_least=True)
    assert floor.met is True
    assert replace(floor, simulated=0.495).met is True
    assert replace(floor, simulated=0.48).met is False


def test_tests_of_a_card(curved_card):
    slippery = replace(curved_card, friction={"wood": 0.3, "ice": 0.0})
    tests = list_tests(Cloth(slippery, "linen"), 0.01)
    names = [(test.name, test.direction) for test in tests]
    assert names[:3] == [("cantilever", side) for side in ("warp", "weft", "bias")]
    assert {name for name, _ in names} == {
        "cantilever", "heart loop", "strip tensile", "bias extension", "picture frame", "drape meter", "incline",
    }  # fmt: skip
    assert [direction for name, direction in names if name == "incline"] == ["wood"]
    coarse, fine = (list_tests(Cloth(slippery, "linen"), h)[-2] for h in (0.02, 0.01))
    assert fine.cost == pytest.approx(4.0 * coarse.cost)


def test_spacing_is_a_quarter_of_the_smaller_bending_length(curved_card):
    c = bending_length(curved_card.areal_density, curved_card.bend_weft)
    assert usual_spacing(curved_card) == pytest.approx(0.25 * c)
    assert check_spacing(curved_card, None) == usual_spacing(curved_card)
    assert check_spacing(curved_card, 5.0) == pytest.approx(5e-3)
    for wrong in (0.0, -1.0, 1e3 * 1.1 * c, 1e3 * 0.03 * c, math.nan):
        with pytest.raises(InputError, match="does not suit a bending length of"):
            check_spacing(curved_card, wrong)


def test_lab_runs_in_order_and_tells_how_far_it_is(curved_card):
    def made(name, cost):
        def run(card, spacing, watch):
            watch(None)
            return LabResult(name, name, "", (), spacing, math.nan, 1, 1)

        return VirtualTest(name, name, "", cost, run)

    told: list[LabProgress] = []
    results = run_lab(Cloth(curved_card, "linen"), 0.01, [made("one", 1.0), made("two", 3.0)], told.append)
    assert [result.name for result in results] == ["one", "two"]
    tests = [step for step in told if step.number]
    assert [(step.number, step.share) for step in tests] == [(1, 0.0), (1, 0.0), (2, 0.25), (2, 0.25)]
    assert math.isnan(tests[0].left)


def test_time_left_from_what_is_done():
    assert LabProgress("x", 2, 4, 0.25, 10.0, 13.0).left == pytest.approx(27.0)
    assert math.isnan(LabProgress("x", 2, 4, 0.25, 10.0, 60.0).left), "longer than foreseen: nothing is said"


def test_cantilever_of_half_a_bending_length_and_its_aim(curved_card, one_thread):
    c = bending_length(curved_card.areal_density, curved_card.bend_weft)
    own = run_cantilever(curved_card, "weft", 0.5 * c)
    assert own.failures == ()
    assert own.readings[0].card == pytest.approx(c)
    assert own.readings[0].simulated == pytest.approx(c, rel=0.03)
    assert own.nodes == 3 * 6
    assert own.lines["strip"].shape == (5, 2)
    aimed = run_cantilever(curved_card, "weft", 0.5 * c, aim=1.5 * c)
    assert aimed.readings[0].card == pytest.approx(1.5 * c)
    assert aimed.lines["free"] == pytest.approx([3.0 * c]), "the piece is cut for what is aimed at"
    assert Aims().bending.get("warp") is None


def test_band_is_told_where_the_card_knows_its_hysteresis(curved_card):
    c = bending_length(curved_card.areal_density, curved_card.bend_weft)
    unit = curved_card.areal_density * 9.80665 * c**2
    told, edges = tell_band(2.0 * c, c, curved_card.areal_density, 0.4 * unit)
    assert "the chord rests anywhere from" in told
    assert set(edges) == {"upper", "lower"}
    assert edges["upper"][-1, 1] < edges["lower"][-1, 1]
    told, edges = tell_band(2.0 * c, c, curved_card.areal_density, 5.0 * unit)
    assert "too large" in told
    assert edges == {}


def test_height_of_a_loop_is_that_of_the_arc_not_of_its_corners():
    turn, radius = 0.5, 0.02  # rad from link to link; arcs as long as the chords
    corner = 0.5 * radius * turn / math.sin(0.5 * turn)
    z = -corner * np.cos(turn * np.arange(-2, 3))
    assert read_height(z) == pytest.approx(radius, rel=3e-4)
    assert corner > radius * 1.01
