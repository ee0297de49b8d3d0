"""Each repair on a mesh spoilt in one way, against the sound mesh; and each refusal."""

from __future__ import annotations

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.body import box, enclosed_volume, sphere
from drapesim.matter.body_repair import count_sides, repair_mesh, wind_around

BALL = sphere(0.5, subdivisions=4)
V, F = BALL.vertices, BALL.faces.astype(np.int64)
VOLUME = enclosed_volume(V, F)


def mend(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray, str]:
    """Repaired mesh, checked to be closed and outward, and all sentences in one string."""
    vertices, faces, notes = repair_mesh(vertices, faces, "scan.ply")
    assert count_sides(faces) == (0, 0, 0)
    assert enclosed_volume(vertices, faces) > 0.0
    assert faces.dtype == np.int32
    return vertices, faces, " ".join(notes)


def test_a_sound_mesh_is_left_alone():
    vertices, faces, notes = mend(V, F)
    assert notes == ""
    assert np.array_equal(vertices, V)
    assert np.array_equal(faces, F)


def test_loose_triangles_are_joined_at_their_corners():
    vertices, faces, notes = mend(V[F].reshape(-1, 3), np.arange(3 * len(F)).reshape(-1, 3))
    assert len(vertices) == len(V)
    assert len(faces) == len(F)
    assert f"{3 * len(F) - len(V)} repeated vertices merged." in notes


def test_flipped_faces_are_turned_back():
    rng = np.random.default_rng(7)
    chosen = rng.choice(len(F), 300, replace=False)
    spoilt = F.copy()
    spoilt[chosen] = spoilt[chosen][:, ::-1]
    vertices, faces, notes = mend(V, spoilt)
    assert "300 faces turned" in notes
    assert enclosed_volume(vertices, faces) == pytest.approx(VOLUME, rel=1e-12)


def test_inward_normals_are_turned_outward():
    vertices, faces, notes = mend(V, F[:, ::-1])
    assert "1 shell with normals inward turned outward." in notes
    assert enclosed_volume(vertices, faces) == pytest.approx(VOLUME, rel=1e-12)


def test_repeated_and_pinched_faces_are_dropped():
    turned = F[10:13][:, [1, 2, 0]]
    _, faces, notes = mend(V, np.concatenate([F, F[:5], turned, [[0, 0, 1]], [[2, 3, 3]]]))
    assert "8 repeated faces dropped." in notes
    assert "2 faces without area dropped." in notes
    assert len(faces) == len(F)


def test_a_flat_triangle_is_taken_out_without_opening_the_surface():
    lo, hi = np.zeros(3), np.ones(3)
    cube = box(lo, hi)
    a, b, c = cube.faces[0]
    middle = len(cube.vertices)
    # The side a-b of face 0 gets a corner in its middle, and a triangle of no area closes the seam to its neighbour.
    vertices = np.concatenate([cube.vertices, [0.5 * (cube.vertices[a] + cube.vertices[b])]])
    faces = np.concatenate([[[a, middle, c], [middle, b, c], [a, b, middle]], cube.faces[1:]]).astype(np.int64)
    mended, _, notes = mend(vertices, faces)
    assert "taken out by turning an edge" in notes
    assert len(mended) == 9


def test_small_holes_are_filled():
    edge = np.linalg.norm(V[F[:, 0]] - V[F[:, 1]], axis=1).mean()
    scale = 0.006 / edge  # edges of 6 mm: the ring round a vertex is about 36 mm
    gone = np.nonzero((F == 0).any(axis=1))[0]  # the faces round one vertex, and one face far from them
    far = np.argmax(np.linalg.norm(V[F].mean(axis=1) - V[0], axis=1))
    open_faces = np.delete(F, [*gone, far], axis=0)
    vertices, faces, notes = mend(V * scale, open_faces)
    assert "2 holes filled, the largest" in notes
    assert enclosed_volume(vertices, faces) == pytest.approx(VOLUME * scale**3, rel=1e-3)


def test_a_large_hole_is_refused_with_its_size():
    lower = F[V[F].mean(axis=1)[:, 2] < 0.3]
    sides = [tuple(sorted(pair)) for face in lower.tolist() for pair in zip(face, face[1:] + face[:1], strict=True)]
    rim = sum(np.linalg.norm(V[a] - V[b]) for a, b in set(sides) if sides.count((a, b)) == 1)
    assert rim > 2.0 * np.pi * 0.4  # it runs in zigzag about the circle at height 0.3
    with pytest.raises(InputError, match=r"scan\.ply: the surface is open: 1 hole of more than 50 mm") as caught:
        repair_mesh(V, lower, "scan.ply")
    assert f"the largest {rim * 1e3:.0f} mm;" in str(caught.value)


def test_two_holes_that_meet_in_a_vertex_are_both_filled():
    fan = np.nonzero((F == 0).any(axis=1))[0]
    first, other = fan[0], next(k for k in fan if len(set(F[k]) & set(F[fan[0]])) == 1)
    _, faces, notes = mend(V * 0.1, np.delete(F, [first, other], axis=0))
    assert "2 holes filled" in notes
    assert len(faces) == len(F)


def test_specks_go_and_real_shells_stay():
    speck = V * 0.004 + [0.0, 0.0, 0.7]
    second = V * 0.3 + [1.0, 0.0, 0.0]
    n = len(V)
    vertices, faces, notes = mend(np.concatenate([V, speck, second]), np.concatenate([F, F + n, F + 2 * n]))
    assert "1 loose speck" in notes
    assert "2 separate shells" in notes
    assert enclosed_volume(vertices, faces) == pytest.approx(VOLUME * (1 + 0.3**3), rel=1e-9)


def test_a_hollow_inside_is_left_out():
    n = len(V)
    vertices, faces, notes = mend(np.concatenate([V, 0.9 * V]), np.concatenate([F, F[:, ::-1] + n]))
    assert "1 shell wholly inside another dropped." in notes
    assert enclosed_volume(vertices, faces) == pytest.approx(VOLUME, rel=1e-9)


def test_inner_walls_are_refused():
    cube = box((0, 0, 0), (1, 1, 1))
    twin = box((1, 0, 0), (2, 1, 1))  # shares a whole side: four edges of four faces
    vertices = np.concatenate([cube.vertices, twin.vertices])
    faces = np.concatenate([cube.faces, twin.faces + 8]).astype(np.int64)
    with pytest.raises(InputError, match="edges are shared by more than two faces"):
        repair_mesh(vertices, faces, "scan.ply")


def test_a_one_sided_surface_is_refused():
    n = 12  # Moebius band of triangles
    angle = np.arange(n) * 2.0 * np.pi / n
    rim = np.stack([np.cos(angle), np.sin(angle), np.zeros(n)], axis=1)
    turn = 0.2 * np.stack([np.cos(angle) * np.cos(angle / 2), np.sin(angle) * np.cos(angle / 2), np.sin(angle / 2)], 1)
    vertices = np.concatenate([rim - turn, rim + turn])
    faces = []
    for k in range(n):
        a, b = k, k + n
        c, d = (k + 1, k + 1 + n) if k < n - 1 else (n, 0)
        faces += [[a, c, b], [b, c, d]]
    with pytest.raises(InputError, match="one-sided"):
        repair_mesh(vertices, np.array(faces), "scan.ply")


def test_nothing_but_points_and_lines_is_refused():
    with pytest.raises(InputError, match="every face is a point"):
        repair_mesh(V, np.array([[0, 0, 1], [2, 2, 2]]), "scan.ply")


def test_winding_number_is_one_inside_and_none_outside():
    for point, wanted in (((0, 0, 0), 1.0), ((0.2, 0.3, 0.1), 1.0), ((0.6, 0, 0), 0.0), ((3, 3, 3), 0.0)):
        assert wind_around(np.array(point, dtype=float), V, F) == pytest.approx(wanted, abs=1e-9)
