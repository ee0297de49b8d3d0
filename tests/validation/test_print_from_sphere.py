"""Claim: a flat cloth at height H over a ball's centre takes its image from the ball as the closed forms say.

At distance r from the axis: nearest point at the polar angle atan(r / H), gap sqrt(r^2 + H^2) - R; along the normal (or
straight down) at asin(r / R), gap H - sqrt(R^2 - r^2). Elementary geometry. The flats of the ball (20,480, edges to
0.0414 R) lie up to R (edge / R)^2 / 6 = 0.029 mm inside the sphere, which is the tolerance of gaps. From the gap g a
flat draws all that looks at it toward its middle: the nearest point lies off by at most edge / sqrt(3) g / (R + g) in
angle. Rays are off by the depth of the flat times the slope there, 4 at most.
"""

from __future__ import annotations

import numpy as np

from drapesim.judging.transfer import Way, find_sources
from drapesim.matter.body import sphere
from tests.validation.printed import hold_flat

RADIUS, HEIGHT = 0.1, 0.105
EDGE = 0.0414  # rad, the longest of this ball's edges
DEPTH = RADIUS * EDGE**2 / 6


def test_sources_on_a_ball() -> None:
    laid = hold_flat(sphere(RADIUS, subdivisions=5), HEIGHT, 0.16)
    r = np.hypot(laid.x[:, 0], laid.x[:, 1])
    for way in (Way("nearest", "linear", 0.1), Way("normal", "linear", 0.1), Way("down", "linear", 0.1)):
        source = find_sources(laid, way)
        inside = r < 0.95 * RADIUS if way.kind != "nearest" else r < 1.0
        if way.kind == "nearest":
            polar, gap = np.arctan(r / HEIGHT), np.hypot(r, HEIGHT) - RADIUS
        else:
            ratio = np.minimum(r / RADIUS, 0.95)
            polar, gap = np.arcsin(ratio), HEIGHT - RADIUS * np.sqrt(1.0 - ratio**2)
        inside &= gap < 0.06
        found = np.arccos(np.clip(source.point[inside, 2] / np.linalg.norm(source.point[inside], axis=1), -1, 1))
        pull = (
            EDGE / np.sqrt(3.0) * gap[inside] / (RADIUS + gap[inside]) if way.kind == "nearest" else DEPTH * 4 / RADIUS
        )
        assert np.all(np.abs(found - polar[inside]) <= pull + DEPTH / RADIUS)
        steep = np.cos(polar[inside]) if way.kind != "nearest" else 1.0
        assert np.all(np.abs(source.gap[inside] - gap[inside]) * steep <= DEPTH)
        np.testing.assert_allclose(source.strength[inside], np.maximum(0.0, 1.0 - source.gap[inside] / 0.1), atol=1e-12)
