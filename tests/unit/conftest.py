"""Small closed bodies for tests of exact geometry, each made here from its own formula."""

from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from drapesim.kernels.jit import use_threads
from drapesim.matter.body import Body, BodyPart
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice

Array = np.ndarray
Mesh = tuple[Array, Array]  # vertices (n, 3) m, faces (m, 3)


def make_box(size: tuple[float, float, float]) -> Mesh:
    """Box about the origin with the given edge lengths."""
    box = trimesh.creation.box(extents=size)
    return np.array(box.vertices), np.array(box.faces)


def make_angle() -> Mesh:
    """Two boxes joined to an L of 0.2 x 0.2 m, arms 0.1 m thick, 0.1 m high: one concave edge."""
    outline = np.array([[0, 0], [2, 0], [2, 1], [1, 1], [1, 2], [0, 2]]) * 0.1
    vertices = np.concatenate([np.c_[outline, np.zeros(6)], np.c_[outline, np.full(6, 0.1)]])
    top = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 5]])
    side = [t for k in range(6) for t in ([k, (k + 1) % 6, (k + 1) % 6 + 6], [k, (k + 1) % 6 + 6, k + 6])]
    return vertices, np.concatenate([top[:, ::-1], top + 6, np.array(side)])


def make_blade() -> Mesh:
    """A blade 0.3 m long and 60 mm wide, 1 mm thick in the middle: two edges of 1.9 degrees."""
    across = np.array([[-0.03, 0.0], [0.0, -0.0005], [0.03, 0.0], [0.0, 0.0005]])
    vertices = np.concatenate([np.c_[np.full(4, x), across] for x in (-0.15, 0.15)])
    cap = np.array([[0, 1, 2], [0, 2, 3]])
    side = [t for k in range(4) for t in ([k, (k + 1) % 4, (k + 1) % 4 + 4], [k, (k + 1) % 4 + 4, k + 4])]
    return vertices, np.concatenate([cap[:, ::-1], cap + 4, np.array(side)])


def make_bumpy(subdivisions: int = 4, height: float = 0.15) -> Mesh:
    """A ball of 0.1 m with smooth bumps and dents of ``height`` (share of the radius)."""
    ball = trimesh.creation.icosphere(subdivisions=subdivisions)
    p = np.array(ball.vertices)
    radius = 0.1 * (1.0 + height * np.sin(7.0 * p[:, 0]) * np.cos(6.0 * p[:, 1] + 1.0) * np.sin(5.0 * p[:, 2] + 0.3))
    return p * radius[:, None], np.array(ball.faces)


@pytest.fixture
def one_thread() -> None:
    """For the relaxation of small lattices: two threads would spend their time waiting for each other."""
    use_threads(1)


@pytest.fixture(scope="session")
def curved_card() -> FabricCard:
    """A card of test values with every law at work: curves that stiffen, a soft compression, early locking."""
    return FabricCard(
        name="test values", areal_density=0.2, thickness=4e-4,
        warp_curve=np.array([[0.0, 0.0], [0.005, 4.0], [0.012, 20.0], [0.03, 200.0]]),
        weft_curve=np.array([[0.0, 0.0], [0.02, 20.0], [0.05, 150.0]]),
        shear_rigidity=40.0, locking_angle=0.3, bend_warp=1.2e-5, bend_weft=8e-6, bend_bias=7e-6,
        friction={"wood": 0.3, "slate": 0.4}, compression_ratio=0.5,
    )  # fmt: skip


@pytest.fixture(scope="session")
def holed_lattice() -> Lattice:
    """9 x 7 cells of 10 x 8 mm with a hole, a notch and a missing corner."""
    cell = np.ones((9, 7), dtype=bool)
    cell[3:5, 2] = False
    cell[5, 5:] = False
    cell[8, 0] = False
    return Lattice(0.01, 0.008, cell)


@pytest.fixture(scope="session")
def crumple() -> Callable[..., Array]:
    """crumple(lattice, size, seed) -> (n, 3) m: a bent sheet, each node moved at random by about ``size`` (m)."""

    def make(lattice: Lattice, size: float, seed: int = 0) -> Array:
        u, v = lattice.uv.T
        bent = np.c_[u, v, 0.01 * np.sin(25.0 * u + 8.0 * v)]
        return bent + np.random.default_rng(seed).normal(size=bent.shape) * size

    return make


@pytest.fixture(scope="session")
def meshes() -> dict[str, Mesh]:
    """Closed shells with outward faces, by name."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=0.1)
    made = {
        "ball": (np.array(ball.vertices), np.array(ball.faces)),
        "box": make_box((0.2, 0.12, 0.08)),
        "angle": make_angle(),
        "blade": make_blade(),
        "bumpy": make_bumpy(),
    }
    for name, (vertices, faces) in made.items():
        mesh = trimesh.Trimesh(vertices, faces, process=False)
        assert mesh.is_watertight, name
        assert mesh.is_winding_consistent, name
        assert mesh.volume > 0.0, name
    return made


@pytest.fixture(scope="session")
def as_body() -> Callable[..., Body]:
    """Make a `Body` of a mesh and, if given, a second one that supports it."""

    def make(mesh: Mesh, support: Mesh | None = None, landmarks: dict[str, Array] | None = None) -> Body:
        vertices, faces = mesh
        part = np.zeros(len(faces), np.int32)
        parts = (BodyPart("body", "wood"),)
        if support is not None:
            part = np.concatenate([part, np.ones(len(support[1]), np.int32)])
            faces = np.concatenate([faces, support[1] + len(vertices)])
            vertices = np.concatenate([vertices, support[0]])
            parts += (BodyPart("support", "slate", is_support=True),)
        region = np.where(part == 0, np.arange(len(faces)) % 3, -1).astype(np.int32)
        return Body(vertices, faces.astype(np.int32), part, parts, region, ("head", "trunk", "feet"), landmarks or {})

    return make
