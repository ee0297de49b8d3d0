"""The starts of the benchmark `settle`: sizes as asked, nothing stretched, nothing through itself."""

import numpy as np
import pytest

from benchmarks._scenes import NOSE, POSES, fold_over, spacing_for
from benchmarks.settle import ALL_SCENES
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.settling.exact import count_self_crossings

COVER = (3.9, 1.25)


@pytest.mark.parametrize("nodes", [3000, 12000, 50000, 200000])
def test_about_as_many_nodes_as_asked(nodes: int) -> None:
    for length, width in (COVER, (1.0, 1.0)):
        lattice = cut_lattice(Sheet(length, width, spacing_for(length, width, nodes)), multiple=4)
        assert len(lattice.ij) == pytest.approx(nodes, rel=0.08)


@pytest.mark.parametrize("inner_sign", [-1, 1])
def test_a_fold_keeps_lengths_and_lays_the_inner_side_down(inner_sign: int) -> None:
    lattice = cut_lattice(Sheet(*COVER, 0.01, inner_sign), multiple=4)
    x = fold_over(lattice, 0.3)
    grid = x.reshape(*lattice.shape, 3)
    warp = np.linalg.norm(np.diff(grid, axis=0), axis=2) / lattice.spacing_u - 1.0
    weft = np.linalg.norm(np.diff(grid, axis=1), axis=2) / lattice.spacing_v - 1.0
    assert warp.max() < 1e-9
    assert warp.min() > -0.05  # chords of the half circle
    assert (np.abs(warp) < 1e-9).mean() > 0.97
    np.testing.assert_allclose(weft, 0.0, atol=1e-9)
    normal = inner_sign * np.cross(grid[1:, :-1] - grid[:-1, :-1], grid[:-1, 1:] - grid[:-1, :-1])
    lower, upper = grid[:-1, 0, 2] < 0.3 + 1e-9, grid[:-1, 0, 2] > 0.3 + 2.0 * NOSE - 1e-9
    assert (normal[lower][:, :, 2] < 0.0).all()
    assert (normal[upper][1:, :, 2] > 0.0).all()


@pytest.mark.parametrize("spacing", [0.16, 0.04])
def test_a_fold_starts_clear_of_itself(spacing: float) -> None:
    lattice = cut_lattice(Sheet(*COVER, spacing), multiple=4)
    assert count_self_crossings(fold_over(lattice, 0.3), lattice.triangles)[0] == 0


def test_a_fold_has_two_layers_over_all_but_its_nose() -> None:
    lattice = cut_lattice(Sheet(*COVER, 0.02), multiple=4)
    x = fold_over(lattice, 0.0)
    low, high = (x[np.abs(x[:, 2] - z) < 1e-9] for z in (0.0, 2.0 * NOSE))
    assert len(low) == pytest.approx(0.5 * len(x), rel=0.03)
    for side in (low, high):
        np.testing.assert_allclose(side[:, 0].max(), -side[:, 0].min(), atol=0.03)
        assert np.ptp(side[:, 0]) == pytest.approx(0.5 * COVER[0], abs=0.05)


def test_every_scene_is_named_and_the_small_ones_start_clear() -> None:
    assert set(POSES) == set(ALL_SCENES)
    posed = POSES["sphere"](1000)
    top = posed.body.vertices[:, 2].max()
    assert posed.x[:, 2].min() - 0.5 * posed.card.thickness == pytest.approx(top + 0.01, abs=1e-3)
