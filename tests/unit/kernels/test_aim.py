"""Contacts aimed anew without a search: what a fresh search would say of the same two features, to rounding."""

from types import SimpleNamespace

import numpy as np
import pytest

from drapesim.kernels.aim import FEATURE, OVER
from drapesim.kernels.layers import LAYER_EDGE, LAYER_NODE, SELF
from drapesim.kernels.pairs import EDGE_EDGE, NODE_EDGE
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.search import aimed, find_touching
from drapesim.mechanics.solve import pose_problem, start_motion

NUDGE = 2e-5  # m
BAND = 6e-3


def pose(lattice, card, field):
    return pose_problem(lattice, card, field, np.full(1, 0.3), None, np.array([0.0, 0.0, -9.8]), 1)


@pytest.fixture
def on_ball(meshes, as_body, curved_card):
    """A crumpled patch over a bumpy ball of about the same fineness: all six kinds of contact with the body."""
    field = prepare_body(as_body(meshes["bumpy"]))
    lattice = Lattice(0.005, 0.005, np.ones((30, 30), dtype=bool))
    u, v = lattice.uv.T - 0.075
    x = np.column_stack([u, v, np.sqrt(np.maximum(0.118**2 - u**2 - v**2, 1e-4))])
    vertices = field.surface.vertices
    near = vertices[np.linalg.norm(x[:, None] - vertices[None], axis=2).argmin(1)]
    x += (near - x) * (1.0 - 2e-3 / np.linalg.norm(near - x, axis=1))[:, None]
    x += np.random.default_rng(1).normal(scale=4e-4, size=x.shape)
    return pose(lattice, curved_card, field), x


@pytest.fixture
def folded(curved_card):
    """A sheet folded in three, its layers half a millimetre apart and shaken: both kinds of pair of layers."""
    lattice = Lattice(0.005, 0.005, np.ones((30, 12), dtype=bool))
    u, v = lattice.uv.T
    turn = np.minimum(np.floor(u / 0.05 + 1e-9), 2)
    along = np.where(turn % 2 == 0, u - 0.05 * turn, 0.05 * (turn + 1) - u)
    x = np.column_stack([along, v + 0.0013 * turn, 0.002 * turn])
    return pose(lattice, curved_card, None), x + np.random.default_rng(3).normal(scale=3e-4, size=x.shape)


def growth(found, x):
    """(K,) by how much each contact's gap at ``x`` is larger than at its last step, m."""
    at = np.einsum("ck,ckd->cd", found.found.weight, x[found.found.node])
    contacts = found.contacts
    return np.einsum("cd,cd->c", contacts.normal, at) - contacts.offset - contacts.last


def aim_and_search(problem, x):
    """The same contacts twice: aimed after a nudge, and found by a fresh search there; rows in the same order."""
    found, _ = find_touching(problem, x, BAND, 2.4e-3, no_contacts())
    found.contacts.force[:] = 1.0
    later = x + np.random.default_rng(2).normal(scale=NUDGE, size=x.shape)
    went = growth(found, later)
    left = aimed(problem, start_motion(problem, later).x, found)
    assert np.abs(went).max() > 1e-5
    np.testing.assert_allclose(growth(found, later), went, rtol=0, atol=1e-12)  # the dashpot's memory
    fresh, _ = find_touching(problem, later, BAND, 2.4e-3, no_contacts())
    _, one, other = np.intersect1d(found.found.key, fresh.found.key, return_indices=True)
    # an edge that stands almost upright on the body may change its mind which side it is on; aiming never does
    same = np.einsum("cd,cd->c", found.found.normal[one], fresh.found.normal[other]) > 0.0
    assert same.mean() > 0.99
    one, other = one[same], other[same]
    return SimpleNamespace(found=found, fresh=fresh, left=left, one=one, other=other)


@pytest.mark.parametrize(("start", "kinds"), [("on_ball", range(6)), ("folded", (LAYER_NODE, LAYER_EDGE))])
def test_aimed_as_a_fresh_search_finds_it(start, kinds, request):
    """1e-12 m and 1e-9 in direction and weights: rounding, and 2e-5 m of nudge is far above both."""
    got = aim_and_search(*request.getfixturevalue(start))
    assert set(np.unique(got.found.found.key[got.one] >> 60)) >= set(kinds)
    for name in ("normal", "weight"):
        aim, search = getattr(got.found.found, name)[got.one], getattr(got.fresh.found, name)[got.other]
        np.testing.assert_allclose(aim, search, rtol=0, atol=1e-9)
    aim, search = got.found.contacts.offset[got.one], got.fresh.contacts.offset[got.other]
    np.testing.assert_allclose(aim, search, rtol=0, atol=1e-12)
    assert not got.left[got.one].any()


def test_contacts_that_a_search_no_longer_finds_have_left_their_features(on_ball):
    """Or they go on pushing from where nothing is. Left out: what has merely gone out of the band, and what lies in
    the body (a search drops what sees the far side of a thin part)."""
    got = aim_and_search(*on_ball)
    found = got.found.found
    lost = ~np.isin(found.key, got.fresh.found.key) & (found.part != SELF)
    lost &= (found.gap > 2e-4) & (found.gap < BAND - 2e-4)
    assert lost.sum() > 50
    body = on_ball[0].field.surface
    for row in np.flatnonzero(lost & ~got.left):  # only such as lie just past the end of an edge
        along = [found.weight[row, 1]]
        if found.key[row] >> 60 in (NODE_EDGE, EDGE_EDGE):
            f, k = divmod(int(found.key[row] & FEATURE), 3)
            start, end = body.vertices[body.faces[f, k]], body.vertices[body.faces[f, (k + 1) % 3]]
            along.append((found.point[row] - start) @ (end - start) / ((end - start) @ (end - start)))
        assert any(-OVER < a <= 0.0 or 1.0 <= a < 1.0 + OVER for a in along), row
    assert got.left[lost].mean() > 0.75


def test_a_grip_keeps_its_stretch_and_lies_in_the_new_plane(on_ball):
    problem, x = on_ball
    found, _ = find_touching(problem, x, BAND, None, no_contacts())
    contacts = found.contacts
    contacts.force[:] = 1.0
    contacts.anchor[:] += 1e-6 * np.random.default_rng(5).normal(size=contacts.anchor.shape)
    at = np.einsum("ck,ckd->cd", found.found.weight, x[found.found.node])
    stretch = at - contacts.anchor
    move = np.random.default_rng(2).normal(scale=1e-9, size=x.shape)
    later = x + move
    stretch += np.einsum("ck,ckd->cd", found.found.weight, move[found.found.node])
    left = aimed(problem, start_motion(problem, later).x, found)
    at = np.einsum("ck,ckd->cd", found.found.weight, later[found.found.node])
    now = at - contacts.anchor
    stay = ~left
    out = np.einsum("cd,cd->c", now, contacts.normal)
    np.testing.assert_allclose(out[stay], 0.0, rtol=0, atol=1e-15)
    stretch -= np.einsum("cd,cd->c", stretch, contacts.normal)[:, None] * contacts.normal
    np.testing.assert_allclose(now[stay], stretch[stay], rtol=0, atol=1e-12)


def test_idle_contacts_are_left_as_they_are(on_ball):
    problem, x = on_ball
    found, _ = find_touching(problem, x, BAND, None, no_contacts())
    before = found.contacts.normal.copy(), found.contacts.weight.copy()
    assert not aimed(problem, start_motion(problem, x + 1e-4).x, found).any()
    np.testing.assert_array_equal(found.contacts.normal, before[0])
    np.testing.assert_array_equal(found.contacts.weight, before[1])


def test_a_direction_that_has_turned_far_is_another_contact(meshes, as_body, curved_card):
    """A node 0.2 mm off a box edge goes round it by 70 degrees: it is not aimed but searched."""
    problem = pose(Lattice(0.01, 0.01, np.ones((1, 1), dtype=bool)), curved_card, prepare_body(as_body(meshes["box"])))

    def off_edge(degrees):
        turn = np.radians(degrees)
        first = np.array([0.1 + 2e-4 * np.cos(turn), 0.013, 0.04 + 2e-4 * np.sin(turn)])
        return first + problem.lattice.uv[:, [0, 1, 1]] * [1.0, 1.0, 0.0]

    found, _ = find_touching(problem, off_edge(80.0), 1e-3, None, no_contacts())
    edge = np.flatnonzero((found.found.key >> 60 == 1) & (found.found.node[:, 0] == 0))
    assert len(edge) == 1
    found.contacts.force[edge] = 1.0
    before = found.contacts.normal[edge].copy()
    assert aimed(problem, start_motion(problem, off_edge(10.0)).x, found)[edge].all()
    np.testing.assert_array_equal(found.contacts.normal[edge], before)
    assert not aimed(problem, start_motion(problem, off_edge(60.0)).x, found)[edge].any()
    assert np.abs(found.contacts.normal[edge] - before).max() > 0.1
