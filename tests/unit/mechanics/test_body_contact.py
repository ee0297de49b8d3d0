"""Contact sets: how the body is prepared, what is dropped, what a contact keeps from one search to the next."""

import numpy as np
import pytest

from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import find_body_contacts, prepare_body
from drapesim.mechanics.contact_list import (
    carry_contacts,
    feature_owners,
    joined,
    no_contacts,
    picked,
    placed,
    taken_up,
)

HALF = 2e-4  # m, half the cloth's thickness
DEPTH = 5e-3
BAND = 1e-3


@pytest.fixture
def lattice():
    return Lattice(0.01, 0.01, np.ones((6, 4), dtype=bool))


@pytest.fixture(scope="module")
def plate(meshes, as_body):
    """The box pressed to a plate of 0.2 x 0.12 m, 1 mm thick, its top at z = 0."""
    vertices, faces = meshes["box"]
    return prepare_body(as_body((vertices * [1.0, 1.0, 1.0 / 80.0] - [0.0, 0.0, 5e-4], faces)))


def over(lattice, height):
    return np.c_[lattice.uv - [0.033, 0.0213], np.full(len(lattice.uv), height)]


def look(field, lattice, x, before=None, wanted=None, friction=0.3):
    owns = feature_owners(lattice.triangles)
    before = before or no_contacts()
    found = find_body_contacts(field, lattice.triangles, owns, x, BAND, DEPTH, wanted)
    rows = np.zeros(0, np.int64)
    if wanted is not None:
        rows = np.flatnonzero(~np.isin(before.found.triangle, wanted))
    origin = np.append(rows, np.full(len(found.gap), -1))
    found = placed(joined(picked(before.found, rows), found), x)
    return carry_contacts(lattice, found, 2.0 * HALF, np.full(3, friction), *taken_up(found, x, before, origin))


def test_neighbours_and_convexity_of_an_angle(meshes, as_body):
    """The L has one concave edge; the diagonals of its flat sides are no edges at all."""
    _, faces = meshes["angle"]
    surface = prepare_body(as_body(meshes["angle"])).surface
    for f in range(len(faces)):
        for k in range(3):
            g = surface.neighbour[f, k]
            assert f in surface.neighbour[g]
            assert {faces[f, k], faces[f, (k + 1) % 3]} <= set(faces[g].tolist())
    convex = {frozenset((faces[f, k], faces[f, (k + 1) % 3])) for f, k in np.argwhere(surface.convex)}
    upright = [{k, k + 6} for k in range(6)]
    rims = [{k + 6 * top, (k + 1) % 6 + 6 * top} for k in range(6) for top in (0, 1)]
    assert convex == {frozenset(edge) for edge in [*upright, *rims]} - {frozenset({3, 9})}


def test_vertex_normals_of_a_box_lead_along_its_diagonals(meshes, as_body):
    """Weighted by angle: the three faces count alike however they are cut into triangles."""
    vertices, _ = meshes["box"]
    normal = prepare_body(as_body(meshes["box"])).surface.vertex_normal
    np.testing.assert_allclose(normal, np.sign(vertices) / np.sqrt(3.0), rtol=0, atol=1e-12)


def test_ring_holds_the_other_ends_of_a_vertex_edges(meshes, as_body):
    _, faces = meshes["bumpy"]
    surface = prepare_body(as_body(meshes["bumpy"])).surface
    for p in range(0, len(surface.vertices), 97):
        around = set(faces[(faces == p).any(1)].ravel().tolist()) - {p}
        assert set(surface.ring[surface.ring_start[p] : surface.ring_start[p + 1]].tolist()) == around


@pytest.mark.parametrize("height", [1e-4, -1e-4, -4e-4])
def test_the_far_side_of_a_thin_plate_is_no_contact(plate, lattice, height):
    """Above the plate the underside is within the search's depth behind; inside it, the nearer side is the way out."""
    found = look(plate, lattice, over(lattice, height))
    up = found.contacts.normal[:, 2] > 0.0
    np.testing.assert_allclose(np.abs(found.contacts.normal[:, 2]), 1.0, rtol=0, atol=1e-12)
    if height > 0.0:
        assert up.all()
    assert np.count_nonzero(up) == len(lattice.ij)
    np.testing.assert_allclose(found.contacts.last[up], height - HALF, rtol=0, atol=1e-12)


def test_contact_keeps_its_push_and_the_stretch_of_its_grip(plate, lattice):
    x = over(lattice, HALF)
    first = look(plate, lattice, x)
    first.contacts.preload[:] = np.arange(len(first.contacts.preload), dtype=float)
    first.contacts.force[:, 2] = 1.0
    first.contacts.anchor[:] -= [1e-5, 2e-5, 3e-5]
    moved = x + np.array([1e-4, 0.0, 0.0])
    again = look(plate, lattice, moved, before=first)
    np.testing.assert_array_equal(again.contacts.preload, first.contacts.preload)
    # what was stretched along the surface stays, what led out of it goes, and the move since then has stretched it more
    stretch = again.contacts.anchor - moved[again.found.node[:, 0]]
    np.testing.assert_allclose(stretch, np.tile([-1.1e-4, -2e-5, 0.0], (len(stretch), 1)), rtol=0, atol=1e-15)


def test_unloaded_contact_does_not_grip(plate, lattice):
    x = over(lattice, HALF)
    first = look(plate, lattice, x)
    first.contacts.anchor[:] += 1e-3
    again = look(plate, lattice, x, before=first)
    np.testing.assert_allclose(again.contacts.anchor, x[again.found.node[:, 0]], rtol=0, atol=1e-15)


def test_partial_search_equals_a_whole_one(meshes, as_body):
    """Where the sheet has not moved, what was known stands; where it has, it is searched: the same list as anew."""
    field = prepare_body(as_body(meshes["ball"]))
    lattice = Lattice(0.006, 0.006, np.ones((12, 12), dtype=bool))
    level = np.c_[lattice.uv - 0.0361, np.full(len(lattice.uv), 0.08)]
    x = level * (0.1009 / np.linalg.norm(level, axis=1, keepdims=True))
    before = look(field, lattice, x)
    moved = x.copy()
    moved[lattice.ij[:, 0] > 7] *= 0.996
    due = np.flatnonzero((lattice.ij[lattice.triangles, 0] > 7).any(1))
    part = look(field, lattice, moved, before=before, wanted=due)
    whole = look(field, lattice, moved, before=before)
    assert 0 < len(due) < len(lattice.triangles)
    assert len(whole.found.gap) > len(before.found.gap) > 0
    assert set(part.found.key.tolist()) == set(whole.found.key.tolist())
    one, other = np.argsort(part.found.key), np.argsort(whole.found.key)
    for name in ("node", "weight", "normal", "point", "gap", "part", "triangle"):
        np.testing.assert_allclose(
            getattr(part.found, name)[one], getattr(whole.found, name)[other], rtol=0, atol=1e-12, err_msg=name
        )
