"""The contact list: a contact is known again by its features, and forces are gathered as a scatter would."""

import numpy as np

from drapesim.kernels.layers import LAYER_NODE
from drapesim.kernels.pairs import EDGE_EDGE, FACE_VERTEX, NODE_EDGE, NODE_FACE
from drapesim.mechanics.contact_list import feature_owners, flat_index, match_contacts
from drapesim.mechanics.energies import padded


def key(kind, cloth, body):
    return (kind << 60) | (cloth << 30) | body


def test_every_corner_and_edge_has_one_owner(holed_lattice):
    triangles = holed_lattice.triangles
    owns = feature_owners(triangles)
    corners = triangles[owns[:, :3]]
    assert sorted(corners.tolist()) == list(range(len(holed_lattice.ij)))
    end = np.roll(triangles, -1, axis=1)
    edges = np.sort(np.stack([triangles, end], 2), axis=2)
    owned = edges[owns[:, 3:]]
    assert len(owned) == len(np.unique(owned, axis=0)) == len(np.unique(edges.reshape(-1, 2), axis=0))


def test_contacts_are_known_again():
    before = np.array(
        [
            key(NODE_FACE, 7, 100),
            key(NODE_FACE, 8, 101),
            key(EDGE_EDGE, 7, 3),
            key(FACE_VERTEX, 5, 40),
            key(LAYER_NODE, 7, 11),
        ]
    )
    now = np.array(
        [
            key(EDGE_EDGE, 7, 3),  # as it was
            key(NODE_EDGE, 7, 55),  # node 7 has slid on to an edge
            key(FACE_VERTEX, 9, 40),  # body vertex 40 has slid on to another triangle
            key(NODE_FACE, 9, 100),  # another node: new
            key(EDGE_EDGE, 8, 3),  # another edge: new
            key(LAYER_NODE, 7, 12),  # node 7 has slid on over another layer: what it has with the body is not that
        ]
    )
    assert match_contacts(before, now).tolist() == [2, 0, 3, -1, -1, 4]


def test_a_node_with_two_contacts_is_not_guessed_at():
    before = np.array([key(NODE_FACE, 7, 100), key(NODE_FACE, 7, 101)])
    assert match_contacts(before, np.array([key(NODE_EDGE, 7, 55)])).tolist() == [-1]
    assert match_contacts(before[:1], np.array([key(NODE_EDGE, 7, 55), key(NODE_EDGE, 7, 56)])).tolist() == [-1, -1]


def test_no_contact_of_old_is_used_twice():
    rng = np.random.default_rng(0)
    for _ in range(50):
        before, now = (
            np.unique([key(int(k), int(c), int(b)) for k, c, b in rng.integers(0, (8, 8, 8), (20, 3))])
            for _ in range(2)
        )
        source = match_contacts(before, now)
        used = source[source >= 0]
        assert len(np.unique(used)) == len(used)
        same = np.isin(now, before)
        np.testing.assert_array_equal(before[source[same]], now[same])


def test_flat_index_is_the_place_on_the_padded_grid(holed_lattice):
    values = np.arange(1.0, len(holed_lattice.ij) + 1.0)
    grid = padded(holed_lattice, values)
    np.testing.assert_array_equal(grid.ravel()[flat_index(holed_lattice)], values)
