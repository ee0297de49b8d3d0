"""From a card to kernel numbers: the curve through measured points, the shares of links and hinges, the loads."""

import numpy as np
import pytest
from scipy.integrate import quad

from drapesim.matter.sheet import Lattice
from drapesim.mechanics.energies import (
    cloth_constants,
    hinge_shares,
    lattice_fields,
    link_shares,
    padded,
    smooth_curve,
    unpadded,
)

POINTS = {
    "two points": [[0.0, 0.0], [0.02, 50.0]],
    "stiffening": [[0.0, 0.0], [0.005, 4.0], [0.012, 20.0], [0.03, 200.0]],
    "softening": [[0.0, 0.0], [0.005, 40.0], [0.012, 60.0], [0.03, 70.0]],
    "a sharp knee": [[0.0, 0.0], [0.03, 1.0], [0.031, 30.0], [0.05, 1000.0], [0.06, 1001.0]],
}


@pytest.fixture(params=POINTS)
def points(request):
    return np.array(POINTS[request.param])


@pytest.fixture
def curve(points):
    return smooth_curve(points, 0.5)


def dense(points):
    return np.linspace(-0.5, 2.0, 20_001) * points[-1, 0]


def test_curve_goes_through_the_points(points, curve):
    np.testing.assert_allclose(curve.tension(points[:, 0]), points[:, 1], rtol=0, atol=1e-10 * points[-1, 1])


def test_curve_rises_everywhere(points, curve):
    tangent = curve.tangent(dense(points))
    assert tangent.min() > 0.0
    assert (np.diff(curve.tension(dense(points))) > 0.0).all()


def test_tangent_is_continuous_and_the_slope_of_the_tension(points, curve):
    e = dense(points)
    steepest = curve.tangent(e).max()
    # a jump would not shrink with the distance over which it is looked for
    for nudge in (1e-6, 1e-8):
        jump = np.abs(curve.tangent(curve.knot + nudge) - curve.tangent(curve.knot - nudge)).max()
        assert jump <= 2.0 * nudge * 2.0 * np.abs(np.cumsum(curve.coef)).max() + 1e-12 * steepest
    nudge = 1e-7
    off = np.abs(e[:, None] - curve.knot).min(1) > 2.0 * nudge
    slope = (curve.tension(e + nudge) - curve.tension(e - nudge)) / (2.0 * nudge)
    np.testing.assert_allclose(slope[off], curve.tangent(e)[off], rtol=0, atol=1e-7 * steepest)


def test_energy_is_the_integral_of_the_tension(points, curve):
    assert curve.energy(np.zeros(())) == 0.0
    for end in (-0.4, 0.3, 0.77, 1.0, 1.6):
        e = end * points[-1, 0]
        inside = [k for k in curve.knot if min(0.0, e) < k < max(0.0, e)]
        area, _ = quad(curve.tension, 0.0, e, points=inside or None, epsabs=0.0, epsrel=1e-12)
        assert curve.energy(np.array(e)) == pytest.approx(area, rel=1e-10)


@pytest.mark.parametrize("ratio", [0.1, 1.0, 2.0])
def test_compression_and_the_far_end_are_straight(points, ratio):
    curve = smooth_curve(points, ratio)
    first = curve.tangent(np.array(0.0))
    crushed = np.linspace(-1.0, -0.1, 10) * points[1, 0]
    np.testing.assert_allclose(curve.tangent(crushed), ratio * first, rtol=1e-12)
    beyond = np.linspace(1.0, 3.0, 10) * points[-1, 0]
    np.testing.assert_allclose(curve.tangent(beyond), curve.tangent(points[-1, 0]), rtol=1e-9)


def test_random_rising_points_give_a_rising_curve():
    rng = np.random.default_rng(0)
    for _ in range(200):
        steps = 10.0 ** rng.uniform(-3.0, 1.0, (rng.integers(1, 12), 2))
        points = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)]) * [0.01, 10.0]
        curve = smooth_curve(points, 1.0)
        np.testing.assert_allclose(curve.tension(points[:, 0]), points[:, 1], rtol=1e-7, atol=1e-7)
        assert curve.tangent(np.concatenate([curve.knot, points[:, 0]])).min() > -1e-9 * curve.tangent(curve.knot).max()


def test_shares_are_the_half_cells_beside_a_link(holed_lattice):
    along_u, along_v = link_shares(holed_lattice.cell)
    cell = holed_lattice.cell
    for (i, j), share in np.ndenumerate(along_u):
        beside = [cell[i, k] for k in (j - 1, j) if 0 <= k < cell.shape[1]]
        assert share == 0.5 * sum(beside)
    for (i, j), share in np.ndenumerate(along_v):
        beside = [cell[k, j] for k in (i - 1, i) if 0 <= k < cell.shape[0]]
        assert share == 0.5 * sum(beside)


def test_hinge_needs_both_links_and_a_clamp_doubles_it(holed_lattice):
    share, _ = link_shares(holed_lattice.cell)
    loose = hinge_shares(share, None, 0)
    for (i, j), hinge in np.ndenumerate(loose):
        both = 0 < i < len(share) and share[i - 1, j] > 0 and share[i, j] > 0
        assert hinge == (0.5 * (share[i - 1, j] + share[i, j]) if both else 0.0)
    held = np.zeros(holed_lattice.shape, dtype=bool)
    held[:2] = True
    clamped = hinge_shares(share, held, 0)
    np.testing.assert_array_equal(clamped[1], 2.0 * loose[1])  # between a held and a free neighbour
    clamped[1] = loose[1]
    np.testing.assert_array_equal(clamped, loose)


def test_padding_and_back(holed_lattice):
    values = np.random.default_rng(0).normal(size=(len(holed_lattice.ij), 3))
    grid = padded(holed_lattice, values)
    # the longer side makes the rows, of whole cache lines
    assert holed_lattice.shape[0] + 4 == 14
    assert grid.shape == (3, holed_lattice.shape[1] + 4, 16)
    assert grid.ctypes.data % 64 == 0
    np.testing.assert_array_equal(unpadded(holed_lattice, grid), values)
    assert np.count_nonzero(grid) == values.size


def test_fields_carry_the_weight_of_the_cloth(holed_lattice, curved_card):
    held = holed_lattice.ij[:, 0] == 0
    gravity = np.array([1.0, -2.0, -9.0])
    fields = lattice_fields(holed_lattice, curved_card, gravity, held)
    mass = curved_card.areal_density * holed_lattice.cell.sum() * 0.01 * 0.008
    assert fields.mass.sum() == pytest.approx(mass, rel=1e-12)
    np.testing.assert_allclose(fields.load.sum((1, 2)), mass * gravity, rtol=1e-12)
    assert fields.free.sum() == len(held) - held.sum()
    assert fields.cell.sum() == holed_lattice.cell.sum()
    # each cell carries one width of warp and one of weft
    assert fields.link_u.sum() == fields.link_v.sum() == holed_lattice.cell.sum()


def test_constants_of_warp_and_weft(curved_card):
    lattice = Lattice(0.01, 0.008, np.ones((3, 3), dtype=bool))
    cloth = cloth_constants(curved_card, lattice)
    e = 0.011
    for row, points in enumerate((curved_card.warp_curve, curved_card.weft_curve)):
        over = np.maximum(0.0, e - cloth.knot[row])
        tension = cloth.offset[row] + cloth.slope[row] * e + (cloth.coef[row] * over**2).sum()
        assert tension == pytest.approx(float(smooth_curve(points, 0.5).tension(np.array(e))), rel=1e-12)
    assert (cloth.hu, cloth.hv) == (0.01, 0.008)
    assert (cloth.bend_u, cloth.bend_v, cloth.twist) == (1.2e-5, 8e-6, curved_card.twist)
    assert cloth.lock_sine == pytest.approx(np.sin(0.3))
