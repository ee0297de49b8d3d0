"""Tubes along straight and bent axes; solids stretched and placed."""

import numpy as np
import pytest

from drapesim.matter.solid import Ellipsoid, cut_grid, measure_field, sample_grid
from drapesim.matter.tube import Fitted, Tube

UP = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])


def bent_tube(angle: float, radius: float = 0.3, n: int = 9) -> Tube:
    """A round tube of radius 30 mm whose axis is an arc of a circle in the x-z plane."""
    turn = np.linspace(0.0, angle, n)
    places = radius * np.stack([np.sin(turn), np.zeros(n), 1.0 - np.cos(turn)], axis=1)
    axes = np.array([[[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]] for a in turn])
    r = np.full(n, 0.03)
    return Tube(places, axes, r, -r, r, np.full(n, 2.0), caps=(0.03, 0.03), region="limb")


def test_a_straight_round_tube_is_a_capsule() -> None:
    r = np.full(3, 0.03)
    tube = Tube(np.array([[0.0, 0, 0], [0.1, 0, 0], [0.2, 0, 0]]), np.repeat(UP[None], 3, axis=0), r, -r, r,
                np.full(3, 2.0), caps=(0.03, 0.03))  # fmt: skip
    points = np.array([[0.1, 0.05, 0.0], [0.1, 0.0, -0.02], [0.25, 0.0, 0.0], [-0.02, 0.0, 0.0]])
    assert tube.distance(points) == pytest.approx([0.02, -0.01, 0.02, -0.01], abs=1e-9)
    low, high = tube.box
    assert low == pytest.approx([-0.03, -0.03, -0.03])
    assert high == pytest.approx([0.23, 0.03, 0.03])


def test_a_bent_tube_follows_its_arc() -> None:
    tube = bent_tube(1.2)
    rng = np.random.default_rng(2)
    turn, side, out = rng.uniform(0.1, 1.1, 200), rng.uniform(0, 2 * np.pi, 200), rng.uniform(0.02, 0.05, 200)
    centre = 0.3 * np.stack([np.sin(turn), 0 * turn, 1.0 - np.cos(turn)], axis=1)
    normal = np.stack([-np.sin(turn), 0 * turn, np.cos(turn)], axis=1)
    points = centre + (out * np.cos(side))[:, None] * normal + (out * np.sin(side))[:, None] * UP[1]
    assert tube.distance(points) == pytest.approx(out - 0.03, abs=2e-4)
    low, high = tube.box
    assert (points[out < 0.03] > low).all()
    assert (points[out < 0.03] < high).all()


def test_a_fitted_solid_has_the_size_that_its_knots_give() -> None:
    ball = Ellipsoid((0.0, 0.0, 0.0), (0.05, 0.05, 0.05), "ball")
    knots = tuple((f * np.array([-0.1, 0.1]), np.array([-0.1, 0.1])) for f in (2.0, 1.0, 0.5))
    fitted = Fitted(lambda p: measure_field(ball, p), lambda p: np.full(len(p), "ball", dtype=object), ball.box,
                    np.array([1.0, 2.0, 3.0]), UP, knots)  # fmt: skip
    vertices, _ = cut_grid(sample_grid(fitted, 0.004, thorough=True))
    assert np.ptp(vertices, axis=0) == pytest.approx([0.2, 0.1, 0.05], rel=2e-2)
    assert vertices.mean(axis=0) == pytest.approx([1, 2, 3], abs=2e-3)
    places = np.random.default_rng(1).uniform(-0.1, 0.1, (20, 3))
    assert fitted.within(fitted.at(places)) == pytest.approx(places, abs=1e-12)


def test_a_thorough_grid_loses_no_thin_part() -> None:
    """A thin rod that only grazes the edge of its block is cut whole, whatever its place."""
    from drapesim.matter.solid import RoundCone, Union

    rng = np.random.default_rng(3)
    for _ in range(6):
        start = rng.uniform(-0.2, 0.2, 3)
        rod = RoundCone(start, start + np.array([0.3, 0.05, 0.02]), 0.008, 0.008)
        solid = Union((rod, Ellipsoid(start, (0.06, 0.06, 0.06))), 0.0)
        vertices, faces = cut_grid(sample_grid(solid, 0.006, thorough=True))
        assert vertices[:, 0].max() == pytest.approx(start[0] + 0.308, abs=2e-3)
        sides = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
        assert (np.unique(sides, axis=0, return_counts=True)[1] == 2).all()
