"""Layers of cloth: the fast search finds the pairs that a plain search over everything finds, and sees crossings."""

import numpy as np
import pytest

from drapesim.kernels.layers import LAYER_EDGE, LAYER_NODE, find_layers
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.self_contact import prepare_weave
from drapesim.settling.exact import count_self_crossings

FEATURE = (1 << 30) - 1


def search(lattice, x, band):
    weave = prepare_weave(lattice)
    return find_layers(x, weave.triangles, weave.owns, weave.neighbour, weave.blocks, band)


def crumpled(lattice, seed):
    """The sheet folded in three and shaken, so that layers lie near each other at all sorts of angles."""
    u, v = lattice.uv.T
    length = u.max() / 3.0
    turn = np.floor(u / (length + 1e-9))
    along = np.where(turn % 2 == 0, u - turn * length, (turn + 1) * length - u)
    x = np.column_stack([along, v, 0.002 * turn + 0.0004])
    return x + np.random.default_rng(seed).normal(scale=5e-4, size=x.shape)


def edges_of(triangles):
    return np.unique(np.sort(np.concatenate([triangles[:, [k, (k + 1) % 3]] for k in range(3)]), axis=1), axis=0)


def plain_search(triangles, x, band):
    """(node, face) and (edge, edge) pairs whose closest points lie well inside both, with their distances."""
    node_face, edge_edge = {}, {}
    for t in triangles:
        a, b, c = x[t]
        n = np.cross(b - a, c - a)
        for p in range(len(x)):
            if p in t:
                continue
            weight = np.linalg.solve(np.stack([b - a, c - a, n], 1), x[p] - a)
            inner = min(weight[0], weight[1], 1.0 - weight[0] - weight[1])
            distance = abs(weight[2]) * np.linalg.norm(n)
            if inner > 1e-6 and distance < band:
                node_face[(p, tuple(sorted(t.tolist())))] = distance
    edges = edges_of(triangles)
    for k, (a, b) in enumerate(edges):
        for i, j in edges[k + 1 :]:
            if len({a, b, i, j}) < 4:
                continue
            u, e = x[b] - x[a], x[j] - x[i]
            if np.linalg.norm(np.cross(u, e)) < 1e-6 * np.linalg.norm(u) * np.linalg.norm(e):
                continue
            s, r = np.linalg.lstsq(np.stack([u, -e], 1), x[i] - x[a], rcond=None)[0]
            distance = np.linalg.norm(x[a] + s * u - x[i] - r * e)
            if 1e-6 < s < 1 - 1e-6 and 1e-6 < r < 1 - 1e-6 and distance < band:
                edge_edge[frozenset([(int(a), int(b)), (int(i), int(j))])] = distance
    return node_face, edge_edge


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_finds_what_a_plain_search_finds(seed):
    lattice = Lattice(0.01, 0.01, np.ones((8, 4), dtype=bool))
    x, band = crumpled(lattice, seed), 3e-3
    triangles = lattice.triangles
    found, _ = search(lattice, x, band)
    node_face, edge_edge = plain_search(triangles, x, band)
    assert len(node_face) > 10
    assert len(edge_edge) > 20
    got_faces, got_edges = {}, {}
    for row in range(len(found.gap)):
        kind, one, other = found.key[row] >> 60, (found.key[row] >> 30) & FEATURE, found.key[row] & FEATURE
        if kind == LAYER_NODE and other < len(triangles):
            got_faces[(int(one), tuple(sorted(triangles[other].tolist())))] = found.gap[row]
        if kind == LAYER_EDGE:
            ends = [tuple(sorted(int(triangles[e // 3, (e % 3 + k) % 3]) for k in (0, 1))) for e in (one, other)]
            got_edges[frozenset(ends)] = found.gap[row]
    for plain, got in ((node_face, got_faces), (edge_edge, got_edges)):
        assert set(plain) <= set(got)
        for pair, distance in plain.items():
            assert got[pair] == pytest.approx(distance, abs=1e-9)


def test_each_pair_is_what_its_weights_and_direction_say():
    lattice = Lattice(0.01, 0.01, np.ones((8, 4), dtype=bool))
    x = crumpled(lattice, 5)
    found, _ = search(lattice, x, 3e-3)
    assert len(np.unique(found.key)) == len(found.key) > 100
    way = np.einsum("ck,ckd->cd", found.weight, x[found.node])
    np.testing.assert_allclose(found.weight.sum(1), 0.0, atol=1e-12)
    np.testing.assert_allclose(way, found.gap[:, None] * found.normal, atol=1e-9)
    np.testing.assert_allclose(np.linalg.norm(found.normal, axis=1), 1.0, atol=1e-9)


def test_node_over_a_sharp_fold_meets_its_edge():
    """A roof of two cells and, detached, a cell whose corner hangs 1 mm over the ridge, outside both faces' columns."""
    cell = np.ones((4, 1), dtype=bool)
    cell[2] = False
    lattice = Lattice(0.01, 0.01, cell)
    x = np.zeros((len(lattice.ij), 3))
    roof = {0: (-0.005, -0.008), 1: (0.0, 0.0), 2: (0.005, -0.008)}
    for n, (i, j) in enumerate(lattice.ij):
        if i in roof:
            x[n] = [roof[i][0], 0.01 * j, roof[i][1]]
        else:
            x[n] = [0.0, 0.0041 + 0.003 * (i - 3), 0.001 + 0.02 * (i - 3) + 0.03 * j]
    found, crossed = search(lattice, x, 2e-3)
    assert len(crossed) == 0
    tip = lattice.index[3, 0]
    hit = found.node[:, 0] == tip
    assert hit.sum() == 1
    np.testing.assert_allclose(found.normal[hit], [[0.0, 0.0, 1.0]], atol=1e-12)
    np.testing.assert_allclose(found.gap[hit], 1e-3, atol=1e-12)


def test_a_smooth_sheet_meets_itself_nowhere():
    lattice = Lattice(0.01, 0.01, np.ones((30, 20), dtype=bool))
    u, v = lattice.uv.T
    x = np.column_stack([0.06 * np.sin(u / 0.06), v, 0.06 * np.cos(u / 0.06) + 0.01 * np.sin(v / 0.02)])
    found, crossed = search(lattice, x, 5e-3)
    assert len(found.gap) == len(crossed) == 0


def test_a_crossing_is_seen():
    lattice = Lattice(0.01, 0.01, np.ones((8, 4), dtype=bool))
    x = crumpled(lattice, 0)
    assert len(search(lattice, x, 1e-3)[1]) == 0
    x[:, 2] += np.where(lattice.ij[:, 0] == 4, -0.004, 0.0)
    assert len(search(lattice, x, 1e-3)[1]) > 0


CORNERED = np.ones((3, 2), dtype=bool)
CORNERED[0] = False  # the other parity: only one triangle of each cell has the node in the middle


@pytest.mark.parametrize(
    ("folded_mm", "crossed"),
    [
        (
            [[7.99, 10.64, 3.91], [8.41, 2.49, -1.87], [6.63, 12.28, -2.88], [-1.95, 10.51, 4.98], [0.57, 0.88, 4.12],
             [-1.16, 10.68, 3.18], [7.93, 9.03, 5.01], [8.91, 1.39, -1.36], [7.59, 11.3, -1.62]],
            True,
        ),
        (
            [[7.86, 11.76, 3.71], [5.81, 1.99, 4.34], [12.72, 7.72, -0.06], [3.67, 9.65, -5.12], [0.11, 0.41, -3.73],
             [4.16, 9.48, -4.93], [13.42, 7.88, -3.77], [9.82, -1.3, -2.09], [13.36, 8.02, -1.29]],
            False,
        ),
    ],
)  # fmt: skip
def test_a_fold_in_quarters_lies_on_cells_that_share_but_a_corner(folded_mm, crossed):
    """Two cells across a node face the same way and lie on each other: not one smooth piece, though normals agree."""
    lattice = Lattice(0.01, 0.01, CORNERED)
    x = 1e-3 * np.array(folded_mm)
    found, crossings = search(lattice, x, 4e-4)
    assert bool(len(crossings)) is crossed is bool(count_self_crossings(x, lattice.triangles)[0])
    node_face, edge_edge = plain_search(lattice.triangles, x, 4e-4)
    kind = found.key >> 60
    if not crossed:
        assert len(node_face) + len(edge_edge) > 0
    assert np.count_nonzero(kind == LAYER_NODE) >= len(node_face)
    assert np.count_nonzero(kind == LAYER_EDGE) >= len(edge_edge)
