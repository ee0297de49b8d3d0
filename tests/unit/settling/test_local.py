"""Windows where the sheet still moves: what is picked, that only it moves, and that it comes to rest there."""

import numpy as np
import pytest

from drapesim.kernels.elastic import PAD
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.solve import (
    advance,
    choose_pace,
    pose_problem,
    positions,
    residuals,
    start_motion,
    stored_energy,
)
from drapesim.settling import level
from drapesim.settling.level import LevelState, relax_level, relax_windows, take_chunk
from drapesim.settling.local import TILE, pick_windows, start_local

pytestmark = pytest.mark.usefixtures("one_thread")


@pytest.fixture
def rested(as_body, meshes, curved_card, monkeypatch):
    """A sheet of 11 x 10 tiles at rest on a wide slab."""
    vertices, faces = meshes["box"]
    vertices = vertices * [20.0, 20.0, 1.0]
    lattice = Lattice(0.01, 0.01, np.ones((87, 79), dtype=bool))
    x = np.c_[lattice.uv - 0.5 * lattice.uv.max(axis=0), np.full(len(lattice.uv), vertices[:, 2].max() + 2e-4)]
    gravity = np.array([0.0, 0.0, -9.80665])
    problem = pose_problem(
        lattice, curved_card, prepare_body(as_body((vertices, faces))), np.full(2, 0.3), None, gravity, 1
    )
    state = LevelState(problem, start_motion(problem, x), damping=10.0)
    with monkeypatch.context() as quiet:
        quiet.setattr(level, "LOCAL_AFTER", np.inf)
        assert relax_level(state, (1e-4, 1e-3), 20_000, 3e-5, lambda *_: None)
    return state


def lift(state, height):
    """Lift a bump of 30 mm radius off the slab around the middle of tile (3, 6)."""
    rows, columns = np.indices(state.problem.fields.mass.shape) - PAD
    away = np.hypot(rows - (3.5 * TILE), columns - (6.5 * TILE)) * 0.01
    state.motion.x[2] += height * np.maximum(0.0, 1.0 - (away / 0.03) ** 2) ** 2
    pace = take_chunk(state)
    advance(state.problem, state.motion, state.found, pace, 0)
    return pace


def test_the_window_is_where_the_residual_is(rested):
    lift(rested, 5e-3)
    (window,) = pick_windows(rested.problem, rested.motion)
    inside = np.zeros(rested.problem.fields.mass.shape, dtype=bool)
    inside[window.rows, window.columns] = window.moves
    net = ((rested.motion.force + rested.motion.touch) ** 2).sum(0)
    assert net[inside].sum() > 0.9 * net.sum()
    rows, columns = np.nonzero(inside)
    assert (rows.min(), columns.min()) <= (PAD + 3 * TILE, PAD + 6 * TILE)
    assert inside.sum() < 0.35 * rested.problem.weight.size


def test_restless_everywhere_is_not_cut_up(rested):
    rested.motion.force[:] += np.random.default_rng(0).normal(0.0, 1e-4, rested.motion.force.shape)
    assert pick_windows(rested.problem, rested.motion) == []


def test_restless_places_apart_are_windows_apart(rested):
    rested.motion.force[2, PAD + 4, PAD + 4] = rested.motion.force[2, PAD + 68, PAD + 68] = 1.0
    windows = pick_windows(rested.problem, rested.motion)
    assert len(windows) == 2
    assert [window.moves.sum() for window in windows] == [4 * TILE**2, 9 * TILE**2]  # at a corner, and inside


def test_only_the_window_moves_and_comes_to_rest(rested):
    """The rest keeps place and speed to the bit; energy closes; a thousandth of the squared residuals is left."""
    lift(rested, 5e-3)
    problem, motion = rested.problem, rested.motion
    x, v = motion.x.copy(), motion.v.copy()
    energy = stored_energy(problem, motion) + motion.spent.sum()
    rms, _ = residuals(problem, motion)
    moving = start_local(problem, pick_windows(problem, motion), 20.0)
    inside = np.zeros(problem.fields.mass.shape, dtype=bool)
    for window in moving.windows:
        inside[window.rows, window.columns] |= window.moves
    steps = rested.steps
    seen = []
    relax_windows(rested, moving, rms, lambda *told: seen.append(told[2]))
    np.testing.assert_array_equal(motion.x[:, ~inside], x[:, ~inside])
    np.testing.assert_array_equal(motion.v[:, ~inside], v[:, ~inside])
    assert np.abs(motion.x - x).max() > 1e-3
    advance(problem, motion, rested.found, choose_pace(problem, rested.slopes, 0.0), 0)
    assert residuals(problem, motion)[0] < 0.1 * rms
    assert seen[-1] < 0.1 * rms
    lost = energy - stored_energy(problem, motion)
    assert motion.spent.sum() == pytest.approx(lost, rel=0.02)
    share = inside.sum() / problem.weight.size
    assert rested.steps - steps == pytest.approx(share * len(seen) * level.CHUNK * level.PRELOAD_EVERY, abs=1.0)


def test_a_level_with_windows_comes_to_the_same_rest(rested, monkeypatch):
    """On a slab that holds nothing up, rest is flat with and without."""
    used = []
    monkeypatch.setattr(level, "relax_windows", lambda *a: (used.append(1), relax_windows(*a)))
    rested.steps = level.LOCAL_AFTER
    lift(rested, 5e-3)
    assert relax_level(rested, (1e-4, 1e-3), 50_000, 3e-5, lambda *_: None)
    assert used
    x = positions(rested.problem, rested.motion)
    assert np.ptp(x[:, 2]) < 5e-5


def test_a_sheet_that_crosses_itself_in_a_window_is_put_back(rested, monkeypatch):
    lift(rested, 5e-3)
    calm = rested.calm
    moving = start_local(rested.problem, pick_windows(rested.problem, rested.motion), 20.0)
    monkeypatch.setattr(level, "is_free", lambda *_: False)
    relax_windows(rested, moving, 1.0, lambda *_: None)
    np.testing.assert_array_equal(rested.motion.x, calm.x)
    assert rested.caution < 1.0
