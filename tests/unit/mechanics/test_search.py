"""The joint search: what is kept, what is found anew, and how a sheet is cleared of what it lies in."""

import numpy as np
import pytest

from drapesim.kernels.layers import SELF
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.search import cleared, find_touching
from drapesim.mechanics.solve import pose_problem

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
