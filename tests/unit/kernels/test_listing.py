"""Bookkeeping of contact lists."""

import numpy as np

from drapesim.kernels.listing import list_by_node, take_up_into, weighted_places


def test_weighted_places_are_weighted_sums():
    rng = np.random.default_rng(0)
    x, node, weight = rng.normal(size=(9, 3)), rng.integers(0, 9, (20, 4)), rng.normal(size=(20, 4))
    expected = np.einsum("ck,ckd->cd", weight, x[node])
    np.testing.assert_allclose(weighted_places(x, node, weight), expected, rtol=0, atol=1e-14)


def test_the_list_by_node_gathers_what_a_scatter_would():
    rng = np.random.default_rng(0)
    node = rng.integers(0, 12, (30, 4))
    weight = rng.uniform(0.1, 1.0, (30, 4))
    node[::3, 1:], weight[::3, 1:] = node[::3, :1], 0.0  # as unused places are
    force = rng.normal(size=(30, 3))
    start, touched, entry, slot = list_by_node(node, weight, 12)
    expected = np.zeros((12, 3))
    for k in range(4):
        np.add.at(expected, node[:, k], weight[:, k, None] * force)
    got = np.zeros((12, 3))
    for m, at in enumerate(touched):
        for e in range(start[m], start[m + 1]):
            got[at] += weight[entry[e], slot[e]] * force[entry[e]]
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-14)
    assert sorted(touched.tolist()) == np.unique(node[weight > 0.0]).tolist()


def test_a_weight_of_zero_has_its_place_unless_its_node_is_named_before():
    """The middle of a folded sheet lies straight over a corner: two weights are zero, and grow when it slides."""
    node, weight = np.array([[7, 1, 2, 3], [4, 5, 5, 4]]), np.array([[1.0, -1.0, 0.0, 0.0], [0.4, 0.6, 0.0, 0.0]])
    start, touched, entry, slot = list_by_node(node, weight, 12)
    assert touched.tolist() == [1, 2, 3, 4, 5, 7]
    assert list(zip(entry.tolist(), slot.tolist(), strict=True)) == [(0, 1), (0, 2), (0, 3), (1, 0), (1, 1), (0, 0)]
    assert start.tolist() == [0, 1, 2, 3, 4, 5, 6]


def test_a_grip_is_turned_into_the_new_plane_with_its_tangential_stretch_alone():
    """Of three contacts one goes on in its old plane, one has slid on to a plane that leans, one is new."""
    rng = np.random.default_rng(2)
    place, before = rng.normal(size=(3, 3)), rng.normal(size=(2, 3))
    lean = np.array([0.6, 0.0, 0.8])
    normal, up = np.array([[0.0, 0.0, 1.0], lean, lean]), np.tile([0.0, 0.0, 1.0], (2, 1))
    offset, last, preload = np.array([0.1, 0.2]), np.array([0.01, 0.02]), np.array([3.0, 4.0])
    anchor, force = before + rng.normal(size=(2, 3)), rng.normal(size=(2, 3))
    out = np.zeros(3), np.empty((3, 3)), np.zeros((3, 3)), np.zeros(3)
    origin, turned = np.array([1, 0, -1]), np.array([False, True, False])
    take_up_into(*out, place, normal, origin, turned, before, up, offset, last, preload, anchor, force)
    got_preload, got_anchor, got_force, went = out
    assert got_preload.tolist() == [4.0, 3.0, 0.0]
    np.testing.assert_array_equal(got_force, [force[1], force[0], np.zeros(3)])
    np.testing.assert_allclose(went[:2], (before[:, 2] - offset - last)[::-1], rtol=0, atol=1e-15)
    stretch = anchor[0] - before[0]
    expected = [anchor[1], place[1] + stretch - (stretch @ lean) * lean, place[2]]
    np.testing.assert_allclose(got_anchor, expected, rtol=0, atol=1e-15)
