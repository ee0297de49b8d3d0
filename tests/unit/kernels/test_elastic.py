"""The kernels' forces against the independent ones, which tests/unit/mechanics checks against their energy."""

from dataclasses import replace

import numpy as np
import pytest

from drapesim.kernels.elastic import PAD, block_start, forces_of_block_into
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.energies import cloth_constants, is_turned, lattice_fields, padded, unpadded
from drapesim.mechanics.independent import KINDS, elastic_force, elastic_forces

GRAVITY = np.array([0.3, -0.2, -9.8])


def force_of(lattice, card, x, held=None, blocks=1, gravity=GRAVITY, cloth=None):
    """((n, 3) force N, (2,) largest strains) of the kernels, worked out in ``blocks`` runs of rows."""
    fields, cloth = lattice_fields(lattice, card, gravity, held), cloth or cloth_constants(card, lattice)
    grid = padded(lattice, x)
    force, peak = np.full_like(grid, np.nan), np.zeros(2)
    for b in range(blocks):
        rows = [block_start(k, blocks, grid.shape[1]) for k in (b, b + 1)]
        forces_of_block_into(force, peak, *rows, grid, fields, cloth)
    return unpadded(lattice, force), peak


@pytest.fixture(params=["as it is", "limp"])
def card(request, curved_card):
    """The limp one hardly resists stretch and shear, so that an error in bending cannot hide behind those."""
    if request.param == "as it is":
        return curved_card
    curves = {"warp_curve": curved_card.warp_curve * [1.0, 1e-6], "weft_curve": curved_card.weft_curve * [1.0, 1e-6]}
    return replace(curved_card, shear_rigidity=1e-5 * curved_card.shear_rigidity, **curves)


def clamp(lattice):
    """Two rows of nodes held along one end, and one node by itself."""
    held = lattice.ij[:, 0] < 2
    held[-3] = True
    return held


@pytest.mark.parametrize("size", [0.0, 1e-5, 1e-3, 4e-3])
@pytest.mark.parametrize("is_held", [False, True])
def test_force_is_that_of_the_independent_path(holed_lattice, card, crumple, size, is_held):
    held = clamp(holed_lattice) if is_held else None
    for seed in range(3):
        x = crumple(holed_lattice, size, seed)
        force, _ = force_of(holed_lattice, card, x, held)
        expected = elastic_force(holed_lattice, card, x, held)
        expected += card.areal_density * holed_lattice.node_area[:, None] * GRAVITY
        np.testing.assert_allclose(force, expected, rtol=0, atol=1e-12 * np.abs(expected).max())


@pytest.fixture(params=["long rows", "turned"])
def holed_lattice(request, holed_lattice):
    """The holed sheet with its longer side along the weft, and along the warp: there the kernels' grid is turned."""
    cell = holed_lattice.cell
    if (cell.shape[0] > cell.shape[1]) == (request.param == "turned"):
        return holed_lattice
    return Lattice(holed_lattice.spacing_v, holed_lattice.spacing_u, np.ascontiguousarray(cell.T))


def only(kind, cloth, lattice):
    """``cloth`` without all elastic terms but one."""
    warp, weft = ("bend_v", "bend_u") if is_turned(lattice) else ("bend_u", "bend_v")
    parts = {"bend warp": [warp], "bend weft": [weft], "shear": ["shear", "lock"], "twist": ["twist"]}
    kept = parts.get(kind, [])
    none = {name: 0.0 for names in parts.values() for name in names if name not in kept}
    pulls = np.array([kind == "stretch warp", kind == "stretch weft"], dtype=float)
    pulls = pulls[::-1] if is_turned(lattice) else pulls
    curves = {name: (getattr(cloth, name).T * pulls).T for name in ("slope", "offset", "coef")}
    return cloth._replace(**none, **curves)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("size", [1e-3, 4e-3])
@pytest.mark.parametrize("is_held", [False, True])
def test_each_term_by_itself_is_that_of_the_independent_path(holed_lattice, curved_card, crumple, kind, size, is_held):
    """To 1e-8 of the force on each node, not only of the largest: a stiff term cannot hide an error in a soft one."""
    held = clamp(holed_lattice) if is_held else None
    cloth = only(kind, cloth_constants(curved_card, holed_lattice), holed_lattice)
    for seed in range(3):
        x = crumple(holed_lattice, size, seed)
        force, _ = force_of(holed_lattice, curved_card, x, held, gravity=np.zeros(3), cloth=cloth)
        expected = elastic_forces(holed_lattice, curved_card, x, held)[kind]
        size_of = np.linalg.norm(expected, axis=1)
        assert np.median(size_of) > 0.0
        assert (np.linalg.norm(force - expected, axis=1) <= 1e-8 * size_of).all()


def test_clamp_is_felt(holed_lattice, card, crumple):
    """The held row bends twice as hard: the change is of the size of the bending forces, not of rounding."""
    x = crumple(holed_lattice, 1e-3)
    loose, _ = force_of(holed_lattice, card, x)
    held, _ = force_of(holed_lattice, card, x, clamp(holed_lattice))
    assert np.abs(held - loose).max() > 1e-5


def test_flat_sheet_at_rest_feels_its_weight_alone(holed_lattice, curved_card):
    x = np.c_[holed_lattice.uv, np.zeros(len(holed_lattice.uv))]
    force, peak = force_of(holed_lattice, curved_card, x)
    weight = curved_card.areal_density * holed_lattice.node_area[:, None] * GRAVITY
    np.testing.assert_allclose(force, weight, rtol=0, atol=1e-12)
    np.testing.assert_allclose(peak, 0.0, rtol=0, atol=1e-12)


def test_net_force_and_torque_vanish(holed_lattice, curved_card, crumple):
    x = crumple(holed_lattice, 2e-3)
    force, _ = force_of(holed_lattice, curved_card, x, gravity=np.zeros(3))
    size = np.abs(force).sum()
    np.testing.assert_allclose(force.sum(0), 0.0, rtol=0, atol=1e-13 * size)
    np.testing.assert_allclose(np.cross(x, force).sum(0), 0.0, rtol=0, atol=1e-14 * size)


def test_force_turns_with_the_sheet(holed_lattice, curved_card, crumple):
    x = crumple(holed_lattice, 2e-3)
    turn = np.linalg.qr(np.random.default_rng(5).normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)
    force, _ = force_of(holed_lattice, curved_card, x, gravity=np.zeros(3))
    turned, _ = force_of(holed_lattice, curved_card, x @ turn.T + [0.3, -0.2, 0.1], gravity=np.zeros(3))
    np.testing.assert_allclose(turned, force @ turn.T, rtol=0, atol=1e-11 * np.abs(force).max())


@pytest.mark.parametrize("blocks", [2, 3, 7])
def test_bytes_do_not_depend_on_the_blocks(holed_lattice, curved_card, crumple, blocks):
    x = crumple(holed_lattice, 3e-3)
    whole, peak = force_of(holed_lattice, curved_card, x)
    cut, cut_peak = force_of(holed_lattice, curved_card, x, blocks=blocks)
    assert cut.tobytes() == whole.tobytes()
    assert cut_peak.tobytes() == peak.tobytes()


def test_peak_is_the_largest_strain_of_a_link_that_exists(holed_lattice, curved_card):
    x = np.c_[holed_lattice.uv * [1.02, 1.01], np.zeros(len(holed_lattice.uv))]
    _, peak = force_of(holed_lattice, curved_card, x)
    expected = [0.01, 0.02] if is_turned(holed_lattice) else [0.02, 0.01]
    np.testing.assert_allclose(peak, expected, rtol=0, atol=1e-12)


def test_blocks_share_out_every_row():
    for rows in (3, 4, 17):
        for blocks in (1, 2, 5):
            starts = [block_start(b, blocks, rows + 2 * PAD) for b in range(blocks + 1)]
            assert starts[0] == PAD
            assert starts[-1] == PAD + rows
            assert starts == sorted(starts)


def test_long_curves_fit(holed_lattice, curved_card, crumple):
    """A card may hold as many points as were measured."""
    strain = np.linspace(0.0, 0.03, 40)
    card = replace(curved_card, warp_curve=np.c_[strain, 500.0 * strain + 2e5 * strain**2])
    x = crumple(holed_lattice, 1e-4)
    force, _ = force_of(holed_lattice, card, x, gravity=np.zeros(3))
    expected = elastic_force(holed_lattice, card, x)
    np.testing.assert_allclose(force, expected, rtol=0, atol=1e-12 * np.abs(expected).max())
