"""Rays against every triangle in turn, and pictures drawn through a grid."""

from __future__ import annotations

import numpy as np

from drapesim.kernels.cast import cast_rays
from drapesim.kernels.tree import plant_tree
from drapesim.kernels.warp import warp_rows_into
from drapesim.matter.body import join, slab, sphere


def _brute(origin: np.ndarray, way: np.ndarray, corners: np.ndarray) -> float:
    """The nearest crossing of a ray with any triangle, by volumes of tetrahedra."""
    best = np.inf
    for a, b, c in corners:
        normal = np.cross(b - a, c - a)
        slope = normal @ way
        if slope == 0.0:
            continue
        t = normal @ (a - origin) / slope
        if t < 0.0:
            continue
        p = origin + t * way
        inside = all(normal @ np.cross(q - r, p - r) >= -1e-15 for r, q in ((a, b), (b, c), (c, a)))
        if inside and t < best:
            best = float(t)
    return best


def test_rays_meet_what_every_triangle_in_turn_says() -> None:
    body = join(sphere(0.1, (0.0, 0.0, 0.12), subdivisions=2), slab(4.0, 2.0, 0.1))
    tree = plant_tree(body.vertices, body.faces)
    assert len(tree.large), "the slab's halves must be tested apart"
    chance = np.random.default_rng(3)
    origins = chance.uniform(-0.3, 0.3, (200, 3)) + np.array([0.0, 0.0, 0.3])
    ways = chance.normal(size=(200, 3))
    ways[:20] = [0.0, 0.0, -1.0]
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    found, face = cast_rays(origins, ways, np.full(200, 10.0), body.vertices, body.faces, tree)
    wanted = np.array([_brute(o, w, body.vertices[body.faces]) for o, w in zip(origins, ways, strict=True)])
    np.testing.assert_allclose(found, wanted, atol=1e-9)
    assert ((face >= 0) == np.isfinite(wanted)).all()
    assert np.isfinite(wanted).sum() > 60


def test_ray_stops_at_its_limit() -> None:
    body = sphere(0.1, subdivisions=2)
    tree = plant_tree(body.vertices, body.faces)
    start = np.array([[0.01, 0.02, 1.0]])
    down = np.array([[0.0, 0.0, -1.0]])
    assert np.isfinite(cast_rays(start, down, np.array([0.95]), body.vertices, body.faces, tree)[0])
    assert cast_rays(start, down, np.array([0.85]), body.vertices, body.faces, tree)[1][0] == -1


def test_no_ray_slips_between_two_triangles() -> None:
    body = sphere(0.1, subdivisions=3)
    tree = plant_tree(body.vertices, body.faces)
    edge = body.vertices[body.faces]
    middle = 0.5 * (edge + np.roll(edge, 1, axis=1)).reshape(-1, 3)
    ways = -middle / np.linalg.norm(middle, axis=1, keepdims=True)
    _, face = cast_rays(-2 * ways, ways, np.full(len(ways), 10.0), body.vertices, body.faces, tree)
    assert (face >= 0).all()


def test_picture_drawn_through_a_straight_grid_is_itself() -> None:
    chance = np.random.default_rng(1)
    picture = chance.integers(0, 255, (40, 60, 3)).astype(np.uint8)
    u, v = np.meshgrid(np.arange(7) * 10.0, np.arange(5) * 10.0, indexing="ij")
    place = np.stack([u - 0.5, v - 0.5], axis=2)  # pixel 0's middle lies half a pixel in
    whole = np.ones((6, 4), bool)
    whole[2, 1] = False
    out, there = np.zeros((40, 60, 3), np.uint8), np.zeros((40, 60))
    for first in (0, 16, 32):
        part = slice(first, first + 16)
        warp_rows_into(out[part], there[part], picture, place, whole, np.ones((7, 5)), first, 0.1, 0.1)
    missing = np.zeros((40, 60), bool)
    missing[10:20, 20:30] = True
    np.testing.assert_array_equal(out[~missing], picture[~missing])
    assert not out[missing].any()
    np.testing.assert_allclose(there, np.where(missing, 0.0, 1.0), atol=1e-12)
