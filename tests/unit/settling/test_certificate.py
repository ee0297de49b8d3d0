"""The certificate: each limit has its sentence."""

import numpy as np
import pytest

from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.search import find_touching
from drapesim.mechanics.solve import pose_problem, start_motion
from drapesim.settling.certificate import find_failures, share_near_slipping
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
    "penetration_max": "The depth of the cloth's face in the body or in another layer is 0.0505 mm; "
    "the limit is 0.05 mm.",
    "crossings": "The number of places where cloth passes through cloth is 1; the limit is 0.",
    "body_crossings": "The number of cloth-body crossings is 1; the limit is 0.",
    "energy_closure": "The energy not accounted for on the last lattice, as a share is 0.0101; the limit is 0.01.",
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
    found, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    found.contacts.force[:, 2] = problem.weight[found.found.node[:, 0]]
    return LevelState(problem, start_motion(problem, x), found), x


def test_share_near_slipping_counts_what_holds_almost_all_it_can(resting):
    state, _ = resting
    assert share_near_slipping(state) == 0.0
    push = state.found.contacts.force[:, 2]
    state.found.contacts.force[:7, 0] = 0.29 * push[:7]  # friction 0.3
    state.found.contacts.force[7:, 0] = 0.28 * push[7:]
    assert share_near_slipping(state) == pytest.approx(7 / len(push), rel=1e-12)
