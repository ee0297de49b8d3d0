"""Thinning out holds to its distance and leaves nothing crossing, also where two sheets nearly touch."""

from pathlib import Path

import igl
import numpy as np
import pytest

from drapesim.jobs import thinning
from drapesim.jobs.thinning import as_body, thin_out_within
from drapesim.jobs.untangling import untangle
from drapesim.matter.body import Body, sphere
from drapesim.matter.body_repair import count_sides
from drapesim.matter.slices_mesh import drop_leaves
from drapesim.matter.support import Bed, make_bed
from drapesim.settling.exact import count_self_crossings

FILE = Path("scan.ply")


def close_sheets(n: int = 120) -> Body:
    """A wavy block in a wavy block's mould, 0.2 mm apart."""
    x = np.linspace(-0.075, 0.075, n)
    height = 0.004 * np.sin(60 * x[:, None]) * np.cos(47 * x) + 0.0005 * np.sin(300 * x[:, None] + 200 * x)
    low, high = make_bed(Bed(x, x, height, -0.03), ""), make_bed(Bed(x, x, -height - 2e-4, -0.03), "")
    vertices = np.concatenate([low.vertices, high.vertices * [1.0, 1.0, -1.0]])
    return as_body(vertices, np.concatenate([low.faces, high.faces[:, ::-1] + len(low.vertices)]), FILE)


def test_sheets_that_nearly_touch_are_untangled(monkeypatch):
    whole = close_sheets()
    thin = thin_out_within(whole, 3e-4, FILE)
    vertices, faces = thin.body.vertices, thin.body.faces
    assert thin.crossings == 0
    assert count_self_crossings(vertices, faces)[0] == 0
    assert count_sides(faces) == (0, 0, 0)
    points = np.concatenate([vertices, vertices[faces].mean(axis=1)])
    there = np.sqrt(igl.point_mesh_squared_distance(points, whole.vertices, whole.faces)[0]).max()
    back = np.sqrt(igl.point_mesh_squared_distance(whole.vertices, vertices, faces)[0]).max()
    assert max(there, back) <= thin.error + 1e-12 <= 3e-4
    monkeypatch.setattr(thinning, "untangle", lambda *_: None)
    assert len(thin_out_within(whole, 3e-4, FILE).body.faces) > len(faces)  # it was untangled, not just left heavier


def test_untangling_gives_up_where_small_moves_do_not_do():
    ball = sphere(0.1, subdivisions=3)
    dented = ball.vertices.copy()
    dented[5] *= -1.02  # through the far wall: too far to be put right by a small move
    count, pairs = count_self_crossings(dented, ball.faces)
    assert count > 0
    assert untangle(dented, ball.faces, pairs, 1e-3) is None


def test_leaves_of_two_faces_back_to_back_go():
    faces = np.array([[0, 1, 2], [3, 4, 5], [2, 1, 0], [1, 2, 3]])
    assert drop_leaves(faces).tolist() == [[3, 4, 5], [1, 2, 3]]


def test_mesh_that_crosses_at_any_weight_is_given_back_with_its_crossings():
    one, other = sphere(0.1, subdivisions=3), sphere(0.1, (0.1, 0.0, 0.0), subdivisions=3)
    vertices = np.concatenate([one.vertices, other.vertices])
    whole = as_body(vertices, np.concatenate([one.faces, other.faces + len(one.vertices)]), FILE)
    thin = thin_out_within(whole, 1e-3, FILE)
    assert thin.crossings == count_self_crossings(thin.body.vertices, thin.body.faces)[0] > 0
    assert thin.error == pytest.approx(5e-4, abs=5e-4)
