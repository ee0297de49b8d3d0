"""A window moves as the whole sheet would with all other nodes held, and books what contact and damping take."""

from dataclasses import replace

import numpy as np
import pytest

from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.energies import grid_place
from drapesim.mechanics.search import find_touching
from drapesim.mechanics.solve import Slopes, advance, choose_pace, pose_problem, positions, start_motion, stored_energy
from drapesim.mechanics.window import advance_windows, cut_window, window_residuals

pytestmark = pytest.mark.usefixtures("one_thread")
GRAVITY = np.array([0.0, 0.0, -9.80665])


@pytest.fixture(params=["in the middle", "at a corner"])
def inside(request):
    """Which lattice nodes (16, 13) of the sheet move; not a rectangle."""
    chosen = np.zeros((16, 13), dtype=bool)
    chosen[5:11, 4:9] = True
    chosen[5:7, 4:6] = False
    return chosen if request.param == "in the middle" else np.roll(chosen, (5, -4), (0, 1))


@pytest.fixture
def pose(meshes, as_body, curved_card):
    """(problem, x) of a rumpled sheet that presses into the box's top, with ``held`` (n,) nodes if any."""
    lattice = Lattice(0.01, 0.01, np.ones((15, 12), dtype=bool))
    rng = np.random.default_rng(3)
    x = np.c_[lattice.uv - [0.07, 0.06], np.full(len(lattice.uv), 0.0402)] + rng.normal(0.0, 2e-5, (16 * 13, 3))
    field = prepare_body(as_body(meshes["box"]))

    def posed(held):
        return pose_problem(lattice, curved_card, field, np.full(2, 0.3), held, GRAVITY, 2), x

    return posed


def moving(problem, inside):
    """``inside`` by node, and on the padded grid."""
    grid = np.zeros(problem.fields.mass.shape, dtype=bool)
    i, j = grid_place(problem.lattice)
    nodes = inside[problem.lattice.ij[:, 0], problem.lattice.ij[:, 1]]
    grid[i, j] = nodes
    return nodes, grid


def test_a_window_moves_as_the_sheet_with_all_else_held(pose, inside):
    """Contacts with one foot outside, friction, lent inertia and the account included.

    To rounding, but for contacts with a foot outside: a foot that stays where it is asks for less inertia. At the
    corner there are such, and places differ by a thousandth of the way.
    """
    problem, x = pose(None)
    nodes, grid = moving(problem, inside)
    held, _ = pose(~nodes)
    pace = choose_pace(problem, Slopes(2e3, 400.0), 30.0)
    # a held node would stiffen hinges beside it, as a clamp does: here both have those of the free sheet
    held = replace(held, fields=problem.fields._replace(light=held.fields.light, free=held.fields.free))
    found = [find_touching(each, x, 1e-3, None, no_contacts())[0] for each in (problem, held)]
    part, whole = start_motion(problem, x), start_motion(held, x)
    window = cut_window(problem, grid)
    for _ in range(3):
        assert advance_windows(problem, part, found[0], [window], [pace], 40) == 40
        assert advance(held, whole, found[1], pace, 40) == 40
    place = positions(problem, part)
    np.testing.assert_array_equal(place[~nodes], x[~nodes])
    way = np.abs(place[nodes] - x[nodes]).max()
    assert way > 1e-5
    node = found[0].found.node
    has_foot_outside = (nodes[node] & (found[0].found.weight != 0.0)).any(1) & (~nodes[node]).any(1)
    exact = 1e-9 if not (has_foot_outside & (found[0].contacts.force != 0.0).any(1)).any() else 1e-3
    np.testing.assert_allclose(place, positions(held, whole), rtol=0, atol=exact * way)
    np.testing.assert_allclose(part.spent, whole.spent, rtol=0, atol=exact * np.abs(whole.spent).sum())
    own = nodes[node].any(1) & (found[1].contacts.force != 0.0).any(1)
    assert own.any()
    force = found[1].contacts.force[own]
    np.testing.assert_allclose(found[0].contacts.force[own], force, rtol=0, atol=30 * exact * np.abs(force).max())


def test_the_account_of_a_window_closes(pose, inside):
    """Stored energy of the whole sheet and what was taken out stay the same, though only a part moves."""
    problem, x = pose(None)
    _, grid = moving(problem, inside)
    found, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    motion = start_motion(problem, x)
    pace = choose_pace(problem, Slopes(2e3, 400.0), 30.0)
    pace = pace._replace(dt=0.1 * pace.dt, hold_u=0.01 * pace.hold_u, hold_v=0.01 * pace.hold_v)
    before = stored_energy(problem, motion)
    advance_windows(problem, motion, found, [cut_window(problem, grid)], [pace], 400)
    change = stored_energy(problem, motion) - before
    assert abs(change) > 1e-8
    assert change + motion.spent.sum() == pytest.approx(0.0, abs=0.01 * abs(change))


def test_residuals_of_a_window_are_those_of_the_sheet(pose, inside):
    problem, x = pose(None)
    nodes, grid = moving(problem, inside)
    found, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    motion = start_motion(problem, x)
    pace = choose_pace(problem, Slopes(2e3, 400.0), 30.0)
    advance(problem, motion, found, pace, 0)
    i, j = grid_place(problem.lattice)
    net = np.linalg.norm((motion.force + motion.touch)[:, i, j], axis=0) / problem.weight
    window = cut_window(problem, grid)
    np.testing.assert_allclose(np.sort(window_residuals(motion, window)), np.sort(net[nodes]), rtol=1e-12)
    motion.force[:], motion.touch[:] = 0.0, 0.0
    advance_windows(problem, motion, found, [window], [pace], 0)
    np.testing.assert_allclose(np.sort(window_residuals(motion, window)), np.sort(net[nodes]), rtol=1e-9)
