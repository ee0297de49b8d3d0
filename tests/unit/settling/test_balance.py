"""The balance of forces: no contact force that cannot be is accepted, and none that can be is missed."""

import numpy as np
import pytest

from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.search import find_touching
from drapesim.mechanics.solve import pose_problem
from drapesim.settling.balance import balance, find_meetings, into_cones

LIMITS = (1e-6, 1e-6)
FRICTION = 0.3


def pose(meshes, as_body, card, lean_degrees=0.0):
    """(problem, x): a level sheet in touch with the box's top, under a weight that leans from the upright."""
    lattice = Lattice(0.01, 0.01, np.ones((6, 4), dtype=bool))
    x = np.c_[lattice.uv - [0.033, 0.0213], np.full(len(lattice.uv), 0.04 + 0.5 * card.thickness)]
    lean = np.radians(lean_degrees)
    gravity = 9.8 * np.array([np.sin(lean), 0.0, -np.cos(lean)])
    field = prepare_body(as_body(meshes["box"]))
    return pose_problem(lattice, card, field, np.full(1, FRICTION), None, gravity, 1), x


def rest_of(problem, x, proposed=None):
    net = balance(problem, proposed, x, LIMITS)
    return np.linalg.norm(net, axis=1) / problem.weight


def test_contacts_are_found_that_carry_the_weight(meshes, as_body, curved_card):
    """Nothing proposed: the forces are found from nothing."""
    assert rest_of(*pose(meshes, as_body, curved_card)).max() < 1e-6


@pytest.mark.parametrize("lean", [10.0, 16.0])
def test_friction_holds_inside_the_cone(meshes, as_body, curved_card, lean):
    """atan 0.3 = 16.7 degrees."""
    assert rest_of(*pose(meshes, as_body, curved_card, lean)).max() < 1e-6


@pytest.mark.parametrize("lean", [30.0, 45.0])
def test_tilted_normals_of_the_settling_are_not_believed(meshes, as_body, curved_card, lean):
    """Beyond the cone the least that can be left is the distance of the weight from the cone: sin(lean - atan mu).

    The settling claims contacts whose normals lean as the weight does and whose forces carry all of it.
    """
    problem, x = pose(meshes, as_body, curved_card, lean)
    proposed, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    up = -problem.gravity / np.linalg.norm(problem.gravity)
    proposed.contacts.normal[:] = up
    proposed.found.normal[:] = up
    proposed.contacts.force[:] = problem.weight[proposed.found.node[:, 0]][:, None] * up
    least = np.sin(np.radians(lean) - np.arctan(FRICTION))
    np.testing.assert_allclose(rest_of(problem, x, proposed), least, rtol=1e-5)


def test_sheet_off_the_body_is_not_carried(meshes, as_body, curved_card):
    """20 um of air: twice what is still called touching."""
    problem, x = pose(meshes, as_body, curved_card)
    proposed, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    proposed.contacts.force[:, 2] = problem.weight[proposed.found.node[:, 0]]
    np.testing.assert_allclose(rest_of(problem, x + np.array([0.0, 0.0, 2e-5]), proposed), 1.0, rtol=1e-12)


def test_held_nodes_leave_nothing(meshes, as_body, curved_card):
    problem, x = pose(meshes, as_body, curved_card)
    held = np.zeros(len(x), dtype=bool)
    held[:5] = True
    problem = pose_problem(problem.lattice, curved_card, None, np.zeros(0), held, problem.gravity, 1)
    rest = rest_of(problem, x)
    assert rest[:5].max() == 0.0
    np.testing.assert_allclose(rest[5:], 1.0, rtol=1e-9)


def test_upper_layer_rests_on_the_lower_one(meshes, as_body, curved_card):
    """Folded in two with the fold cut away by a missing column of cells: the lower layer carries the upper one."""
    cell = np.ones((9, 6), dtype=bool)
    cell[4] = False
    lattice = Lattice(0.01, 0.01, cell)
    u, v = lattice.uv.T
    lower = lattice.ij[:, 0] <= 4
    t = curved_card.thickness
    x = np.column_stack([np.where(lower, u, 0.0933 - u), v, np.where(lower, 0.5 * t, 1.5 * t)])
    x += [-0.033, -0.0213, 0.04]
    field = prepare_body(as_body(meshes["box"]))
    problem = pose_problem(lattice, curved_card, field, np.full(1, FRICTION), None, np.array([0.0, 0.0, -9.8]), 1)
    meeting = find_meetings(problem, x)
    assert (meeting.weight.sum(1) < 0.5).any()
    inside = rest_of(problem, x)[~lower & (u < 0.0855)]  # the last row hangs over the lower layer's end
    assert inside.max() < 1e-5
    np.testing.assert_allclose(rest_of(problem, x + np.where(lower, 0.0, 2e-5)[:, None] * [0.0, 0.0, 1.0])[~lower], 1.0)


def test_nearest_force_of_a_cone():
    """Against a fine search over the cone's border in the plane of force and normal."""
    rng = np.random.default_rng(0)
    normal = rng.normal(size=(200, 3))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    force, mu = rng.normal(size=(200, 3)), rng.uniform(0.0, 1.0, 200)
    got = into_cones(force, normal, mu)
    push = (got * normal).sum(1)
    across = np.linalg.norm(got - push[:, None] * normal, axis=1)
    assert (across <= mu * push * (1 + 1e-12) + 1e-15).all()
    # nearest point of a convex cone: what is cut off is square to what is left, and leads away from every ray
    assert np.abs(((force - got) * got).sum(1)).max() < 1e-12
    for _ in range(50):
        way = rng.normal(size=(200, 3))
        way -= (way * normal).sum(1)[:, None] * normal
        ray = normal + rng.uniform(0.0, 1.0, 200)[:, None] * mu[:, None] * way / np.linalg.norm(way, axis=1)[:, None]
        assert (((force - got) * ray).sum(1) <= 1e-12).all()
