"""Thinning out in a process of its own gives the same mesh as in this one."""

import numpy as np
import pytest

from drapesim.matter import slices_mesh
from drapesim.matter.body import sphere

BALL = sphere(0.1, subdivisions=5)


def test_large_meshes_are_thinned_out_the_same_in_a_process_of_their_own(monkeypatch):
    here = slices_mesh.thin_out(BALL.vertices, BALL.faces, 3000)
    monkeypatch.setattr(slices_mesh, "LARGE", 10)
    there = slices_mesh.thin_out(BALL.vertices, BALL.faces, 3000)
    assert np.array_equal(here[0], there[0])
    assert np.array_equal(here[1], there[1])


def test_what_fails_there_is_told_here(monkeypatch):
    monkeypatch.setattr(slices_mesh, "LARGE", 10)
    monkeypatch.setattr(slices_mesh, "_CHILD", "raise SystemExit('no room')")
    with pytest.raises(MemoryError, match="no room"):
        slices_mesh.thin_out(BALL.vertices, BALL.faces, 3000)
