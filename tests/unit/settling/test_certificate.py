"""The certificate: each limit has its sentence, and the balance accepts no contact force that cannot be."""

import numpy as np
import pytest

from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import no_contacts, prepare_body
from drapesim.mechanics.solve import find_touching, pose_problem, start_motion
from drapesim.settling.certificate import balance, find_failures
from drapesim.settling.level import LevelState

LIMITS = SettleSettings()
GOOD = {
    "residual_rms": LIMITS.residual_rms,
    "residual_max": LIMITS.residual_max,
    "stay_max": LIMITS.stay,
    "penetration_max": LIMITS.penetration,
    "crossings": 0,
    "body_crossings": 0,
    "energy_closure": LIMITS.energy_closure,
}
SAID = {
    "residual_rms": "The rms residual force over nodal weight is 0.00101; the limit is 0.001.",
    "residual_max": "The largest residual force over nodal weight is 0.0101; the limit is 0.01.",
    "stay_max": "The largest move in a further tenth of the steps is 0.0101 mm; the limit is 0.01 mm.",
    "penetration_max": "The depth of the cloth's face in the body is 0.0505 mm; the limit is 0.05 mm.",
    "crossings": "The number of places where cloth passes through cloth (which it is not yet kept from) is 1; "
    "the limit is 0.",
    "body_crossings": "The number of cloth-body crossings is 1; the limit is 0.",
    "energy_closure": "The energy not accounted for, as a share is 0.0101; the limit is 0.01.",
}


def test_at_every_limit_nothing_fails():
    assert find_failures(GOOD, LIMITS) == ()


@pytest.mark.parametrize("name", GOOD)
def test_each_limit_is_watched_and_named(name):
    over = 1 if isinstance(GOOD[name], int) else 1.01 * GOOD[name]
    assert find_failures({**GOOD, name: over}, LIMITS) == (SAID[name],)


@pytest.mark.parametrize("name", GOOD)
@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_what_is_not_known_fails(name, value):
    (sentence,) = find_failures({**GOOD, name: value}, LIMITS)
    assert " was not measured; the limit is " in sentence


def test_all_failures_are_told():
    assert len(find_failures(dict.fromkeys(GOOD, 1), LIMITS)) == len(GOOD)


@pytest.fixture
def resting(meshes, as_body, curved_card):
    """A level sheet on the box, each node's contact carrying just its weight; (state, x)."""
    lattice = Lattice(0.01, 0.01, np.ones((6, 4), dtype=bool))
    x = np.c_[lattice.uv - [0.033, 0.0213], np.full(len(lattice.uv), 0.04 + 2e-4)]
    field = prepare_body(as_body(meshes["box"]))
    gravity = np.array([0.0, 0.0, -9.8])
    problem = pose_problem(lattice, curved_card, field, np.full(2, 0.3), None, gravity, 1)
    found = find_touching(problem, x, 1e-3, no_contacts())
    found.contacts.force[:, 2] = problem.weight[found.found.node[:, 0]]
    return LevelState(problem, start_motion(problem, x), found), x


def size_of(net, state):
    return np.linalg.norm(net, axis=1) / state.problem.weight


def test_contacts_that_carry_the_weight_leave_nothing(resting):
    state, x = resting
    net, mobilised = balance(state, x)
    assert size_of(net, state).max() < 1e-9
    assert mobilised == 0.0


def test_pull_of_a_contact_is_not_accepted(resting):
    state, x = resting
    state.found.contacts.force[5] *= -1.0
    net, _ = balance(state, x)
    size = size_of(net, state)
    node = state.found.found.node[5, 0]
    assert size[node] == pytest.approx(1.0, rel=1e-9)  # its whole weight is left
    assert np.delete(size, node).max() < 1e-9


def test_grip_beyond_the_cone_is_cut_to_it(resting):
    state, x = resting
    weight = state.problem.weight[state.found.found.node[:, 0]]
    state.found.contacts.force[:, 0] = 0.29 * weight
    net, mobilised = balance(state, x)
    np.testing.assert_allclose(size_of(net, state), 0.29, rtol=1e-9)
    assert mobilised == 1.0
    state.found.contacts.force[:, 0] = 5.0 * weight
    net, _ = balance(state, x)
    np.testing.assert_allclose(size_of(net, state), 0.3, rtol=1e-9)


def test_contact_that_does_not_touch_carries_nothing(resting):
    state, x = resting
    lifted = x + np.array([0.0, 0.0, 2e-4])
    net, _ = balance(state, lifted)
    np.testing.assert_allclose(size_of(net, state), 1.0, rtol=1e-9)


def test_contact_with_points_off_the_body_carries_nothing(resting):
    """Contacts that claim a body where there is none: cloth and contact points agree, the exact distance does not."""
    state, x = resting
    up = np.array([0.0, 0.0, 5e-3])
    state.found.found.point[:] += up
    net, _ = balance(state, x + up)
    np.testing.assert_allclose(size_of(net, state), 1.0, rtol=1e-9)
