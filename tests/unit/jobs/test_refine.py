"""Refinement without a computation: folders, order of the runs, what is taken over, and what is refused."""

from dataclasses import replace
from pathlib import Path

import pytest

from drapesim import __version__
from drapesim.ground.outcome import InputError
from drapesim.jobs.refine import coarser_folder, refine_scene
from drapesim.jobs.run import prepare
from drapesim.matter.plan import read_scene
from drapesim.settling.archive import save_checkpoint, save_run
from tests.unit.made_run import ROOT, make_checkpoint, make_run


@pytest.fixture(scope="module")
def scene():
    return read_scene(ROOT / "scenes/strip-on-cylinder.toml")


def finished(plan):
    """A run such as would be kept of ``plan``."""
    scene = plan.scene
    return make_run(inputs=scene.inputs, seed=scene.seed, versions={"drapesim": __version__}, lattice=plan.lattice)


@pytest.fixture
def asked(monkeypatch):
    """What `run_scene` is asked for; it gives back the number of the run."""
    calls = []

    def run_scene(scene, out, progress, resume, spacing_mm, force, halvings, coarser):
        calls.append((Path(out).name, resume, spacing_mm, force, halvings, coarser))
        return halvings

    monkeypatch.setattr("drapesim.jobs.refine.run_scene", run_scene)
    return calls


def test_each_spacing_has_its_folder_and_the_finest_the_runs_own(scene, tmp_path, asked):
    assert refine_scene(scene, tmp_path / "out", 2, spacing_mm=30.0) == (0, 1, 2)
    assert asked == [
        ("at-30mm", False, 30.0, False, 0, ()),
        ("at-15mm", False, 30.0, False, 1, (0,)),
        ("out", False, 30.0, False, 2, (0, 1)),
    ]


def test_interrupted_work_goes_on_where_it_was(scene, tmp_path, asked, monkeypatch):
    plans = [prepare(scene, 30.0, k) for k in (0, 1)]
    monkeypatch.setattr("drapesim.jobs.refine.load_run", lambda _: finished(plans[0]))
    folder = tmp_path / coarser_folder(plans[0])
    folder.mkdir()
    (folder / "run.h5").touch()
    save_checkpoint(tmp_path, make_checkpoint(), "x")
    first, second = refine_scene(scene, tmp_path, 1, resume=True, spacing_mm=30.0)
    assert first.lattice is plans[0].lattice
    assert second == 1
    assert [(call[1], call[4]) for call in asked] == [(True, 1)]
    (tmp_path / "checkpoint.h5").unlink()  # stopped between the two
    refine_scene(scene, tmp_path, 1, resume=True, spacing_mm=30.0)
    assert [(call[1], call[4]) for call in asked] == [(True, 1), (False, 1)]


@pytest.mark.parametrize("change", [{"seed": 99}, {"inputs": {"other.toml": "0"}}, {"versions": {"drapesim": "0"}}])
def test_a_run_of_another_input_is_not_taken_over(scene, tmp_path, asked, monkeypatch, change):
    plan = prepare(scene, 30.0)
    monkeypatch.setattr("drapesim.jobs.refine.load_run", lambda _: replace(finished(plan), **change))
    folder = tmp_path / coarser_folder(plan)
    folder.mkdir()
    (folder / "run.h5").touch()
    with pytest.raises(InputError, match="of another input"):
        refine_scene(scene, tmp_path, 1, resume=True, spacing_mm=30.0)
    assert asked == []


def test_what_cannot_be_is_refused_before_anything_is_settled(scene, tmp_path, asked):
    for times in (0, 3):
        with pytest.raises(InputError, match=f"cannot be halved {times} times"):
            refine_scene(scene, tmp_path, times)
    with pytest.raises(InputError, match="does not suit"):
        refine_scene(scene, tmp_path, 2, spacing_mm=0.3)  # fine at first, but not at a quarter
    with pytest.raises(InputError, match="nothing to go on from"):
        refine_scene(scene, tmp_path, 1, resume=True)
    folder = tmp_path / "at-30mm"
    folder.mkdir()
    save_run(folder, make_run())
    with pytest.raises(InputError, match="holds a finished run"):
        refine_scene(scene, tmp_path, 1, spacing_mm=30.0)
    assert asked == []
    refine_scene(scene, tmp_path, 1, spacing_mm=30.0, force=True)
    assert len(asked) == 2
