"""The exact tangent: symmetric, the derivative of the independent force, and a judge of stability."""

import numpy as np
import pytest
from scipy.sparse import csc_matrix

from drapesim.kernels.relax import Pace
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.energies import unpadded
from drapesim.mechanics.independent import elastic_force
from drapesim.mechanics.search import find_touching
from drapesim.mechanics.solve import advance, pose_problem, start_motion
from drapesim.mechanics.tangent import NUDGE, contact_tangent, elastic_tangent, factorise, rest_tangent

pytestmark = pytest.mark.usefixtures("one_thread")

PACE = Pace(dt=1e-4, damping=1.0, stiffness=300.0, grip=200.0, dashpot=0.0, limit=1.0, hold_u=0.0, hold_v=0.0,
            borne=1.0, bend=0.0, lend=0.0)  # fmt: skip
NO_GRAVITY = np.zeros(3)


def pose(lattice, card, field=None, held=None, gravity=NO_GRAVITY):
    return pose_problem(lattice, card, field, np.full(2, 0.3), held, gravity, 1)


@pytest.mark.parametrize("size", [1e-5, 1e-3])
def test_tangent_is_the_derivative_of_the_independent_force(curved_card, crumple, size):
    """By the same nudge as the tangent's, because the curves' slopes have corners."""
    cell = np.ones((6, 5), dtype=bool)
    cell[2, 2] = False
    lattice = Lattice(0.01, 0.008, cell)
    x = crumple(lattice, size, 2)
    held = lattice.ij[:, 0] < 2
    problem = pose(lattice, curved_card, held=held)
    tangent = elastic_tangent(problem, start_motion(problem, x).x).toarray()
    np.testing.assert_array_equal(tangent, tangent.T)
    expected = np.empty_like(tangent)
    for column in range(x.size):
        sides = []
        for sign in (1.0, -1.0):
            moved = x.ravel().copy()
            moved[column] += sign * NUDGE
            sides.append(elastic_force(lattice, curved_card, moved.reshape(x.shape), held).ravel())
        expected[:, column] = (sides[1] - sides[0]) / (2.0 * NUDGE)
    expected = 0.5 * (expected + expected.T)
    np.testing.assert_allclose(tangent, expected, rtol=0, atol=1e-7 * np.abs(expected).max())


def test_rigid_shift_costs_nothing(holed_lattice, curved_card, crumple):
    problem = pose(holed_lattice, curved_card)
    tangent = elastic_tangent(problem, start_motion(problem, crumple(holed_lattice, 1e-3)).x)
    for k in range(3):
        shift = np.zeros((len(holed_lattice.ij), 3))
        shift[:, k] = 1.0
        assert np.abs(tangent @ shift.ravel()).max() < 1e-6 * np.abs(tangent).max()


def test_count_of_negative_eigenvalues():
    """Sylvester's law, against the eigenvalues themselves."""
    rng = np.random.default_rng(0)
    for negative in (0, 1, 4):
        axes = np.linalg.qr(rng.normal(size=(12, 12)))[0]
        values = rng.uniform(0.5, 2.0, 12) * np.where(np.arange(12) < negative, -1.0, 1.0)
        matrix = (axes * values) @ axes.T
        assert factorise(csc_matrix(0.5 * (matrix + matrix.T)))[1] == negative


def strip_under(curved_card, share):
    """A strip of 16 x 2 cells, both ends clamped over two rows, pressed together by ``share`` of the Euler load.

    Euler: P = 4 pi^2 B / L^2 per width between clamped ends (textbook). On a lattice that reads 2 (1 - cos q h) B / h^2
    with q = 2 pi / L. The inner clamped rows are L apart.
    """
    lattice = Lattice(0.005, 0.005, np.ones((18, 2), dtype=bool))
    length = 16 * 0.005
    load = 2.0 * (1.0 - np.cos(2.0 * np.pi * 0.005 / length)) * curved_card.bend_warp / 0.005**2
    held = (lattice.ij[:, 0] < 2) | (lattice.ij[:, 0] > 16)
    problem = pose(lattice, curved_card, held=held)
    strain = np.linspace(-0.01, 0.0, 100_001)
    short = np.interp(-share * load, problem.curves[0].tension(strain), strain)
    x = np.c_[lattice.uv, np.zeros(len(lattice.uv))]
    x[:, 0] = 0.005 + (x[:, 0] - 0.005) * (1.0 + short)
    motion = start_motion(problem, x)
    advance(problem, motion, no_contacts(), PACE, 0)
    return problem, motion


@pytest.mark.parametrize(("share", "negative"), [(-0.5, 0), (0.97, 0), (1.03, 1)])
def test_a_pressed_strip_buckles_at_the_euler_load(curved_card, share, negative):
    problem, motion = strip_under(curved_card, share)
    tangent = rest_tangent(problem, elastic_tangent(problem, motion.x), no_contacts(), PACE)
    assert len(tangent.free) == 15 * 3
    assert factorise(tangent.matrix)[1] == negative
    assert (np.linalg.eigvalsh(tangent.matrix.toarray()) < 0.0).sum() == negative


def test_contacts_are_springs_along_and_across(meshes, as_body, curved_card):
    """Loaded node contacts on a level face: stiffness upward and grip sideways on each node, nothing for the rest."""
    lattice = Lattice(0.01, 0.01, np.ones((4, 4), dtype=bool))
    field = prepare_body(as_body(meshes["box"]))
    x = np.c_[lattice.uv - [0.02, 0.0213], np.full(len(lattice.uv), 0.04 + 2e-4)]
    problem = pose(lattice, curved_card, field)
    found, _ = find_touching(problem, x, 1e-3, None, no_contacts())
    assert contact_tangent(problem, found, PACE).nnz == 0
    loaded = [3, 7, 20]
    found.contacts.force[np.isin(found.found.node[:, 0], loaded), 2] = 1.0
    expected = np.zeros(3 * len(x))
    for node in loaded:
        expected[3 * node : 3 * node + 3] = PACE.grip, PACE.grip, PACE.stiffness
    got = contact_tangent(problem, found, PACE).toarray()
    np.testing.assert_allclose(got, np.diag(expected), rtol=0, atol=1e-9)


def test_contact_springs_are_the_derivative_of_the_contact_force(meshes, as_body, curved_card):
    """On a ball, contacts of cloth edges and faces too: their forces while sticking, by differences."""
    lattice = Lattice(0.02, 0.02, np.ones((4, 4), dtype=bool))
    field = prepare_body(as_body(meshes["ball"]))
    level = np.c_[lattice.uv - 0.0411, np.full(len(lattice.uv), 0.09)]
    x = level * (0.102 / np.linalg.norm(level, axis=1, keepdims=True))
    problem = pose_problem(lattice, curved_card, field, np.full(1, 1e6), None, NO_GRAVITY, 1)
    found, _ = find_touching(problem, x, 4e-3, None, no_contacts())
    assert (found.found.weight[:, 1] > 0.0).any()
    found.contacts.preload[:] = 5.0
    motion = start_motion(problem, x)
    advance(problem, motion, found, PACE, 0)
    assert (found.contacts.force != 0.0).any(1).all()
    tangent = contact_tangent(problem, found, PACE).toarray()
    direction = np.random.default_rng(0).normal(size=x.shape)
    sides = []
    for sign in (1.0, -1.0):
        moved = start_motion(problem, x + sign * 1e-6 * direction)
        advance(problem, moved, found, PACE, 0)
        sides.append(unpadded(lattice, moved.touch))
    change = (sides[1] - sides[0]) / 2e-6
    np.testing.assert_allclose(tangent @ direction.ravel(), change.ravel(), rtol=0, atol=1e-6 * np.abs(change).max())
