"""Thickness of shapes whose thickness is known: ball, cylinder, plate, wedge, and a spike on a block."""

from __future__ import annotations

import numpy as np
import pytest

from drapesim.matter.body import box, cylinder, ridge, sphere
from drapesim.matter.thickness import measure_thickness


def test_ball_is_as_thick_as_its_diameter():
    ball = sphere(0.1, (1.0, 2.0, 3.0), subdivisions=4)
    thick = measure_thickness(ball.vertices, ball.faces)
    assert thick.least == pytest.approx(0.2, rel=3e-3)  # its facets lie inside it
    assert thick.by_area[-1] == pytest.approx(0.2, rel=3e-3)
    assert thick.share_facing == 1.0
    assert thick.share_below(0.21) == 1.0
    assert thick.share_below(0.19) == 0.0


def test_cylinder_is_as_thick_as_its_diameter_and_long_between_its_ends():
    rod = cylinder(0.02, 0.1, n_segments=128)
    thick = measure_thickness(rod.vertices, rod.faces)
    assert thick.least == pytest.approx(0.04, rel=1e-3)
    ends = 2 * np.pi * 0.02**2 / (2 * np.pi * 0.02**2 + 2 * np.pi * 0.02 * 0.1)
    assert thick.share_below(0.05) == pytest.approx(1.0 - ends, abs=0.02)
    assert thick.by_area[-1] == pytest.approx(0.1, rel=1e-3)
    assert thick.quantile(0.5) == pytest.approx(0.04, rel=1e-3)


@pytest.mark.parametrize("width", [0.004, 0.0005, 0.02])
def test_plate_is_as_thick_as_it_is_at_any_slant(width):
    plate = box((0, 0, 0), (0.2, 0.3, width))
    turn = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
    faces = plate.faces if np.linalg.det(turn) > 0 else plate.faces[:, ::-1]
    thick = measure_thickness(plate.vertices @ turn.T, np.ascontiguousarray(faces))
    assert thick.least == pytest.approx(width, abs=2e-5)


def test_edges_and_corners_are_not_thin():
    cube = box((0, 0, 0), (0.1, 0.1, 0.1))
    thick = measure_thickness(cube.vertices, cube.faces)
    assert thick.least == pytest.approx(0.1, abs=2e-5)
    rod = cylinder(0.1, 0.5, n_segments=6)  # its sides meet at 120 degrees
    assert measure_thickness(rod.vertices, rod.faces).least == pytest.approx(0.2 * np.cos(np.pi / 6), abs=2e-5)


def test_wedge_sharper_than_sixty_degrees_thins_to_nothing():
    roof = ridge(0.1, 0.4, 0.5)  # its feet are wedges of 27 degrees
    thick = measure_thickness(roof.vertices, roof.faces)
    assert thick.least < 1e-3
    assert abs(thick.place[0]) > 0.19


def test_small_thin_part_of_a_large_body_is_found_with_its_place():
    import trimesh

    block = trimesh.creation.box((0.3, 0.3, 0.3)).subdivide_to_size(0.0125)
    vertices, faces = np.array(block.vertices), np.array(block.faces)
    assert len(faces) > 10_000  # more than are looked at in the first round
    inside = (np.abs(vertices[:, :2]) < 0.02).all(axis=1) & (vertices[:, 2] > 0.149)
    vertices[inside, 2] -= 0.296  # a pit that leaves 4 mm of the block's bottom
    thick = measure_thickness(vertices, faces)
    assert thick.least == pytest.approx(0.004, abs=2e-4)
    assert np.abs(thick.place[:2]).max() < 0.025
