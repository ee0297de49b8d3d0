"""Promises of `drapesim press`, from a run folder to the verdict table: the strip on the cylinder, coarse.

A mark just past where the strip leaves the cylinder hangs a few millimetres off; a hundredth of a newton brings it on.
"""

import csv
import signal
import time

import numpy as np
import pytest

import drapesim
from drapesim.front.cli import main
from drapesim.jobs.press import load_presses
from tests.system.test_run import STRIP, begin

MARKS = """
<svg xmlns="http://www.w3.org/2000/svg" width="900mm" height="60mm" viewBox="0 0 900 60">
<circle id="wax-top" data-kind="stain" cx="450" cy="30" r="15"/>
<rect id="wax-low" data-kind="stain" x="612" y="15" width="18" height="30"/>
</svg>
"""


@pytest.fixture(scope="module")
def settled(tmp_path_factory):
    """The folder of a settled run whose second mark is not on the body."""
    folder = tmp_path_factory.mktemp("press")
    (folder / "strip.svg").write_text(MARKS)
    (folder / "claims.toml").write_text('[wax-top]\nclaim = "touches"\n[wax-low]\nclaim = "touches"\n')
    text = STRIP.read_text().replace("fabrics/", f"{STRIP.parent}/fabrics/")
    text = text.replace("marks/strip.svg", "strip.svg").replace("marks/strip-claims.toml", "claims.toml")
    (folder / "scene.toml").write_text(text)
    drapesim.run_scene(drapesim.read_scene(folder / "scene.toml"), folder / "out")
    return folder / "out"


def press(folder, *words):
    """The process of a press test of ``folder``."""
    return begin("press", str(folder), *words, cwd=folder.parent)


def test_ctrl_c_keeps_what_was_done_and_progress_is_told(settled):
    process = press(settled)
    deadline = time.monotonic() + 60
    for line in process.stderr:
        if line.startswith("pressing wax-low") or time.monotonic() > deadline:
            break
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130, out + err
    assert "Interrupted. The marks that were done are kept" in err
    assert "Traceback" not in err
    assert load_presses(settled, drapesim.load_run(settled)) == []


def test_refusals_write_nothing(settled, capsys):
    for words, said in (
        (["--mark", "wax-bottom"], "its marks are: wax-top, wax-low"),
        (["--mark", "wax-top"], "touches with nothing pressing"),
        (["--most-force", "nan"], "no force to press with"),
    ):
        assert main(["press", str(settled), *words]) == 2
        assert said in capsys.readouterr().err
    assert not (settled / "press.json").exists()


def test_the_force_that_brings_the_mark_on(settled, capsys):
    """The sheet starts where the run left it; the table of verdicts then tells the force."""
    assert main(["press", str(settled), "--quiet", "--most-force", "0.5"]) == 0
    (row,) = csv.DictReader((settled / "press.csv").read_text().splitlines())
    assert row["mark"] == "wax-low"
    assert row["touches_if_pressed"] == "yes"
    assert 0.98 * float(row["force_N"]) < float(row["not_enough_N"]) < float(row["force_N"]) < 0.02
    assert float(row["drift_mm"]) < 0.05
    assert 0.5 < float(row["shift_mm"]) < 5.0
    capsys.readouterr()
    assert main(["marks", str(settled)]) == 0
    assert "touches if pressed or pulled" in capsys.readouterr().out


def test_what_the_kept_contacts_carry_is_the_weight(settled):
    run = drapesim.load_run(settled)
    assert run.rest is not None
    weight = run.fabric.areal_density * run.lattice.node_area.sum() * 9.80665
    assert run.rest.push.sum(axis=0) == pytest.approx(np.array([0.0, 0.0, weight]), abs=1e-4 * weight)
