"""Beds, tables and floors: their shapes by formula, and bodies let down on them until they touch."""

from __future__ import annotations

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.body import box, check_body, enclosed_volume, join, rest_on, sphere
from drapesim.matter.nearest import find_on_mesh
from drapesim.matter.support import CHORD, Depression, let_down, make_bed, make_floor, shape_bed

HOLLOW = Depression(0.06, 1.6, 0.5, (0.1, -0.05))


def shape(hollow: Depression = HOLLOW):
    return shape_bed(2.0, 0.9, 0.2, 0.5, hollow)


def true_height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    out = np.hypot((x - 0.1) / 0.8, (y + 0.05) / 0.25)
    return 0.5 - np.where(out < 1.0, 0.03 * (1.0 + np.cos(np.pi * np.minimum(out, 1.0))), 0.0)


def test_bed_is_closed_and_holds_the_volume_of_its_formula():
    bed = check_body(make_bed(shape(), "linen"))
    # Over an oval with half axes a, b: depth pi a b (1/2 - 2 / pi^2), by parts.
    hollow = 0.06 * np.pi * 0.8 * 0.25 * (0.5 - 2.0 / np.pi**2)
    assert enclosed_volume(bed.vertices, bed.faces) == pytest.approx(2.0 * 0.9 * 0.2 - hollow, rel=1e-5)
    assert bed.parts[0].is_support


def test_bed_stands_off_its_true_shape_by_less_than_stated():
    rng = np.random.default_rng(3)
    points = rng.uniform((-1.0, -0.45), (1.0, 0.45), (20_000, 2))
    bed = shape()
    assert np.abs(bed.height(points) - true_height(*points.T)).max() < CHORD
    assert np.isneginf(bed.height(np.array([[1.01, 0.0], [0.0, -0.46]]))).all()


def test_height_is_that_of_the_triangles():
    rng = np.random.default_rng(4)
    bed = shape()
    points = rng.uniform((-0.99, -0.44), (0.99, 0.44), (500, 2))
    on_top = np.column_stack([points, bed.height(points)])
    mesh = make_bed(bed, "linen")
    assert find_on_mesh(on_top, mesh.vertices, mesh.faces)[0].max() < 1e-12


def test_ball_comes_to_rest_in_the_middle_of_the_hollow():
    ball = rest_on(sphere(0.2, (0.1, -0.05, 3.0), subdivisions=5), 0.5)
    down = let_down(ball, shape())
    assert down.vertices[:, 2].min() == pytest.approx(0.44, abs=CHORD)
    assert down.landmarks["top"][2] == pytest.approx(0.84, abs=CHORD)


def test_broad_box_rests_on_the_rim_and_a_narrow_one_on_its_corners():
    broad = rest_on(box((-0.5, -0.4, 0.0), (0.5, 0.4, 0.2)), 0.7)
    assert let_down(broad, shape()).vertices[:, 2].min() == pytest.approx(0.5, abs=1e-12)
    narrow = rest_on(box((-0.2, -0.15, 0.0), (0.4, 0.05, 0.2)), 0.5)
    corner = true_height(np.array([0.4]), np.array([0.05]))[0]
    assert let_down(narrow, shape()).vertices[:, 2].min() == pytest.approx(corner, abs=CHORD)


def test_body_beside_the_bed_and_hollows_that_do_not_fit_are_refused():
    with pytest.raises(InputError, match="beside the bed"):
        let_down(sphere(0.1, (3.0, 0.0, 1.0)), shape())
    with pytest.raises(InputError, match="over the edge"):
        shape(Depression(0.06, 1.9, 0.5, (0.1, 0.0)))
    with pytest.raises(InputError, match="goes through"):
        shape(Depression(0.2, 1.0, 0.5))


def test_table_and_floor_are_parts_of_their_own():
    both = check_body(join(make_bed(shape(), "linen"), make_floor(8.0, -0.2, "slate")))
    assert [part.name for part in both.parts] == ["support", "floor"]
    assert all(part.is_support for part in both.parts)
