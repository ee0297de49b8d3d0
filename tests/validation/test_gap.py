"""Claim: the gap of a settled sheet is its exact distance from the figure, less (or plus) half the cloth.

Formula: gap = d - thickness / 2 where the inner side looks at the figure, d + thickness / 2 where it looks away; d is
the signed distance of the mid-surface from the figure's triangles.
Source: the definition; d from libigl, an independent library (pseudonormal sign), on the figure's own mesh.
Expected order: none; both distances are exact for the triangles.
Tolerance: 0.01 mm is asked at 10,000 random places of the cover; 1e-9 m is held, and 3e-16 m is seen.
The cover lies settled on the demo figure at a coarse 60 mm. No settled sheet is inside the figure: the sign there is
held to libigl on a crumpled sheet in tests/unit/settling/test_contact_record.py.
"""

from __future__ import annotations

from pathlib import Path

import igl
import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.jobs.run import prepare
from drapesim.matter.plan import read_scene
from drapesim.matter.surface import sample_sheet
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.contact_record import measure_gap, record_contact
from drapesim.settling.exact import part_field
from drapesim.settling.settle import settle

pytestmark = pytest.mark.validation

SCENE = Path(__file__).parents[2] / "scenes/cover-loose.toml"
SPACING_MM, PLACES = 60.0, 10_000


def test_gap_is_the_exact_distance():
    plan = prepare(read_scene(SCENE), SPACING_MM)
    scene, lattice = plan.scene, plan.lattice
    settled = settle(lattice, scene.fabric, plan.x, scene.body, settings=scene.settle)
    assert settled.ending is Ending.SETTLED, settled.certificate.failures
    body, half = scene.body, 0.5 * scene.fabric.thickness
    of_figure = ~np.array([part.is_support for part in body.parts])[body.part]
    used, faces = np.unique(body.faces[of_figure], return_inverse=True)
    vertices, faces = body.vertices[used], faces.reshape(-1, 3).astype(np.int64)

    def reference(points):
        return igl.signed_distance(points, vertices, faces, igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL)[0]

    rng = np.random.default_rng(1)
    corner = settled.x[lattice.triangles]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    drawn = rng.choice(len(area), PLACES, p=area / area.sum())
    weight = rng.dirichlet(np.ones(3), PLACES)
    points = np.einsum("nk,nkd->nd", weight, corner[drawn])
    uv = np.einsum("nk,nkd->nd", weight, lattice.uv[lattice.triangles[drawn]])
    sampled, normals = sample_sheet(lattice, settled.x, uv)
    np.testing.assert_allclose(sampled, points, rtol=0, atol=1e-12)  # these places are on the sheet's triangles

    field = prepare_body(body)
    reading = measure_gap(points, normals, part_field(field, False), half)
    d = reference(points)
    assert (reading.facing >= 0.0).mean() > 0.1, "cloth over the figure"
    assert (reading.facing < 0.0).mean() > 0.1, "cloth on the slab round it, which looks away"
    assert (np.abs(reading.gap) < 1e-3).sum() > 20, "cloth that touches"
    np.testing.assert_allclose(reading.gap, d - np.where(reading.facing >= 0.0, half, -half), rtol=0, atol=1e-9)

    # the record's gap at the nodes is read the same way
    record = record_contact(lattice, scene.fabric, settled.x, settled.contact_force, field)
    nodes = reference(settled.x) - np.where(record.facing >= 0.0, half, -half)
    np.testing.assert_allclose(record.gap, nodes, rtol=0, atol=1e-9)
