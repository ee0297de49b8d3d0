"""Crossing triangles: hand-made pairs, and random pairs against an exact rule of another kind."""

from fractions import Fraction
from itertools import product

import numpy as np
import pytest

from drapesim.kernels.crossing import (
    APART,
    CROSSED,
    OPEN,
    are_folded,
    find_crossings,
    judge_pair,
    judge_sharing,
    put_shared_first,
)
from drapesim.kernels.tree import plant_tree
from drapesim.settling.exact import count_self_crossings, triangles_cross

GROUND = [[0, 0, 0], [4, 0, 0], [0, 4, 0]]

# second triangle against GROUND, and whether the two cross
HAND_MADE = {
    "edge pierces the inside": ([[1, 1, -1], [1, 1, 1], [9, 9, 1]], True),
    "pierced by an edge of the ground": ([[1, -1, -1], [1, -1, 5], [1, 9, -1]], True),
    "corner touches the inside": ([[1, 1, 0], [1, 2, 3], [2, 1, 3]], False),
    "corner touches an edge": ([[2, 0, 0], [2, 0, 3], [3, -1, 3]], False),
    "corner touches a corner": ([[4, 0, 0], [5, 0, 3], [5, 1, 3]], False),
    "edge lies in the inside": ([[1, 1, 0], [2, 1, 0], [1, 1, 3]], False),
    "edge crosses an edge": ([[2, 0, -1], [2, 0, 1], [2, -3, 0]], False),
    "through an edge of the ground, strictly": ([[2, 0, -1], [2, 0, 1], [2, 3, 0]], True),
    "cuts exactly from edge to edge": ([[2, 0, -1], [2, 0, 1], [0, 4, 0]], True),
    "same edge, other plane": ([[0, 0, 0], [4, 0, 0], [0, 0, 4]], False),
    "same edge, folded over": ([[0, 0, 0], [4, 0, 0], [1, 2, 0]], True),
    "same edge, side by side": ([[0, 0, 0], [4, 0, 0], [1, -2, 0]], False),
    "coplanar, overlapping": ([[1, 1, 0], [9, 1, 0], [1, 9, 0]], True),
    "coplanar, within": ([[1, 1, 0], [2, 1, 0], [1, 2, 0]], True),
    "coplanar, the same": ([[0, 0, 0], [4, 0, 0], [0, 4, 0]], True),
    "coplanar, touching along an edge": ([[1, 0, 0], [3, 0, 0], [2, -2, 0]], False),
    "coplanar, touching in a corner": ([[2, 2, 0], [4, 2, 0], [2, 4, 0]], False),
    "coplanar, apart": ([[5, 5, 0], [6, 5, 0], [5, 6, 0]], False),
    "parallel planes": ([[0, 0, 1], [4, 0, 1], [0, 4, 1]], False),
    "planes cross, triangles do not": ([[3, 3, -1], [3, 3, 1], [9, 9, 0]], False),
    "intervals meet end to end": ([[2, 2, -1], [2, 2, 1], [5, 5, 0]], False),
    "no area": ([[1, 1, -1], [1, 1, 1], [1, 1, 3]], False),
}


def exact_rule(first, second):
    """True if the insides meet: no candidate direction parts the triangles (weakly, and not all six level).

    The candidates are the normals of the faces of the Minkowski difference: both normals, edge x edge, normal x edge.
    """
    a = [[Fraction(float(c)) for c in p] for p in first]
    b = [[Fraction(float(c)) for c in p] for p in second]

    def minus(p, q):
        return [s - t for s, t in zip(p, q, strict=True)]

    def cross(p, q):
        return [p[1] * q[2] - p[2] * q[1], p[2] * q[0] - p[0] * q[2], p[0] * q[1] - p[1] * q[0]]

    edges_a = [minus(a[(k + 1) % 3], a[k]) for k in range(3)]
    edges_b = [minus(b[(k + 1) % 3], b[k]) for k in range(3)]
    n, m = cross(*edges_a[:2]), cross(*edges_b[:2])
    if not any(n) or not any(m):
        return False
    ways = [n, m] + [cross(p, q) for p, q in product(edges_a, edges_b)]
    ways += [cross(n, p) for p in edges_a] + [cross(m, p) for p in edges_b]
    for way in ways:
        of_a = [sum(s * t for s, t in zip(way, p, strict=True)) for p in a]
        of_b = [sum(s * t for s, t in zip(way, p, strict=True)) for p in b]
        level = min(of_a + of_b) == max(of_a + of_b)
        if not level and (max(of_a) <= min(of_b) or max(of_b) <= min(of_a)):
            return False
    return True


def judge(first, second):
    corner = np.ascontiguousarray(np.concatenate([first, second]), dtype=np.float64)
    return judge_pair(corner, np.empty(6, np.int64), np.empty((8, 3)))


def check(first, second, expected):
    verdict = judge(first, second)
    assert verdict in ((CROSSED, OPEN) if expected else (APART, OPEN)), (first, second)
    assert triangles_cross(first, second) is expected, (first, second)
    return verdict


@pytest.mark.parametrize("name", HAND_MADE)
def test_hand_made_pairs(name):
    second, expected = HAND_MADE[name]
    first, second = np.array(GROUND, float), np.array(second, float)
    assert exact_rule(first, second) is expected
    for scale in (1.0, 0.001, 1e5):
        for turn_a, turn_b in product(range(3), range(2)):
            a = np.roll(first, turn_a, axis=0) * scale
            b = (np.roll(second, turn_b, axis=0) if turn_b else second[::-1]) * scale
            for p, q in ((a, b), (b, a)):
                check(p, q, exact_rule(p, q))
    check(first, second, expected)


def test_random_pairs_on_a_coarse_grid():
    """Corners on a grid of three steps: touching, coplanar and degenerate pairs in plenty."""
    rng = np.random.default_rng(1)
    crossed = left_open = 0
    for _ in range(1200):
        first, second = rng.integers(0, 4, (2, 3, 3)) * 0.1
        expected = exact_rule(first, second)
        crossed += expected
        left_open += check(first, second, expected) == OPEN
    assert 100 < crossed < 1100
    assert left_open > 50


def test_random_pairs_at_large():
    """Corners anywhere: every pair is decided without exact arithmetic."""
    rng = np.random.default_rng(2)
    crossed = 0
    for _ in range(800):
        first, second = rng.normal(size=(2, 3, 3)) * 0.01 + [1.0, 0.3, 0.2]
        expected = exact_rule(first, second)
        assert check(first, second, expected) != OPEN
        crossed += expected
    assert 50 < crossed < 700


def test_pairs_within_rounding_of_touching():
    """A corner moved across the other triangle's plane in single steps of the last digit."""
    first = np.array([[0.1, 0.2, 0.3], [0.7, 0.2, 0.35], [0.2, 0.9, 0.31]])
    foot = first.mean(0)
    seen = set()
    for step in range(-6, 7):
        corner = foot.copy()
        for _ in range(abs(step)):
            corner[2] = np.nextafter(corner[2], np.sign(step) * 9.0)
        second = np.stack([corner, foot + np.array([0.1, 0.0, 0.5]), foot + np.array([0.0, 0.1, 0.5])])
        expected = exact_rule(first, second)
        check(first, second, expected)
        seen.add(expected)
    assert seen == {True, False}


def test_flat_neighbours_need_no_exact_arithmetic():
    """A flat grid at an odd height and tilt: thousands of coplanar pairs whose boxes touch, none left open."""
    i, j = np.meshgrid(np.arange(30), np.arange(30), indexing="ij")
    index = (i * 30 + j)[:-1, :-1].ravel()
    triangles = np.concatenate(
        [np.stack([index, index + 30, index + 31], 1), np.stack([index, index + 31, index + 1], 1)]
    ).astype(np.int32)
    for tilt in ([0.0, 0.0], [0.3, 0.17]):
        x = np.stack([0.01 * i, 0.013 * j, 0.1 / 3 + tilt[0] * 0.01 * i + tilt[1] * 0.013 * j], 2).reshape(-1, 3)
        assert len(find_crossings(x, triangles, x, triangles, plant_tree(x, triangles), True)) == 0


def is_expected(x, first, second):
    """Pairs that share an edge never count."""
    shared = len(set(first) & set(second))
    if shared == 0:
        return exact_rule(x[first], x[second])
    return shared == 1 and triangles_cross(x[first], x[second])


def test_search_finds_every_pair():
    """A crumpled grid against all pairs: with itself, and with another mesh; each pair once, by triangle."""
    rng = np.random.default_rng(3)
    i, j = np.meshgrid(np.arange(7), np.arange(7), indexing="ij")
    index = (i * 7 + j)[:-1, :-1].ravel()
    triangles = np.concatenate(
        [np.stack([index, index + 7, index + 8], 1), np.stack([index, index + 8, index + 1], 1)]
    ).astype(np.int32)
    x = np.stack([i, j, 0 * i], 2).reshape(-1, 3) + rng.normal(size=(49, 3)) * 1.2
    row = find_crossings(x, triangles, x, triangles, plant_tree(x, triangles), True)
    expected = [
        (s, t)
        for s in range(len(triangles))
        for t in range(s + 1, len(triangles))
        if is_expected(x, triangles[s], triangles[t])
    ]
    assert len(expected) > 50
    assert sorted(map(tuple, row[:, :2].tolist())) == expected
    assert (row[:, 2] == CROSSED).all()
    assert (np.diff(row[:, 0]) >= 0).all()

    y, faces = x[:, [2, 0, 1]] + 0.1, triangles[:40]
    row = find_crossings(x, triangles, y, np.ascontiguousarray(faces), plant_tree(y, faces), False)
    expected = [(s, t) for s in range(len(triangles)) for t in range(40) if exact_rule(x[triangles[s]], y[faces[t]])]
    assert len(expected) > 30
    assert sorted(map(tuple, row[:, :2].tolist())) == expected


def test_more_neighbours_than_room():
    """A heap of 400 triangles in one place: the search's buffer grows and no pair is lost."""
    rng = np.random.default_rng(4)
    x = rng.normal(size=(1200, 3)) * 0.01
    triangles = np.arange(1200, dtype=np.int32).reshape(400, 3)
    row = find_crossings(x, triangles, x, triangles, plant_tree(x, triangles), True)
    pairs = set(map(tuple, row[:, :2].tolist()))
    assert len(pairs) == len(row)
    some = [(s, t) for s in range(0, 400, 37) for t in range(s + 1, 400, 5)]
    assert {pair for pair in some if exact_rule(x[triangles[pair[0]]], x[triangles[pair[1]]])} == pairs & set(some)


@pytest.mark.parametrize("seed", range(3))
def test_triangles_with_a_common_corner_agree_with_whole_numbers(seed):
    """400 random pairs that share one corner, in any order of their corners: about a sixth of them cross."""
    rng = np.random.default_rng(seed)
    crossed = 0
    for _ in range(400):
        first, second = rng.normal(size=(2, 3, 3))
        own, other = rng.integers(0, 3, 2)
        second[other] = first[own]
        corner = np.concatenate([first, second])
        put_shared_first(corner, own, other)
        np.testing.assert_array_equal(corner[0], corner[3])
        verdict = judge_sharing(corner)
        assert verdict in (APART, CROSSED)
        assert (verdict == CROSSED) == triangles_cross(first, second)
        crossed += verdict == CROSSED
    assert 30 < crossed < 200


def test_folded_means_turned_by_more_than_a_right_angle_or_so():
    for degrees, folded in ((0.0, False), (70.0, False), (85.0, True), (179.0, True)):
        turn = np.radians(degrees)
        corner = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 0], [1, 0, 0], [0, np.cos(turn), np.sin(turn)]])
        assert are_folded(corner.astype(float)) == folded


def test_pairs_with_a_common_corner_are_counted():
    """Two triangles hinged at one corner: apart, then swung through each other."""
    triangles = np.array([[0, 1, 2], [0, 3, 4]], np.int32)
    x = np.array([[0.0, 0, 0], [1, 0, -0.2], [1, 0.5, 0.2], [0.8, 0.2, 1.0], [0.9, 0.3, 0.1]])
    assert count_self_crossings(x, triangles)[0] == 0
    x[4, 2] = -1.0
    assert count_self_crossings(x, triangles)[0] == 1
