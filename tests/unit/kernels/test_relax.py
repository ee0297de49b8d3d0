"""Contacts in runs: those that push are listed, and their forces and the inertia that they lend reach their nodes."""

from itertools import pairwise

import numpy as np
import pytest

from drapesim.kernels.listing import list_touched
from drapesim.kernels.relax import (
    AWAKE,
    BATCH,
    FADE,
    FRESH,
    PUSHING,
    RUN,
    Contacts,
    Inertia,
    Pace,
    collect_touch,
    press_contacts,
)

NODES = 90
PACE = Pace(
    dt=1e-4, damping=1.0, stiffness=50.0, grip=40.0, dashpot=5.0, limit=1.0, hold_u=0.1, hold_v=0.1, borne=1.0,
    bend=0.0, lend=2e-3,
)  # fmt: skip


def make_contacts(n):
    """(flat (3, NODES), contacts): n contacts, most on one node, that lie in or out of level planes by up to 1 mm."""
    rng = np.random.default_rng(7)
    flat = rng.normal(scale=5e-4, size=(3, NODES))
    node, weight = rng.integers(0, NODES - 5, (n, 4)), rng.uniform(0.1, 1.0, (n, 4))
    weight[::3] *= [[0.0, 1.0, -1.0, 0.0]]  # a weight of zero may stand before others
    weight[1::3, 1:], weight[2::3, 1:] = 0.0, 0.0
    node[::5, 3] = node[::5, 0]  # as unused places are
    weight[::5, 3] = 0.0
    zeros = np.zeros((n, 3))
    runs = -(-n // RUN)
    contacts = Contacts(
        node, weight, np.tile([0.0, 0.0, 1.0], (n, 1)), rng.normal(scale=5e-4, size=n), np.full(n, 0.3), np.zeros(n),
        zeros.copy(), zeros.copy(), np.zeros(n), np.full(n, FRESH), np.full(runs, FRESH), np.full(n, -1),
        np.zeros(runs, np.int64), list_touched(node, NODES),
    )  # fmt: skip
    return flat, contacts


def pushing_of(contacts):
    runs = range(len(contacts.n_pushing))
    return np.concatenate([contacts.pushing[r * RUN : r * RUN + contacts.n_pushing[r]] for r in runs])


@pytest.mark.parametrize("blocks", [1, 2, 3])
def test_those_that_push_are_listed_and_the_rest_sleeps(blocks):
    """Each is in or out of its plane by what its gap says; of runs where nothing pushes the nearest decides."""
    n = 3 * BATCH * RUN + 11  # batches for three blocks, and a short run
    flat, contacts = make_contacts(n)
    contacts.offset[5 * RUN : 7 * RUN] = -4.0  # two runs far off
    contacts.offset[6 * RUN + 3] = -0.5
    for b in range(blocks):
        press_contacts(b, blocks, flat, contacts, 0.0, 0.0, PACE, PACE.dashpot)
    way = np.einsum("ck,dck->dc", contacts.weight, flat[:, contacts.node])
    gap = way[2] - contacts.offset
    pushes = gap < 0.0
    assert 0.3 * n < np.count_nonzero(pushes) < 0.7 * n
    np.testing.assert_array_equal(pushing_of(contacts), np.flatnonzero(pushes))
    np.testing.assert_array_equal(contacts.wake == PUSHING, pushes)
    between = contacts.weight.sum(1) < 0.5
    np.testing.assert_allclose(contacts.wake[~pushes], (np.where(between, 0.5, 1.0) * gap)[~pushes], rtol=1e-9)
    np.testing.assert_allclose(contacts.force[:, 2], np.where(pushes, -PACE.stiffness * gap, 0.0), rtol=1e-9)
    least = np.array([contacts.wake[first : first + RUN].min() for first in range(0, n, RUN)])
    np.testing.assert_array_equal(contacts.run_wake, least)
    assert 0.2 < least[6] < 0.6 < 1.9 < least[5]

    # run 6 is looked at again once nodes may have come as far as its nearest contact, run 5 is not
    contacts.last[:] = 9.0
    press_contacts(0, 1, flat, contacts, least[6], 0.0, PACE, PACE.dashpot)
    woken = np.flatnonzero(contacts.last != 9.0)
    assert 6 * RUN + 3 in woken
    assert not ((woken >= 5 * RUN) & (woken < 6 * RUN)).any()
    assert np.isin(np.flatnonzero(pushes), woken).all()


@pytest.mark.parametrize("cuts", [(0, NODES), (0, 30, 60, NODES), (0, 7, 8, 83, NODES)])
def test_nodes_gather_what_a_scatter_would(cuts):
    n = 4 * RUN + 5
    flat, contacts = make_contacts(n)
    contacts.offset[RUN : 2 * RUN] = -1.0  # a run in which none pushes
    press_contacts(0, 1, flat, contacts, 0.0, 0.0, PACE, PACE.dashpot)
    contacts.force[contacts.wake >= AWAKE] = 7.0  # nobody reads these
    rng = np.random.default_rng(1)
    base = rng.uniform(1e-4, 2e-4, NODES)
    was = base + 1e-3 * rng.uniform(size=NODES)
    inertia = Inertia(base.copy(), was.copy(), 1.0 / was, np.full(NODES, 3.0))
    touch, share = np.full((3, NODES), 5.0), np.full(NODES, 5.0)
    for lo, hi in pairwise(cuts):
        collect_touch(lo, hi, touch, share, inertia, contacts, PACE.lend)
    expected, rows = np.zeros((3, NODES)), np.zeros(NODES)
    for c in np.flatnonzero(contacts.wake == PUSHING):
        for k in range(4):
            a, w = contacts.node[c, k], contacts.weight[c, k]
            expected[:, a] += w * contacts.force[c]
            rows[a] += abs(w) * np.abs(contacts.weight[c]).sum()
    touched = np.zeros(NODES, dtype=bool)
    touched[contacts.touched] = True
    assert (touched & (rows == 0.0)).any()
    np.testing.assert_allclose(touch[:, touched], expected[:, touched], rtol=0, atol=1e-14)
    mass = np.where(touched, base + np.maximum(PACE.lend * rows, FADE * (was - base)), was)
    np.testing.assert_allclose(inertia.mass, mass, rtol=1e-14)
    np.testing.assert_allclose(inertia.light * inertia.mass, 1.0, rtol=1e-14)
    np.testing.assert_allclose(inertia.turn[touched], (was / mass)[touched], rtol=1e-14)
    # the others are left alone
    assert (touch[:, ~touched] == 5.0).all()
    assert (inertia.turn[~touched] == 3.0).all()


def test_without_steps_no_inertia_is_lent():
    flat, contacts = make_contacts(2 * RUN)
    press_contacts(0, 1, flat, contacts, 0.0, 0.0, PACE, 0.0)
    one = np.ones(NODES)
    inertia = Inertia(one, 2.0 * one, 0.5 * one, 3.0 * one)
    touch = np.zeros((3, NODES))
    collect_touch(0, NODES, touch, np.zeros(NODES), inertia, contacts, 0.0)
    assert touch[2].any()
    for values, before in zip(inertia, (1.0, 2.0, 0.5, 3.0), strict=True):
        assert (values == before).all()
