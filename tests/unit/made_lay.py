"""A made-up lay for the tests of chance: gaps of waves over a lattice, and square marks on it."""

import numpy as np

from drapesim.judging.chance import Ground
from drapesim.matter.body import Body, BodyPart
from drapesim.matter.marks import Claim, Mark
from drapesim.matter.sheet import Lattice

SIZE = (0.6, 0.3)


def body() -> Body:
    vertices = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], np.int32)
    region = np.array([0, 0, 1, 1], np.int32)
    return Body(vertices, faces, np.zeros(4, np.int32), (BodyPart("b", "wood", False),), region, ("left", "right"))


def ground(seed: int = 0) -> Ground:
    """A smooth made-up lay: gaps of waves, from -2 to 12 mm; the body's left half under small u."""
    lattice = Lattice(0.01, 0.01, np.ones((60, 30), dtype=bool))
    u, v = np.meshgrid(np.arange(61) * 0.01, np.arange(31) * 0.01, indexing="ij")
    rng = np.random.default_rng(seed)
    a, b, c = rng.uniform(8, 20, 3)
    gap = 5e-3 + 7e-3 * np.sin(a * u + 1) * np.cos(b * v) + 1e-3 * np.sin(c * (u + v))
    region = np.where(u < 0.3, 0, 1)
    return Ground(lattice, body(), gap, np.ones_like(gap), region, np.zeros((61, 31, 3)))


def patch(name: str, at: tuple[float, float], claim: Claim, half: float = 0.012) -> Mark:
    steps = np.linspace(-half, half, 5)
    samples = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1).reshape(-1, 2) + at
    return Mark(name, "stain", (), samples, np.full(25, 1.0 / 25), claim)
