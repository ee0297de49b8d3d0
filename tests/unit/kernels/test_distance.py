"""Nearest point, signed distance and closest approach against brute force, closed forms and another library."""

import igl
import numba
import numpy as np
import pytest

from drapesim.kernels.distance import approach_into, find_nearest, nearest_into
from drapesim.kernels.tree import plant_tree
from drapesim.mechanics.body_contact import prepare_body

SHAPES = ["ball", "box", "angle", "blade", "bumpy"]
AGREE = 1e-9  # m


def probe(vertices, faces, n, seed=1):
    """Points of every kind: near and far, inside and out, over faces, edges and corners, and on the surface."""
    rng = np.random.default_rng(seed)
    low, high = vertices.min(0), vertices.max(0)
    size = (high - low).max()
    share = n // 5
    around = rng.uniform(low - 0.1 * size, high + 0.1 * size, (share, 3))
    far = rng.uniform(low - 10.0 * size, high + 10.0 * size, (share, 3))
    weight = rng.dirichlet(np.ones(3), 2 * share)
    on = np.einsum("nk,nkd->nd", weight, vertices[faces[rng.integers(0, len(faces), 2 * share)]])
    on[share:] += rng.normal(size=(share, 3)) * 0.01 * size
    rest = n - 4 * share
    corner = vertices[rng.integers(0, len(vertices), rest)] + rng.normal(size=(rest, 3)) * 1e-4 * size
    return np.concatenate([around, far, on, corner])


def brute_points_triangles(points, corners):
    """(n, t) distances by least squares in each triangle's plane and its three edges."""
    a, b, c = corners.transpose(1, 0, 2)
    u, v = b - a, c - a
    gram = np.stack([np.stack([(u * u).sum(1), (u * v).sum(1)], 1), np.stack([(u * v).sum(1), (v * v).sum(1)], 1)], 1)
    r = points[:, None] - a
    right = np.stack([(r * u).sum(2), (r * v).sum(2)], 2)
    s, t = np.moveaxis(np.einsum("tkl,ntl->ntk", np.linalg.inv(gram), right), 2, 0)
    foot = a + s[..., None] * u + t[..., None] * v
    best = np.where((s >= 0) & (t >= 0) & (s + t <= 1), np.linalg.norm(points[:, None] - foot, axis=2), np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        along = np.clip(((points[:, None] - p) * (q - p)).sum(2) / ((q - p) ** 2).sum(1), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(points[:, None] - (p + along[..., None] * (q - p)), axis=2))
    return best


def brute_edges(p, q, r, s):
    """(n, m) distances of segments p-q (n, 3) and r-s (m, 3): clamp one, then the other, from every end and inside."""
    u, v = (q - p)[:, None], (s - r)[None]
    best = np.full((len(p), len(r)), np.inf)
    w = p[:, None] - r[None]
    uu, vv, uv, uw, vw = ((a * b).sum(2) for a, b in ((u, u), (v, v), (u, v), (u, w), (v, w)))
    with np.errstate(divide="ignore", invalid="ignore"):
        first = (uv * vw - vv * uw) / (uu * vv - uv**2)
    for guess in (np.zeros_like(uv), np.ones_like(uv), np.nan_to_num(np.clip(first, 0.0, 1.0))):
        at = np.clip((vw + guess * uv) / vv, 0.0, 1.0)
        back = np.clip((at * uv - uw) / uu, 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(w + back[..., None] * u - at[..., None] * v, axis=2))
    return best


@pytest.mark.parametrize("shape", SHAPES)
def test_nearest_agrees_with_brute_force(shape, meshes, as_body):
    field = prepare_body(as_body(meshes[shape]))
    vertices, faces = meshes[shape]
    points = probe(vertices, faces, 200)
    distance, point, face = find_nearest(points, field.surface, field.tree)
    brute = brute_points_triangles(points, vertices[faces])
    np.testing.assert_allclose(np.abs(distance), brute.min(1), rtol=0, atol=AGREE)
    np.testing.assert_allclose(brute[np.arange(200), face], brute.min(1), rtol=0, atol=AGREE)
    np.testing.assert_allclose(np.linalg.norm(points - point, axis=1), np.abs(distance), rtol=0, atol=AGREE)
    assert brute_points_triangles(point, vertices[faces])[np.arange(200), face].max() < AGREE


@pytest.mark.parametrize("shape", SHAPES)
def test_signed_distance_agrees_with_libigl(shape, meshes, as_body):
    field = prepare_body(as_body(meshes[shape]))
    vertices, faces = meshes[shape]
    points = probe(vertices, faces, 10_000)
    distance, _, _ = find_nearest(points, field.surface, field.tree)
    reference, _, _, _ = igl.signed_distance(
        points, vertices, faces.astype(np.int64), igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    )
    np.testing.assert_allclose(distance, reference, rtol=0, atol=AGREE)
    assert (distance < -1e-6).sum() > 100


def test_sign_agrees_with_winding_number(meshes, as_body):
    """The pseudonormal's sign against a rule of another kind, on the shape with the sharpest edges."""
    vertices, faces = meshes["blade"]
    field = prepare_body(as_body(meshes["blade"]))
    points = probe(vertices, faces, 10_000, seed=2)
    distance, _, _ = find_nearest(points, field.surface, field.tree)
    winding = igl.winding_number(vertices, faces.astype(np.int64), points)
    clear = np.abs(distance) > 1e-9
    assert np.array_equal(distance[clear] < 0.0, winding[clear] > 0.5)


def test_box_has_its_closed_form(meshes, as_body):
    vertices, faces = meshes["box"]
    field = prepare_body(as_body(meshes["box"]))
    points = probe(vertices, faces, 10_000, seed=3)
    distance, _, _ = find_nearest(points, field.surface, field.tree)
    beyond = np.abs(points) - vertices.max(0)
    exact = np.linalg.norm(np.maximum(beyond, 0.0), axis=1) + np.minimum(beyond.max(1), 0.0)
    np.testing.assert_allclose(distance, exact, rtol=0, atol=1e-15 * 100)


def test_large_faces_are_found(meshes, as_body):
    """A slab whose faces are far larger than the body's is kept outside the tree, and still found."""
    slab = meshes["box"][0] * 20.0 - [0.0, 0.0, 0.92], meshes["box"][1]
    body = as_body(meshes["ball"], slab)
    field = prepare_body(body)
    assert len(field.tree.large) == 12
    points = probe(body.vertices, body.faces, 300, seed=4)
    distance, _, face = find_nearest(points, field.surface, field.tree)
    brute = brute_points_triangles(points, body.vertices[body.faces])
    np.testing.assert_allclose(np.abs(distance), brute.min(1), rtol=0, atol=AGREE)
    assert set(body.part[face]) == {0, 1}


def test_answer_depends_on_neither_order_nor_threads(meshes, as_body):
    vertices, faces = meshes["box"]  # many equal distances: along its edges and its diagonal planes
    field = prepare_body(as_body(meshes["box"]))
    rng = np.random.default_rng(5)
    points = np.concatenate([probe(vertices, faces, 1000), np.zeros((50, 3)), vertices, 2.0 * vertices])
    order = rng.permutation(len(points))
    first = find_nearest(points, field.surface, field.tree)
    point, face, distance = np.empty_like(points), np.empty(len(points), np.int32), np.empty(len(points))
    nearest_into(point, face, distance, np.ascontiguousarray(points[order]), field.surface, field.tree)
    for a, b in zip(first, (distance, point, face), strict=True):
        assert np.array_equal(a[order], b)
    threads = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        third = find_nearest(points, field.surface, field.tree)
    finally:
        numba.set_num_threads(threads)
    for a, b in zip(first, third, strict=True):
        assert np.array_equal(a, b)


def test_no_points_and_unknown_points(meshes, as_body):
    field = prepare_body(as_body(meshes["ball"]))
    distance, point, face = find_nearest(np.zeros((0, 3)), field.surface, field.tree)
    assert [a.shape for a in (distance, point, face)] == [(0,), (0, 3), (0,)]
    point, face, distance = np.zeros((1, 3)), np.zeros(1, np.int32), np.zeros(1)
    nearest_into(point, face, distance, np.full((1, 3), np.nan), field.surface, field.tree)
    assert np.isnan(distance[0])
    assert face[0] == -1


@pytest.mark.parametrize("shape", SHAPES)
def test_approach_agrees_with_brute_force(shape, meshes, as_body):
    """Random triangles against every face: all node-face, vertex-triangle and edge-edge distances."""
    vertices, faces = meshes[shape]
    field = prepare_body(as_body(meshes[shape]))
    rng = np.random.default_rng(6)
    n, band = 60, 0.02
    start = vertices[faces[rng.integers(0, len(faces), n)]].mean(1)
    x = (start[:, None] + rng.normal(size=(n, 3, 3)) * np.geomspace(1e-3, 0.03, n)[:, None, None]).reshape(-1, 3)
    triangles = np.arange(3 * n, dtype=np.int32).reshape(n, 3)
    corners = x[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    distance = np.empty(n)
    approach_into(distance, x, triangles, normal, field.surface, field.tree, band)

    brute = np.full(n, np.inf)
    body_corners = vertices[faces]
    for k in range(3):
        brute = np.minimum(brute, brute_points_triangles(corners[:, k], body_corners).min(1))
        for m in range(3):
            p, q = corners[:, k], corners[:, (k + 1) % 3]
            r, s = body_corners[:, m], body_corners[:, (m + 1) % 3]
            brute = np.minimum(brute, brute_edges(p, q, r, s).min(1))
    brute = np.minimum(brute, brute_points_triangles(vertices, corners).min(0))
    inside = brute < band
    assert inside.sum() > n // 3
    np.testing.assert_allclose(distance[inside], brute[inside], rtol=0, atol=AGREE)
    assert np.isinf(distance[~inside]).all()


def test_approach_of_nearly_parallel_edges(meshes, as_body):
    """A triangle's edge over a box edge, turned by 0, 1e-12 ... 1e-2 rad: the distance stays 5 mm."""
    half = meshes["box"][0].max(0)
    field = prepare_body(as_body(meshes["box"]))
    turn = np.concatenate([[0.0], np.geomspace(1e-12, 1e-2, 21)])
    way = np.stack([np.cos(turn), np.sin(turn), np.zeros_like(turn)], 1) * 0.02
    low = np.array([0.0, half[1], half[2] + 5e-3])
    corners = np.stack([low - way, low + way, low + [0.0, 0.01, 0.03] + 0.0 * way], 1)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    distance = np.empty(len(turn))
    triangles = np.arange(3 * len(turn), dtype=np.int32).reshape(-1, 3)
    approach_into(distance, corners.reshape(-1, 3), triangles, normal, field.surface, field.tree, 0.01)
    np.testing.assert_allclose(distance, 5e-3, rtol=0, atol=AGREE)


def test_tree_may_hold_only_some_faces(meshes, as_body):
    vertices, faces = meshes["ball"]
    field = prepare_body(as_body(meshes["ball"]))
    kept = np.flatnonzero(vertices[faces].mean(1)[:, 2] > 0.05)
    tree = plant_tree(vertices, np.ascontiguousarray(field.surface.faces[kept]))
    tree = tree._replace(order=kept[tree.order], large=kept[tree.large])
    points = probe(vertices, faces, 200)
    distance, _, face = find_nearest(points, field.surface, tree)
    assert np.isin(face, kept).all()
    brute = brute_points_triangles(points, vertices[faces[kept]]).min(1)
    np.testing.assert_allclose(np.abs(distance), brute, rtol=0, atol=AGREE)
