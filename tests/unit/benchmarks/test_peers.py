"""The comparison with other engines: it is there without them, and it judges by what they were given."""

from types import SimpleNamespace

import numpy as np
import pytest

from benchmarks import _peer_engines, peers
from benchmarks import _peer_scene as scene
from benchmarks.__main__ import list_benchmarks
from drapesim.ground.references import solve_cantilever
from drapesim.mechanics.independent import elastic_force


def test_listed_without_any_peer(monkeypatch):
    monkeypatch.setattr("importlib.import_module", lambda _: pytest.fail("listing imports nothing"))
    assert "engines" in list_benchmarks()["peers"]


def test_missing_peer_takes_one_plain_line(monkeypatch, capsys):
    ran = []
    monkeypatch.setattr(peers, "is_installed", lambda _: False)
    monkeypatch.setattr(peers, "compare", lambda kind, engines, *_: ran.append((kind, engines)))
    assert peers.main(["newton"]) == 0
    said = capsys.readouterr()
    assert said.out.splitlines()[0] == "newton: not installed: pip install newton warp-lang"
    assert not said.err
    assert ran == [("drape", ("drapesim",)), ("strip", ("drapesim",))]


def test_unknown_engine_is_refused(capsys):
    with pytest.raises(SystemExit) as stop:
        peers.main(["nothing"])
    assert stop.value.code == 2
    assert "no engine 'nothing'" in capsys.readouterr().err


def test_engine_that_fails_takes_one_line(monkeypatch):
    monkeypatch.setattr(peers.sys, "executable", "/bin/false")
    assert "failed" in peers.run_alone("newton", "drape", 4, 1.0)["fault"]


def test_level_is_reached_when_first_seen_below_it():
    row = peers.sum_up([(1.0, 2.0, 9.0), (2.0, 0.09, 1.0), (3.0, 0.005, 0.1), (4.0, 0.0048, 0.2)])
    assert row["reached"] == [2.0, 3.0, None]
    assert (row["best"], row["since"], row["rms"], row["max"]) == (0.0048, 3.0, 0.0048, 0.2)


@pytest.fixture
def bent_strip():
    """(task, positions) of the clamped strip, moved out of its plane."""
    task = scene.clamp_strip(6, half_cell=False)
    rng = np.random.default_rng(0)
    return task, task.start + 1e-4 * rng.normal(size=task.start.shape)


def test_law_handed_in_takes_the_place_of_ours(bent_strip):
    task, x = bent_strip
    problem = scene.pose(task)
    ours = elastic_force(task.lattice, problem.card, x, problem.held)
    np.testing.assert_allclose(scene.rest_over_weight(problem, x, ours), scene.rest_over_weight(problem, x), rtol=1e-9)
    lifted = np.zeros_like(x)
    lifted[:, 2] = problem.weight  # a law that carries each node
    assert max(scene.rest_over_weight(problem, x, lifted)) < 1e-9


def test_end_of_the_exact_strip_has_no_error():
    task = scene.clamp_strip(6, half_cell=True)
    length = task.start[:, 0].max()
    across, drop = solve_cantilever(scene.GAMMA).tip
    x = task.start.copy()
    last = task.lattice.ij[:, 0] == task.lattice.shape[0] - 1
    x[last, 0], x[last, 2] = across * length, -drop * length
    assert scene.tip_error(task, x) < 1e-9


def newton_law(task, edge=None, hinge=None):
    """The law of Newton's sheet without Newton."""
    law = SimpleNamespace(edge=edge, hinge=hinge)
    law.corners, law.inverse, law.area = _peer_engines._flat_triangles(task)
    return law


@pytest.mark.parametrize(("gradient", "modulus"), [([[1, 0], [0, 0]], 1000.0), ([[0, 1], [0, 0]], 500.0)])
def test_membrane_of_newton_is_as_stiff_as_ours(gradient, modulus):
    """Half of modulus times the squared strain, along a yarn and in shear."""
    task, strain = scene.lay_on_ball(4), 1e-5
    x = task.start.copy()
    x[:, :2] += strain * x[:, :2] @ np.array(gradient, dtype=float).T
    law = newton_law(task)
    rest = _peer_engines.NewtonVBD._membrane(law, task.start[law.corners])
    energy = (_peer_engines.NewtonVBD._membrane(law, x[law.corners]) - rest).sum()
    assert energy == pytest.approx(0.5 * modulus * (strain * scene.SIDE) ** 2, rel=1e-3)


@pytest.mark.parametrize("degrees", [-120.0, -30.0, 1.0, 90.0])
def test_hinge_of_newton_stores_half_its_stiffness_times_the_squared_angle(degrees):
    turn = np.radians(degrees)
    corner = np.array([[[0.0, -1, 0], [0, np.cos(turn), np.sin(turn)], [-0.5, 0, 0], [0.5, 0, 0]]])
    law = newton_law(scene.lay_on_ball(2), hinge=np.array([3.0]))
    assert _peer_engines.NewtonVBD._bending(law, corner)[0] == pytest.approx(1.5 * turn**2, rel=1e-9)
