"""Photographs made true to scale: known perspective comes back, residuals are those put in, refusals."""

import numpy as np
import pytest
from PIL import Image

from drapesim.matter.rectify import apply, fit_bars, fit_points, warp_picture

# a camera at a slant: pixels of places in m
CAMERA = np.array([[900.0, 120.0, 60.0], [-80.0, 1000.0, 90.0], [0.12, 0.2, 1.0]])
PLACES = np.array([[0.0, 0.0], [0.5, 0.0], [0.5, 0.3], [0.0, 0.3], [0.25, 0.1], [0.1, 0.25]])


def test_a_known_perspective_comes_back() -> None:
    fitted = fit_points(apply(CAMERA, PLACES), PLACES)
    assert fitted.matrix == pytest.approx(CAMERA, rel=1e-8, abs=1e-8)
    assert fitted.residual.max() < 1e-12
    square = PLACES.mean(axis=0) + 1e-4 * np.array([[0, 0], [1, 0], [0, 1]])
    a, b = np.diff(apply(CAMERA, square), axis=0)[0], apply(CAMERA, square)[2] - apply(CAMERA, square)[0]
    assert fitted.metres_per_pixel == pytest.approx(1e-4 / np.sqrt(abs(a[0] * b[1] - a[1] * b[0])), rel=1e-3)


def test_the_residual_is_told_in_mm_and_finds_the_bad_point() -> None:
    pixels = apply(CAMERA, np.tile(PLACES, (3, 1)) + np.repeat([[0, 0], [0.01, 0.02], [-0.02, 0.01]], 6, axis=0))
    places = np.tile(PLACES, (3, 1)) + np.repeat([[0, 0], [0.01, 0.02], [-0.02, 0.01]], 6, axis=0)
    places[4] += [0.004, 0.003]  # 5 mm off
    fitted = fit_points(pixels, places)
    assert int(np.argmax(fitted.residual)) == 4
    assert fitted.residual[4] == pytest.approx(5e-3, rel=0.35)
    assert "18 control points: off by" in fitted.note


def test_few_points_say_that_nothing_is_tested() -> None:
    for count in (3, 4):
        assert "nothing over to test" in fit_points(apply(CAMERA, PLACES[:count]), PLACES[:count]).note


@pytest.mark.parametrize("places", [PLACES[:2], np.array([[0.0, 0], [0.1, 0], [0.2, 0], [0.3, 0], [0.5, 0]])])
def test_points_that_fix_nothing_are_refused(places) -> None:
    with pytest.raises(ValueError, match="control points"):
        fit_points(places * 1000.0 + 5.0, places)


def test_scale_bars_give_one_scale_and_show_a_slant() -> None:
    ends = np.array([[[0.0, 0.0], [200.0, 0.0]], [[0.0, 0.0], [0.0, 202.0]]])
    fitted = fit_bars(ends, np.array([0.1, 0.1]))
    assert fitted.metres_per_pixel == pytest.approx(0.1 / 201, rel=1e-3)
    assert fitted.residual == pytest.approx([0.5e-3, 0.5e-3], rel=0.02)
    assert "2 scale bars" in fitted.note
    assert "one scale bar" in fit_bars(ends[:1], np.array([0.1])).note


def test_a_mark_comes_to_lie_where_it_is_on_the_cloth() -> None:
    rows, columns = np.mgrid[0:600, 0:800]
    at = apply(np.linalg.inv(CAMERA), np.stack([columns.ravel() + 0.5, rows.ravel() + 0.5], axis=1))
    inside = (np.abs(at - [0.3, 0.2]) < [0.02, 0.01]).all(axis=1).reshape(600, 800)
    photograph = Image.fromarray(np.where(inside[:, :, None], 0, 255).astype(np.uint8).repeat(3, axis=2))
    fitted = fit_points(apply(CAMERA, PLACES), PLACES)
    straight = np.asarray(warp_picture(photograph, fitted, (0.5, 0.3)))[:, :, 0] < 128
    rows, columns = np.nonzero(straight)
    step = np.array([0.5 / straight.shape[1], 0.3 / straight.shape[0]])
    assert (np.array([columns.mean(), rows.mean()]) + 0.5) * step == pytest.approx([0.3, 0.2], abs=1e-3)
    assert np.ptp(columns) * step[0] == pytest.approx(0.04, abs=3e-3)
