"""Promises of the main job, from the command line to the run folder and back.

The strip on the cylinder, coarse: the numbers mean little, the files and exit codes are what is looked at. The
physics is in tests/validation.
"""

import csv
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

import drapesim
from drapesim.ground.outcome import Ending

ROOT = Path(__file__).parents[2]
STRIP = ROOT / "scenes/strip-on-cylinder.toml"
MARKS = ["wax-top", "varnish-flank", "soot-hanging"]
SPACING = "15"
# A process started in the background may have been told to ignore Ctrl-C; a user's has not.
START = (
    "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler);"
    "from drapesim.front.cli import main; sys.exit(main())"
)


def begin(*words, cwd):
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT), *sys.path]))
    command = [sys.executable, "-c", START, *words]
    return subprocess.Popen(
        command, cwd=cwd, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def run(*words, cwd):
    """(exit code, stdout, stderr) of one command."""
    process = begin(*words, cwd=cwd)
    out, err = process.communicate(timeout=400)
    return process.returncode, out, err


def shorten(folder, max_steps):
    """The strip's scene, in ``folder`` with all it names, with a limit of steps."""
    text = STRIP.read_text()
    for name in ("fabrics/cover-linen.toml", "marks/strip.svg", "marks/strip-claims.toml"):
        assert f'"{name}"' in text
        copy = folder / name
        copy.parent.mkdir(exist_ok=True)
        copy.write_bytes((STRIP.parent / name).read_bytes())
    scene = folder / "short.toml"
    scene.write_text(text + f"\n[settle]\nmax_steps = {max_steps}\n")
    return scene


@pytest.fixture(scope="module")
def settled(tmp_path_factory):
    """The strip, run once for all looks at it: (folder, exit code, stdout, stderr)."""
    folder = tmp_path_factory.mktemp("settled")
    return folder, *run("run", str(STRIP), "--spacing-mm", SPACING, cwd=folder)


def test_settled_run(settled):
    folder, code, out, err = settled
    assert code == 0, out + err
    assert out.splitlines()[0] == Ending.SETTLED.value
    assert "Traceback" not in err
    assert "settling, 15 mm nodes" in err
    kept = folder / "runs/strip-on-cylinder"
    assert {"marks.csv", "run.h5", "report.html"} <= {path.name for path in kept.iterdir()}
    assert not list(kept.rglob("*.part"))
    assert Ending.SETTLED.value in (kept / "report.html").read_text(encoding="utf-8")


def test_settled_run_can_be_read_back(settled):
    run = drapesim.load_run(settled[0] / "runs/strip-on-cylinder")
    assert run.certificate.settled
    assert run.ending is Ending.SETTLED
    assert run.title == "Strip on a cylinder"
    assert run.scene_text == STRIP.read_text()
    scene = drapesim.read_scene(STRIP)
    assert 1e3 * scene.sheet.spacing == float(SPACING)
    assert run.changes == ()
    assert run.lattice.spacing_u == pytest.approx(0.015)
    # the ends hang free on both sides; in the middle the cloth lies on the roller
    assert np.isfinite(run.x).all()
    # nodes lie off the roller by up to the sag h^2 / 8 R of a chord, whose middle touches, and sink in by the limit
    assert -run.settle.penetration < run.contact.gap.min() < 0.015**2 / (8 * 0.1)
    assert run.contact.gap.max() > 0.1
    assert np.ptp(run.x[:, 0]) < 0.3
    # what the roller carries is the strip's weight
    weight = run.fabric.areal_density * 9.80665 * scene.sheet.length * scene.sheet.width
    assert run.contact_force[:, 2].sum() == pytest.approx(weight, rel=1e-2)
    assert [mark.name for mark in run.marks] == MARKS
    answers = {verdict.mark: verdict.verdict for verdict in run.verdicts}
    assert answers["wax-top"] == "touches naturally"
    assert answers["soot-hanging"] == "clear of the body"


def test_marks_table_says_what_the_run_says(settled):
    folder = settled[0] / "runs/strip-on-cylinder"
    with (folder / "marks.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    verdicts = drapesim.load_run(folder).verdicts
    assert [(row["mark"], row["verdict"]) for row in rows] == [(v.mark, v.verdict) for v in verdicts]
    for row, verdict in zip(rows, verdicts, strict=True):
        assert float(row["gap_median_mm"]) == pytest.approx(1e3 * verdict.gap_median, abs=1e-4)


def test_show_repeats_the_answers(settled):
    folder, _, out, _ = settled
    code, shown, _ = run("show", "runs/strip-on-cylinder", cwd=folder)
    assert code == 0
    assert shown == out.rpartition("written:")[0]


def test_finished_run_is_kept(settled):
    folder = settled[0]
    before = (folder / "runs/strip-on-cylinder/run.h5").read_bytes()
    code, out, err = run("run", str(STRIP), "--spacing-mm", SPACING, cwd=folder)
    assert (code, out) == (2, "")
    assert "holds a finished run" in err
    assert (folder / "runs/strip-on-cylinder/run.h5").read_bytes() == before


def test_too_few_steps(tmp_path):
    scene = shorten(tmp_path, max_steps=200)
    words = ["run", str(scene), "--out", "out", "--spacing-mm", "24", "--no-pictures", "--quiet"]
    code, out, err = run(*words, cwd=tmp_path)
    assert code == 3
    assert out.startswith("UNSETTLED. ")
    assert "raise settle.max_steps" in out.splitlines()[0]
    assert err == ""
    kept = drapesim.load_run(tmp_path / "out")
    assert kept.ending is Ending.OUT_OF_STEPS
    assert not kept.certificate.settled
    assert kept.certificate.failures
    assert [verdict.verdict for verdict in kept.verdicts] == ["undecided"] * 3


def test_interrupt_and_resume(tmp_path):
    words = ["run", str(STRIP), "--out", "out", "--spacing-mm", SPACING, "--no-pictures"]
    process = begin(*words, cwd=tmp_path)
    deadline = time.monotonic() + 300
    for line in process.stderr:
        if line.startswith("settling") or time.monotonic() > deadline:
            break
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130, out + err
    assert out == ""
    sentence, command = err.splitlines()[-2:]
    assert sentence == Ending.INTERRUPTED.value
    assert command == f"drapesim run {STRIP} --out out --resume --spacing-mm 15"
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["checkpoint.h5"]
    with h5py.File(tmp_path / "out/checkpoint.h5") as file:
        steps, looks = file.attrs["steps"], len(file["history"])
    assert steps > 0

    # the energy account goes on too: the whole certificate is met, as if nothing had happened
    code, out, err = run(*command.split()[1:], "--no-pictures", cwd=tmp_path)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["marks.csv", "run.h5"]
    resumed = drapesim.load_run(tmp_path / "out")
    assert code == 0, out + err
    assert resumed.ending is Ending.SETTLED
    certificate = resumed.certificate
    assert certificate.steps > steps
    assert len(resumed.history) > looks


def test_the_same_from_python(settled, tmp_path):
    """The chain of the README: the same input gives the same bytes as the command line gave."""
    scene = drapesim.read_scene(STRIP)
    drapesim.run_scene(scene, tmp_path / "run", spacing_mm=float(SPACING))
    here, there = drapesim.load_run(tmp_path / "run"), drapesim.load_run(settled[0] / "runs/strip-on-cylinder")
    assert here.x.tobytes() == there.x.tobytes()
    assert here.contact.gap.tobytes() == there.contact.gap.tobytes()
    assert here.verdicts == there.verdicts


def test_bending_hysteresis_is_kept_as_an_uncertainty(settled, tmp_path):
    """The same sheet comes to rest, and each gap is told how far friction between yarns may hold it off."""
    scene = shorten(tmp_path, 300_000)
    card = tmp_path / "fabrics/cover-linen.toml"
    card.write_text(
        card.read_text()
        + '\n[bending_hysteresis.warp]\nmoment_gf_cm_cm = 0.1\nsource = "test value"\nstatus = "invented"\n'
    )
    code, out, err = run("run", str(scene), "--spacing-mm", SPACING, "--out", "rubbing", cwd=tmp_path)
    assert code == 0, out + err
    assert "bending hysteresis (2HB) may hold it off" in out
    plain = drapesim.load_run(settled[0] / "runs/strip-on-cylinder")
    rubbing = drapesim.load_run(tmp_path / "rubbing")
    assert np.array_equal(rubbing.x, plain.x)
    assert plain.contact.hysteresis is None
    held, touches = rubbing.contact.hysteresis, (rubbing.contact_force != 0.0).any(axis=1)
    assert (held[touches] == 0.0).all()
    assert 1e-3 < held.max() < 0.02, "the ends hang several bending lengths free"
    top, _, hanging = rubbing.verdicts
    assert top.hysteresis == 0.0
    assert hanging.hysteresis == pytest.approx(held.max(), rel=0.01)
    assert hanging.uncertainty == pytest.approx(plain.verdicts[2].uncertainty, rel=1e-9)
    assert (tmp_path / "rubbing/report.html").read_text().count("keeps some of") == 1
    with (tmp_path / "rubbing/marks.csv").open() as table:
        assert float(list(csv.DictReader(table))[2]["hysteresis_mm"]) == pytest.approx(
            1e3 * hanging.hysteresis, rel=1e-4
        )
