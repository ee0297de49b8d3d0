"""The tree of boxes against brute force."""

import numpy as np
import pytest

from drapesim.kernels.tree import LEAF, STACK, find_in_box, plant_tree


def soup(n, size, seed=0):
    """n small triangles strewn in a unit cube."""
    rng = np.random.default_rng(seed)
    corners = rng.uniform(size=(n, 1, 3)) + rng.normal(size=(n, 3, 3)) * size
    return corners.reshape(-1, 3), np.arange(3 * n, dtype=np.int32).reshape(n, 3)


def search(low, high, vertices, triangles, tree, room=4096):
    found = np.full(room, -1, np.int64)
    count = find_in_box(found, np.empty(STACK, np.int64), low, high, vertices, triangles, tree)
    return count, found[: min(count, room)]


def brute(low, high, vertices, triangles):
    corners = vertices[triangles]
    return np.flatnonzero(((corners.min(1) <= high) & (corners.max(1) >= low)).all(1))


@pytest.mark.parametrize("n", [1, 2, LEAF, LEAF + 1, 37, 1000])
def test_finds_what_brute_force_finds(n):
    vertices, triangles = soup(n, 0.02)
    tree = plant_tree(vertices, triangles)
    rng = np.random.default_rng(1)
    met = 0
    for _ in range(200):
        low = rng.uniform(-0.2, 1.0, 3)
        high = low + rng.uniform(0.0, 0.5, 3)
        count, found = search(low, high, vertices, triangles, tree)
        assert count == len(found)
        assert np.array_equal(np.sort(found), brute(low, high, vertices, triangles))
        met += count
    assert met > 0


def test_boxes_hold_their_triangles():
    vertices, triangles = soup(500, 0.05)
    tree = plant_tree(vertices, triangles)
    n_leaves = len(tree.low) // 2
    assert np.array_equal(np.sort(tree.order), np.arange(500))
    for place, t in enumerate(tree.order):
        at = n_leaves + place // LEAF
        while at >= 1:
            assert (tree.low[at] <= vertices[triangles[t]].min(0)).all()
            assert (tree.high[at] >= vertices[triangles[t]].max(0)).all()
            at //= 2


def test_few_large_triangles_are_kept_apart_and_found():
    vertices, triangles = soup(300, 0.01)
    big = np.array([[-5.0, -5.0, 0.5], [5.0, -5.0, 0.5], [0.0, 5.0, 0.5]])
    vertices = np.concatenate([vertices, big])
    triangles = np.concatenate([triangles, [[900, 901, 902]]]).astype(np.int32)
    tree = plant_tree(vertices, triangles)
    assert list(tree.large) == [300]
    assert 300 not in tree.order
    low, high = np.array([0.4, 0.4, 0.45]), np.array([0.6, 0.6, 0.55])
    assert 300 in search(low, high, vertices, triangles, tree)[1]
    up = np.array([0.0, 0.0, 0.2])
    assert 300 not in search(low + up, high + up, vertices, triangles, tree)[1]


def test_many_large_triangles_stay_in_the_tree():
    small, large = soup(300, 0.001), soup(65, 0.1, seed=3)
    vertices = np.concatenate([small[0], large[0]])
    triangles = np.concatenate([small[1], large[1] + len(small[0])]).astype(np.int32)
    tree = plant_tree(vertices, triangles)
    assert (len(tree.large), len(tree.order)) == (0, 365)


def test_touching_boxes_meet():
    vertices = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    triangles = np.array([[0, 1, 2]], np.int32)
    tree = plant_tree(vertices, triangles)
    assert search(np.array([1.0, 1.0, 0.0]), np.full(3, 2.0), vertices, triangles, tree)[0] == 1
    assert search(np.array([np.nextafter(1.0, 2.0), 0.0, 0.0]), np.full(3, 2.0), vertices, triangles, tree)[0] == 0


def test_overflow_is_counted():
    vertices, triangles = soup(100, 0.01)
    tree = plant_tree(vertices, triangles)
    count, found = search(np.full(3, -1.0), np.full(3, 2.0), vertices, triangles, tree, room=7)
    assert count == 100
    assert len(set(found)) == 7


def test_triangles_in_one_place():
    """All centres equal: the curve cannot tell them apart, the tree still holds them all."""
    corners = np.tile(np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]), (50, 1))
    triangles = np.arange(150, dtype=np.int32).reshape(50, 3)
    tree = plant_tree(corners, triangles)
    assert search(np.zeros(3), np.ones(3), corners, triangles, tree)[0] == 50
