"""A lay by hands through the main job: what run.h5 keeps of it, its certificate from the file, Ctrl-C and going on."""

import os
import shutil
import subprocess
import sys

import numpy as np
import pytest

import drapesim
from drapesim.front.cli import BAD_INPUT, main
from drapesim.jobs.run import run_scene
from drapesim.matter.lay import PressStep, PullStep
from drapesim.matter.plan import read_scene
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.independent import elastic_force
from drapesim.mechanics.solve import pose_problem
from drapesim.settling.balance import balance
from drapesim.settling.exact import measure_distance, part_field
from drapesim.settling.frames import load_film
from drapesim.settling.lay_archive import LAY_FILE
from drapesim.settling.settle import Interrupted
from tests.unit.made_run import ROOT

SCENE = """\
title = "Strip handled on a roller"
[sheet]
length_mm = 900
width_mm = 120
spacing_mm = 15
[fabric]
card = "cover-linen.toml"
[body]
surface = "limewood"
cylinder = { radius_mm = 100, length_mm = 200, axis = "y", centre_mm = [0, 0, 500] }
[[lay]]
do = "lower"
point_mm = [450, 60]
place_mm = [0, 0]
clearance_mm = 5
[[lay]]
do = "press"
point_mm = [420, 60]
force_N = 1
keep = true
name = "finger"
[[lay]]
do = "pull"
edge_mm = [[900, 0], [900, 120]]
by_mm = [0, 0, -10]
most_force_N = 5
across_mm = 1
[[lay]]
do = "weight"
point_mm = [880, 60]
mass_g = 20
"""
DOWN = np.array([0.0, 0.0, -9.80665])


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lay")
    shutil.copy(ROOT / "scenes/fabrics/cover-linen.toml", folder)
    (folder / "scene.toml").write_text(SCENE)
    return folder / "scene.toml"


@pytest.fixture(scope="module")
def run(path):
    run_scene(read_scene(path), path.parent / "run")
    return drapesim.load_run(path.parent / "run")


def test_it_settles_with_what_stays_on_it(run):
    assert run.certificate.settled, run.certificate.failures
    assert run.hands is not None
    assert run.hands.load.sum(axis=0)[2] < -0.15
    assert np.linalg.norm(run.hands.load, axis=1).sum() == pytest.approx(1.0 + 0.02 * 9.80665, rel=1e-6)


def test_the_file_keeps_the_plan_and_what_became_of_it(run, path):
    assert run.lay == read_scene(path).lay
    assert isinstance(run.lay[1], PressStep)
    assert isinstance(run.lay[2], PullStep)
    assert [step.outcome for step in run.hands.steps] == ["done"] * 3
    told = run.hands.tell()
    assert "nodes 30 mm apart" in told[0]
    assert told[-1] == "It rests so only with these: 1.2 N of hands, weights or bands lie on the cloth."
    assert "pull the right end down by 10 mm: done; at most" in told[2]


def test_forces_of_the_file_balance_with_the_loads_of_hands(run):
    weight = run.fabric.areal_density * run.lattice.node_area * 9.80665
    net = elastic_force(run.lattice, run.fabric, run.x) + run.contact_force + run.layer_force + run.hands.load
    size = np.linalg.norm(net + weight[:, None] * [0.0, 0.0, -1.0], axis=1) / weight
    assert np.sqrt(np.mean(size**2)) <= run.settle.residual_rms
    assert size.max() <= run.settle.residual_max
    # and found from nothing: no load, no rest
    friction = np.array([run.fabric.friction[part.surface] for part in run.body.parts])
    problem = pose_problem(run.lattice, run.fabric, prepare_body(run.body), friction, None, DOWN, 1)
    without = np.linalg.norm(balance(problem, None, run.x, (1e-3, 1e-2)), axis=1) / weight
    assert without.max() > 1.0


def test_a_lay_that_was_stopped_goes_on_to_the_same_bytes(run, path):
    def stop(look):
        if "pull" in look.stage:
            raise KeyboardInterrupt

    out = path.parent / "stopped"
    with pytest.raises(Interrupted):
        run_scene(read_scene(path), out, stop)
    assert (out / LAY_FILE).is_file()
    assert not (out / "run.h5").exists()
    seen = []
    run_scene(read_scene(path), out, lambda look: seen.append(look.stage), resume=True)
    assert not any("press" in stage for stage in seen)
    again = drapesim.load_run(out)
    assert np.array_equal(again.x, run.x)
    assert not (out / LAY_FILE).exists()
    film, whole = load_film(out), load_film(path.parent / "run")
    assert film.words[0] == whole.words[0]
    assert np.array_equal(film.x[-1], whole.x[-1])


def test_a_target_inside_the_body_writes_nothing(path, capsys):
    bad = path.with_name("bad.toml")
    bad.write_text(SCENE.replace("by_mm = [0, 0, -10]", "to_mm = [0, 0, 500]"))
    out = path.parent / "never"
    assert main(["run", str(bad), "--out", str(out)]) == BAD_INPUT
    assert "lay[3].to: this place lies 100 mm inside the body; give a place on or above it" in capsys.readouterr().err
    assert not out.exists()


HANDS = """
import hashlib, sys
import numba, numpy as np
from drapesim.matter.body import box, join, slab
from drapesim.matter.fabric import read_card
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.kernels.jit import use_threads
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.hands import start_hands
from drapesim.settling.loads import spread_patch
from drapesim.settling.settle import MOST_THREADS, share_out

card = read_card(sys.argv[1])
body = prepare_body(join(box((-0.12, -0.08, 0.0), (0.13, 0.07, 0.1)), slab(1.0, 1.0, 0.05, surface="slate")))
lattice = cut_lattice(Sheet(length=0.56, width=0.52, spacing=0.01))
start = np.c_[lattice.uv - 0.27, np.full(len(lattice.ij), 0.1005)]
blocks = share_out(lattice, use_threads(MOST_THREADS))
nobody = np.zeros(len(start), dtype=bool)
hands = start_hands(lattice, card, body, np.array([0.5, 0.45]), start, nobody, blocks, np.array([0.0, 0.0, -9.80665]))
hands.press("thumb", spread_patch(lattice, ((0.27, 0.27),), 0.05, np.array([0.0, 0.0, -1.0])))
hands.take("end", ((0.56, 0.0), (0.56, 0.52)), 0.01)
ended = hands.drive("end", np.array([[0.25, -0.01, 0.12]]), 20.0, 0.1)
print(numba.get_num_threads(), ended.outcome, hashlib.sha256(hands.x.tobytes()).hexdigest(), hands.work)
"""


def test_hands_leave_the_same_bytes_on_any_number_of_threads():
    told = []
    for threads in (1, 2):
        paths = os.pathsep.join([str(ROOT), *sys.path])
        environment = dict(os.environ, NUMBA_NUM_THREADS=str(threads), PYTHONPATH=paths)
        command = [sys.executable, "-c", HANDS, str(ROOT / "scenes/fabrics/cover-linen.toml")]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False, timeout=400)
        assert done.returncode == 0, done.stderr
        used, *rest = done.stdout.split()
        assert int(used) == threads
        told.append(rest)
    assert told[0] == told[1]


UNDER = """\
title = "Box on the under half, the over half passed over it"
[sheet]
length_mm = 560
width_mm = 160
spacing_mm = 20
[fabric]
card = "cover-linen.toml"
[body]
surface = "limewood"
box = { size_mm = [160, 100, 40], centre_mm = [0, 0, 20] }
[support]
kind = "floor"
surface = "slate"
[[lay]]
do = "spread"
point_mm = [0, 80]
place_mm = [-120, 0]
[[lay]]
do = "pull"
edge_mm = [[560, 0], [560, 160]]
via_mm = [[250, 0, 180], [0, 0, 180]]
to_mm = [-120, 0, 60]
most_force_N = 10
"""


def test_body_lies_on_the_under_half_and_the_over_half_on_the_body(path):
    """Cloth between box and floor has room for its thickness alone, is pinned, and settles with the certificate."""
    scene = path.with_name("under.toml")
    scene.write_text(UNDER)
    run = run_scene(read_scene(scene), path.parent / "under")
    assert run.certificate.settled, run.certificate.failures
    half = 0.5 * run.fabric.thickness
    field = prepare_body(run.body)
    of_body, of_support = part_field(field, False), part_field(field, True)
    pinned = run.hands.held
    assert pinned.sum() > 20
    for part in (of_body, of_support):
        assert np.abs(measure_distance(run.x[pinned], part)[0] - half).max() < 1e-9
    over = run.x[:, 2] > 0.04
    assert over.sum() > 40
    assert np.abs(run.contact.gap[pinned]).max() < 1e-6  # the inner side touches it from below ...
    top = over & (np.abs(run.x[:, :2]) < [0.06, 0.04]).all(axis=1)
    assert np.abs(run.contact.gap[top]).max() < 1e-3  # ... and from above
    assert run.layers is not None
    assert "lifted by the cloth's thickness" in run.hands.tell()[0]
