"""One outside surface of shells that overlap, cross or lie in one another, against formulas and another library."""

from __future__ import annotations

import igl
import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter import outside
from drapesim.matter.body import box, cylinder, enclosed_volume, sphere
from drapesim.matter.body_repair import count_sides, label_shells, sort_sides
from drapesim.matter.nearest import find_on_mesh
from drapesim.matter.outside import find_outside, find_top
from drapesim.settling.exact import count_self_crossings

CELL = 3e-3


def together(*bodies) -> tuple[np.ndarray, np.ndarray]:
    starts = np.cumsum([0, *(len(body.vertices) for body in bodies)])
    faces = [body.faces + start for body, start in zip(bodies, starts, strict=False)]
    return np.concatenate([body.vertices for body in bodies]), np.concatenate(faces)


def check_sound(vertices: np.ndarray, faces: np.ndarray) -> None:
    assert count_sides(faces) == (0, 0, 0)
    assert count_self_crossings(vertices, faces)[0] == 0
    assert enclosed_volume(vertices, faces) > 0.0


def test_two_balls_become_the_body_of_their_union():
    r, place = 0.1, (0.13, 0.02, 0.01)
    vertices, faces = together(sphere(r, subdivisions=5), sphere(r, place, subdivisions=5))
    new, triangles = find_outside(vertices, faces, CELL)
    check_sound(new, triangles)
    d = np.linalg.norm(place)
    lens = np.pi * (4 * r + d) * (2 * r - d) ** 2 / 12  # of two equal balls
    assert enclosed_volume(new, triangles) == pytest.approx(2 * 4 / 3 * np.pi * r**3 - lens, rel=2e-3)
    assert label_shells(sort_sides(triangles))[0] == 1
    # Vertices lie on the balls but for what is held off the grid's points, and none inside the other ball.
    off = np.abs(np.minimum(np.linalg.norm(new, axis=1), np.linalg.norm(new - place, axis=1)) - r)
    assert off.max() < 2e-4


def test_inside_is_that_of_the_winding_number():
    """By another library: signs of the winding number at random points."""
    vertices, faces = together(box((0, 0, 0), (0.2, 0.1, 0.05)), cylinder(0.04, 0.2, (0.1, 0.05, 0.06), "z"),
                               box((0.15, -0.02, 0.01), (0.25, 0.12, 0.03)))  # fmt: skip
    new, triangles = find_outside(vertices, faces, CELL)
    check_sound(new, triangles)
    points = np.random.default_rng(5).uniform((-0.02, -0.04, -0.06), (0.27, 0.14, 0.18), (4000, 3))
    winding = igl.fast_winding_number(vertices, faces, points)
    clear = find_on_mesh(points, vertices, faces)[0] > CELL
    ours = igl.fast_winding_number(new, triangles, points)
    assert (clear & (winding > 0.5)).sum() > 100
    assert np.array_equal(ours[clear] > 0.5, winding[clear] > 0.5)


def test_sharp_edges_are_lost_by_less_than_a_cell():
    body = box((0.0001, 0, 0), (0.1001, 0.08, 0.06))
    new, triangles = find_outside(body.vertices, body.faces, CELL)
    check_sound(new, triangles)
    assert find_on_mesh(new, body.vertices, body.faces)[0].max() < 1e-12
    assert find_on_mesh(body.vertices, new, triangles)[0].max() < CELL


def test_corners_on_grid_points_do_no_harm(monkeypatch):
    """All corners and faces of boxes lie in grid planes: each line still goes in as often as it comes out."""
    monkeypatch.setattr(outside, "OFFSET", (0.0, 0.0, 0.0))
    cell = 2.0**-7
    rng = np.random.default_rng(9)
    for _ in range(6):
        low = rng.integers(0, 8, (4, 3))
        high = low + rng.integers(3, 10, (4, 3))
        vertices, faces = together(*(box(a * cell, b * cell) for a, b in zip(low, high, strict=True)))
        new, triangles = find_outside(vertices, faces, cell)
        check_sound(new, triangles)
        grid = np.zeros((20, 20, 20), dtype=bool)
        for a, b in zip(low, high, strict=True):
            grid[tuple(slice(p, q) for p, q in zip(a, b, strict=True))] = True
        assert enclosed_volume(new, triangles) == pytest.approx(grid.sum() * cell**3, rel=0.2)


def test_slabs_join_without_a_seam(monkeypatch):
    vertices, faces = together(sphere(0.1), sphere(0.08, (0.09, 0.0, 0.0)))
    whole = find_outside(vertices, faces, CELL)
    monkeypatch.setattr(outside, "SLAB_POINTS", 5 * 80 * 80)
    monkeypatch.setattr(outside, "AT_ONCE", 1000)
    pieces = find_outside(vertices, faces, CELL)
    assert np.array_equal(whole[0], pieces[0])
    assert len(whole[1]) == len(pieces[1])
    check_sound(*pieces)


def test_hollows_come_out_as_shells_with_their_normals_inward():
    inner = sphere(0.05)
    vertices, faces = together(sphere(0.1), inner)
    faces = np.concatenate([faces[: -len(inner.faces)], faces[-len(inner.faces) :, ::-1]])
    new, triangles = find_outside(vertices, faces, CELL)
    assert count_sides(triangles) == (0, 0, 0)
    assert enclosed_volume(new, triangles) == pytest.approx(4 / 3 * np.pi * (0.1**3 - 0.05**3), rel=0.01)


def test_floor_cuts_off_what_lies_below():
    ball = sphere(0.1)
    new, triangles = find_outside(ball.vertices, ball.faces, CELL, floor=-0.03)
    check_sound(new, triangles)
    assert new[:, 2].min() == pytest.approx(-0.03, abs=1e-12)
    cap = np.pi * 0.07**2 * (0.3 - 0.07) / 3
    assert enclosed_volume(new, triangles) == pytest.approx(4 / 3 * np.pi * 0.1**3 - cap, rel=5e-3)


def test_fins_and_slots_at_rims_are_cleared_and_others_kept():
    block = box((0, 0, 0), (0.12, 0.1, 0.05))
    fin = box((0.05, 0.0999, 0.0001), (0.053, 0.12, 0.0499))
    vertices, faces = together(block, fin)
    rims = np.array([[0.0515, y, 0.05] for y in np.linspace(0.1, 0.12, 20)])
    kept = find_outside(vertices, faces, 2e-3)[0]
    cleared = find_outside(vertices, faces, 2e-3, rims=rims)
    assert kept[:, 1].max() == pytest.approx(0.12, abs=1e-9)
    assert cleared[0][:, 1].max() < 0.104
    check_sound(*cleared)


def test_grid_that_is_too_large_and_bodies_that_are_too_thin_are_refused():
    ball = sphere(1.0, subdivisions=2)
    with pytest.raises(InputError, match="thousand million grid points"):
        find_outside(ball.vertices, ball.faces, 1e-4)
    leaf = box((0.0, 0.0, 0.0), (0.1, 0.1, 0.0005))
    with pytest.raises(InputError, match="as thick as a cell"):
        find_outside(leaf.vertices, leaf.faces, 5e-3)


def test_top_is_the_height_of_the_highest_surface():
    vertices, faces = together(box((0, 0, 0), (0.1, 0.1, 0.02)), sphere(0.03, (0.05, 0.05, 0.05)))
    grid, top = find_top(vertices, faces, 1e-3)
    x = grid.origin[0] + grid.cell * np.arange(grid.count[0])
    y = grid.origin[1] + grid.cell * np.arange(grid.count[1])
    out = np.hypot(x[:, None] - 0.05, y[None, :] - 0.05)
    ball = out < 0.029
    assert top[ball] == pytest.approx(0.05 + np.sqrt(0.03**2 - out[ball] ** 2), abs=5e-4)
    flat = (out > 0.031) & (x[:, None] > 0) & (x[:, None] < 0.1) & (y[None, :] > 0) & (y[None, :] < 0.1)
    assert top[flat] == pytest.approx(0.02, abs=1e-12)
