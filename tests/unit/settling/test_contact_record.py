"""The contact record and the readings it is made of, on states whose answers are known."""

import igl
import numpy as np
import pytest

from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import sample_sheet
from drapesim.mechanics.body_contact import prepare_body
from drapesim.mechanics.energies import smooth_curve
from drapesim.settling.contact_record import measure_gap, nearest_landmark, record_contact

HALF = 2e-4


@pytest.fixture(scope="module")
def card():
    return FabricCard(
        name="test linen", areal_density=0.2, thickness=2.0 * HALF,
        warp_curve=np.array([[0.0, 0.0], [0.01, 20.0], [0.03, 200.0]]),
        weft_curve=np.array([[0.0, 0.0], [0.02, 20.0], [0.05, 150.0]]),
        shear_rigidity=40.0, locking_angle=0.6, bend_warp=1e-5, bend_weft=8e-6, bend_bias=7e-6,
        friction={"wood": 0.3},
    )  # fmt: skip


@pytest.fixture
def lattice():
    """Inner side up: x_u x x_v = +z is the inner normal, so that the sheet must hang under the body to face it."""
    return Lattice(0.01, 0.008, np.ones((8, 6), dtype=bool), inner_sign=1)


def level(lattice, height, at=(-0.037, -0.0213)):
    return np.c_[lattice.uv + at, np.full(len(lattice.uv), height)]


def crumple(lattice, seed=0, size=1e-3):
    rng = np.random.default_rng(seed)
    return level(lattice, 0.05) + rng.normal(size=(len(lattice.uv), 3)) * size


def test_gap_of_level_sheets(lattice, card, meshes, as_body):
    """Inner side away from, towards, and inside the body: the face that counts is always the inner one."""
    body = as_body(meshes["box"])  # top at 40 mm, underside at -40 mm
    force = np.zeros((len(lattice.uv), 3))
    above = record_contact(lattice, card, level(lattice, 0.043), force, body)
    np.testing.assert_allclose(above.gap, 0.003 + HALF, rtol=0, atol=1e-15)
    np.testing.assert_allclose(above.facing, -1.0, rtol=0, atol=1e-12)
    below = record_contact(lattice, card, level(lattice, -0.043), force, body)
    np.testing.assert_allclose(below.gap, 0.003 - HALF, rtol=0, atol=1e-15)
    np.testing.assert_allclose(below.facing, 1.0, rtol=0, atol=1e-12)
    sunk = record_contact(lattice, card, level(lattice, -0.0399), force, body)
    np.testing.assert_allclose(sunk.gap, -1e-4 - HALF, rtol=0, atol=1e-15)
    np.testing.assert_allclose(sunk.facing, 1.0, rtol=0, atol=1e-12)
    on_it = record_contact(lattice, card, level(lattice, -0.04), force, body)
    np.testing.assert_allclose(on_it.gap, -HALF, rtol=0, atol=1e-15)
    np.testing.assert_allclose(on_it.facing, 1.0, rtol=0, atol=1e-12)
    np.testing.assert_allclose(below.body_point, level(lattice, -0.04), rtol=0, atol=1e-15)
    assert np.isinf(below.support_gap).all()
    np.testing.assert_allclose(below.slope, 0.0, rtol=0, atol=1e-7)


def test_support_is_measured_apart(lattice, card, meshes, as_body):
    slab = meshes["box"][0] * [5.0, 5.0, 1.0] - [0.0, 0.0, 0.2], meshes["box"][1]  # top at -160 mm
    body = as_body(meshes["box"], slab)
    flipped = Lattice(lattice.spacing_u, lattice.spacing_v, lattice.cell, inner_sign=-1)
    record = record_contact(flipped, card, level(lattice, -0.15), np.zeros((len(lattice.uv), 3)), body)
    np.testing.assert_allclose(record.support_gap, 0.01 - HALF, rtol=0, atol=1e-15)  # faces the slab
    np.testing.assert_allclose(record.gap, 0.11 + HALF, rtol=0, atol=1e-15)  # turns its back on the box
    assert (body.part[record.body_face] == 0).all()
    assert np.array_equal(record.region, body.region[record.body_face])
    assert (record.region >= 0).all()


def test_no_body_but_a_support(lattice, card, meshes, as_body):
    body = as_body(meshes["box"])
    only_support = type(body)(
        body.vertices, body.faces, body.part, (type(body.parts[0])("slab", "slate", is_support=True),), body.region
    )
    record = record_contact(lattice, card, level(lattice, -0.05), np.zeros((len(lattice.uv), 3)), only_support)
    assert np.isinf(record.gap).all()
    assert (record.body_face == -1).all()
    assert (record.region == -1).all()
    assert (record.landmark == -1).all()
    np.testing.assert_allclose(record.support_gap, 0.01 - HALF, rtol=0, atol=1e-15)


def test_gap_agrees_with_libigl_on_a_crumpled_sheet(card, meshes, as_body):
    """10,000 places on the sheet against another library's signed distance, within 0.01 mm asked and 1e-9 m held."""
    vertices, faces = meshes["bumpy"]
    field = prepare_body(as_body(meshes["bumpy"]))
    lattice = Lattice(0.006, 0.006, np.ones((30, 30), dtype=bool), inner_sign=-1)
    x = crumple(lattice, size=2e-3) + np.array([-0.05, -0.05, 0.05])
    uv = np.random.default_rng(1).uniform(0.0, 0.18, (10_000, 2))
    points, normals = sample_sheet(lattice, x, uv)
    reading = measure_gap(points, normals, field, HALF)
    reference, _, _, _ = igl.signed_distance(
        points, vertices, faces.astype(np.int64), igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    )
    towards = np.where(reading.facing >= 0.0, -HALF, HALF)
    np.testing.assert_allclose(reading.gap, reference + towards, rtol=0, atol=1e-9)
    assert (reference < 0.0).any()
    assert (reference > 0.0).any()
    outward = (points - reading.point) / reference[:, None]
    np.testing.assert_allclose(reading.facing, -(outward * normals).sum(1), rtol=0, atol=1e-6)


def test_pressure_is_the_normal_part(lattice, card, meshes, as_body):
    x = level(lattice, 0.05)
    force = np.tile([3.0, -2.0, 0.5], (len(x), 1)) * lattice.node_area[:, None]
    record = record_contact(lattice, card, x, force, as_body(meshes["box"]))
    np.testing.assert_allclose(record.pressure, 0.5, rtol=1e-12)


def test_strain_and_tension_of_a_stretched_sheet(lattice, card, meshes, as_body):
    x = level(lattice, 0.05) * [1.012, 1.004, 1.0]
    record = record_contact(lattice, card, x, np.zeros((len(x), 3)), as_body(meshes["box"]))
    np.testing.assert_allclose(record.strain_warp, 0.012, rtol=0, atol=1e-12)
    np.testing.assert_allclose(record.strain_weft, 0.004, rtol=0, atol=1e-12)
    warp = smooth_curve(card.warp_curve, card.compression_ratio).tension(np.array([0.012]))
    weft = smooth_curve(card.weft_curve, card.compression_ratio).tension(np.array([0.004]))
    np.testing.assert_allclose(record.tension_warp, warp[0], rtol=1e-9)
    np.testing.assert_allclose(record.tension_weft, weft[0], rtol=1e-9)


def test_shear_and_slope_of_a_sheared_tilted_sheet(lattice, card, meshes, as_body):
    angle, tilt = 0.2, 0.3
    u, v = lattice.uv.T
    x = np.c_[u + v * np.sin(angle), v * np.cos(angle), np.full(len(u), 0.2)]
    turn = np.array([[1.0, 0.0, 0.0], [0.0, np.cos(tilt), -np.sin(tilt)], [0.0, np.sin(tilt), np.cos(tilt)]])
    record = record_contact(lattice, card, x @ turn.T, np.zeros((len(x), 3)), as_body(meshes["box"]))
    np.testing.assert_allclose(record.shear_angle, angle, rtol=0, atol=1e-12)
    np.testing.assert_allclose(record.slope, tilt, rtol=0, atol=1e-12)


def test_nearest_landmark(meshes, as_body):
    marks = {"nose": np.array([0.1, 0.0, 0.0]), "chin": np.array([-0.1, 0.0, 0.0]), "knee": np.array([0.0, 9.0, 0.0])}
    points = np.array([[0.09, 0.0, 0.0], [-0.01, 0.01, 0.0], [0.0, 5.0, 0.0], [np.nan, 0.0, 0.0]])
    names = sorted(marks)
    found = nearest_landmark(points, as_body(meshes["box"], landmarks=marks))
    assert [names[k] for k in found[:3]] == ["nose", "chin", "knee"]
    assert found[3] == -1
    assert (nearest_landmark(points, as_body(meshes["box"])) == -1).all()


def test_unknown_points_have_no_gap(meshes, as_body):
    field = prepare_body(as_body(meshes["box"]))
    points = np.array([[0.0, 0.0, 0.05], [np.nan, 0.0, 0.0]])
    reading = measure_gap(points, np.tile([0.0, 0.0, -1.0], (2, 1)), field, HALF)
    assert reading.gap[0] == pytest.approx(0.01 - HALF, abs=1e-15)
    assert np.isnan(reading.gap[1])
    assert list(reading.face[1:]) == [-1]
    assert np.isnan(measure_gap(points[1:], points[1:], field, HALF).gap).all()
