"""Shapes against their volumes, joining and placing, and the door through which scans come in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.body import (
    Body,
    box,
    check_body,
    cylinder,
    enclosed_volume,
    join,
    load_body,
    placed,
    rest_on,
    ridge,
    slab,
    sphere,
)


def volume(body: Body) -> float:
    return enclosed_volume(body.vertices, body.faces)


def test_volumes_are_those_of_the_inscribed_solids():
    n = 200
    section = 0.5 * n * 0.15**2 * np.sin(2 * np.pi / n)  # regular polygon with its corners on the circle
    assert volume(check_body(cylinder(0.15, 0.5, n_segments=n))) == pytest.approx(0.5 * section, rel=1e-12)
    assert volume(check_body(box((-1.0, 0.0, 2.0), (1.0, 0.5, 2.25)))) == pytest.approx(0.25, rel=1e-12)
    assert volume(check_body(ridge(0.2, 0.02, 0.5))) == pytest.approx(0.001, rel=1e-12)
    assert volume(check_body(slab(2.0, 1.0, 0.1))) == pytest.approx(0.2, rel=1e-12)
    true = 4.0 / 3.0 * np.pi * 0.1**3
    errors = [1.0 - volume(check_body(sphere(0.1, subdivisions=k))) / true for k in (3, 4, 5)]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.05)  # flat facets: second order in their size
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.05)


def test_sphere_corners_lie_on_it():
    body = sphere(0.3, centre=(1.0, 2.0, 3.0))
    assert np.linalg.norm(body.vertices - [1.0, 2.0, 3.0], axis=1) == pytest.approx(0.3, rel=1e-12)


@pytest.mark.parametrize(("axis", "along"), [("x", 0), ("y", 1), ("z", 2)])
def test_cylinder_lies_along_its_axis(axis: str, along: int):
    body = check_body(cylinder(0.1, 0.7, centre=(0.2, 0.3, 0.4), axis=axis))
    spread = body.vertices.max(axis=0) - body.vertices.min(axis=0)
    assert spread[along] == pytest.approx(0.7)
    across = np.delete(body.vertices - [0.2, 0.3, 0.4], along, axis=1)
    radius = np.linalg.norm(across, axis=1)
    assert radius[radius > 1e-9] == pytest.approx(0.1, rel=1e-12)


def test_rounded_ridge_keeps_its_height_and_is_tangent_to_its_slopes():
    height, breadth, radius = 0.30, 0.04, 0.003
    body = check_body(ridge(height, breadth, 0.5, radius, n_arc=400))
    assert body.vertices[:, 2].max() == pytest.approx(height, abs=1e-12)
    assert body.vertices[:, 2].min() == 0.0
    # No point of the profile is nearer than the radius to the circle's middle, and the slope touches it.
    profile = body.vertices[np.isclose(body.vertices[:, 1], -0.25)][:, [0, 2]]
    arc = profile[profile[:, 1] > height - 2 * radius]
    assert np.linalg.norm(arc - [0.0, height - radius], axis=1) == pytest.approx(radius, rel=1e-9)
    last = arc[np.argmax(arc[:, 0])]
    slope = last - [0.5 * breadth, 0.0]
    assert slope @ (last - [0.0, height - radius]) == pytest.approx(0.0, abs=1e-12)


def test_bad_sizes_are_refused():
    with pytest.raises(InputError, match=r"radius is -0\.1 m"):
        sphere(-0.1)
    with pytest.raises(InputError, match="extent along y"):
        box((0, 1, 0), (1, 0, 1))
    with pytest.raises(InputError, match="does not fit"):
        ridge(0.1, 0.01, 0.5, radius=0.02)


def test_join_keeps_parts_regions_and_landmarks_apart():
    ball = sphere(0.1, centre=(0.0, 0.0, 0.1))
    named = replace(ball, region=np.zeros_like(ball.region), region_names=("ball",))
    both = check_body(join(slab(2.0, 1.0, 0.1), named))
    assert [part.name for part in both.parts] == ["support", "body"]
    assert both.parts[0].is_support
    assert not both.parts[1].is_support
    assert (both.part == 0).sum() == 12
    assert (both.region[both.part == 0] == -1).all()
    assert (both.region[both.part == 1] == 0).all()
    assert both.region_names == ("ball",)
    assert both.landmarks["top"] == pytest.approx([0.0, 0.0, 0.2])
    assert volume(both) == pytest.approx(volume(ball) + 0.2)
    with pytest.raises(InputError, match='two parts have a landmark "top"'):
        join(ball, ball)


def test_placed_turns_then_moves_and_carries_landmarks():
    body = placed(box((0, 0, 0), (0.4, 0.2, 0.1)), move=(1.0, 0.0, 0.5), turn=np.pi / 2)
    assert body.vertices.min(axis=0) == pytest.approx([0.8, 0.0, 0.5])
    assert body.vertices.max(axis=0) == pytest.approx([1.0, 0.4, 0.6])
    assert body.landmarks["top"] == pytest.approx([0.9, 0.2, 0.6])
    check_body(body)
    with pytest.raises(InputError, match="mirrors"):
        placed(body, rotation=np.diag([1.0, 1.0, -1.0]))


def test_rest_on_sets_the_lowest_point_exactly():
    body = rest_on(sphere(0.137, centre=(0.1, 0.2, 7.3), subdivisions=3), 0.3)
    assert body.vertices[:, 2].min() == 0.3


NONE = np.zeros(0, np.int32)


def spoilt(**changes: object) -> Body:
    return replace(sphere(0.1, subdivisions=1), **changes)


@pytest.mark.parametrize(
    ("body", "what"),
    [
        (spoilt(vertices=sphere(0.1, subdivisions=1).vertices.astype(np.float32)), "float32"),
        (
            spoilt(faces=np.zeros((0, 3), np.int32), part=np.zeros(0, np.int32), region=np.zeros(0, np.int32)),
            "no faces",
        ),
        (spoilt(vertices=np.full_like(sphere(0.1, subdivisions=1).vertices, np.nan)), "finite"),
        (spoilt(faces=sphere(0.1, subdivisions=1).faces + 1), "names vertex 42 of 42"),
        (spoilt(region=np.full(80, 3, np.int32)), "region is 3 to 3"),
        (spoilt(faces=np.ascontiguousarray(sphere(0.1, subdivisions=1).faces[:, ::-1])), "inward"),
        (spoilt(faces=np.ascontiguousarray(sphere(0.1, subdivisions=1).faces[[0, *range(79)]])), "not closed"),
    ],
)
def test_check_body_names_what_is_wrong(body: Body, what: str):
    with pytest.raises(InputError, match=what):
        check_body(body)


# ---- the door ----

DUMMY = box((-0.85, -0.25, 0.0), (0.85, 0.25, 0.3))  # the size of a person, 1.70 m long


def written(folder: Path, kind: str, factor: float = 1.0, body: Body = DUMMY) -> Path:
    import trimesh

    path = folder / f"scan.{kind}"
    trimesh.Trimesh(body.vertices * factor, body.faces, process=False).export(str(path))
    return path


@pytest.mark.parametrize("kind", ["ply", "stl", "obj"])
@pytest.mark.parametrize(("unit", "factor"), [("mm", 1e3), ("cm", 1e2), ("m", 1.0), ("in", 1.0 / 0.0254)])
def test_unit_is_guessed_from_the_size_of_a_person_and_said(tmp_path: Path, kind: str, unit: str, factor: float):
    path = written(tmp_path, kind, factor)
    body = load_body(path, surface="plaster")
    assert body.vertices.max(axis=0) - body.vertices.min(axis=0) == pytest.approx([1.7, 0.5, 0.3], rel=1e-6)
    assert any(f"guessed to be {unit}," in sentence for sentence in body.repairs)
    assert body.parts[0].surface == "plaster"
    assert not any("guessed" in sentence for sentence in load_body(path, unit=unit).repairs)


def test_unit_that_cannot_be_guessed_is_asked_for(tmp_path: Path):
    path = written(tmp_path, "ply", 17.0)
    with pytest.raises(InputError, match=r"unit is not stated.*28\.9.*state one of"):
        load_body(path)
    with pytest.raises(InputError, match='"furlong" is no unit'):
        load_body(path, unit="furlong")


def test_glb_is_metres_and_y_up_by_its_standard(tmp_path: Path):
    lying = DUMMY.vertices @ np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]])  # z up to y up
    path = written(tmp_path, "glb", 0.1, replace(DUMMY, vertices=lying))
    body = load_body(path)
    assert body.vertices.min(axis=0) == pytest.approx([-0.085, -0.025, 0.0], abs=1e-7)
    assert body.vertices.max(axis=0) == pytest.approx([0.085, 0.025, 0.03], abs=1e-7)
    assert not any("guessed" in sentence for sentence in body.repairs)


@pytest.mark.parametrize("up", ["x", "y", "z", "-x", "-y", "-z"])
def test_up_axis_is_turned_to_z_without_mirroring(tmp_path: Path, up: str):
    chiral = np.array([[0.0, 0.0, 0.0], [1.5, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 0.5]])  # no mirror image of itself
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], dtype=np.int32)
    shape = replace(DUMMY, vertices=chiral, faces=faces, part=np.zeros(4, np.int32), region=np.full(4, -1, np.int32))
    body = load_body(written(tmp_path, "ply", 1.0, shape), unit="m", up=up)
    assert not any("inward" in sentence for sentence in body.repairs)
    axis, sign = "xyz".index(up[-1]), -1.0 if up[0] == "-" else 1.0
    # Vertex order is kept here: each vertex's height is its old coordinate along the up axis.
    assert np.sort(body.vertices[:, 2]) == pytest.approx(np.sort(sign * chiral[:, axis]))
    assert volume(body) == pytest.approx(0.125)


def test_stated_length_is_checked_to_two_percent(tmp_path: Path):
    path = written(tmp_path, "ply", 1e3)
    load_body(path, unit="mm", stated_length_m=1.72)
    with pytest.raises(InputError, match=r"1\.700 m, but 1\.780 m was stated"):
        load_body(path, unit="mm", stated_length_m=1.78)
    with pytest.raises(InputError, match=r"1700 m, and at most 20 m"):
        load_body(path, unit="m")
    with pytest.raises(InputError, match='"w" is no axis'):
        load_body(path, up="w")


def test_missing_unknown_empty_and_broken_files_are_refused(tmp_path: Path):
    with pytest.raises(InputError, match=r"nowhere\.ply: there is no such file"):
        load_body(tmp_path / "nowhere.ply")
    with pytest.raises(InputError, match=r'kind "\.docx"'):
        load_body(tmp_path / "scan.docx")
    for kind in ("ply", "stl", "obj", "glb"):
        path = tmp_path / f"bad.{kind}"
        path.write_bytes(b"")
        with pytest.raises(InputError, match=f"bad.{kind}: the file is empty"):
            load_body(path)
        path.write_bytes(bytes(range(256)) * 4)
        with pytest.raises(InputError, match=f"bad.{kind}: "):
            load_body(path)
        whole = written(tmp_path, kind, body=sphere(0.8)).read_bytes()
        path.write_bytes(whole[: len(whole) // 2])
        with pytest.raises(InputError, match=f"bad.{kind}: "):
            load_body(path, unit="m")


def test_header_that_announces_more_than_the_file_holds_is_refused(tmp_path: Path):
    path = tmp_path / "vast.ply"
    path.write_text(
        "ply\nformat binary_little_endian 1.0\nelement vertex 4000000000\nproperty float x\nproperty float y\n"
        "property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n"
    )
    with pytest.raises(InputError, match="announces 4000000000 of vertex"):
        load_body(path)


def test_points_without_faces_and_numbers_that_are_none_are_refused(tmp_path: Path):
    points = tmp_path / "points.ply"
    points.write_text(
        "ply\nformat ascii 1.0\nelement vertex 2\nproperty float x\nproperty float y\nproperty float z\nend_header\n"
        "0 0 0\n1 1 1\n"
    )
    with pytest.raises(InputError, match="0 faces"):
        load_body(points)
    bad = DUMMY.vertices.copy()
    bad[3, 1] = np.nan
    with pytest.raises(InputError, match="1 of 8 vertices are not finite"):
        load_body(written(tmp_path, "ply", body=replace(DUMMY, vertices=bad)))
