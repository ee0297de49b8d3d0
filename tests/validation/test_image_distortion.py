"""Claim: local scales of the flat map against body and photograph are those of the closed forms.

- Half cylinder wrapped: the flat map is pi/2 as wide as the photograph (arc pi R over diameter 2 R), as wide as the
  body.
- Flat cloth over a ball, image along the normal: against the body cos(polar) in area, 2 asin((1-c)/(1+c)) in angle with
  c = cos(polar); against the photograph nothing changes. Image from the nearest point: the flat disc of radius r
  shows a cap of 2 pi R^2 (1 - H / sqrt(r^2 + H^2)).
- Cone of half angle a, wrapped without stretch: against the body nothing changes; against the photograph 1 / sin(a)
  along the generator, 1 around it, so 1 / sin(a) in area and 2 asin((1 - sin a) / (1 + sin a)) in angle.

Elementary differential geometry; angles after Tissot (Snyder, USGS Professional Paper 1395, 1987; from memory). 0.5 %
for the cylinder is the bar. Elsewhere flats of the mesh turn by up to half an edge, 0.02 rad, which scales follow.
"""

from __future__ import annotations

import numpy as np

from drapesim.judging.distortion import measure_distortion, sum_regions
from drapesim.judging.transfer import Way, find_sources
from drapesim.matter.body import sphere
from tests.validation.printed import hold_flat, wrap_cone, wrap_half


def test_half_cylinder_widens_by_half_pi() -> None:
    laid = wrap_half(0.1)
    source = find_sources(laid, Way("contact"))
    row = sum_regions(laid, source, measure_distortion(laid, source))[-1]
    assert abs((1.0 + row.photo_widening) / (np.pi / 2) - 1.0) < 5e-3
    assert abs(row.widening) < 5e-3
    assert abs(row.photo_lengthening) < 5e-3
    assert abs(row.asymmetry) < 1e-2


def test_flat_cloth_over_a_ball() -> None:
    radius, height = 0.1, 0.102
    laid = hold_flat(sphere(radius, subdivisions=6), height, 0.16, cells=64)
    source = find_sources(laid, Way("normal", "linear", 0.1))
    found = measure_distortion(laid, source)
    r = np.hypot(*laid.x[found.triangles, :2].mean(axis=1).T)
    inside = (r > 0.01) & (r < 0.07)
    cosine = np.sqrt(1.0 - (r[inside] / radius) ** 2)
    np.testing.assert_allclose(1.0 / found.area[inside], cosine, atol=0.025)
    np.testing.assert_allclose(1.0 / found.area[inside].mean(), 1.0 / (1.0 / cosine).mean(), rtol=2e-3)
    angle = 2.0 * np.arcsin((1.0 - cosine) / (1.0 + cosine))
    assert np.abs(found.angle[inside] - angle).mean() < 5e-3
    np.testing.assert_allclose(found.photo_area, 1.0, rtol=1e-6)
    assert found.photo_angle.max() < 1e-6


def test_cap_seen_from_nearest_points() -> None:
    radius, height = 0.1, 0.102
    laid = hold_flat(sphere(radius, subdivisions=6), height, 0.16, cells=64)
    found = measure_distortion(laid, find_sources(laid, Way("nearest", "linear", 0.1)))
    r = np.hypot(*laid.x[found.triangles, :2].mean(axis=1).T)
    for edge in (0.03, 0.05, 0.07):
        inside = r < edge
        edge = np.sqrt(inside.sum() * 0.5 * laid.lattice.spacing_u**2 / np.pi)  # of the disc that the triangles fill
        cap = 2.0 * np.pi * radius**2 * (1.0 - height / np.hypot(edge, height))
        body = found.area[inside].sum() * 0.5 * laid.lattice.spacing_u**2
        assert abs(body / cap - 1.0) < 5e-3


def test_cone_against_its_photograph() -> None:
    half = np.radians(35.0)
    laid = wrap_cone(half)
    source = find_sources(laid, Way("contact"))
    found = measure_distortion(laid, source)
    np.testing.assert_allclose(found.area, 1.0, rtol=2e-3)
    # a triangle leans by half a cell's turn, 0.018 rad, to one side, and its neighbour in the cell to the other
    cells = len(found.triangles) // 2
    photo = [each.reshape(cells, 2).mean(axis=1) for each in (found.photo_area, found.photo_u, found.photo_v)]
    np.testing.assert_allclose(1.0 / photo[0], 1.0 / np.sin(half), rtol=5e-3)
    near = np.abs(laid.lattice.uv[found.triangles, 1].mean(axis=1) - 0.05).reshape(cells, 2).max(axis=1) < 0.002
    np.testing.assert_allclose(1.0 / photo[1][near], 1.0 / np.sin(half), rtol=5e-3)
    np.testing.assert_allclose(1.0 / photo[2][near], 1.0, rtol=5e-3)
    angle = 2.0 * np.arcsin((1.0 - np.sin(half)) / (1.0 + np.sin(half)))
    np.testing.assert_allclose(found.photo_angle.reshape(cells, 2).mean(axis=1), angle, rtol=2e-2)
