"""Exact figures of hand-made states whose answers are known."""

import numpy as np
import pytest

from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.exact import (
    closest_approach,
    count_body_crossings,
    count_self_crossings,
    measure_distance,
    part_field,
    penetration,
)

HALF = 2e-4  # half the cloth's thickness, m
TOP = 0.04  # top of the box, m


@pytest.fixture
def lattice():
    return Lattice(0.01, 0.01, np.ones((8, 6), dtype=bool))


@pytest.fixture
def box(meshes, as_body):
    return prepare_body(as_body(meshes["box"]))


def level(lattice, height, at=(-0.037, -0.0313)):
    return np.c_[lattice.uv + at, np.full(len(lattice.uv), height)]


def slab_under(meshes):
    """A slab whose top touches the underside of the box."""
    return meshes["box"][0] * [5.0, 5.0, 1.0] - [0.0, 0.0, 0.08], meshes["box"][1]


def test_a_flat_sheet_does_not_cross_itself(lattice):
    assert count_self_crossings(level(lattice, 0.1), lattice.triangles)[0] == 0


def test_a_folded_sheet_crosses_where_it_is_pushed_through(lattice):
    """Folded over with 1 mm between the layers; then one node of the upper layer is pushed through the lower one."""
    x = level(lattice, 0.1, (0.0, 0.0))
    upper = lattice.ij[:, 0] > 4
    x[upper] = np.c_[0.0833 - x[upper, 0], x[upper, 1] + 0.0021, x[upper, 2] + 1e-3]
    assert count_self_crossings(x, lattice.triangles)[0] == 0
    node = lattice.index[7, 3]
    x[node, 2] -= 2e-3
    count, pairs = count_self_crossings(x, lattice.triangles)
    assert count > 0
    assert len(pairs) == count
    assert ((lattice.triangles[pairs] == node).any(2)).any(1).all()


def test_coplanar_layers_count_and_touching_layers_do_not(lattice):
    x = level(lattice, 0.1)
    n = len(x)
    both = np.concatenate([lattice.triangles, lattice.triangles + n]).astype(np.int32)
    apart = np.concatenate([x, x + np.array([1.0, 0.0, 0.0])])
    assert count_self_crossings(apart, both)[0] == 0
    # the second sheet in the same plane, beside the first, touching along a border line
    beside = np.concatenate([x, x + np.array([0.08, 0.0, 0.0])])
    beside[n:, 0] = np.where(lattice.ij[:, 0] == 0, x[lattice.index[8, 0], 0], beside[n:, 0])
    assert count_self_crossings(beside, both)[0] == 0
    # the second sheet in exactly the place of the first: each triangle overlaps at least itself
    count, pairs = count_self_crossings(np.concatenate([x, x]), both)
    assert count >= len(lattice.triangles)
    twins = np.c_[np.arange(len(lattice.triangles)), np.arange(len(lattice.triangles)) + len(lattice.triangles)]
    assert set(map(tuple, twins)) <= set(map(tuple, pairs.tolist()))


def test_no_triangles():
    count, pairs = count_self_crossings(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    assert count == 0
    assert pairs.shape == (0, 2)


@pytest.mark.parametrize("height", [1e-5, HALF, 3e-3])
def test_a_sheet_over_the_box(height, lattice, box):
    x = level(lattice, TOP + height)
    assert count_body_crossings(x, lattice.triangles, box)[0] == 0
    near = closest_approach(x, lattice.triangles, box, 5e-3)
    np.testing.assert_allclose(near, height, rtol=0, atol=1e-15)
    assert np.isinf(closest_approach(x, lattice.triangles, box, 0.9 * height)).all()
    assert penetration(x, lattice.triangles, box, HALF) == pytest.approx(max(0.0, HALF - height), abs=1e-15)


def test_a_sheet_inside_the_box(lattice, box):
    """Wholly inside: no crossing, no face in reach, and still the depth is known."""
    x = level(lattice, TOP - 0.01)
    assert count_body_crossings(x, lattice.triangles, box)[0] == 0
    assert penetration(x, lattice.triangles, box, HALF) == pytest.approx(HALF + 0.01, abs=1e-15)


def test_one_node_pressed_in(lattice, box):
    x = level(lattice, TOP + 1e-3)
    x[lattice.index[4, 3], 2] = TOP - 5e-4
    assert count_body_crossings(x, lattice.triangles, box)[0] > 0
    assert penetration(x, lattice.triangles, box, HALF) == pytest.approx(HALF + 5e-4, abs=1e-15)


def test_a_corner_pokes_through_a_cell(box, meshes):
    """All nodes outside: only the triangle as a whole meets the body."""
    corner = meshes["box"][0].max(0)
    normal = np.ones(3) / np.sqrt(3.0)
    across = np.linalg.svd(normal[None])[2][1:]
    lattice = Lattice(0.1, 0.1, np.ones((1, 1), dtype=bool))
    flat = (lattice.uv - [0.07, 0.03]) @ across
    through = corner - 1e-3 * normal + flat
    assert (measure_distance(through, box)[0] > 0.0).all()
    count, pairs = count_body_crossings(through, lattice.triangles, box)
    assert count > 0
    assert (pairs[:, 0] < 2).all()
    assert penetration(through, lattice.triangles, box, HALF) >= HALF
    above = corner + 5e-5 * normal + flat
    assert count_body_crossings(above, lattice.triangles, box)[0] == 0
    assert penetration(above, lattice.triangles, box, HALF) == pytest.approx(HALF - 5e-5, abs=1e-12)


def test_parts_are_measured_apart(lattice, meshes, as_body):
    body = as_body(meshes["box"], slab_under(meshes))
    field = prepare_body(body)
    points = np.array([[0.0, 0.0, 0.1], [0.3, 0.0, 0.0], [0.0, 0.0, -0.041]])
    of_body, of_support = part_field(field, False), part_field(field, True)
    distance, _, face = measure_distance(points, of_body)
    np.testing.assert_allclose(distance, [0.06, 0.2, 0.001], rtol=0, atol=1e-15)
    assert (body.part[face] == 0).all()
    distance, _, face = measure_distance(points, of_support)
    np.testing.assert_allclose(distance, [0.14, 0.04, -0.001], rtol=0, atol=1e-15)
    assert (body.part[face] == 1).all()
    assert part_field(of_body, True) is None
    assert part_field(prepare_body(as_body(meshes["box"])), True) is None
    # below the box, inside the slab: the two shells touch there, and the depth in the slab still counts
    x = level(lattice, -0.0411)
    assert penetration(x, lattice.triangles, field, HALF) == pytest.approx(HALF + 0.0011, abs=1e-15)
