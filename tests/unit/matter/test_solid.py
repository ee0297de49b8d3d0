"""Implicit solids against closed forms and brute force."""

from __future__ import annotations

import numpy as np
import pytest

from drapesim.matter.body import enclosed_volume
from drapesim.matter.body_repair import count_sides
from drapesim.matter.solid import (
    FAR,
    Cut,
    Ellipsoid,
    Loft,
    RoundCone,
    Union,
    list_leaves,
    measure_field,
    name_regions,
    polygonise,
)

RNG = np.random.default_rng(3)


def test_round_cone_distance_equals_brute_force_over_its_balls():
    cone = RoundCone((0.0, 0.0, 0.0), (0.08, 0.02, -0.03), 0.020, 0.009)
    points = RNG.uniform(-0.05, 0.12, (400, 3))
    share = np.linspace(0.0, 1.0, 20001)
    radius = 0.020 + share * (0.009 - 0.020)
    axis = share[:, None] * np.asarray(cone.end)
    brute = [(np.linalg.norm(p - axis, axis=1) - radius).min() for p in points]  # a cone is the union of its balls
    assert cone.distance(points) == pytest.approx(np.array(brute), abs=2e-8)


def test_round_cone_within_one_of_its_balls_is_that_ball():
    cone = RoundCone((0.0, 0.0, 0.0), (0.005, 0.0, 0.0), 0.020, 0.010)
    points = RNG.uniform(-0.05, 0.05, (50, 3))
    assert cone.distance(points) == pytest.approx(np.linalg.norm(points, axis=1) - 0.020, abs=1e-12)


@pytest.mark.parametrize(("slant", "tolerance"), [(0.0, 1e-6), (0.004, 3e-4)])
def test_swept_cone_equals_brute_force_over_its_copies(slant: float, tolerance: float):
    # Exact for a sweep square to the axis; a slanted one is only measured square to it, which overstates the distance
    # past the ends by up to 1 - cos of the slant.
    sweep = np.array([slant, 0.0, -0.03])
    plate = RoundCone((0.0, 0.0, 0.0), (0.04, 0.0, 0.0), 0.008, 0.008, sweep=sweep)
    bare = RoundCone((0.0, 0.0, 0.0), (0.04, 0.0, 0.0), 0.008, 0.008)
    points = RNG.uniform((-0.02, -0.02, -0.05), (0.06, 0.02, 0.02), (300, 3))
    brute = np.min([bare.distance(points - t * sweep) for t in np.linspace(0.0, 1.0, 4001)], axis=0)
    outside = brute > 0.0
    assert plate.distance(points)[outside] == pytest.approx(brute[outside], abs=tolerance)
    assert (plate.distance(points)[brute < -tolerance] < 0.0).all()


def test_ellipsoid_is_zero_on_its_surface_with_slope_one():
    semi, turn = np.array([0.03, 0.05, 0.02]), np.linalg.qr(RNG.normal(size=(3, 3)))[0]
    solid = Ellipsoid((0.1, 0.2, 0.3), semi, axes=turn)
    way = RNG.normal(size=(200, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    surface = (way * semi) @ turn + [0.1, 0.2, 0.3]
    assert solid.distance(surface) == pytest.approx(0.0, abs=1e-12)
    normal = (way / semi) @ turn
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    slope = (solid.distance(surface + 1e-6 * normal) - solid.distance(surface - 1e-6 * normal)) / 2e-6
    assert slope == pytest.approx(1.0, abs=1e-4)
    low, high = solid.box
    assert (surface >= low - 1e-12).all()
    assert (surface <= high + 1e-12).all()


def test_loft_passes_through_its_sections():
    axes = np.linalg.qr(RNG.normal(size=(3, 3)))[0]
    axes *= np.linalg.det(axes)
    t, half = np.array([0.0, 0.1, 0.3]), np.array([0.04, 0.05, 0.03])
    low, high = np.array([-0.02, -0.03, -0.04]), np.array([0.03, 0.03, 0.01])
    loft = Loft(np.ones(3), axes, t, half, low, high, shift=np.array([0.0, 0.01, 0.0]))
    for k, shift in enumerate((0.0, 0.01, 0.0)):
        middle = 0.5 * (low[k] + high[k])
        local = np.array([[t[k], shift, high[k]], [t[k], shift, low[k]], [t[k], shift + half[k], middle]])
        assert loft.distance(local @ axes + 1.0) == pytest.approx(0.0, abs=1e-6)  # sections are tabulated
    ends = np.array([[-0.02, 0.0, 0.005], [0.32, 0.0, -0.015]])  # the caps
    assert loft.distance(ends @ axes + 1.0) == pytest.approx(0.0, abs=1e-6)  # sections are tabulated


def test_union_is_the_minimum_away_from_the_seam_and_fills_it():
    a, b = RoundCone((0, 0, 0), (0.1, 0, 0), 0.02, 0.02), RoundCone((0, 0, 0), (0, 0.1, 0), 0.02, 0.02)
    points = RNG.uniform(-0.03, 0.12, (500, 3)) * [1, 1, 0.3]
    plain = np.minimum(a.distance(points), b.distance(points))
    blended = measure_field(Union((a, b), 0.010), points)
    points, plain, blended = (each[plain < 0.03] for each in (points, plain, blended))  # farther out: only positive
    seam = np.abs(a.distance(points) - b.distance(points)) < 0.010
    assert seam.any()
    assert (~seam).any()
    assert blended[~seam] == pytest.approx(plain[~seam], abs=1e-15)
    assert (blended[seam] < plain[seam]).all()
    assert (plain - blended).max() <= 0.25 * 0.010 + 1e-15


def test_skipping_far_members_changes_nothing_near_the_surface():
    members = tuple(
        RoundCone(RNG.uniform(0, 0.4, 3), RNG.uniform(0, 0.4, 3), *RNG.uniform(0.01, 0.03, 2)) for _ in range(12)
    )
    points = RNG.uniform(-0.05, 0.45, (4000, 3))
    value = measure_field(Union(members, 0.02), points)
    brute = np.full(len(points), FAR)
    for member in members:
        b = member.distance(points)
        h = np.maximum(0.02 - np.abs(brute - b), 0.0) / 0.02
        brute = np.minimum(brute, b) - 0.25 * 0.02 * h * h
    near = np.abs(brute) < 0.01
    assert near.sum() > 100
    assert value[near] == pytest.approx(brute[near], abs=1e-14)
    assert (value[brute > 0.01] > 0.0).all()


def test_cut_takes_the_tool_away():
    ball, tool = Ellipsoid((0, 0, 0), (0.05, 0.05, 0.05)), Ellipsoid((0, 0, 0.05), (0.02, 0.02, 0.02))
    solid = Cut(ball, tool, 0.004)
    value = measure_field(solid, np.array([[0, 0, 0.045], [0, 0, 0.02], [0, 0, -0.04], [0, 0, 0.031]]))
    assert (value > 0).tolist() == [True, False, False, True]
    assert list_leaves(solid) == [ball]


def test_polygonised_ball_is_one_closed_shell_of_the_right_volume():
    hollow = Cut(Ellipsoid((0, 0, 0), (0.06, 0.06, 0.06)), Ellipsoid((0, 0, 0), (0.03, 0.03, 0.03)), 0.0)
    vertices, faces = polygonise(hollow, 0.004)
    assert count_sides(faces) == (0, 0, 0)
    # The closed-off hollow is left out; second-order error of the facets.
    assert enclosed_volume(vertices, faces) == pytest.approx(4 / 3 * np.pi * 0.06**3, rel=5e-3)


def test_regions_are_those_of_the_nearest_leaf():
    fist = Ellipsoid((0.15, 0, 0), (0.03, 0.03, 0.03), "fist")
    solid = Union((RoundCone((0, 0, 0), (0.1, 0, 0), 0.02, 0.02, "arm"), fist), 0.01)
    assert name_regions(solid, np.array([[0.0, 0.0, 0.02], [0.17, 0.0, 0.02]])).tolist() == ["arm", "fist"]
