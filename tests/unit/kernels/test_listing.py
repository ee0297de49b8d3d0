"""Bookkeeping of contact lists."""

import numpy as np

from drapesim.kernels.listing import list_touched, take_up_into, weighted_places


def test_weighted_places_are_weighted_sums():
    rng = np.random.default_rng(0)
    x, node, weight = rng.normal(size=(9, 3)), rng.integers(0, 9, (20, 4)), rng.normal(size=(20, 4))
    expected = np.einsum("ck,ckd->cd", weight, x[node])
    np.testing.assert_allclose(weighted_places(x, node, weight), expected, rtol=0, atol=1e-14)


def test_touched_are_all_nodes_that_a_row_names_in_rising_order():
    rng = np.random.default_rng(0)
    node = rng.integers(0, 40, (20, 4))
    node[::3, 1:] = node[::3, :1]  # as unused places are
    touched = list_touched(node, 45)
    assert touched.dtype == np.int64
    assert 4 < len(touched) < 40
    np.testing.assert_array_equal(touched, np.unique(node))
    assert len(list_touched(node[:0], 45)) == 0


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
