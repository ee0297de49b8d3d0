"""Contact sets: how the body is prepared, what is dropped, what a contact keeps from one search to the next."""

import numpy as np
import pytest

from drapesim.kernels.pairs import EDGE_EDGE, FACE_VERTEX, NODE_EDGE, NODE_FACE
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import (
    feature_owners,
    flat_index,
    incidence,
    lifted_out,
    match_contacts,
    no_contacts,
    prepare_body,
    search_contacts,
)
from drapesim.mechanics.energies import padded

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
    return search_contacts(field, lattice, owns, x, BAND, DEPTH, HALF, np.full(2, friction), before, wanted)


def key(kind, cloth, body):
    return (kind << 60) | (cloth << 30) | body


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


def test_every_corner_and_edge_has_one_owner(holed_lattice):
    triangles = holed_lattice.triangles
    owns = feature_owners(triangles)
    corners = triangles[owns[:, :3]]
    assert sorted(corners.tolist()) == list(range(len(holed_lattice.ij)))
    end = np.roll(triangles, -1, axis=1)
    edges = np.sort(np.stack([triangles, end], 2), axis=2)
    owned = edges[owns[:, 3:]]
    assert len(owned) == len(np.unique(owned, axis=0)) == len(np.unique(edges.reshape(-1, 2), axis=0))


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


def test_contacts_are_known_again():
    before = np.array([key(NODE_FACE, 7, 100), key(NODE_FACE, 8, 101), key(EDGE_EDGE, 7, 3), key(FACE_VERTEX, 5, 40)])
    now = np.array(
        [
            key(EDGE_EDGE, 7, 3),  # as it was
            key(NODE_EDGE, 7, 55),  # node 7 has slid on to an edge
            key(FACE_VERTEX, 9, 40),  # body vertex 40 has slid on to another triangle
            key(NODE_FACE, 9, 100),  # another node: new
            key(EDGE_EDGE, 8, 3),  # another edge: new
        ]
    )
    assert match_contacts(before, now).tolist() == [2, 0, 3, -1, -1]


def test_a_node_with_two_contacts_is_not_guessed_at():
    before = np.array([key(NODE_FACE, 7, 100), key(NODE_FACE, 7, 101)])
    assert match_contacts(before, np.array([key(NODE_EDGE, 7, 55)])).tolist() == [-1]
    assert match_contacts(before[:1], np.array([key(NODE_EDGE, 7, 55), key(NODE_EDGE, 7, 56)])).tolist() == [-1, -1]


def test_no_contact_of_old_is_used_twice():
    rng = np.random.default_rng(0)
    for _ in range(50):
        before, now = (
            np.unique([key(int(k), int(c), int(b)) for k, c, b in rng.integers(0, (6, 8, 8), (20, 3))])
            for _ in range(2)
        )
        source = match_contacts(before, now)
        used = source[source >= 0]
        assert len(np.unique(used)) == len(used)
        same = np.isin(now, before)
        np.testing.assert_array_equal(before[source[same]], now[same])


def test_incidence_gathers_what_a_scatter_would():
    rng = np.random.default_rng(0)
    node = rng.integers(0, 12, (30, 3))
    weight = rng.uniform(0.1, 1.0, (30, 3))
    weight[::3, 1:] = 0.0
    force = rng.normal(size=(30, 3))
    start, touched, entry, share = incidence(node, weight)
    expected = np.zeros((12, 3))
    for k in range(3):
        np.add.at(expected, node[:, k], weight[:, k, None] * force)
    got = np.zeros((12, 3))
    for m, at in enumerate(touched):
        for e in range(start[m], start[m + 1]):
            got[at] += share[e] * force[entry[e]]
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-14)
    assert sorted(touched.tolist()) == np.unique(node[weight > 0.0]).tolist()


def test_lifted_sheet_is_clear_and_the_rest_has_not_moved(meshes, as_body):
    field = prepare_body(as_body(meshes["ball"]))
    lattice = Lattice(0.008, 0.008, np.ones((20, 20), dtype=bool))
    x = np.c_[lattice.uv - 0.08, np.full(len(lattice.uv), 0.0985)]
    owns = feature_owners(lattice.triangles)
    lifted = lifted_out(field, lattice, owns, x, DEPTH, HALF, None)
    found = search_contacts(field, lattice, owns, lifted, HALF, DEPTH, HALF, np.full(1, 0.3), no_contacts())
    assert found.contacts.last.min() > -2.1e-5
    moved = np.linalg.norm(lifted - x, axis=1)
    assert 1e-3 < moved.max() < 3e-3
    far = np.linalg.norm(x[:, :2], axis=1) > 0.04
    assert moved[far].max() == 0.0
    held = np.ones(len(x), dtype=bool)
    np.testing.assert_array_equal(lifted_out(field, lattice, owns, x, DEPTH, HALF, held), x)


def test_flat_index_is_the_place_on_the_padded_grid(holed_lattice):
    values = np.arange(1.0, len(holed_lattice.ij) + 1.0)
    grid = padded(holed_lattice, values)
    np.testing.assert_array_equal(grid.ravel()[flat_index(holed_lattice)], values)
