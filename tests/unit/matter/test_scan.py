"""Scale by two landmarks, and closing an open scan: what is filled, what gets walls, what is refused with its place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from drapesim.ground.outcome import InputError
from drapesim.matter.body import box, enclosed_volume, sphere
from drapesim.matter.body_repair import count_sides, sort_sides
from drapesim.matter.scan import ScaleMark, close_scan, read_scan

BALL = sphere(0.1, (0.0, 0.0, 0.1), subdivisions=4)
V, F = BALL.vertices, BALL.faces
MIDDLE = V[F].mean(axis=1)
FILE = Path("scan.ply")


def close(faces: np.ndarray, vertices: np.ndarray = V, hole: float = 0.05, floor: float | None = None):
    scan = close_scan(vertices, faces, FILE, hole, floor)
    sides = sort_sides(scan.faces)
    first = np.flatnonzero(sides.is_new)
    assert (np.add.reduceat(np.where(sides.rising, 1, -1), first) == 0).all()  # as many sides run each way
    return scan


def scaled(folder: Path, factor: float, *mark: object) -> tuple[np.ndarray, tuple[str, ...]]:
    path = folder / "scan.ply"
    trimesh.Trimesh(V * factor, F, process=False).export(path)
    vertices, _, notes = read_scan(path, None, None, ScaleMark(*mark), None)  # type: ignore[arg-type]
    return vertices, notes


def test_two_landmarks_and_their_distance_settle_the_scale(tmp_path):
    vertices, notes = scaled(tmp_path, 7.3, (0.73, 0, 0.73), (-0.73, 0, 0.73), 0.2)
    assert vertices.max(axis=0) - vertices.min(axis=0) == pytest.approx([0.2, 0.2, 0.2], rel=1e-6)
    assert "one unit of the file is 136.986 mm" in notes[0]
    assert "a slip of 1 mm in their distance changes every length by 0.50 %" in notes[0]


def test_landmark_within_a_large_triangle_counts_as_on_the_surface(tmp_path):
    path = tmp_path / "box.ply"
    cube = box((0, 0, 0), (10.0, 10.0, 10.0))
    trimesh.Trimesh(cube.vertices, cube.faces, process=False).export(path)
    mark = ScaleMark((4.0, 5.0, 0.0), (4.0, 5.0, 10.0), 0.5)
    vertices = read_scan(path, None, None, mark, None)[0]
    assert vertices.max() == pytest.approx(0.5)


def test_slips_in_landmarks_are_named(tmp_path):
    with pytest.raises(InputError, match=r"--to: the landmark lies 14\.\d mm off the scan"):
        scaled(tmp_path, 7.3, (0.73, 0, 0.73), (-0.63, 0, 0.73), 0.2)
    with pytest.raises(InputError, match="same point"):
        scaled(tmp_path, 1.0, (0.1, 0, 0.1), (0.1, 0, 0.1), 0.2)
    with pytest.raises(InputError, match="200 m, and at most 20"):
        scaled(tmp_path, 1.0, (0.1, 0, 0.1), (-0.1, 0, 0.1), 200.0)
    path = tmp_path / "scan.ply"
    with pytest.raises(InputError, match="drop --unit"):
        read_scan(path, "mm", None, ScaleMark((0.1, 0, 0.1), (-0.1, 0, 0.1), 0.2), None)
    with pytest.raises(InputError, match=r"0\.200 m by the landmarks, but 0\.300 m was stated"):
        read_scan(path, None, None, ScaleMark((0.1, 0, 0.1), (-0.1, 0, 0.1), 0.2), 0.3)


def test_sound_scan_needs_nothing():
    scan = close(F)
    assert scan.must_rebuild == ()
    assert scan.notes == ()
    assert scan.floor is None
    assert np.array_equal(scan.faces, F)


def test_scan_from_above_gets_walls_and_a_bottom():
    """Half a ball on a round column: volume by formula, whichever way its triangles were wound."""
    upper = F[MIDDLE[:, 2] > 0.1]
    for faces in (upper, upper[:, ::-1]):
        scan = close(faces, floor=0.0)
        assert scan.floor == 0.0
        assert scan.must_rebuild == ("it was open",)
        assert "1 opening, the largest" in " ".join(scan.notes)
        whole = enclosed_volume(scan.vertices, scan.faces)
        assert whole == pytest.approx(2 / 3 * np.pi * 0.1**3 + np.pi * 0.1**2 * 0.1, rel=0.02)
    assert close(upper).floor == pytest.approx(V[np.unique(upper)][:, 2].min())  # the lowest point, if none is stated


def test_small_holes_are_filled_and_large_ones_open_to_the_sky_refused():
    top = F[MIDDLE[:, 2] < 0.19]
    filled = close(top, hole=0.4)
    assert filled.must_rebuild == ()
    assert count_sides(filled.faces) == (0, 0, 0)
    with pytest.raises(InputError, match=r"1 hole of more than 50 mm .* open to the sky, .* at \[0, 0, 190\] mm"):
        close(top)


def test_hole_under_another_part_is_closed_without_a_word_of_refusal():
    """A lid over the hole in the ball: walls go down through what is filled anyway."""
    lid = box((-0.08, -0.08, 0.21), (0.08, 0.08, 0.22))
    vertices = np.concatenate([V, lid.vertices])
    faces = np.concatenate([F[MIDDLE[:, 2] < 0.19], lid.faces + len(V)])
    scan = close(faces, vertices, floor=0.0)
    assert "1 of them sideways or under another part" in " ".join(scan.notes)


def test_pieces_of_one_scan_are_turned_together():
    """A flat scrap has no inside of its own: it goes with the largest piece."""
    flat = np.array([[0.3, 0, 0.05], [0.4, 0, 0.05], [0.4, 0.1, 0.05], [0.3, 0.1, 0.05]])
    vertices = np.concatenate([V, flat])
    upper = F[MIDDLE[:, 2] > 0.1]
    faces = np.concatenate([upper, len(V) + np.array([[0, 1, 2], [0, 2, 3]])])
    for turned in (faces, faces[:, ::-1]):
        scan = close(turned, vertices, floor=0.0)
        column = enclosed_volume(scan.vertices, scan.faces)
        ball = 2 / 3 * np.pi * 0.1**3 + np.pi * 0.1**2 * 0.1
        assert column == pytest.approx(ball + 0.1 * 0.1 * 0.05, rel=0.02)


def test_support_cuts_and_must_lie_within_the_scan():
    scan = close(F, floor=0.05)
    assert scan.must_rebuild == ("it reached below the support",)
    assert scan.floor == 0.05
    with pytest.raises(InputError, match="lies outside the scan"):
        close(F, floor=0.3)


def test_inner_walls_are_a_reason_for_a_new_surface():
    cube, twin = box((0, 0, 0), (1, 1, 1)), box((1, 0, 0), (2, 1, 1))
    vertices = np.concatenate([cube.vertices, twin.vertices])
    scan = close(np.concatenate([cube.faces, twin.faces + 8]), vertices)
    assert "edges are shared by more than two faces" in scan.must_rebuild[0]
