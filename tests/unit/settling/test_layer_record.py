"""Cloth on cloth: what lies across from every point of a sheet folded by exact geometry."""

import numpy as np
import pytest

from drapesim.matter.sheet import Lattice, Sheet, cut_lattice
from drapesim.settling.layer_record import INNER, NONE, OUTER, REACH, prepare_layers, read_layers, record_layers
from tests.unit.folded_sheet import fold_at, pleat

LENGTH, WIDTH, FOLD, THICK = 0.4, 0.1, 0.22, 4e-4


def folded(radius, spacing=0.005, inner_sign=-1):
    lattice = cut_lattice(Sheet(LENGTH, WIDTH, spacing, inner_sign))
    return lattice, fold_at(lattice, FOLD, radius)


@pytest.mark.parametrize("inner_sign", [-1, 1])
def test_half_turn_of_known_radius(inner_sign):
    radius = 0.003
    lattice, x = folded(radius, inner_sign=inner_sign)
    record = record_layers(prepare_layers(lattice, x, THICK))
    u = lattice.uv[:, 0]
    # the chords of the half turn shorten nothing on the level parts: a node's way to the nose is its own
    level = (np.abs(u - FOLD) > 0.5 * np.pi * radius) & (u > 2 * FOLD - LENGTH)
    assert np.allclose(record.gap[level, INNER], 2 * radius - THICK, atol=1e-12)
    assert np.allclose(record.uv[level, INNER, 0], 2 * FOLD - u[level], atol=1e-12)
    assert np.allclose(record.uv[level, INNER, 1], lattice.uv[level, 1], atol=1e-12)
    assert (record.met[level, INNER] == INNER).all()
    # the over half is shorter: beyond its hem lies nothing, but for what still sees the hem at a slant
    alone = u < 2 * FOLD - LENGTH - 2 * radius * np.sqrt(3) - 1e-9
    assert alone.any()
    assert np.isinf(record.gap[alone, INNER]).all()
    # and nothing lies over the outer faces anywhere
    assert np.isinf(record.gap[:, OUTER]).all()
    assert (record.met[:, OUTER] == NONE).all()
    assert (record.triangle[:, OUTER] == -1).all()


def test_weights_name_the_point():
    lattice, x = folded(0.003)
    record = record_layers(prepare_layers(lattice, x, THICK))
    n, side = np.nonzero(record.triangle >= 0)
    corners = lattice.triangles[record.triangle[n, side]]
    point = np.einsum("nk,nkd->nd", record.weight[n, side], x[corners])
    assert np.allclose(np.linalg.norm(point - x[n], axis=1) - THICK, record.gap[n, side], atol=1e-12)
    assert np.allclose(
        np.einsum("nk,nkd->nd", record.weight[n, side], lattice.uv[corners]), record.uv[n, side], atol=1e-15
    )


def test_pleat_has_a_layer_over_either_face():
    """Three layers: the middle one meets inner on inner below and outer on outer above."""
    lattice = cut_lattice(Sheet(0.3, 0.05, 0.005))
    radius = 0.002
    u = lattice.uv[:, 0]
    x = pleat(lattice, 0.1, 0.2, radius)
    record = record_layers(prepare_layers(lattice, x, THICK))
    middle = (u > 0.125) & (u < 0.175)
    assert np.allclose(record.gap[middle], 2 * radius - THICK, atol=2e-5)
    assert (record.met[middle] == [INNER, OUTER]).all()
    assert (record.met[(u > 0.225) & (u < 0.275), OUTER] == OUTER).all()


def test_too_far_is_no_layer():
    lattice, x = folded(0.5 * REACH + THICK + 1e-6)
    assert np.isinf(record_layers(prepare_layers(lattice, x, THICK)).gap).all()


def test_places_off_the_cloth_are_told():
    cell = np.ones((80, 20), dtype=bool)
    cell[10:14, 5:9] = False
    lattice = Lattice(0.005, 0.005, cell)
    record = read_layers(
        prepare_layers(lattice, fold_at(lattice, FOLD, 0.003), THICK),
        np.array([[0.06, 0.035], [0.3, 0.05], [1.0, 1.0]]),
    )
    assert np.isnan(record.gap[[0, 2]]).all()
    assert np.isfinite(record.gap[1, INNER])
    assert np.allclose(record.uv[1, INNER], [2 * FOLD - 0.3, 0.05], atol=1e-12)


@pytest.mark.parametrize("spacing", [0.004, 0.002, 0.001])
def test_nothing_lies_across_from_the_turn_itself(spacing):
    """From inside the half turn the rest of it comes ever nearer toward the nose: nowhere does a way stand upright."""
    radius = 0.008
    lattice, x = folded(radius, spacing)
    record = record_layers(prepare_layers(lattice, x, THICK))
    away = np.abs(lattice.uv[:, 0] - FOLD)
    bend = 0.5 * np.pi * radius
    assert np.isinf(record.gap[away < bend - spacing]).all()
    over = (away > bend + spacing) & (lattice.uv[:, 0] > FOLD)
    assert np.allclose(record.gap[over, INNER], 2 * radius - THICK, atol=1e-12)
