"""The other layer over each face of a point, against brute force over all triangles."""

import numba
import numpy as np
import pytest

from drapesim.kernels.opposite import FACING, ROUND, find_opposite
from drapesim.kernels.tree import plant_tree
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.matter.surface import inner_normals, sample_sheet
from drapesim.mechanics.contact_list import face_neighbours
from tests.unit.folded_sheet import fold_at


def nearest_on_triangles(points, corners):
    """Weights (n, t, 3) of the nearest point of each triangle: least squares inside, clamped along each edge."""
    a, b, c = corners.transpose(1, 0, 2)
    best = np.full((len(points), len(corners)), np.inf)
    weight = np.zeros((len(points), len(corners), 3))
    for i, j in ((0, 1), (1, 2), (2, 0)):
        p, q = corners[:, i], corners[:, j]
        along = np.clip(((points[:, None] - p) * (q - p)).sum(2) / ((q - p) ** 2).sum(1), 0.0, 1.0)
        d = np.linalg.norm(points[:, None] - (p + along[..., None] * (q - p)), axis=2)
        better = d < best
        best[better] = d[better]
        w = np.zeros_like(weight)
        w[..., i], w[..., j] = 1.0 - along, along
        weight[better] = w[better]
    u, v = b - a, c - a
    gram = np.stack([np.stack([(u * u).sum(1), (u * v).sum(1)], 1), np.stack([(u * v).sum(1), (v * v).sum(1)], 1)], 1)
    r = points[:, None] - a
    right = np.stack([(r * u).sum(2), (r * v).sum(2)], 2)
    s, t = np.moveaxis(np.einsum("tkl,ntl->ntk", np.linalg.inv(gram), right), 2, 0)
    inside = (s > 0) & (t > 0) & (s + t < 1)
    weight[inside] = np.stack([1.0 - s - t, s, t], axis=-1)[inside]
    return weight


def brute(points, uv, way, x, flat, triangles, normal, neighbour, reach):
    """(distance (n, 2), triangle (n, 2)) by every triangle of the sheet, in plain numpy."""
    weight = nearest_on_triangles(points, x[triangles])
    q = np.einsum("ntk,tkd->ntd", weight, x[triangles])
    place = np.einsum("ntk,tkd->ntd", weight, flat[triangles])
    r = q - points[:, None]
    d = np.linalg.norm(r, axis=2)
    r /= np.maximum(d, 1e-300)[..., None]
    along = np.einsum("ntd,nd->nt", r, way)
    back = np.einsum("ntd,td->nt", r, normal)
    fits = (d > 0.0) & (d <= reach) & (np.abs(along) >= FACING) & (np.abs(back) >= FACING)
    fits &= np.linalg.norm(place - uv[:, None], axis=2) > np.maximum(ROUND * d, 1e-9)
    round_corner = [np.flatnonzero((triangles == corner).any(1)) for corner in range(len(x))]
    distance, number = np.full((len(points), 2), np.inf), np.full((len(points), 2), -1)
    for side, these in enumerate((fits & (along > 0.0), fits & (along < 0.0))):
        for p in np.flatnonzero(these.any(1)):
            for t in sorted(np.flatnonzero(these[p]), key=lambda t: d[p, t]):
                # all triangles that have the nearest feature: none of them may come nearer
                sets = [set(round_corner[triangles[t, k]]) for k in range(3) if weight[p, t, k] > 1e-9]
                if d[p, list(set.intersection(*sets))].min() >= d[p, t] * (1.0 - 1e-9):
                    distance[p, side], number[p, side] = d[p, t], t
                    break
    return distance, number


def asked(lattice, x, uv, reach):
    points, way = sample_sheet(lattice, x, uv)
    a, b, c = (x[lattice.triangles[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return points, uv, way, x, lattice.uv, lattice.triangles, normal, face_neighbours(lattice.triangles), reach


def rolled(lattice, rng):
    """A spiral of two and a half turns, 4 mm from turn to turn, shaken: each point has a layer over either face."""
    u, v = lattice.uv.T
    angle = np.sqrt(2.0 * (u + 0.02) / (0.004 / (2.0 * np.pi)))
    r = 0.004 * angle / (2.0 * np.pi)
    return np.column_stack([r * np.cos(angle), -v, r * np.sin(angle)]) + 2e-4 * rng.normal(size=(len(u), 3))


@pytest.mark.parametrize("shape", ["folded", "wedge", "rolled", "crumpled"])
def test_same_as_brute_force(shape):
    rng = np.random.default_rng(3)
    lattice = cut_lattice(Sheet(0.24, 0.06, 0.006, 1 if shape == "wedge" else -1))
    x = {
        "folded": lambda: fold_at(lattice, 0.13, 0.005) + 2e-4 * rng.normal(size=(len(lattice.uv), 3)),
        "wedge": lambda: fold_at(lattice, 0.1, 0.003, lift=0.6) + 1e-5 * rng.normal(size=(len(lattice.uv), 3)),
        "rolled": lambda: rolled(lattice, rng),
        "crumpled": lambda: fold_at(lattice, 0.12, 0.004) + 3e-3 * rng.normal(size=(len(lattice.uv), 3)),
    }[shape]()
    uv = np.concatenate([lattice.uv, rng.random((400, 2)) * [0.24, 0.06]])
    *given, reach = asked(lattice, x, uv, 0.02)
    distance, triangle, weight, _ = find_opposite(*given, plant_tree(x, lattice.triangles), reach)
    wanted, number = brute(*given, reach)
    found = np.isfinite(wanted)
    assert 0.05 < found.mean() < 1.0  # some have a layer, some have none
    assert np.array_equal(found, triangle >= 0)
    assert np.allclose(distance[found], wanted[found], atol=1e-12, rtol=0)
    # the point itself, whichever of the triangles that share it is named
    q = np.einsum("nsk,nskd->nsd", weight, x[lattice.triangles[triangle]])
    assert np.allclose(np.linalg.norm(q - given[0][:, None], axis=2)[found], wanted[found], atol=1e-10, rtol=0)
    assert (number[found] == triangle[found]).mean() > 0.6


def test_flat_sheet_is_no_layer_of_itself():
    lattice = cut_lattice(Sheet(0.2, 0.1, 0.01))
    x = np.column_stack([lattice.uv, 1e-3 * np.random.default_rng(0).normal(size=len(lattice.uv))])
    *given, reach = asked(lattice, x, lattice.uv, 0.05)
    assert (find_opposite(*given, plant_tree(x, lattice.triangles), reach)[1] == -1).all()


def test_same_bytes_on_any_number_of_threads():
    lattice = cut_lattice(Sheet(0.24, 0.06, 0.006))
    x = rolled(lattice, np.random.default_rng(1))
    *given, reach = asked(lattice, x, lattice.uv, 0.02)
    tree, before = plant_tree(x, lattice.triangles), numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        one = find_opposite(*given, tree, reach)
    finally:
        numba.set_num_threads(before)
    for a, b in zip(one, find_opposite(*given, tree, reach), strict=True):
        assert a.tobytes() == b.tobytes()


def test_normals_of_the_nodes_are_those_asked_with():
    """The fold's own geometry: inner face to inner face, right across."""
    lattice = cut_lattice(Sheet(0.2, 0.05, 0.005))
    x = fold_at(lattice, 0.1, 0.004)
    way = inner_normals(lattice, x)
    low = lattice.uv[:, 0] < 0.08
    assert (way[low, 2] > 0.99).all()
    assert (way[lattice.uv[:, 0] > 0.12, 2] < -0.99).all()


@pytest.mark.parametrize(("degrees", "faces"), [(20.0, True), (55.0, True), (66.0, False), (120.0, False)])
def test_flaps_of_a_crease_are_layers_while_it_is_narrow(degrees, faces):
    """Two flaps that open by an angle: from a along one of them the other is a sin(angle) away, at a cos(angle) along.

    The way stands on the one at a right angle and on the other at the angle itself: layers up to 60 degrees.
    """
    angle, fold = np.radians(degrees), 0.1
    lattice = cut_lattice(Sheet(0.2, 0.04, 0.005))
    s = lattice.uv[:, 0] - fold
    up = s > 0.0
    x = np.column_stack([np.where(up, s * np.cos(angle), -s), lattice.uv[:, 1], np.where(up, s * np.sin(angle), 0.0)])
    at = np.linspace(0.02, 0.09, 15)
    uv = np.column_stack([fold - at, np.full(15, 0.02)])
    *given, reach = asked(lattice, x, uv, 0.2)
    distance, triangle, weight, _ = find_opposite(*given, plant_tree(x, lattice.triangles), reach)
    side = int(np.isfinite(distance[0]).argmax())
    if not faces:
        assert (triangle == -1).all()
        return
    assert np.allclose(distance[:, side], at * np.sin(angle), atol=1e-12)
    place = np.einsum("nk,nkd->nd", weight[:, side], lattice.uv[lattice.triangles[triangle[:, side]]])
    assert np.allclose(place[:, 0] - fold, at * np.cos(angle), atol=1e-12)
    assert (triangle[:, 1 - side] == -1).all()
