"""Labels beside crowded places: none over another, none over a place, all on the page."""

import numpy as np
import pytest
from matplotlib.patches import FancyArrowPatch

from drapesim.front.labels import PAGE, draw_warp, name_beside, name_inside, place_beside, start_figure


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


@pytest.mark.parametrize("write", [name_beside, name_inside])
def test_names_of_places_that_lie_close_do_not_cover_each_other(write):
    figure = start_figure(4.0, "")
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, 100 * PAGE), ylim=(0, 400))  # 100 units are an inch
    at = np.array([[400.0, 200.0], [404.0, 201.0], [398.0, 196.0], [401.0, 205.0], [950.0, 396.0], [5.0, 3.0]])
    names = [f"a name of place {k}" for k in range(len(at))]
    write(axes, at, names, 100.0, (np.zeros(2), np.array([100 * PAGE, 400.0])))
    figure.canvas.draw()
    boxes = [text.get_window_extent() for text in axes.texts]
    assert len(boxes) == len(at)
    for k, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[:k])
        assert (box.min >= 0).all()
        assert (box.max <= figure.bbox.max).all()


def test_every_map_has_its_arrow_along_the_warp():
    figure = start_figure(4.0, "")
    draw_warp(figure, 0.1)
    (arrow,) = figure.findobj(FancyArrowPatch)
    (x0, y0), (x1, y1) = arrow._posA_posB
    assert x1 > x0
    assert y0 == y1 == 0.1
