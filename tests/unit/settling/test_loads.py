"""Loads of hands: the same force and moment on any lattice, patches as large as stated, pushes that bear them."""

import numpy as np
import pytest

from drapesim.matter.body import slab
from drapesim.matter.sheet import Lattice, Sheet, cut_lattice
from drapesim.matter.surface import sample_sheet, spread_forces
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.solve import Slopes, choose_pace, pose_problem, start_motion
from drapesim.settling.level import LevelState, search
from drapesim.settling.loads import joined_loads, patch_nodes, patch_points, seed_push, spread_patch

PUSH = np.array([0.3, -0.2, -1.0])


def test_a_hand_wider_than_the_cloth_presses_all_of_it(holed_lattice):
    force = np.array([1.0, -2.0, 3.0])
    size = np.array(holed_lattice.cell.shape) * (holed_lattice.spacing_u, holed_lattice.spacing_v)
    loads = spread_patch(holed_lattice, (tuple((0.5 * size).tolist()),), 1e3, force)
    assert len(loads.uv) == len(holed_lattice.uv)
    np.testing.assert_allclose(loads.total, force, rtol=1e-12)


def test_spread_forces_do_the_work_of_the_forces_at_their_places(holed_lattice, crumple):
    rng = np.random.default_rng(1)
    move = crumple(holed_lattice, 1e-3)
    uv = rng.uniform(0.0, 1.0, (50, 2)) * np.array([0.09, 0.056])
    there = np.isfinite(sample_sheet(holed_lattice, move, uv)[0]).all(axis=1)
    force = rng.normal(size=(50, 3))
    on_nodes = spread_forces(holed_lattice, uv, force)
    work = (force[there] * sample_sheet(holed_lattice, move, uv[there])[0]).sum()
    assert 20 < there.sum() < 50
    assert (on_nodes * move).sum() == pytest.approx(work, rel=1e-12)


@pytest.mark.parametrize("spacing", [0.03, 0.015, 0.0075])
def test_patch_bears_its_whole_force_about_its_middle(spacing):
    lattice = cut_lattice(Sheet(0.6, 0.3, spacing))
    for patch in (((0.2, 0.13),), ((0.1, 0.1), (0.5, 0.1))):
        load = spread_patch(lattice, patch, 0.06, PUSH)
        nodes = spread_forces(lattice, load.uv, load.force)
        assert nodes.sum(axis=0) == pytest.approx(PUSH, rel=1e-12)
        middle = (nodes[:, 2:] * lattice.uv).sum(axis=0) / PUSH[2]
        assert middle == pytest.approx(np.mean(patch, axis=0), abs=1e-9)


def test_patch_at_an_edge_keeps_its_force():
    lattice = cut_lattice(Sheet(0.6, 0.3, 0.03))
    load = spread_patch(lattice, ((0.6, 0.3),), 0.1, PUSH)
    assert load.total == pytest.approx(PUSH, rel=1e-12)
    assert len(load.uv) < len(patch_points(lattice, ((0.3, 0.15),), 0.1))


def test_nodes_of_a_patch():
    lattice = cut_lattice(Sheet(0.6, 0.3, 0.03))
    assert patch_nodes(lattice, ((0.31, 0.15),), 0.001).sum() == 1
    round_ones = patch_nodes(lattice, ((0.3, 0.15),), 0.121)
    assert np.array_equal(round_ones, np.linalg.norm(lattice.uv - [0.3, 0.15], axis=1) <= 0.0605)
    edge = patch_nodes(lattice, ((0.6, 0.0), (0.6, 0.3)), 0.001)
    assert np.array_equal(edge, lattice.uv[:, 0] > 0.599)


def test_joined_loads_add_up():
    lattice = cut_lattice(Sheet(0.6, 0.3, 0.03))
    some = [spread_patch(lattice, ((0.2, 0.1),), 0.06, PUSH), spread_patch(lattice, ((0.4, 0.2),), 0.06, 2.0 * PUSH)]
    assert joined_loads(some).total == pytest.approx(3.0 * PUSH)
    assert len(joined_loads([]).uv) == 0


def test_seeded_pushes_bear_a_thumb_on_a_slab(curved_card):
    """Flat on a slab: pushes alone hold the load up to what is left of 300 turns; a pull is held by none."""
    lattice = Lattice(0.01, 0.01, np.ones((12, 12), dtype=bool))
    x = np.column_stack([lattice.uv, np.full(len(lattice.uv), 0.5 * curved_card.thickness)])
    body = prepare_body(slab(1.0, 1.0, 0.1, surface="slate"))
    problem = pose_problem(lattice, curved_card, body, np.array([0.4]), None, np.array([0.0, 0.0, -9.8]), 1)
    state = LevelState(problem, start_motion(problem, x))
    assert search(state, choose_pace(problem, Slopes(1.0, 1.0), 0.0), 1e-4)
    load = spread_patch(lattice, ((0.06, 0.06),), 0.04, np.array([0.0, 0.0, -2.0]))
    nodes = spread_forces(lattice, load.uv, load.force)
    push = seed_push(state.found, nodes)
    contacts, found = state.found.contacts, state.found.found
    held = np.zeros_like(nodes)
    for k in range(4):
        np.add.at(held, found.node[:, k], (push * found.weight[:, k])[:, None] * contacts.normal)
    assert np.abs(nodes + held).max() < 0.02
    assert (push >= 0.0).all()
    assert not seed_push(state.found, -nodes).any()


def test_energy_that_a_new_preload_puts_in_is_told():
    """A contact pressed in by 0.1 mm gets k x 0.1 mm of preload: lifted to its face again, it gives k x^2 in all."""
    from types import SimpleNamespace

    from drapesim.settling.level import load_contacts

    contacts = SimpleNamespace(preload=np.array([0.0, 0.5, 0.2]), last=np.array([-1e-4, 1e-4, 1.0]))
    given = load_contacts(SimpleNamespace(contacts=contacts), 1000.0)
    assert contacts.preload == pytest.approx([0.1, 0.4, 0.0])
    assert given == pytest.approx(0.1 * 1e-4 + 0.1 * 1e-4 + 0.2 * 1.0)
