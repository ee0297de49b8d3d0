"""The way along a surface against great circles, unfolded boxes and an independent exact method (libigl)."""

from dataclasses import replace

import igl
import numpy as np
import pytest

from drapesim.judging.geodesic import Ground, survey, walk_to_patch, walk_to_point
from drapesim.matter.body import Body, box, join, sphere
from drapesim.mechanics.body_contact import BodyField, prepare_body
from drapesim.settling.exact import measure_distance

TOLERANCE = 5e-3
"""How much longer than the shortest way ours may be; 0.1 to 0.2 % was measured."""


def tread(body: Body) -> tuple[BodyField, Ground]:
    field = prepare_body(body)
    return field, survey(field)


def crumpled(seed: int) -> Body:
    """A ball with dents and bumps of a fifth of its radius, so that ways bend round them."""
    ball = sphere(0.1, subdivisions=4)
    direction = ball.vertices / 0.1
    chance = np.random.default_rng(seed)
    swell = sum(np.cos(direction @ chance.normal(size=3) * 4.0 + chance.uniform(0, 6)) for _ in range(6))
    ball.vertices[:] *= (1.0 + 0.2 * swell / np.abs(swell).max())[:, None]
    return ball


@pytest.mark.parametrize("angle", [0.02, 0.3, 1.2, 2.8])
def test_great_circle(angle):
    # The flats of 20 * 4**5 triangles lie at most 4e-4 of the radius inside the ball.
    field, ground = tread(sphere(0.1, subdivisions=5))
    a = np.array([0.48, 0.6, 0.64])
    b = np.cross(a, [0.1, -0.9, 0.5])
    b = np.cos(angle) * a + np.sin(angle) * b / np.linalg.norm(b)
    _, start, face = measure_distance(0.1 * a[None], field)
    assert walk_to_point(ground, field, start[0], int(face[0]), 0.1 * b) == pytest.approx(0.1 * angle, rel=TOLERANCE)


def test_unfolded_box():
    # From the top, 30 mm before an edge and 20 mm along it, to the side, 40 mm below it: one straight line laid flat.
    field, ground = tread(box((0.0, 0.0, 0.0), (0.3, 0.2, 0.1)))
    start, goal = np.array([[0.27, 0.08, 0.1]]), np.array([0.3, 0.1, 0.06])
    _, point, face = measure_distance(start, field)
    assert walk_to_point(ground, field, point[0], int(face[0]), goal) == pytest.approx(np.hypot(0.07, 0.02), rel=1e-6)
    side = np.flatnonzero(field.surface.normal[:, 0] > 0.9)
    assert walk_to_patch(ground, point[0], int(face[0]), side) == pytest.approx(0.03, rel=1e-6)
    assert walk_to_patch(ground, point[0], int(face[0]), face) == 0.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_shorter_and_hardly_longer_than_the_exact_way(seed):
    body = crumpled(seed)
    field, ground = tread(body)
    chance = np.random.default_rng(seed)
    faces, none = body.faces.astype(np.int64), np.zeros(0, np.int64)
    for _ in range(4):
        face, goal = (int(k) for k in chance.integers(0, len(faces), 2))
        start = chance.dirichlet(np.ones(3)) @ body.vertices[faces[face]]
        a, b, c = faces[face]
        middle = len(body.vertices)
        split = np.vstack([np.delete(faces, face, 0), [[a, b, middle], [b, c, middle], [c, a, middle]]])
        end = faces[goal, 0]
        exact = igl.exact_geodesic(np.vstack([body.vertices, start]), split, np.array([middle]), none, np.array([end]),
                                   none)[0]  # fmt: skip
        walked = walk_to_point(ground, field, start, face, body.vertices[end])
        assert exact - 1e-9 <= walked <= (1.0 + TOLERANCE) * exact


def test_patch_against_the_exact_way_to_its_rim():
    body = crumpled(5)
    _, ground = tread(body)
    faces, none = body.faces.astype(np.int64), np.zeros(0, np.int64)
    patch = np.flatnonzero(body.vertices[faces].mean(axis=1)[:, 0] > 0.05)
    rim = np.unique(faces[patch])
    start = int(np.argmin(body.vertices[:, 0]))
    face = int(np.flatnonzero((faces == start).any(axis=1))[0])
    walked = walk_to_patch(ground, body.vertices[start], face, patch)
    exact = igl.exact_geodesic(body.vertices, faces, np.array([start]), none, rim, none).min()
    assert 0.99 * exact <= walked <= (1.0 + TOLERANCE) * exact  # between two corners of the rim it may be nearer


def test_no_way_to_another_shell():
    first, second = box((0.0, 0.0, 0.0), (0.1, 0.1, 0.1)), box((0.2, 0.0, 0.0), (0.3, 0.1, 0.1))
    body = join(first, replace(second, landmarks={}))
    field, ground = tread(body)
    assert walk_to_patch(ground, body.vertices[body.faces[0]].mean(axis=0), 0, np.arange(12, 24)) == np.inf
    assert walk_to_point(ground, field, body.vertices[0], 0, np.array([0.25, 0.05, 0.1])) == np.inf
