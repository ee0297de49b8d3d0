"""The search for the value that gives the reading back."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from drapesim.ground.files import parse_toml
from drapesim.ground.outcome import InputError
from drapesim.ground.reductions import Repeats
from drapesim.jobs.lab.fit import Calibrated, _put_in, fit_card, fitted_cloth, read_cloth_of, seek
from drapesim.jobs.lab.record import LabResult, Reading
from drapesim.matter.readings import BendReading, reduce_readings

FORM = """
name = "sample"
source = "test readings"
[weight]
masses_g = [1.9, 1.9]
[overhang.warp]
face_up_mm = [60, 61]
[overhang.weft]
face_up_mm = [56, 57]
[bias_extension]
tensions_gf_cm = [5]
extensions_percent = [[2.7], [2.8]]
"""


def test_seek_finds_a_power_law_in_two_and_a_curve_in_few_steps():
    value, departure, tries = seek(lambda x: 0.97 * x, 30.0, 30.0, "form", "here", 0.01)
    assert value == pytest.approx(30.0 / 0.97, rel=1e-4)
    assert abs(departure) < 1e-4
    assert tries == 2
    value, departure, tries = seek(lambda x: x**0.7 + 0.1 * x, 10.0, 20.0, "form", "here", 0.01)
    assert value**0.7 + 0.1 * value == pytest.approx(10.0, rel=1e-4)
    assert tries <= 6


@pytest.mark.parametrize(
    "test", [lambda x: 7.0 + 0.0 * x, lambda x: math.nan * x, lambda x: 0.1 * x, lambda x: 1.0 / x, lambda x: -x]
)
def test_seek_says_so_where_there_is_no_such_value(test):
    with pytest.raises(InputError, match=r"form.toml: overhang.warp: no card value makes the virtual test return"):
        seek(test, 5.0, 5.0, "form.toml", "overhang.warp", 0.01)


def test_calibrated_tables_tell_what_was_read_and_scale_its_scatter():
    tables = {
        "name": "sample",
        "bending": {"warp": {"bending_length_mm": {"value": 30.0, "sd": 0.6, "n": 4}, "note": "overhang 60 mm"}},
        "shear": {"rigidity_N_m_rad": {"value": 40.0, "n": 2}},
    }
    changes = [
        Calibrated("bend_warp", "warp", 0.030, 0.033, 0.0, 2, 0.015),
        Calibrated("shear_rigidity", "bias", 40.0, 36.0, 0.0, 2, 0.015),
    ]
    assert [change.doubt for change in changes] == ["", ""]
    assert Calibrated("bend_bias", "bias", 0.030, 0.0295, 0.0, 2, 0.0075).doubt == "", "nodes a quarter apart"
    assert "nodes 7.5 mm apart" in Calibrated("bend_bias", "bias", 0.030, 0.0295, 0.0, 2, 0.015).doubt
    full = _put_in(tables, changes, 0.015)
    warp = full["bending"]["warp"]
    assert warp["bending_length_mm"] == pytest.approx({"value": 33.0, "sd": 0.66, "n": 4})
    assert warp["note"].startswith("overhang 60 mm; calibrated: with 33 in place of the 30 that was read")
    assert full["shear"]["rigidity_N_m_rad"] == pytest.approx({"value": 36.0, "n": 2})
    assert tables["bending"]["warp"]["bending_length_mm"]["value"] == 30.0, "what was read is left as it was"


def test_fit_with_tests_made_by_hand(monkeypatch):
    """Cantilevers that read 4 % low and a bias piece that bears 10 % more than its rigidity says."""
    from drapesim.jobs.lab import fit

    def cantilever(card, side, spacing, aim):
        c = (getattr(card, fit.FIELDS[side]) / (card.areal_density * 9.80665)) ** (1.0 / 3.0)
        reading = Reading(fit.FIELDS[side], "c", "mm", aim, 0.96 * c, None)
        return LabResult("cantilever", "Cantilever", side, (reading,), spacing, 0.5, 9, 1)

    class Sheet:
        class certificate:  # noqa: N801 - stands for a record
            settled = True

    monkeypatch.setattr(fit, "run_cantilever", cantilever)
    monkeypatch.setattr(fit, "pull_short", lambda card, _, e, shape: (Sheet, 2.2 * shape * card.shear_rigidity * e))
    readings = reduce_readings(parse_toml("form.toml", FORM, "form"))
    told = []
    fitted = fit_card(readings, read_cloth_of(readings).card, 0.015, told.append)
    assert [change.key for change in fitted.changes] == ["shear_rigidity", "bend_warp", "bend_weft"]
    for change in fitted.changes[1:]:
        assert change.set_to == pytest.approx(change.read / 0.96, rel=2e-4)
    exact, half, peirce, printed = fitted.reductions["warp"]
    assert exact.bending_length == pytest.approx(0.03025, rel=2e-4)
    assert [each.off for each in (half, peirce, printed)] == pytest.approx([5e-4, 0.0575, 0.45], abs=2e-3)
    assert list(fitted.reductions) == ["warp", "weft"]
    assert fitted.aims.pull == pytest.approx((4.903325, 0.0275, 2.0))
    assert fitted.card.shear_rigidity == pytest.approx(4.903325 / (4.4 * 0.0275), rel=2e-4)
    assert [step.number for step in told] == [1, 2, 3]
    cloth = fitted_cloth(fitted)
    assert cloth.card.name == "sample, for nodes 15 mm apart"
    assert cloth.card.bend_warp == pytest.approx(fitted.card.bend_warp, rel=1e-3)
    assert cloth.card.provenance["bend_warp"].status == "measured"
    assert cloth.card.provenance["bend_bias"].estimated


def test_loop_readings_are_fitted_by_the_loop(monkeypatch, curved_card):
    from drapesim.jobs.lab import fit

    called = []

    def loop(card, side, spacing, aim):
        called.append(side)
        return LabResult("heart loop", "", side, (Reading("", "", "mm", aim, aim, None),), spacing, 0.5, 9, 1)

    monkeypatch.setattr(fit, "run_heart_loop", loop)
    readings = reduce_readings(parse_toml("form.toml", FORM, "form"))
    bend = BendReading("loop", Repeats(0.05, 0.0, 2), 0.2, Repeats(0.025, 0.0, 2))
    change = fit.calibrate_bending(replace(readings, bending={"warp": bend}), curved_card, "warp", 0.01)
    assert called == ["warp"]
    assert change.set_to == 0.025
