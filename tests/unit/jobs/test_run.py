"""The main job without a computation: folders, spacings, fingerprints, and the table of marks."""

import csv
from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.jobs.run import check_folder, check_spacing, list_versions, prepare, run_scene, spell_refined, table_marks
from drapesim.matter.plan import read_scene
from drapesim.settling.archive import load_checkpoint, save_checkpoint
from drapesim.settling.settle import Interrupted
from tests.unit.made_run import ROOT, make_checkpoint, make_run


@pytest.fixture(scope="module")
def scene():
    return read_scene(ROOT / "scenes/strip-on-cylinder.toml")


def test_folders(tmp_path):
    check_folder(tmp_path / "new")
    check_folder(tmp_path)
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="this is a file, not a folder"):
        check_folder(tmp_path / "file")
    with pytest.raises(InputError, match="no checkpoint to go on from; no run was interrupted in it"):
        check_folder(tmp_path, resume=True)
    (tmp_path / "checkpoint.h5").touch()
    check_folder(tmp_path, resume=True)
    check_folder(tmp_path)  # starting anew
    (tmp_path / "run.h5").touch()
    check_folder(tmp_path, resume=True)
    check_folder(tmp_path, force=True)
    with pytest.raises(InputError, match="holds a finished run"):
        check_folder(tmp_path)


def test_spacing():
    assert check_spacing(12.0, 1.2, 0.06) == 0.012
    assert check_spacing(30.0, 1.2, 0.06) == 0.03
    for wrong in (30.1, 0.0, -1.0, 0.13, float("nan")):
        with pytest.raises(InputError, match=r"spacing_mm: a spacing of .* give 0\.13 to 30 mm"):
            check_spacing(wrong, 1.2, 0.06)


def test_prepare_says_what_was_changed(scene):
    plain = prepare(scene)
    assert plain.changes == ()
    assert plain.lattice.spacing_u == pytest.approx(scene.sheet.spacing)
    other = prepare(scene, 30.0)
    usual = 1e3 * scene.sheet.spacing
    assert other.changes == (f"Node spacing 30 mm instead of the scene's {usual:g} mm.",)
    assert other.lattice.spacing_u == pytest.approx(0.03)
    assert other.scene.sheet.spacing == 0.03
    assert len(other.x) == len(other.lattice.ij)
    assert prepare(scene, usual).changes == ()


def test_halved_cells(scene):
    whole, half = prepare(scene, 20.0), prepare(scene, 20.0, 1)
    assert half.lattice.cell.shape == tuple(2 * n for n in whole.lattice.cell.shape)
    assert half.lattice.spacing_u == 0.5 * whole.lattice.spacing_u
    assert half.lattice.uv[-1] == pytest.approx(whole.lattice.uv[-1], rel=1e-12)
    assert half.scene.sheet.spacing == 0.01
    assert "Node spacing 10 mm" in half.changes[0]
    assert half.fingerprint not in (whole.fingerprint, prepare(scene, 20.0, 2).fingerprint)
    with pytest.raises(InputError, match="does not suit"):
        prepare(scene, 20.0, 9)


def test_what_is_said_of_refined_runs():
    fine = make_run()
    wide = replace(fine, lattice=replace(fine.lattice, spacing_u=0.02))
    assert spell_refined(fine.lattice, []) == ()
    said = spell_refined(fine.lattice, [replace(wide, certificate=replace(wide.certificate, settled=True))])
    assert said[0] == "Settled anew from the scene's start at 20 and 10 mm; this is the last."
    assert "from 20 to 10 mm" in said[1]
    assert "no bound" in said[1]
    assert "At 20 mm the sheet did not settle" in spell_refined(fine.lattice, [wide])[1]


def test_fingerprint_follows_the_input(scene):
    first = prepare(scene).fingerprint
    assert prepare(scene).fingerprint == first
    name = next(iter(scene.inputs))
    changed = [
        prepare(scene, 20.0),
        prepare(replace(scene, seed=5)),
        prepare(replace(scene, inputs=scene.inputs | {name: "0" * 64})),
    ]
    assert len({first, *(plan.fingerprint for plan in changed)}) == 4


def test_nothing_is_written_when_the_input_is_refused(scene, tmp_path):
    aside = replace(scene, lay=(replace(scene.lay[0], place=(9.0, 9.0)),))
    with pytest.raises(InputError, match="nothing lies under the sheet"):
        run_scene(aside, tmp_path / "run")
    with pytest.raises(InputError, match="does not suit"):
        run_scene(scene, tmp_path / "run", spacing_mm=500.0)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_refused(scene, tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="the folder cannot be made"):
        run_scene(scene, tmp_path / "file" / "run")


def test_interrupted_run_keeps_its_checkpoint_and_takes_it_up_again(scene, tmp_path, monkeypatch):
    kept = make_checkpoint()
    given = []

    def settle(*rest, resume=None, **settings):
        given.append(resume)
        raise Interrupted(kept)

    monkeypatch.setattr("drapesim.jobs.run.settle", settle)
    monkeypatch.setattr("drapesim.jobs.run.is_compiled", lambda: True)
    stages = []
    with pytest.raises(Interrupted):
        run_scene(scene, tmp_path / "deep" / "run", lambda step: stages.append(step.stage), spacing_mm=20.0)
    folder = tmp_path / "deep" / "run"
    assert [path.name for path in folder.iterdir()] == ["checkpoint.h5"]
    assert stages == ["preparing"]
    with pytest.raises(Interrupted):
        run_scene(scene, folder, resume=True, spacing_mm=20.0)
    assert given[0] is None
    assert np.array_equal(given[1].x, kept.x)
    with pytest.raises(InputError, match="of another input"):
        run_scene(scene, folder, resume=True, spacing_mm=15.0)
    assert np.array_equal(load_checkpoint(folder, prepare(scene, 20.0).fingerprint).x, kept.x)


def test_left_over_parts_are_cleared(scene, tmp_path, monkeypatch):
    (tmp_path / ".run.h5.123.part").touch()
    save_checkpoint(tmp_path, make_checkpoint(), "old")

    def settle(*rest, **settings):
        raise KeyboardInterrupt

    monkeypatch.setattr("drapesim.jobs.run.settle", settle)
    with pytest.raises(KeyboardInterrupt):
        run_scene(scene, tmp_path, spacing_mm=20.0)
    assert [path.name for path in tmp_path.iterdir()] == ["checkpoint.h5"]


@pytest.mark.parametrize("is_first", [True, False])
def test_the_first_run_says_that_it_compiles(scene, tmp_path, monkeypatch, is_first):
    def settle(*rest, **settings):
        raise KeyboardInterrupt

    compiled, stages = [], []
    monkeypatch.setattr("drapesim.jobs.run.settle", settle)
    monkeypatch.setattr("drapesim.jobs.run.is_compiled", lambda: not is_first)
    monkeypatch.setattr("drapesim.jobs.run.compile_kernels", lambda: compiled.append(stages[-1]))
    with pytest.raises(KeyboardInterrupt):
        run_scene(scene, tmp_path, lambda step: stages.append(step.stage), spacing_mm=20.0)
    assert stages == (["preparing", "compiling"] if is_first else ["preparing"])
    assert compiled == (["compiling"] if is_first else [])


def test_table_of_marks():
    head, first, second = csv.reader(table_marks(make_run().verdicts).splitlines())
    wax, seam = dict(zip(head, first, strict=True)), dict(zip(head, second, strict=True))
    assert wax == {
        "mark": "wax", "kind": "stain", "claim": "touches_place",
        "verdict": "undecided", "as_claimed": "undecided", "reason": "It did not settle.",
        "gap_min_mm": "-0.1000", "gap_median_mm": "0.2000", "gap_max_mm": "3.0000",
        "contact_share_sure_percent": "45.0000", "contact_share_measured_percent": "50.0000",
        "contact_share_possible_percent": "55.0000",
        "uncertainty_mm": "0.1000", "nearest_region": "front", "place": "front", "belongs": "undecided",
        "share_on_place_sure_percent": "20.0000", "share_on_place_percent": "25.0000",
        "share_on_place_possible_percent": "60.0000", "offset_body_mm": "30.0000", "offset_cloth_mm": "20.0000",
        "place_reason": "It may be moved.",
        "uncertainty_source": "measured: 20 mm against 10 mm", "gap_min_change_mm": "-0.1000",
        "gap_median_change_mm": "0.2000", "gap_max_change_mm": "0.5000", "contact_share_change_percent": "-12.5000",
        "observed_order": "", "hysteresis_mm": "0.2000",
    }  # fmt: skip
    assert (seam["uncertainty_source"], seam["gap_min_change_mm"]) == ("estimated from curvature", "")
    assert seam["hysteresis_mm"] == ""
    assert seam["as_claimed"] == "no"  # it is claimed to lie clear
    assert (seam["gap_min_mm"], seam["gap_max_mm"], seam["uncertainty_mm"], seam["place"]) == ("100.0000", "", "", "")


def test_versions_are_known():
    versions = list_versions()
    assert {"drapesim", "python", "numpy", "numba", "scipy", "h5py"} <= set(versions)
    assert "unknown" not in versions.values()
