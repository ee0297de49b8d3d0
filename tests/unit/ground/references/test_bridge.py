"""The pressed bridge, found again as the least way over the cylinder: an upper hull, its stretch energy and slope."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from drapesim.ground.references import predict_bridge_press

RADIUS, HALF, OUTER, REST, MODULUS = 0.03, 0.06, 0.04, 0.099, 1000.0


def least_way(depth):
    """Half the strip's length (m) by the upper hull of its ends and the circle."""
    angle = np.linspace(0.0, math.pi, 40_001)
    circle = np.stack([HALF + RADIUS * np.cos(angle), RADIUS * np.sin(angle)], axis=1)
    points = np.vstack([[[0.0, RADIUS - depth], [HALF + OUTER, RADIUS]], circle])
    hull = points[ConvexHull(points).vertices]
    hull = np.roll(hull, -int(np.argmin(hull[:, 0])), axis=0)  # counterclockwise, from the pressed point
    end = int(np.flatnonzero((hull == points[1]).all(axis=1))[0])
    way = np.vstack([hull[end:], hull[:1]])
    return float(np.linalg.norm(np.diff(way, axis=0), axis=1).sum())


@pytest.mark.parametrize("depth", [2e-3, 0.012, 0.025])
def test_force_is_the_slope_of_the_least_energy(depth):
    def energy(d):
        return MODULUS * REST * (least_way(d) / REST - 1.0) ** 2  # of both halves

    step = 1e-4
    slope = (energy(depth + step) - energy(depth - step)) / (2.0 * step)
    assert predict_bridge_press(depth, RADIUS, HALF, OUTER, REST, MODULUS).force == pytest.approx(slope, rel=2e-3)


def test_an_even_load_is_a_string_of_small_ones():
    """Under an even load the string's slope goes evenly from one edge to the other: its rise is that slope, summed."""
    breadth, at = 0.02, 4e-3
    answer = predict_bridge_press(0.012, RADIUS, HALF, OUTER, REST, MODULUS, breadth=breadth, at=at)
    sharp = predict_bridge_press(0.012, RADIUS, HALF, OUTER, REST, MODULUS)
    x = np.linspace(at, 0.5 * breadth, 10_001)
    rise = np.trapezoid(math.tan(answer.angle) * x / (0.5 * breadth), x)  # from ``at`` to the load's edge
    meet = RADIUS * (1 - math.cos(answer.angle)) + (HALF - RADIUS * math.sin(answer.angle)) * math.tan(answer.angle)
    edge = meet - 0.5 * breadth * math.tan(answer.angle)
    assert edge + rise == pytest.approx(0.012, rel=1e-6)
    assert answer.force > sharp.force


def test_own_weight_helps():
    light = predict_bridge_press(0.012, RADIUS, HALF, OUTER, REST, MODULUS)
    heavy = predict_bridge_press(0.012, RADIUS, HALF, OUTER, REST, MODULUS, weight=2.0)
    assert light.force - heavy.force == pytest.approx(2.0 * HALF)


def test_slack_or_too_deep_is_refused():
    with pytest.raises(ValueError, match="slack"):
        predict_bridge_press(1e-3, RADIUS, HALF, OUTER, 0.2, MODULUS)
    with pytest.raises(ValueError, match="no tangent"):
        predict_bridge_press(-1e-3, RADIUS, HALF, OUTER, REST, MODULUS)
