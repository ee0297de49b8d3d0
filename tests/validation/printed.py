"""Sheets laid on bodies by formula, not settled: what the image's validation asks them."""

from __future__ import annotations

import numpy as np

from drapesim.judging.transfer import Laid, lay_on
from drapesim.matter.body import Body, BodyPart, cylinder
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import prepare_body

THIN = 1e-6  # m: a cloth so thin that its mid-surface lies on the body


def wrap_half(radius: float, cells: int = 120, length: float = 0.2) -> Laid:
    """A cloth on the upper half of a cylinder along x: u along x, v = R theta, from -90 to +90 degrees of its top."""
    body = cylinder(radius, 0.4, axis="x", n_segments=2048)
    lattice = Lattice(length / 20, np.pi * radius / cells, np.ones((20, cells), bool), inner_sign=-1)
    u, v = lattice.uv.T
    theta = v / radius - np.pi / 2
    r = radius + 0.5 * THIN
    x = np.stack([u - 0.5 * length, r * np.sin(theta), r * np.cos(theta)], axis=1)
    return lay_on(lattice, x, THIN, prepare_body(body))


def hold_flat(body: Body, height: float, size: float, cells: int = 60) -> Laid:
    """A flat square cloth over the origin at z = ``height``, inner side down."""
    lattice = Lattice(size / cells, size / cells, np.ones((cells, cells), bool), inner_sign=-1)
    x = np.column_stack([lattice.uv - 0.5 * size, np.full(len(lattice.ij), height)])
    return lay_on(lattice, x, THIN, prepare_body(body))


def make_cone(half_angle: float, slant: float, n_segments: int = 1024) -> Body:
    """A closed cone, its apex up at the origin; ``slant`` m from the apex along its side."""
    turn = np.arange(n_segments) * (2.0 * np.pi / n_segments)
    rim = slant * np.stack([np.sin(half_angle) * np.cos(turn), np.sin(half_angle) * np.sin(turn),
                            np.full(n_segments, -np.cos(half_angle))], axis=1)  # fmt: skip
    vertices = np.concatenate([rim, [[0.0, 0.0, 0.0], [0.0, 0.0, -slant * np.cos(half_angle)]]])
    here, after = np.arange(n_segments), (np.arange(n_segments) + 1) % n_segments
    side = np.stack([here, after, np.full(n_segments, n_segments)], 1)
    floor = np.stack([after, here, np.full(n_segments, n_segments + 1)], 1)
    faces = np.concatenate([side, floor]).astype(np.int32)
    none = np.full(len(faces), -1, np.int32)
    return Body(vertices, faces, np.zeros(len(faces), np.int32), (BodyPart("body", "limewood"),), none)


def wrap_cone(half_angle: float, cells: int = 60) -> Laid:
    """A cloth 120 x 100 mm on that cone without any stretch: flat polar angle = azimuth times sin(half angle)."""
    lattice = Lattice(0.12 / cells, 0.1 / cells, np.ones((cells, cells), bool), inner_sign=-1)
    out, across = (lattice.uv + np.array([0.08, -0.05])).T
    s, phi = np.hypot(out, across), np.arctan2(across, out) / np.sin(half_angle)
    normal = np.stack([np.cos(half_angle) * np.cos(phi), np.cos(half_angle) * np.sin(phi),
                       np.full(len(s), np.sin(half_angle))], axis=1)  # fmt: skip
    x = np.stack([s * np.sin(half_angle) * np.cos(phi), s * np.sin(half_angle) * np.sin(phi),
                  -s * np.cos(half_angle)], axis=1)  # fmt: skip
    return lay_on(lattice, x + 0.5 * THIN * normal, THIN, prepare_body(make_cone(half_angle, 0.3)))
