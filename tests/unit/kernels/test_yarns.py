"""The solve along yarns: against dense algebra, and what a backward Euler step may never do."""

import numpy as np
import pytest

from drapesim.kernels.elastic import LINE, PAD
from drapesim.kernels.yarns import LANES, STRIP, cut_strips, tighten_rows, tighten_strip

SHAPE = (17, 23)
HOLD = 3e-4  # kg: fifteen times the nodes' mass


@pytest.fixture
def piece():
    """(x, v, light, link_u, link_v) of a crumpled piece with a held node, a missing link and a row that ends early."""
    rng = np.random.default_rng(4)
    i, j = np.meshgrid(np.arange(SHAPE[0]), np.arange(SHAPE[1]), indexing="ij")
    x = 0.01 * np.stack([i, j, 3.0 * np.sin(0.4 * i + 0.2 * j)]) + rng.normal(scale=5e-4, size=(3, *SHAPE))
    inner = np.zeros(SHAPE)
    inner[PAD:-PAD, PAD:-PAD] = 1.0
    light = inner * rng.uniform(3e4, 6e4, SHAPE)
    light[6, 9] = 0.0
    link_u, link_v = inner * np.roll(inner, -1, 0), inner * np.roll(inner, -1, 1)
    link_u[7, 5] = link_v[7, 5] = 0.0
    link_v[9, 12:] = 0.0
    v = rng.normal(scale=0.1, size=x.shape) * (light > 0.0)
    return x, v, light, link_u, link_v


def solve_densely(x, v, light, link, axis):
    """(3, NU, NV) of (1 + hold W sum_k t t') v' = v, with all links along one axis at once."""
    nodes = np.arange(light.size).reshape(SHAPE)
    n = light.size
    matrix = np.zeros((3 * n, 3 * n))
    for i, j in np.argwhere(link > 0.0):
        a, b = nodes[i, j], nodes[i + 1, j] if axis == 0 else nodes[i, j + 1]
        t = x.reshape(3, n)[:, b] - x.reshape(3, n)[:, a]
        t /= np.linalg.norm(t)
        row = np.zeros(3 * n)
        row[3 * a : 3 * a + 3], row[3 * b : 3 * b + 3] = -t, t
        matrix += HOLD * link[i, j] * np.outer(row, row)
    system = np.eye(3 * n) + np.repeat(light.ravel(), 3)[:, None] * matrix
    return np.linalg.solve(system, v.reshape(3, n).T.ravel()).reshape(n, 3).T.reshape(v.shape)


def tighten(piece, axis):
    """Strips of three widths, or groups of rows, one of them full; what they work in is not empty before."""
    x, v, light, link_u, link_v = piece
    after, leftover = v.copy(), np.random.default_rng(5)
    if axis == 0:
        for lo, hi in ((0, 8), (8, 9), (9, SHAPE[1])):
            strip = np.ascontiguousarray(v[:, :, lo:hi])
            work = leftover.normal(size=(7, SHAPE[0], hi - lo))
            tighten_strip(lo, hi, strip, x, work, light, link_u, HOLD)
            after[:, :, lo:hi] = strip
    else:
        lanes = leftover.normal(size=(10, LANES * SHAPE[1]))
        rows = leftover.normal(size=(3, LANES, SHAPE[1]))
        for lo, hi in ((PAD, PAD + LANES), (PAD + LANES, 12), (12, SHAPE[0] - PAD)):
            rows[:, : hi - lo] = v[:, lo:hi]
            tighten_rows(lo, hi, rows, x, lanes, light, link_v, HOLD)
            after[:, lo:hi] = rows[:, : hi - lo]
    return after


@pytest.mark.parametrize("axis", [0, 1])
def test_each_yarn_is_solved_exactly(piece, axis):
    """1e-13: rounding of a well-conditioned system of some dozen unknowns."""
    x, v, light, link_u, link_v = piece
    wanted = solve_densely(x, v, light, (link_u, link_v)[axis], axis)
    assert np.abs(wanted - v).max() > 0.05
    np.testing.assert_allclose(tighten(piece, axis), wanted, rtol=0, atol=1e-13)


@pytest.mark.parametrize("axis", [0, 1])
def test_momentum_stays_and_motion_only_slows(piece, axis):
    x, v, light, *links = piece
    light = np.where(light == 0.0, np.pad(np.full((13, 19), 4e4), PAD), light)  # nobody is held
    after = tighten((x, v, light, *links), axis)
    mass = 1.0 / np.where(light > 0.0, light, np.inf)
    np.testing.assert_allclose((mass * after).sum((1, 2)), (mass * v).sum((1, 2)), rtol=0, atol=1e-17)
    before, now = (0.5 * (mass * w**2).sum() for w in (v, after))
    assert 0.2 * before < now < 0.8 * before


@pytest.mark.parametrize("axis", [0, 1])
def test_moving_and_turning_as_a_whole_is_left_alone(piece, axis):
    x, _, light, link_u, link_v = piece
    light = np.where(light == 0.0, np.pad(np.full((13, 19), 4e4), PAD), light)
    turn = np.array([0.3, -0.5, 0.2])
    v = np.array([0.1, -0.2, 0.3])[:, None, None] + np.cross(turn, x, axisb=0, axisc=0)
    inner = (slice(None), slice(PAD, -PAD), slice(PAD, -PAD))
    np.testing.assert_allclose(tighten((x, v, light, link_u, link_v), axis)[inner], v[inner], rtol=0, atol=1e-15)


@pytest.mark.parametrize("blocks", [1, 2, 3, 5, 8])
@pytest.mark.parametrize("columns", [LINE, 10 * LINE, STRIP, STRIP + LINE, 37 * LINE])
def test_strips_are_of_whole_lines_and_shared_out_evenly(columns, blocks):
    border = cut_strips(columns, blocks)
    width = np.diff(border)
    assert border[0] == 0
    assert border[-1] == columns
    assert len(width) % blocks == 0
    assert not (border % LINE).any()
    assert width.max() <= STRIP
    assert width.max() - width.min() <= LINE
