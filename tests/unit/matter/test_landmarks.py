"""Landmarks stay where they were put: onto the surface, through moves of the mesh, and onto another mesh."""

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter import nearest
from drapesim.matter.body import sphere
from drapesim.matter.landmarks import anchor, barycentric, carry_regions, follow, tell_moves
from drapesim.matter.nearest import find_on_mesh, measure_ways
from drapesim.matter.slices_mesh import smooth_skin

BALL = sphere(0.1, subdivisions=4)


def test_a_point_is_moved_to_the_nearest_point_and_says_how_far():
    held = anchor({"a": np.array([0.0, 0.0, 0.103]), "b": BALL.vertices[7]}, BALL.vertices, BALL.faces)
    place = follow(held, BALL.vertices, BALL.faces)
    assert np.allclose(place["a"], [0.0, 0.0, 0.1], atol=2e-4)
    assert np.allclose(place["b"], BALL.vertices[7], atol=1e-12)
    assert held.distance == pytest.approx([0.003, 0.0], abs=2e-4)
    assert tell_moves(held).startswith("The landmark 'a' was moved 3")
    assert np.allclose(held.weight.sum(axis=1), 1.0)


def test_an_absurd_point_is_refused_with_every_other():
    points = {"far": np.array([0.0, 0.0, 0.2]), "near": BALL.vertices[0], "farther": np.zeros(3)}
    with pytest.raises(InputError) as fault:
        anchor(points, BALL.vertices, BALL.faces, file="x.toml")
    first, second = str(fault.value).split("\n")
    assert first == ("x.toml: landmarks_mm.far: the point lies 100.0 mm off the surface, more than 5 mm; "
                     "correct it, or check mesh, axes and unit")  # fmt: skip
    assert second.startswith("x.toml: landmarks_mm.farther: the point lies 99.")
    with pytest.raises(InputError, match="the points fit if their numbers are in m; give them in mm"):
        anchor({"a": np.array([0.0, 0.0, 1e-4]), "b": np.array([1e-4, 0.0, 0.0])}, BALL.vertices, BALL.faces)


def test_the_limit_is_kept():
    top = float(BALL.vertices[:, 2].max())
    assert anchor({"a": np.array([0.0, 0.0, top + 0.0049])}, BALL.vertices, BALL.faces).distance[0] < 0.005
    with pytest.raises(InputError, match=r"5\.1 mm off the surface"):
        anchor({"a": np.array([0.0, 0.0, top + 0.0051])}, BALL.vertices, BALL.faces)


def test_landmarks_follow_a_posed_and_a_smoothed_mesh():
    """Barycentric transfer is exact for any linear map of the vertices."""
    rng = np.random.default_rng(3)
    points = {str(k): p for k, p in enumerate(BALL.vertices[BALL.faces[rng.integers(0, len(BALL.faces), 9)]].mean(1))}
    held = anchor(points, BALL.vertices, BALL.faces)
    bend = rng.standard_normal((3, 3))
    after = follow(held, BALL.vertices @ bend + [1.0, 2.0, 3.0], BALL.faces)
    assert all(np.allclose(after[name], points[name] @ bend + [1.0, 2.0, 3.0]) for name in points)
    smooth, _ = smooth_skin(BALL.vertices, BALL.faces)
    after = follow(held, smooth, BALL.faces)
    moved = np.linalg.norm(smooth - BALL.vertices, axis=1).max()
    assert all(np.linalg.norm(after[name] - points[name]) <= moved + 1e-12 for name in points)


def test_barycentric_weights_of_random_points():
    rng = np.random.default_rng(4)
    corner, weight = rng.standard_normal((50, 3, 3)), rng.dirichlet(np.ones(3), 50)
    assert np.allclose(barycentric(np.einsum("nk,nkc->nc", weight, corner), corner), weight)


def test_regions_go_over_to_a_lighter_mesh():
    light = sphere(0.1, subdivisions=2)
    region = (BALL.vertices[BALL.faces].mean(axis=1)[:, 2] > 0.0).astype(np.int32)
    carried, distance = carry_regions(region, (BALL.vertices, BALL.faces), (light.vertices, light.faces))
    middle = light.vertices[light.faces].mean(axis=1)[:, 2]
    clear = np.abs(middle) > 0.005
    assert np.array_equal(carried[clear], (middle[clear] > 0.0).astype(np.int32))
    depth = 0.1 - np.linalg.norm(light.vertices[light.faces].mean(axis=1), axis=1)
    assert distance == pytest.approx(depth.max(), abs=3e-4)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("stops", "most"), [(8, 1.025), (3, 1.052)])
def test_ways_along_a_sphere_against_its_great_circles(monkeypatch, seed, stops, most):
    monkeypatch.setattr(nearest, "LINKS", 3 * stops**2 * len(BALL.faces) + 1)
    point = np.random.default_rng(seed).standard_normal((1, 3))
    start = find_on_mesh(0.2 * point / np.linalg.norm(point), BALL.vertices, BALL.faces)[1]
    way, whose = measure_ways(start, BALL.vertices, BALL.faces)
    assert (whose == 0).all()
    out = BALL.vertices[BALL.faces].mean(axis=1)
    cosine = (out @ start[0]) / np.linalg.norm(out, axis=1) / np.linalg.norm(start)
    true = 0.1 * np.arccos(np.clip(cosine, -1.0, 1.0))
    far = true > 0.015  # two edges; chords are shorter than arcs by 0.02 % here
    assert (way / true)[far].min() > 0.999
    assert (way / true)[far].max() < most
    reached = np.isfinite(measure_ways(start, BALL.vertices, BALL.faces, 0.05)[0])
    assert not reached[true > 0.0502].any()
    assert reached[true < 0.05 / 1.03].all()


def test_too_many_faces_to_walk_are_refused(monkeypatch):
    monkeypatch.setattr(nearest, "MOST_WALKED", 5000)
    with pytest.raises(InputError, match="ways along 5120 faces are asked for"):
        measure_ways(BALL.vertices[:1], BALL.vertices, BALL.faces)
    assert np.isfinite(measure_ways(BALL.vertices[:1], BALL.vertices, BALL.faces, 0.03)[0]).any()


def test_every_face_goes_to_its_nearest_start():
    starts = np.array([[0.0, 0.0, 0.1], [0.0, 0.0, -0.1]])
    way, whose = measure_ways(starts, BALL.vertices, BALL.faces)
    middle = BALL.vertices[BALL.faces].mean(axis=1)[:, 2]
    clear = np.abs(middle) > 0.003
    assert np.array_equal(whose[clear], np.where(middle[clear] > 0.0, 0, 1))
    assert way.max() < 0.5 * np.pi * 0.1 * 1.02
