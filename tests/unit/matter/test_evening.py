"""Evening out: still one closed shell on the surface, edges near the wanted size, no thin triangles."""

from __future__ import annotations

import numpy as np
import pytest

from drapesim.matter.body import enclosed_volume
from drapesim.matter.body_repair import count_sides
from drapesim.matter.evening import drop_onto, even_out, face_normals
from drapesim.matter.solid import RoundCone, Union, measure_field, polygonise

TRUNK, BRANCH = RoundCone((0, 0, 0), (0.2, 0, 0), 0.05, 0.03), RoundCone((0.1, 0, 0), (0.1, 0.12, 0), 0.02, 0.015)
SOLID = Union((TRUNK, BRANCH), 0.012)


def field(points: np.ndarray) -> np.ndarray:
    return measure_field(SOLID, points)


@pytest.fixture(scope="module")
def evened() -> tuple[np.ndarray, np.ndarray]:
    def size(points: np.ndarray) -> np.ndarray:
        return np.where(points[:, 0] > 0.15, 0.004, 0.004 + np.minimum(0.15 * (0.15 - points[:, 0]), 0.004))

    return even_out(*polygonise(SOLID, 0.005), field, size)


def test_the_shell_stays_closed_and_a_ball(evened: tuple[np.ndarray, np.ndarray]):
    vertices, faces = evened
    assert count_sides(faces) == (0, 0, 0)
    assert len(vertices) - 3 * len(faces) // 2 + len(faces) == 2  # Euler
    assert len(np.unique(faces)) == len(vertices)


def test_vertices_are_on_the_surface_and_faces_face_outward(evened: tuple[np.ndarray, np.ndarray]):
    vertices, faces = evened
    assert np.abs(field(vertices)).max() < 1e-5
    normal = face_normals(vertices, faces)
    middle = vertices[faces].mean(axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    rise = field(middle + 5e-4 * normal) - field(middle - 5e-4 * normal)
    assert (rise > 5e-4).all()  # the field grows outward at more than half its full slope


def test_edges_follow_the_wanted_size(evened: tuple[np.ndarray, np.ndarray]):
    vertices, faces = evened
    p = vertices[faces]
    edge, middle = np.linalg.norm(np.roll(p, -1, axis=1) - p, axis=2), p.mean(axis=1)
    assert np.median(edge[middle[:, 0] > 0.16]) == pytest.approx(0.004, rel=0.15)
    assert np.median(edge[middle[:, 0] < 0.08]) == pytest.approx(0.008, rel=0.15)
    assert edge.max() < 0.8 * 2 * 0.008


def test_no_thin_triangles(evened: tuple[np.ndarray, np.ndarray]):
    vertices, faces = evened
    p = vertices[faces]
    side = np.linalg.norm(np.roll(p, -1, axis=1) - p, axis=2)
    area = 0.5 * np.linalg.norm(face_normals(vertices, faces), axis=1)
    two_longest = np.sort(side, axis=1)[:, 1:].prod(axis=1)
    assert np.degrees(np.arcsin(2.0 * area / two_longest)).min() > 22.0  # the smallest angle lies between them


def test_volume_is_kept(evened: tuple[np.ndarray, np.ndarray]):
    rough = polygonise(SOLID, 0.002)
    fine = enclosed_volume(drop_onto(field, rough[0], rough[1], steps=3), rough[1])
    assert enclosed_volume(*evened) == pytest.approx(fine, rel=6e-3)  # facets of 4 to 8 mm cut the curves
