"""What nodes are lent where a sheet is stiff. Elements' bounds are checked against differences of their own energy."""

import numpy as np
import pytest

from drapesim.kernels.ballast import shear_stiffness, shear_stiffness_of_cell
from drapesim.kernels.elastic import PAD
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.energies import cloth_constants, padded
from drapesim.mechanics.independent import elastic_energies
from drapesim.mechanics.solve import Slopes, advance, choose_pace, pose_problem, start_motion

H = 0.01
WAY = 0.15 * H


@pytest.fixture
def one_cell():
    return cut_lattice(Sheet(length=H, width=H, spacing=H))


def shear_hessian(lattice, card, x, step=1e-6):
    """(12, 12) N/m by central differences of the independent shear energy; exact to some 1e-4 of it at this step."""

    def energy(flat):
        return elastic_energies(lattice, card, flat.reshape(-1, 3), None)["shear"]

    flat, n = x.ravel(), x.size
    moves = step * np.eye(n)
    return np.array(
        [
            [energy(flat + a + b) - energy(flat + a - b) - energy(flat - a + b) + energy(flat - a - b) for b in moves]
            for a in moves
        ]
    ) / (4.0 * step**2)


@pytest.mark.parametrize("seed", range(4))
def test_no_cell_is_stiffer_than_its_bound(one_cell, curved_card, seed):
    """Cells bent and sheared at random; a flat one has its shear rigidity, and an eigenvalue of twice that."""
    rng = np.random.default_rng(seed)
    cloth = cloth_constants(curved_card, one_cell)
    x = np.column_stack([one_cell.uv, np.zeros(4)]) + (0.0 if seed == 0 else 0.25 * H) * rng.standard_normal((4, 3))
    bound = shear_stiffness_of_cell(padded(one_cell, x), PAD, PAD, 0.0, cloth)
    largest = float(np.linalg.eigvalsh(shear_hessian(one_cell, curved_card, x)).max())
    assert largest <= 2.0 * bound * (1.0 + 1e-3)
    if seed == 0:
        assert bound == pytest.approx(curved_card.shear_rigidity, rel=1e-9)
        assert largest == pytest.approx(2.0 * bound, rel=1e-3)


def test_a_folded_cell_is_stiff_by_the_square_of_its_mid_line(one_cell, curved_card):
    cloth = cloth_constants(curved_card, one_cell)
    flat, folded = shear_stiffness(H, H, 0.0, cloth), shear_stiffness(0.1 * H, H, 0.0, cloth)
    assert folded == pytest.approx(0.5 * (100.0 + 1.0) * flat, rel=1e-9)


@pytest.mark.parametrize("way", [0.0, WAY])
def test_a_flat_sheet_that_travels_carries_no_ballast_and_a_sheared_one_does(curved_card, way):
    lattice = cut_lattice(Sheet(length=0.08, width=0.06, spacing=H))
    problem = pose_problem(lattice, curved_card, None, np.zeros(0), None, np.zeros(3), 1)
    pace = choose_pace(problem, Slopes(1e3, 0.0), 0.0)
    flat = np.column_stack([lattice.uv, np.zeros(len(lattice.uv))])
    for lean, most in ((0.0, 1.0 + 1e-9), (0.5, np.inf)):
        motion = start_motion(problem, flat + lean * flat[:, [1]] * np.array([1.0, 0.0, 0.0]))
        motion.v[0] = 0.01 * (problem.fields.mass > 0.0)
        advance(problem, motion, no_contacts(), pace, 1, way if way > 0.0 else np.inf)
        times = (motion.inertia.own / np.where(problem.fields.mass > 0.0, problem.fields.mass, np.inf)).max()
        assert times <= most
        assert times > 1.2 or lean == 0.0


def test_what_a_hand_holds_keeps_its_mass_and_speed(curved_card):
    lattice = cut_lattice(Sheet(length=0.08, width=0.06, spacing=H))
    held = lattice.ij[:, 0] == 0
    problem = pose_problem(lattice, curved_card, None, np.zeros(0), held, np.zeros(3), 1)
    pace = choose_pace(problem, Slopes(1e3, 0.0), 0.0)
    sheared = np.column_stack([lattice.uv[:, 0] + 0.5 * lattice.uv[:, 1], lattice.uv[:, 1], np.zeros(len(lattice.uv))])
    motion = start_motion(problem, sheared, np.tile([0.0, 0.0, 0.1], (len(sheared), 1)))
    for way in (5e-5, WAY):
        advance(problem, motion, no_contacts(), pace, 1, way)
    hand = padded(lattice, held.astype(float)) > 0.0
    np.testing.assert_array_equal(motion.inertia.mass[hand], problem.fields.mass[hand])
    np.testing.assert_allclose(motion.v[2][hand], 0.1, rtol=1e-12)
    assert (motion.inertia.own > 1.2 * problem.fields.mass)[problem.fields.free > 0.0].any()
