"""The rubbing cantilever against the elastic one, a closed form for a stiff strip, and a chain of rubbing links."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import least_squares

from drapesim.ground.references import solve_cantilever
from drapesim.ground.references.hysteresis import solve_rubbing_cantilever, solve_shape_band


@pytest.mark.parametrize("length", [0.5, 2.0, 4.5])
def test_without_friction_it_is_the_elastica(length):
    tip = solve_rubbing_cantilever(length, 0.0).tip
    assert tip == pytest.approx(solve_cantilever(length**3).tip, abs=1e-7)


def test_short_strip_keeps_the_curvature_of_its_friction():
    """Next to no weight: lifted off after hanging it curls with HB / B; let down from flat it stays flat."""
    length, friction = 0.05, 0.5
    up, down = solve_rubbing_cantilever(length, -friction), solve_rubbing_cantilever(length, friction)
    turn = friction * length  # of a circle of curvature HB / B
    assert up.tip_angle == pytest.approx(turn, rel=2e-2)
    assert up.tip[1] == pytest.approx((1.0 - math.cos(turn)) / turn, rel=2e-2)
    assert down.tip == pytest.approx((1.0, 0.0), abs=1e-12)


@pytest.mark.parametrize("friction", [0.4, -1.2])
def test_chain_of_links_with_sliders(friction):
    """A second way: 100 rigid links, each hinge turning by (moment -+ friction) h, all solved for at once."""
    n, length = 100, 2.0
    h = length / n

    def miss(theta):
        # moment of the weight beyond hinge k about it: w times the reach of each link's middle
        reach = np.cumsum((h * np.cos(theta))[::-1])[::-1]
        beyond = h * np.arange(n, 0, -1) * reach - np.cumsum((h * reach)[::-1])[::-1] + 0.5 * h * reach
        turn = np.maximum(beyond - friction, 0.0) if friction > 0 else beyond - friction
        share = np.where(np.arange(n) == 0, 0.5, 1.0)  # the clamp's hinge stands for half a link
        return np.diff(theta, prepend=0.0) - share * h * turn

    start = np.interp((np.arange(n) + 0.5) / n, *_angles(length, 0.0))
    found = least_squares(miss, start, xtol=1e-14, ftol=1e-14, gtol=1e-14)
    assert np.abs(found.fun).max() < 1e-8
    tip = np.array([np.cos(found.x).mean(), np.sin(found.x).mean()])
    assert tip == pytest.approx(solve_rubbing_cantilever(length, friction).tip, abs=1e-3)


def _angles(length, friction):
    shape = solve_rubbing_cantilever(length, friction)
    return shape.s, shape.angle


@pytest.mark.parametrize("length", [0.5, 1.0, 2.0, 3.0])
def test_band_is_in_order_and_widens_with_friction(length):
    widths = []
    for friction in (0.05, 0.2, 0.6):
        band = solve_shape_band(length, friction)
        assert (band.upper.angle <= band.middle.angle + 1e-9).all()
        assert (band.middle.angle <= band.lower.angle + 1e-9).all()
        widths.append(math.dist(band.upper.tip, band.lower.tip))
    assert widths[0] < widths[1] < widths[2]


def test_narrow_band_is_twice_as_wide_for_twice_the_friction():
    one, two = (solve_shape_band(2.0, friction) for friction in (1e-3, 2e-3))
    ratio = math.dist(two.upper.tip, two.lower.tip) / math.dist(one.upper.tip, one.lower.tip)
    assert ratio == pytest.approx(2.0, rel=1e-3)


@pytest.mark.parametrize(("length", "friction"), [(0.0, 0.1), (5.1, 0.1), (2.0, 2.1), (2.0, -2.1)])
def test_outside_of_what_was_tested_is_refused(length, friction):
    with pytest.raises(ValueError, match="must lie in"):
        solve_rubbing_cantilever(length, friction)
