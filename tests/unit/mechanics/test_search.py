"""The joint search: what is kept, what is found anew, and how a sheet is cleared of what it lies in."""

import numpy as np
import pytest

from drapesim.kernels.layers import SELF
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import carry_contacts, no_contacts
from drapesim.mechanics.search import cleared, find_touching, sorted_by_load
from drapesim.mechanics.solve import Slopes, advance, choose_pace, pose_problem, start_motion

GRAVITY = np.array([0.0, 0.0, -9.8])


def pose(lattice, card, field, held=None):
    return pose_problem(lattice, card, field, np.full(1, 0.3), held, GRAVITY, 1)


def folded(lattice, apart):
    """The sheet folded in two along the middle, the upper half ``apart`` over the lower one, on z = 0."""
    u, v = lattice.uv.T
    middle = 0.5 * u.max()
    low = u < middle - 1e-9
    return np.column_stack([np.where(low, u, 2.0 * middle - u + 0.0033), v, np.where(low, 0.0, apart)])


def test_lifted_sheet_is_clear_and_the_rest_has_not_moved(meshes, as_body, curved_card):
    field = prepare_body(as_body(meshes["ball"]))
    lattice = Lattice(0.008, 0.008, np.ones((20, 20), dtype=bool))
    x = np.c_[lattice.uv - 0.08, np.full(len(lattice.uv), 0.0985)]
    problem = pose(lattice, curved_card, field)
    lifted = cleared(problem, x)
    found, crossed = find_touching(problem, lifted, 1e-4, 1e-4, no_contacts())
    assert len(crossed) == 0
    assert len(found.found.gap) > 10
    assert found.contacts.last.min() > -2.1e-5
    moved = np.linalg.norm(lifted - x, axis=1)
    assert 1e-3 < moved.max() < 3e-3
    far = np.linalg.norm(x[:, :2], axis=1) > 0.04
    assert moved[far].max() == 0.0
    held = np.ones(len(x), dtype=bool)
    np.testing.assert_array_equal(cleared(pose(lattice, curved_card, field, held), x), x)


def test_layers_closer_than_the_cloth_is_thick_are_parted(curved_card):
    lattice = Lattice(0.01, 0.01, np.ones((9, 6), dtype=bool))
    problem = pose(lattice, curved_card, None)
    thickness = curved_card.thickness
    x = folded(lattice, 0.4 * thickness)
    before, _ = find_touching(problem, x, 1e-3, 1e-3, no_contacts())
    assert before.contacts.last.min() == pytest.approx(-0.6 * thickness, rel=1e-3)  # at the fold they lean a little
    after, _ = find_touching(problem, cleared(problem, x), 1e-3, 1e-3, no_contacts())
    assert len(after.found.gap) > 100
    assert after.contacts.last.min() > -2.1e-5


def test_what_is_not_searched_is_kept_with_its_new_gaps(meshes, as_body, curved_card):
    field = prepare_body(as_body(meshes["box"]))  # its top at z = 40 mm
    lattice = Lattice(0.01, 0.01, np.ones((9, 6), dtype=bool))
    problem = pose(lattice, curved_card, field)
    x = folded(lattice, 5e-4) + np.array([-0.033, -0.0213, 0.04 + 3e-4])
    both, _ = find_touching(problem, x, 1e-3, 1e-3, no_contacts())
    of_cloth = both.found.part == SELF
    assert 0 < np.count_nonzero(of_cloth) < len(of_cloth)
    up = x + np.array([0.0, 0.0, 1e-4])
    body_only, _ = find_touching(problem, up, 1e-3, None, both)
    layers_only, _ = find_touching(problem, up, None, 1e-3, both)
    for again in (body_only, layers_only):
        np.testing.assert_array_equal(again.found.key, both.found.key)
        np.testing.assert_allclose(again.found.gap, both.found.gap + np.where(of_cloth, 0.0, 1e-4), atol=1e-12)


def test_a_search_of_some_cells_for_layers_equals_a_whole_one(curved_card):
    """Where the folded sheet has moved it is searched, elsewhere what was known stands: the same pairs as anew."""
    lattice = Lattice(0.01, 0.01, np.ones((19, 6), dtype=bool))
    problem = pose(lattice, curved_card, None)
    x = folded(lattice, 8e-4)
    before, _ = find_touching(problem, x, None, 5e-4, no_contacts())
    moved = x.copy()
    moved[lattice.ij[:, 0] > 15] += [2e-4, 3e-4, -1e-4]
    triangles = lattice.triangles
    due = (lattice.ij[triangles, 0] > 15).any(1).reshape(-1, 2).any(1)
    part, crossed = find_touching(problem, moved, None, np.full(len(due), 5e-4), before, due=due)
    whole, _ = find_touching(problem, moved, None, 5e-4, before)
    assert 0 < np.count_nonzero(due) < len(due)
    assert not len(crossed)
    assert len(part.found.gap) == len(whole.found.gap) > 100
    one, other = np.argsort(part.found.key), np.argsort(whole.found.key)
    changed = 0
    for name in ("key", "node", "weight", "normal", "gap", "part", "triangle"):
        np.testing.assert_allclose(
            getattr(part.found, name)[one], getattr(whole.found, name)[other], rtol=0, atol=1e-12, err_msg=name
        )
        changed += name == "gap" and not np.array_equal(np.sort(before.found.gap), np.sort(part.found.gap))
    assert changed


def test_a_crossing_is_seen_when_one_of_its_cells_is_due(curved_card):
    lattice = Lattice(0.01, 0.01, np.ones((19, 6), dtype=bool))
    problem = pose(lattice, curved_card, None)
    x = folded(lattice, 8e-4)
    x[-1, 2] = x[0, 2] - 1e-3  # a corner of the upper layer pokes through the lower one
    n = lattice.cell.sum()
    for cells, expected in ((np.arange(n) > n - 8, True), (np.arange(n) < 8, True), (np.arange(n) == n // 2, False)):
        _, crossed = find_touching(problem, x, None, np.full(n, 5e-4), no_contacts(), due=cells)
        assert bool(len(crossed)) is expected


def groups_of(part, preload, force):
    """(K,) 0 or 1: with the body, loaded or not; 2 or 3: between layers."""
    return np.where((preload > 0.0) | force.any(axis=1), 0, 1) + np.where(part == SELF, 2, 0)


def test_what_carries_something_comes_first_and_nothing_else_changes(meshes, as_body, curved_card):
    """Few scattered rows have a preload, others a force. Forces agree to the rounding of sums in another order."""
    field = prepare_body(as_body(meshes["box"]))
    lattice = Lattice(0.01, 0.01, np.ones((19, 11), dtype=bool))
    problem = pose(lattice, curved_card, field)
    x = folded(lattice, 3.9e-4) + np.array([-0.083, -0.0513, 0.04 + 1.9e-4])
    before, _ = find_touching(problem, x, 1e-3, 1e-3, no_contacts())
    old, n, rng = before.found, len(before.found.gap), np.random.default_rng(6)
    assert len(np.unique(old.key)) == n
    preload, force = np.zeros(n), np.zeros((n, 3))
    preload[4::17], force[7::29, 1] = 0.01, -0.002
    carried = preload, before.contacts.anchor + rng.normal(scale=1e-6, size=(n, 3)), force, rng.normal(size=n)
    found, sorted_carried = sorted_by_load(old, carried)
    group = groups_of(found.part, sorted_carried[0], sorted_carried[2])
    assert sorted(set(group.tolist())) == [0, 1, 2, 3]
    assert (np.diff(group) >= 0).all()
    place = {key: row for row, key in enumerate(old.key.tolist())}
    order = np.array([place[key] for key in found.key.tolist()])
    assert sorted(order.tolist()) == list(range(n))
    assert (np.diff(order)[np.diff(group) == 0] > 0).all()  # else in the order that they had
    for was, now in zip((*old, *carried), (*found, *sorted_carried), strict=True):
        np.testing.assert_array_equal(now, was[order])
    # in order it is left, and so is a list in which all carry something
    for left in (sorted_carried, (np.ones(n), *sorted_carried[1:])):
        again = sorted_by_load(found, left)
        assert again[0] is found
        assert again[1] is left

    pace, touch = choose_pace(problem, Slopes(1e4, 400.0), 1.0), []
    for one, what in ((old, carried), (found, sorted_carried)):
        listed = carry_contacts(lattice, one, problem.card.thickness, problem.friction, *what)
        motion = start_motion(problem, x)
        advance(problem, motion, listed, pace, 0)
        touch.append(motion.touch)
    assert np.abs(touch[0]).max() > 0.01
    np.testing.assert_allclose(touch[1], touch[0], rtol=0, atol=1e-14 * np.abs(touch[0]).max())

    # and so a search hands it over
    before.contacts.preload[:] = preload
    after = find_touching(problem, x, 1e-3, 1e-3, before)[0]
    group = groups_of(after.found.part, after.contacts.preload, after.contacts.force)
    assert np.count_nonzero(after.contacts.preload) == np.count_nonzero(preload)
    assert (np.diff(group) >= 0).all()
    assert np.count_nonzero(np.diff(group)) == 3
