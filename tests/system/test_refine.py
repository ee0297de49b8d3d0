"""``drapesim run --refine`` on the strip at 30 and 15 mm, from the command line to the files."""

import csv
from dataclasses import replace

import numpy as np
import pytest

import drapesim
from drapesim.ground.outcome import Ending
from drapesim.jobs import refine
from drapesim.judging.verdicts import read_gaps
from drapesim.mechanics.body_contact import prepare_body
from tests.system.test_run import STRIP, run


@pytest.fixture(scope="module")
def refined(tmp_path_factory):
    folder = tmp_path_factory.mktemp("refined")
    words = ["run", str(STRIP), "--out", "out", "--spacing-mm", "30", "--refine", "--no-pictures", "--quiet"]
    return folder / "out", *run(*words, cwd=folder)


def test_both_spacings_are_settled_and_kept(refined):
    folder, code, out, err = refined
    assert code == 0, out + err
    assert out.splitlines()[0] == Ending.SETTLED.value
    assert "Numerical error of the gaps: measured, 30 against 15 mm." in out
    assert sorted(path.name for path in folder.iterdir()) == ["at-30mm", "marks.csv", "run.h5"]
    fine, coarse = drapesim.load_run(folder), drapesim.load_run(folder / "at-30mm")
    assert (fine.lattice.spacing_u, coarse.lattice.spacing_u) == pytest.approx((0.015, 0.03))
    assert fine.certificate.settled
    assert coarse.certificate.settled
    assert all(verdict.change is None for verdict in coarse.verdicts)
    assert any("Settled anew from the scene's start at 30 and 15 mm" in change for change in fine.changes)


def test_the_error_is_the_change_at_the_same_place_of_the_cloth(refined):
    fine, coarse = drapesim.load_run(refined[0]), drapesim.load_run(refined[0] / "at-30mm")
    body = prepare_body(fine.body)
    for mark, verdict in zip(fine.marks, fine.verdicts, strict=True):
        before, now = (
            read_gaps(mark.samples, each.lattice, each.x, body, each.fabric, mark.claim).gap for each in (coarse, fine)
        )
        error = np.abs(now - before) + fine.certificate.penetration_max + fine.certificate.stay_max
        assert error.min() - 1e-12 <= verdict.uncertainty <= error.max() + 1e-12
        assert mark.weights[error <= verdict.uncertainty + 1e-12].sum() >= 0.949 * mark.weights.sum()
        assert verdict.change.gap_min == pytest.approx(now.min() - before.min(), abs=1e-12)
        assert verdict.change.gap_max == pytest.approx(now.max() - before.max(), abs=1e-12)
        tolerance = mark.claim.tolerance
        sure = mark.weights[now + error <= tolerance].sum() / mark.weights.sum()
        assert verdict.contact_share_sure == pytest.approx(sure, abs=1e-9)


def test_where_the_cloth_lies_on_the_roller_the_change_is_that_of_the_chords(refined):
    """A chord of length h leaves a roller of radius R by h^2 / 8 R: 1.1 mm at 30 mm, and 0.3 at 15."""
    top = drapesim.load_run(refined[0]).verdicts[0]
    assert top.mark == "wax-top"
    expected = (0.03**2 - 0.015**2) / (8 * 0.1)
    assert -top.change.gap_max == pytest.approx(expected, rel=0.2)  # the mark does not reach the middle of each chord
    assert top.verdict == "touches naturally"


def test_table_says_that_it_was_measured(refined):
    with (refined[0] / "marks.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    verdicts = drapesim.load_run(refined[0]).verdicts
    assert len(rows) == len(verdicts) == 3
    for row, verdict in zip(rows, verdicts, strict=True):
        assert row["uncertainty_source"] == "measured: 30 mm against 15 mm"
        assert float(row["gap_median_change_mm"]) == pytest.approx(1e3 * verdict.change.gap_median, abs=1e-4)
        assert row["observed_order"] == ""


def test_the_finer_run_is_the_one_that_a_run_at_that_spacing_gives(refined, tmp_path):
    """Bit for bit: the coarser sheet lends it nothing."""
    alone = drapesim.run_scene(drapesim.read_scene(STRIP), tmp_path, spacing_mm=15.0)
    assert alone.x.tobytes() == drapesim.load_run(refined[0]).x.tobytes()


def test_a_coarse_sheet_that_does_not_settle_leaves_all_undecided(refined, tmp_path, monkeypatch):
    """The coarser run is given too few steps; the finer one, settled, decides nothing then."""
    coarse, fine = drapesim.load_run(refined[0] / "at-30mm"), drapesim.load_run(refined[0])
    whole = refine.run_scene

    def run_scene(scene, out, progress, resume, spacing_mm, force, halvings, coarser):
        steps = scene.settle.max_steps if halvings else 200
        short = replace(scene, settle=replace(scene.settle, max_steps=steps))
        return whole(short, out, progress, resume, spacing_mm, force, halvings, coarser)

    monkeypatch.setattr(refine, "run_scene", run_scene)
    runs = refine.refine_scene(drapesim.read_scene(STRIP), tmp_path, 1, spacing_mm=30.0)
    assert [each.certificate.settled for each in runs] == [False, True]
    assert runs[1].x.tobytes() == fine.x.tobytes()
    assert coarse.certificate.settled
    for verdict in runs[1].verdicts:
        assert verdict.verdict == "undecided"
        assert "did not settle at a spacing of 30 mm" in verdict.reason
