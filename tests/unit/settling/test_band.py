"""Bands: the hull's push by hand, what is tied down bears its own, cloth under it gets all of it and no more."""

import math

import numpy as np
import pytest

from drapesim.matter.body import box, cylinder, join, slab
from drapesim.matter.lay import BindStep
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.settling.band import cut_body, hull_forces, lay_strap, tie


def test_square_is_pressed_at_its_corners():
    square = np.array([[1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, -1.0], [0.2, 0.1], [0.0, 0.9]])
    force = hull_forces(square, 3.0)
    assert force[:4] == pytest.approx(-3.0 * square[:4])
    assert not force[4:].any()
    assert force.sum(axis=0) == pytest.approx([0.0, 0.0], abs=1e-12)


def test_what_it_is_tied_to_bears_the_ends():
    points = np.array([[0.0, 1.0], [-2.0, 0.0], [2.0, 0.0]])
    force = hull_forces(points, 3.0, tied=1)
    assert force[0] == pytest.approx([0.0, -2.0 * 3.0 / math.sqrt(5.0)])
    assert not force[1:].any()


def test_points_in_a_row_have_no_hull():
    assert not hull_forces(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]]), 3.0).any()


def test_section_of_a_box_is_its_outline_and_leaves_the_support_out():
    body = join(box((-0.1, -0.2, 0.0), (0.1, 0.2, 0.3)), slab(2.0, 2.0, 0.1))
    points = cut_body(body, np.zeros(3), np.array([0.0, 1.0, 0.0]))
    assert np.abs(points[:, 1]).max() < 1e-12
    assert points[:, [0, 2]].min(axis=0) == pytest.approx([-0.1, 0.0])
    assert points[:, [0, 2]].max(axis=0) == pytest.approx([0.1, 0.3])


def test_cloth_bears_what_lies_under_it():
    """A flat sheet 0.2 m over a level roller, its line across: the upper half of the hoop is nearest to it."""
    lattice = cut_lattice(Sheet(0.6, 0.3, 0.02))
    x = np.column_stack([lattice.uv - np.array([0.3, 0.15]), np.full(len(lattice.uv), 0.12)])
    step = BindStep(((0.0, 0.15), (0.6, 0.15)), 5.0, 0.04)
    body = cylinder(0.1, 0.5, n_segments=360)
    strap = tie(lattice, x, step, body, 0.0)
    assert strap.push.sum(axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    load = lay_strap(lattice, x, step, strap)
    assert load.total[2] < -5.0  # half a hoop alone would press by twice its tension
    assert load.total[:2] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert set(np.unique(np.round(load.uv[:, 1], 3))) == {0.134, 0.142, 0.15, 0.158, 0.166}
    assert lay_strap(lattice, x, step, strap, 0.25).total == pytest.approx(0.25 * load.total)


def test_beside_the_body_there_is_nothing_to_bind():
    lattice = cut_lattice(Sheet(0.6, 0.3, 0.02))
    x = np.column_stack([lattice.uv + np.array([0.0, 5.0]), np.zeros(len(lattice.uv))])
    assert tie(lattice, x, BindStep(((0.0, 0.15), (0.6, 0.15)), 5.0, 0.04), cylinder(0.1, 0.5), 0.0) is None
