"""The second opinion on energies and forces: each force against differences of its energy, and rigid motion."""

from dataclasses import replace

import numpy as np
import pytest

from drapesim.matter.sheet import Lattice
from drapesim.mechanics.independent import (
    KINDS,
    angle_series,
    elastic_energies,
    elastic_force,
    elastic_forces,
)


@pytest.fixture(scope="module")
def piece():
    """5 x 4 cells with a hole: small enough to nudge every node."""
    cell = np.ones((5, 4), dtype=bool)
    cell[2, 1] = False
    cell[4, 3] = False
    return Lattice(0.01, 0.008, cell)


def difference(lattice, card, x, held, place, nudge):
    """(kinds,) derivatives of the energies by the coordinate ``place``, from both sides."""
    sides = []
    for sign in (1.0, -1.0):
        moved = x.copy()
        moved[place] += sign * nudge
        sides.append(np.array(list(elastic_energies(lattice, card, moved, held).values())))
    return (sides[0] - sides[1]) / (2.0 * nudge)


@pytest.mark.parametrize("size", [1e-4, 2e-3])
@pytest.mark.parametrize("is_held", [False, True])
def test_force_is_minus_the_gradient_of_the_energy(piece, curved_card, crumple, size, is_held):
    """To 1e-8 for each kind by itself, with central differences of two widths extrapolated to none (Richardson)."""
    held = piece.ij[:, 0] < 2 if is_held else None
    x = crumple(piece, size, 3)
    forces = elastic_forces(piece, curved_card, x, held)
    assert tuple(forces) == KINDS
    gradient = np.empty((*x.shape, len(KINDS)))
    for place in np.ndindex(*x.shape):
        wide, narrow = (difference(piece, curved_card, x, held, place, nudge) for nudge in (2e-7, 1e-7))
        gradient[place] = (4.0 * narrow - wide) / 3.0
    for number, (kind, force) in enumerate(forces.items()):
        error = np.abs(force + gradient[..., number]).max()
        assert error <= 1e-8 * np.abs(force).max(), kind
    np.testing.assert_allclose(elastic_force(piece, curved_card, x, held), sum(forces.values()), rtol=1e-12, atol=1e-16)


def test_every_kind_of_energy_is_met(piece, curved_card, crumple):
    energy = elastic_energies(piece, curved_card, crumple(piece, 2e-3))
    assert tuple(energy) == KINDS
    assert min(energy.values()) > 0.0
    free = elastic_energies(piece, replace(curved_card, locking_angle=1.5), crumple(piece, 2e-3))
    assert free["shear"] < 0.99 * energy["shear"]  # some cells are past the locking angle


def test_flat_sheet_has_no_energy_and_no_force(piece, curved_card):
    x = np.c_[piece.uv, np.zeros(len(piece.uv))]
    assert max(map(abs, elastic_energies(piece, curved_card, x).values())) < 1e-15
    np.testing.assert_allclose(elastic_force(piece, curved_card, x), 0.0, rtol=0, atol=1e-12)


def test_rigid_motion_leaves_energy_and_turns_force(piece, curved_card, crumple):
    x = crumple(piece, 2e-3)
    turn = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)
    moved = x @ turn.T + [0.2, -0.1, 0.3]
    energy, force = elastic_energies(piece, curved_card, x), elastic_force(piece, curved_card, x)
    moved_energy, moved_force = elastic_energies(piece, curved_card, moved), elastic_force(piece, curved_card, moved)
    for kind in KINDS:
        assert moved_energy[kind] == pytest.approx(energy[kind], rel=1e-10)
    np.testing.assert_allclose(moved_force, force @ turn.T, rtol=0, atol=1e-11 * np.abs(force).max())
    np.testing.assert_allclose(force.sum(0), 0.0, rtol=0, atol=1e-13 * np.abs(force).sum())
    np.testing.assert_allclose(np.cross(x, force).sum(0), 0.0, rtol=0, atol=1e-14 * np.abs(force).sum())


def test_energies_of_even_deformations(curved_card):
    """Closed forms on a whole piece: even stretch, shear below locking, even twist, and a bend of constant turn."""
    lattice = Lattice(0.01, 0.008, np.ones((6, 4), dtype=bool))
    area = 6 * 0.01 * 4 * 0.008
    u, v = lattice.uv.T
    flat = np.zeros(len(u))

    energy = elastic_energies(lattice, curved_card, np.c_[1.005 * u, v, flat])
    # from the curve's points, its slopes set aside: between the chords from below and above
    assert 0.0 < energy["stretch warp"] < 4.0 * 0.005 * area
    assert energy["stretch weft"] == pytest.approx(0.0, abs=1e-15)

    angle = 0.2
    sheared = np.c_[u + v * np.sin(angle), v * np.cos(angle), flat]
    energy = elastic_energies(lattice, curved_card, sheared)
    assert energy["shear"] == pytest.approx(0.5 * curved_card.shear_rigidity * angle**2 * area, rel=1e-9)

    k = 0.5  # 1/m: z = k u v has twist curvature k, and B(t) = ... + 2 J c^2 s^2 gives J k^2 per area
    energy = elastic_energies(lattice, curved_card, np.c_[u, v, k * u * v])
    assert energy["twist"] == pytest.approx(curved_card.twist * k**2 * area, rel=1e-9)

    turn = 0.2  # rad at each of the five inner hinges of five warp lines, the outer two carrying half
    heading = (np.arange(6) - 2.5) * turn
    along = np.concatenate([[0.0], np.cumsum(np.cos(heading))]) * 0.01
    height = np.concatenate([[0.0], np.cumsum(np.sin(heading))]) * 0.01
    i = lattice.ij[:, 0]
    energy = elastic_energies(lattice, curved_card, np.c_[along[i], v, height[i]])
    # a hinge stores t^2/2 + t^4/96 (kernels.elastic): as the spacing shrinks, t does, and this is B k^2 / 2
    expected = 5 * curved_card.bend_warp * (turn**2 / 2.0 + turn**4 / 96.0) / 0.01 * 4 * 0.008
    assert energy["bend warp"] == pytest.approx(expected, rel=1e-9)


def test_locking_stiffens(curved_card):
    """Past the locking angle the stress grows faster than the angle."""
    lattice = Lattice(0.01, 0.008, np.ones((3, 3), dtype=bool))
    u, v = lattice.uv.T

    def energy_at(angle):
        sheared = np.c_[u + v * np.sin(angle), v * np.cos(angle), 0.0 * u]
        return elastic_energies(lattice, curved_card, sheared)["shear"]

    plain = 0.5 * curved_card.shear_rigidity * 9 * 0.01 * 0.008
    assert energy_at(0.299) == pytest.approx(plain * 0.299**2, rel=1e-9)
    assert energy_at(0.6) > 1.3 * plain * 0.6**2
    assert energy_at(-0.6) == pytest.approx(energy_at(0.6), rel=1e-9)


def test_series_is_the_angle():
    """2 asin(sqrt z)^2 to 1e-6 of the angle up to z = 1/2, where two links stand at a right angle."""
    z = np.linspace(0.0, 0.5, 101)
    angle = 2.0 * np.arcsin(np.sqrt(z))
    np.testing.assert_allclose(np.sqrt(2.0 * angle_series(z)), angle, rtol=0, atol=1e-6)
