"""Contacts found: none is missing (against the exact closest approach), and each is what it says it is.

The closest approach is computed on a path of its own, from all distances and with no rule about owners or cones.
"""

import numpy as np
import pytest

from drapesim.kernels import pairs
from drapesim.kernels.pairs import FLAT, NODE_FACE, find_contacts
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.contact_list import feature_owners
from drapesim.settling.exact import closest_approach, count_body_crossings, measure_distance

AGREE = 1e-9  # m
BAND = 6e-3
DEPTH = 5e-3


def lay_round(field, spacing, lift, seed):
    """A patch wrapped round the upper side of a bumpy ball, lifted off by a random height at each node."""
    rng = np.random.default_rng(seed)
    n = round(0.2 / spacing)
    lattice = Lattice(spacing, spacing, np.ones((n, n), dtype=bool))
    turn = (lattice.uv - 0.5 * n * spacing) / 0.11 + rng.uniform(-0.05, 0.05, 2)
    way = np.stack(
        [np.sin(turn[:, 0]) * np.cos(turn[:, 1]), np.sin(turn[:, 1]), np.cos(turn[:, 0]) * np.cos(turn[:, 1])], 1
    )
    x = 0.13 * way
    height = rng.uniform(*lift, len(x))
    for _ in range(200):  # walk inwards until the wanted height is reached
        distance, _, _ = measure_distance(x, field)
        x -= (0.5 * (distance - height))[:, None] * way
    return lattice, x


def lay_flat(field, spacing, height, seed):
    """A flat patch in a random plane, ``height`` above the body's farthest vertex that way."""
    rng = np.random.default_rng(seed)
    normal = rng.normal(size=3)
    normal /= np.linalg.norm(normal)
    across = np.linalg.svd(normal[None])[2][1:]
    n = round(0.12 / spacing)
    lattice = Lattice(spacing, spacing, np.ones((n, n), dtype=bool))
    vertices = field.surface.vertices
    top = vertices[np.argmax(vertices @ normal)]
    x = top + height * normal + (lattice.uv - 0.5 * n * spacing + rng.uniform(-0.01, 0.01, 2)) @ across
    return lattice, x


def lay_on_vertices(field, spacing, height, seed):
    """Flat patches as by `lay_flat`, crumpled a little, so that edges and corners point down as well."""
    lattice, x = lay_flat(field, spacing, 2.0 * height, seed)
    return lattice, x + np.random.default_rng(seed).uniform(-0.5, 0.5, x.shape) * height


def least_gap(lattice, owns, found):
    """(t,) least gap of the contacts of each cloth triangle, its edges and its corners."""
    triangles = lattice.triangles
    end = np.roll(triangles, -1, axis=1)
    name = np.minimum(triangles, end).astype(np.int64) * (triangles.max() + 1) + np.maximum(triangles, end)
    feature = (found.key >> 30) & (2**30 - 1)
    kind = found.key >> 60
    node_gap = np.full(triangles.max() + 1, np.inf)
    edge_gap = np.full(name.max() + 1, np.inf)
    face_gap = np.full(len(triangles), np.inf)
    for of_kind, target, label in (
        (kind <= 2, node_gap, feature),
        ((kind == 3) | (kind == 4), edge_gap, name.ravel()[np.minimum(feature, name.size - 1)]),
        (kind == 5, face_gap, feature),
    ):
        np.minimum.at(target, label[of_kind], found.gap[of_kind])
    return np.minimum(np.minimum(node_gap[triangles].min(1), edge_gap[name].min(1)), face_gap)


def search(field, lattice, x, band=BAND):
    owns = feature_owners(lattice.triangles)
    return owns, find_contacts(x, lattice.triangles, owns, field.surface, field.tree, band, DEPTH)


LAYS = {
    "round, fine": (lay_round, 0.003, (1e-3, 3e-3)),
    "round, as the body": (lay_round, 0.01, (2.5e-3, 4e-3)),
    "round, coarse": (lay_round, 0.025, (9e-3, 10e-3)),
    "flat, fine": (lay_flat, 0.003, 1e-4),
    "flat, coarse": (lay_flat, 0.03, 1e-4),
    "crumpled, fine": (lay_on_vertices, 0.004, 1e-3),
    "crumpled, coarse": (lay_on_vertices, 0.03, 2e-3),
}


@pytest.fixture(scope="module")
def bumpy(meshes, as_body):
    """The bumpy ball with none of its edges flat: flat ones carry no contact, by rule, and would blur the count."""
    vertices, faces = meshes["bumpy"]
    rng = np.random.default_rng(0)
    while True:
        field = prepare_body(as_body((vertices, faces)))
        normal = field.surface.normal
        turn = np.linalg.norm(np.cross(normal[:, None], normal[field.surface.neighbour]), axis=2)
        flat = np.unique(faces[(turn <= 1.1 * FLAT).any(1)])
        if not len(flat):
            return field
        vertices = vertices.copy()
        vertices[flat] *= 1.0 + 2e-3 * rng.uniform(-1.0, 1.0, (len(flat), 1))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("name", LAYS)
def test_no_contact_is_missing(name, seed, bumpy):
    lay, spacing, height = LAYS[name]
    lattice, x = lay(bumpy, spacing, height, seed)
    assert count_body_crossings(x, lattice.triangles, bumpy)[0] == 0
    owns, found = search(bumpy, lattice, x)
    exact = closest_approach(x, lattice.triangles, bumpy, BAND)
    near = exact < BAND - AGREE
    assert near.sum() >= (10 if "fine" in name else 2)
    np.testing.assert_allclose(least_gap(lattice, owns, found)[near], exact[near], rtol=0, atol=AGREE)


@pytest.mark.parametrize("name", LAYS)
def test_each_contact_is_what_it_says(name, bumpy):
    lay, spacing, height = LAYS[name]
    lattice, x = lay(bumpy, spacing, height, 4)
    _, found = search(bumpy, lattice, x)
    assert len(found.gap) > 0
    np.testing.assert_allclose(np.linalg.norm(found.normal, axis=1), 1.0, rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.weight.sum(1), 1.0, rtol=0, atol=1e-12)
    assert (found.weight >= 0.0).all()
    at = np.einsum("ck,ckd->cd", found.weight, x[found.node])
    # the cloth point, moved along the normal by the gap, is the body point, and that lies on the body
    np.testing.assert_allclose(at - found.gap[:, None] * found.normal, found.point, rtol=0, atol=AGREE)
    distance, _, _ = measure_distance(found.point, bumpy)
    assert np.abs(distance).max() < AGREE
    # the normal leads out of the body
    distance, _, _ = measure_distance(found.point + 1e-6 * found.normal, bumpy)
    assert (distance > 0.0).all()
    assert len(np.unique(found.key)) == len(found.key)


def test_box_edges_and_corners(meshes, as_body):
    """A sheet over a box's rim: its own edges cross the box's, corners poke at its cells, nothing is missing."""
    field = prepare_body(as_body(meshes["box"]))
    half = meshes["box"][0].max(0)
    kinds = set()
    for seed in range(6):
        rng = np.random.default_rng(seed)
        normal = rng.uniform(0.2, 1.0, 3)
        normal /= np.linalg.norm(normal)
        across = np.linalg.svd(normal[None])[2][1:]
        lattice = Lattice(0.02, 0.02, np.ones((5, 5), dtype=bool))
        x = half + 1e-3 * normal + (lattice.uv - 0.05 + rng.uniform(-0.01, 0.01, 2)) @ across
        x += np.where(rng.uniform(size=(len(x), 1)) < 0.3, 2e-3, 0.0) * normal
        owns, found = search(field, lattice, x)
        exact = closest_approach(x, lattice.triangles, field, BAND)
        near = exact < BAND - AGREE
        assert near.any()
        np.testing.assert_allclose(least_gap(lattice, owns, found)[near], exact[near], rtol=0, atol=AGREE)
        kinds |= set((found.key >> 60).tolist())
    assert {3, 5} <= kinds  # edge on edge, vertex under a face


def test_flat_sheet_on_a_flat_face(meshes, as_body):
    """Every node over the face has its own contact with it; the diagonal of the box's face gives none."""
    field = prepare_body(as_body(meshes["box"]))
    lattice = Lattice(0.01, 0.01, np.ones((6, 4), dtype=bool))
    for height in (2e-4, -3e-4):
        x = np.c_[lattice.uv - [0.033, 0.0213], np.full(len(lattice.uv), 0.04 + height)]
        _, found = search(field, lattice, x)
        assert (found.key >> 60 == NODE_FACE).all()
        assert sorted(found.node[:, 0]) == list(range(len(x)))
        np.testing.assert_allclose(found.gap, height, rtol=0, atol=1e-15)
        np.testing.assert_allclose(found.normal, np.tile([0.0, 0.0, 1.0], (len(x), 1)), rtol=0, atol=1e-15)


def test_sheet_out_of_reach_finds_nothing(meshes, as_body):
    field = prepare_body(as_body(meshes["box"]))
    lattice = Lattice(0.01, 0.01, np.ones((4, 4), dtype=bool))
    x = np.c_[lattice.uv, np.full(len(lattice.uv), 0.04 + 2.0 * BAND)]
    assert len(search(field, lattice, x)[1].gap) == 0


def test_a_coarse_triangle_over_a_fine_body_finds_the_same_with_little_room(monkeypatch, meshes, as_body):
    """More near faces than there is room for makes the search ask for more room, not give up."""
    field = prepare_body(as_body(meshes["bumpy"]))
    lattice = Lattice(0.2, 0.2, np.ones((2, 2), dtype=bool))
    top = float(field.surface.vertices[:, 2].max())
    x = np.column_stack([lattice.uv - 0.2, np.full(len(lattice.uv), top + 1e-4)])
    owns = feature_owners(lattice.triangles)
    ample = find_contacts(x, lattice.triangles, owns, field.surface, field.tree, 1e-3, 1e-3)
    monkeypatch.setattr(pairs, "FEW_NEAR", 2)
    scant = find_contacts(x, lattice.triangles, owns, field.surface, field.tree, 1e-3, 1e-3)
    assert len(ample.key) > 0
    np.testing.assert_array_equal(scant.key, ample.key)
    np.testing.assert_array_equal(scant.gap, ample.gap)


def test_each_triangle_looks_as_far_as_its_own_band_says(bumpy):
    """A band for each wanted triangle finds what a search with that band finds there, row for row."""
    lattice, x = lay_round(bumpy, 0.01, (1e-3, 4e-3), 5)
    wide = np.arange(len(lattice.triangles)) % 3 == 0
    owns = feature_owners(lattice.triangles)
    wanted = np.flatnonzero(np.arange(len(wide)) % 5 > 0)

    def find(band, rows):
        return find_contacts(x, lattice.triangles, owns, bumpy.surface, bumpy.tree, band, DEPTH, rows)

    found = find(np.where(wide, BAND, 0.5 * BAND)[wanted], wanted)
    for band, rows in ((BAND, wanted[wide[wanted]]), (0.5 * BAND, wanted[~wide[wanted]])):
        expected, mine = find(band, rows), np.isin(found.triangle, rows)
        assert len(expected.gap) > 10
        np.testing.assert_array_equal(found.key[mine], expected.key)
        np.testing.assert_array_equal(found.gap[mine], expected.gap)
