"""Labels beside crowded places: none over another, none over a place, all on the page."""

import numpy as np

from drapesim.front.labels import place_beside


def test_labels_of_crowded_places_stay_apart():
    rng = np.random.default_rng(2)
    at = np.concatenate([rng.uniform(0.45, 0.55, (6, 2)), [[0.02, 0.02], [0.98, 0.97]]])
    sizes = np.column_stack([rng.uniform(0.05, 0.16, 8), np.full(8, 0.02)])
    lines = np.array([[[0.0, 0.5], [1.0, 0.5]]])
    middle = place_beside(at, sizes, 0.012, lines, (np.zeros(2), np.ones(2)))
    low, high = middle - 0.5 * sizes, middle + 0.5 * sizes
    assert (low >= 0.0).all()
    assert (high <= 1.0).all()
    for k in range(8):
        for j in range(8):
            assert j == k or not ((low[k] < high[j]) & (low[j] < high[k])).all()
            assert not ((low[k] < at[j]) & (at[j] < high[k])).all()
    np.testing.assert_array_equal(middle, place_beside(at, sizes, 0.012, lines, (np.zeros(2), np.ones(2))))


def test_lone_label_stands_right_by_its_place():
    at, size = np.array([[0.5, 0.5]]), np.array([[0.1, 0.02]])
    (middle,) = place_beside(at, size, 0.01, np.empty((0, 2, 2)), (np.zeros(2), np.ones(2)))
    off = np.maximum(np.abs(middle - at[0]) - 0.5 * size[0], 0.0)
    assert 0.01 < np.hypot(*off) < 0.02
