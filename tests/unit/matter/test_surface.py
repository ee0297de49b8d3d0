"""Geometry of a lattice in space: normals, strains, shear and samples, on shapes whose answers are known."""

import numpy as np
import pytest

from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import (
    inner_normals,
    link_ends,
    link_strain_means,
    link_strain_peaks,
    link_strains,
    sample_sheet,
    shear_angles,
)


def holed(inner_sign=-1):
    cell = np.ones((7, 5), dtype=bool)
    cell[2:4, 2] = False
    cell[6, 4] = False
    return Lattice(0.01, 0.008, cell, inner_sign)


def crumple(lattice, seed=0, size=1e-3):
    """Node positions of a level sheet, each moved at random."""
    flat = np.c_[lattice.uv, np.full(len(lattice.uv), 0.05)]
    return flat + np.random.default_rng(seed).normal(size=flat.shape) * size


def test_links_join_neighbours_that_share_a_cell():
    """The holes of 2 x 1 cells and of one corner cell: the links inside the hole and round the corner are missing."""
    lattice = holed()
    for axis, count in ((0, 7 * 6 - 1), (1, 8 * 5 - 2)):
        a, b = link_ends(lattice, axis)
        step = np.zeros(2)
        step[axis] = 1.0
        np.testing.assert_array_equal(lattice.ij[b] - lattice.ij[a], np.tile(step, (len(a), 1)))
        assert len(a) == len(np.unique(np.c_[a, b], axis=0)) == count


def test_strain_of_an_even_stretch():
    lattice = holed()
    warp, weft = link_strains(lattice, np.c_[lattice.uv * [1.012, 0.996], np.zeros(len(lattice.uv))])
    np.testing.assert_allclose(warp, 0.012, rtol=0, atol=1e-12)
    np.testing.assert_allclose(weft, -0.004, rtol=0, atol=1e-12)


def test_strain_at_a_node_is_the_mean_or_the_largest_of_the_links_that_exist():
    lattice = holed()
    x = crumple(lattice)
    warp, weft = link_strain_means(lattice, x)
    peaks = link_strain_peaks(lattice, x)
    at = {tuple(ij): k for k, ij in enumerate(lattice.ij.tolist())}

    def is_cloth(i, j):
        return 0 <= i < lattice.cell.shape[0] and 0 <= j < lattice.cell.shape[1] and lattice.cell[i, j]

    for (i, j), k in at.items():
        of_warp, of_weft = [], []
        for s in (-1, 0):
            if is_cloth(i + s, j) or is_cloth(i + s, j - 1):
                a, b = at[i + s, j], at[i + s + 1, j]
                of_warp.append(np.linalg.norm(x[a] - x[b]) / 0.01 - 1.0)
            if is_cloth(i, j + s) or is_cloth(i - 1, j + s):
                a, b = at[i, j + s], at[i, j + s + 1]
                of_weft.append(np.linalg.norm(x[a] - x[b]) / 0.008 - 1.0)
        assert warp[k] == pytest.approx(np.mean(of_warp), abs=1e-12)
        assert weft[k] == pytest.approx(np.mean(of_weft), abs=1e-12)
        assert (peaks[0][k], peaks[1][k]) == pytest.approx((max(of_warp), max(of_weft)), abs=1e-12)


def test_shear_angle_has_the_sign_of_the_closing_angle():
    lattice = holed()
    u, v = lattice.uv.T
    for angle in (0.2, -0.2, 0.0):
        sheared = np.c_[u + v * np.sin(angle), v * np.cos(angle), 0.0 * u]
        np.testing.assert_allclose(shear_angles(lattice, sheared), angle, rtol=0, atol=1e-12)


def test_inner_normals_of_a_cylinder():
    """x_u x x_v leads outward here; the inner normal leads to the axis, at the ends within half a link's turn."""
    lattice = Lattice(0.01, 0.01, np.ones((20, 5), dtype=bool), inner_sign=-1)
    turn = lattice.uv[:, 0] / 0.1
    x = np.c_[0.1 * np.sin(turn), lattice.uv[:, 1], 0.1 * np.cos(turn)]
    outward = np.c_[np.sin(turn), 0.0 * turn, np.cos(turn)]
    normal = inner_normals(lattice, x)
    inside = (lattice.ij[:, 0] > 0) & (lattice.ij[:, 0] < 20)
    np.testing.assert_allclose(normal[inside], -outward[inside], rtol=0, atol=1e-12)
    np.testing.assert_allclose((-normal * outward).sum(1)[~inside], np.cos(0.05), rtol=0, atol=1e-12)
    mirrored = inner_normals(Lattice(0.01, 0.01, lattice.cell, inner_sign=1), x)
    np.testing.assert_array_equal(mirrored, -normal)


def test_samples_at_the_nodes_are_the_nodes():
    lattice = holed()
    x = crumple(lattice)
    points, normals = sample_sheet(lattice, x, lattice.uv)
    np.testing.assert_allclose(points, x, rtol=0, atol=1e-12)
    np.testing.assert_allclose(normals, inner_normals(lattice, x), rtol=0, atol=1e-9)


def test_samples_lie_on_the_triangles_of_the_lattice():
    """A point mixed from a triangle's corners in the flat map is the same mix of its corners in space."""
    lattice = holed()
    x = crumple(lattice)
    rng = np.random.default_rng(2)
    t = np.repeat(np.arange(len(lattice.triangles)), 20)
    weight = rng.dirichlet(np.ones(3), len(t))
    corner = lattice.triangles[t]
    points, normals = sample_sheet(lattice, x, np.einsum("nk,nkd->nd", weight, lattice.uv[corner]))
    np.testing.assert_allclose(points, np.einsum("nk,nkd->nd", weight, x[corner]), rtol=0, atol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1.0, rtol=0, atol=1e-12)


def test_no_sample_off_the_cloth():
    lattice = holed()
    x = crumple(lattice)
    off = np.array([[-1e-6, 0.01], [0.0701, 0.01], [0.03, 0.041], [0.025, 0.02], [0.035, 0.017], [0.068, 0.037]])
    points, normals = sample_sheet(lattice, x, off)
    assert np.isnan(points).all()
    assert np.isnan(normals).all()
    # the rims of the holes belong to the cloth beside them
    rim = np.array([[0.02, 0.02], [0.04, 0.02], [0.025, 0.016], [0.025, 0.024], [0.06, 0.036], [0.065, 0.032]])
    assert np.isfinite(sample_sheet(lattice, x, rim)[0]).all()
