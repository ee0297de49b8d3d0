"""Other engines, each behind the same few questions. None is imported before it is asked for.

What was tuned, and to what, stands in each one's ``tuned``; it is printed with the table.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import version
from importlib.util import find_spec
from typing import Any, Protocol

import numpy as np

from benchmarks import _peer_scene as scene
from benchmarks._peer_scene import Task
from drapesim.ground.units import GRAVITY
from drapesim.mechanics.independent import Elements

Array = np.ndarray


class Peer(Protocol):
    """One sheet in another engine, in motion."""

    tuned: str
    time_step: float  # s, of the next step
    clock: float  # s of the sheet's own time so far
    iterations: str

    def advance(self, steps: int) -> None:
        """Take time steps."""

    def positions(self) -> Array:
        """(n, 3) m, in the order of the lattice's nodes."""

    def motion(self) -> tuple[float, float]:
        """(rms speed m/s, rms of the change of speed over the last step, over the step and over g): its own account."""

    def elastic(self, x: Array) -> Array | None:
        """(n, 3) N: its own elastic law at ``x`` in float64; None where it is not known."""


class MuJoCo:
    """Triangles of Saint Venant-Kirchhoff, a hinge on each edge; contact and friction by its constraint solver."""

    tuned = (
        "integrator 'discrete' (the only one implicit in position), step 5 ms, Newton solver to 1e-10, elliptic cones, "
        "impratio 10, contact time constant 5 ms (default 20: the cloth sank in by 2 mm), Rayleigh damping 0.2 s (0.01 "
        "to 0.1 left slow creep), self-collision on (without it folds pass through each other)"
    )
    time_step = 0.005
    clock = 0.0
    iterations = "to 1e-10"
    damping = 0.2  # s

    def __init__(self, task: Task) -> None:
        self.mujoco: Any = import_module("mujoco")
        thickness = np.sqrt(12.0 * scene.BENDING / scene.TENSILE)  # of a plate that is as stiff in both ways
        held = " ".join(map(str, np.flatnonzero(task.held)))
        ground = f'friction="{scene.FRICTION} 0 0" solref="0.005 1"'
        body = f"""<geom type="plane" size="4 4 .1" {ground}/>
            <geom type="sphere" size="{scene.RADIUS}" pos="0 0 {scene.RADIUS}" {ground}/>"""
        text = f"""<mujoco><option timestep="{self.time_step}" integrator="discrete" solver="Newton" cone="elliptic"
            iterations="100" tolerance="1e-10" impratio="10" gravity="0 0 {-GRAVITY}"/><size memory="1G"/>
            <worldbody>{body if task.on_ball else ""}
            <flexcomp name="sheet" type="direct" dim="2" radius="{0.5 * scene.THICKNESS}" mass="1"
                point="{" ".join(f"{v:.17g}" for v in task.start.ravel())}"
                element="{" ".join(map(str, task.lattice.triangles.ravel()))}">
                <elasticity young="{scene.TENSILE / thickness}" poisson="0" thickness="{thickness}" elastic2d="both"
                    damping="{self.damping}"/>
                <contact selfcollide="auto" condim="3" {ground}/>{f'<pin id="{held}"/>' if held else ""}
            </flexcomp></worldbody></mujoco>"""
        self.model = self.mujoco.MjModel.from_xml_string(text)
        self.free = ~task.held
        bodies = self.model.flex_vertbodyid[self.free]
        self.model.body_mass[bodies] = scene.DENSITY * task.lattice.node_area[self.free]
        self.data = self.mujoco.MjData(self.model)
        self.mujoco.mj_setConst(self.model, self.data)
        self.mujoco.mj_forward(self.model, self.data)
        self.origin = self.positions()
        self.still = self.mujoco.MjData(self.model)

    def advance(self, steps: int) -> None:
        self.mujoco.mj_step(self.model, self.data, steps)
        self.clock = self.data.time

    def positions(self) -> Array:
        return np.array(self.data.flexvert_xpos, dtype=np.float64)

    def motion(self) -> tuple[float, float]:
        speed, change = self.data.qvel.reshape(-1, 3), self.data.qacc.reshape(-1, 3)
        return _rms(speed), _rms(change) / GRAVITY

    def elastic(self, x: Array) -> Array:
        """From the engine itself: its spring force under an integrator that keeps it apart."""
        model, kind = self.model, self.mujoco.mjtIntegrator
        self.still.qpos[:] = (x - self.origin)[self.free].ravel()
        self.still.qvel[:] = 0.0
        model.opt.integrator, model.opt.disableflags = kind.mjINT_EULER, self.mujoco.mjtDisableBit.mjDSBL_CONTACT
        self.mujoco.mj_forward(model, self.still)
        model.opt.integrator, model.opt.disableflags = kind.mjINT_DISCRETE, 0
        force = np.zeros_like(x)
        force[self.free] = self.still.qfrc_spring.reshape(-1, 3)
        return force


class NewtonVBD:
    """Vertex block descent (Gauss-Seidel over nodes on the implicit step), neo-Hookean membrane with hinges, float32.

    Each hinge has the stiffness that makes the sheet as stiff as ours in bending and in twist.
    """

    tuned = (
        "5 sweeps a step of 1 ms for 3 s, then of 0.2 ms (sweeps that do not finish leave it still but out of balance: "
        "by 20 weights at 5 ms and 20 sweeps, by 4 at 1 ms and 5), "
        "contact stiffness 1e4 N/m, friction smoothed below 1 mm/s, no damping of the cloth; self-contact off (with it "
        "a step takes several times as long and the sheet still falls when time is up); on the processor"
    )
    time_step = 0.001
    fine_step, fine_from = 0.0002, 3.0  # s
    clock = 0.0
    sweeps = 5
    iterations = f"{sweeps} a step"
    stiffness = 1e4  # N/m
    dashpot = 1e-3  # s, of contacts
    slip = 1e-3  # m/s, below which friction is smoothed

    def __init__(self, task: Task) -> None:
        self.wp: Any = import_module("warp")
        self.wp.config.quiet = True
        newton: Any = import_module("newton")
        h = task.lattice.spacing_u
        builder = newton.ModelBuilder(gravity=(0.0, 0.0, -GRAVITY))
        still = self.wp.quat_identity()
        builder.add_cloth_mesh(
            pos=self.wp.vec3(), rot=still, scale=1.0, vel=self.wp.vec3(),
            vertices=[self.wp.vec3(*row) for row in task.start], indices=task.lattice.triangles.ravel().tolist(),
            density=scene.DENSITY, tri_ke=0.5 * scene.TENSILE, tri_ka=0.0, tri_kd=0.0,
            edge_ke=scene.BENDING / h, edge_kd=0.0, particle_radius=0.5 * scene.THICKNESS,
        )  # fmt: skip
        if task.on_ball:
            kind = newton.ModelBuilder.ShapeConfig(ke=self.stiffness, kd=self.dashpot, mu=scene.FRICTION)
            builder.add_ground_plane(cfg=kind)
            middle = self.wp.transform(self.wp.vec3(0.0, 0.0, scene.RADIUS), still)
            builder.add_shape_sphere(-1, xform=middle, radius=scene.RADIUS, cfg=kind)
        builder.color(include_bending=True)
        model = self.model = builder.finalize(device="cpu")
        model.soft_contact_ke, model.soft_contact_kd = self.stiffness, self.dashpot
        model.soft_contact_mu = scene.FRICTION
        hinge, length = model.edge_bending_properties.numpy(), model.edge_rest_length.numpy()
        hinge[:, 0] *= np.where(length > 1.2 * h, np.sqrt(2.0), 1.0)  # diagonals: twist 2 B, as the other engines have
        model.edge_bending_properties.assign(hinge)
        mass = np.where(task.held, 0.0, scene.DENSITY * task.lattice.node_area).astype(np.float32)
        model.particle_mass.assign(mass)
        model.particle_inv_mass.assign(np.where(mass > 0.0, 1.0 / np.maximum(mass, 1e-30), 0.0).astype(np.float32))
        flags = model.particle_flags.numpy()
        flags[task.held] &= ~int(newton.ParticleFlags.ACTIVE)
        model.particle_flags.assign(flags)
        pipeline = newton.CollisionPipeline(model, broad_phase="nxn", soft_contact_gap=0.01) if task.on_ball else None
        self.solver = newton.solvers.SolverVBD(
            model, iterations=self.sweeps, friction_epsilon=self.slip, particle_enable_self_contact=False,
            particle_enable_tile_solve=False, collision_pipeline=pipeline,
        )  # fmt: skip
        self.now, self.before, self.control = model.state(), model.state(), model.control()
        edge = model.edge_indices.numpy()
        inner = (edge >= 0).all(1)
        self.edge, self.hinge = edge[inner], (hinge[:, 0] * length)[inner].astype(np.float64)
        self.corners, self.inverse, self.area = _flat_triangles(task)
        self.held = task.held

    def advance(self, steps: int) -> None:
        for _ in range(steps):
            self.now.clear_forces()
            self.solver.step(self.now, self.before, self.control, None, self.time_step)
            self.now, self.before = self.before, self.now
            self.clock += self.time_step
            if self.clock > self.fine_from:
                self.time_step = self.fine_step

    def positions(self) -> Array:
        return self.now.particle_q.numpy().astype(np.float64)

    def motion(self) -> tuple[float, float]:
        speed, earlier = (state.particle_qd.numpy()[~self.held] for state in (self.now, self.before))
        return _rms(speed), _rms(speed - earlier) / self.time_step / GRAVITY

    def elastic(self, x: Array) -> Array:
        """The engine gives none: its published energies, differentiated here."""
        membrane = Elements("membrane", self.corners, self._membrane)
        return membrane.force(x) + Elements("hinge", self.edge, self._bending).force(x)

    def _membrane(self, x: Array) -> Array:
        """mu / 2 (tr F'F - 2) + mu / 2 (J - 2)^2 an area, J the growth in area: its law at Poisson's ratio 0."""
        sides = np.stack([x[:, 1] - x[:, 0], x[:, 2] - x[:, 0]], axis=-1) @ self.inverse
        f, g = sides[..., 0], sides[..., 1]
        normal = np.cross(f, g)
        growth = np.sqrt((normal * normal).sum(1))
        return 0.25 * scene.TENSILE * self.area * ((f * f + g * g).sum(1) - 2.0 + (growth - 2.0) ** 2)

    def _bending(self, x: Array) -> Array:
        """Half of stiffness times length times the squared angle between the two triangles at an edge."""
        first = np.cross(x[:, 2] - x[:, 0], x[:, 3] - x[:, 0])
        second = np.cross(x[:, 3] - x[:, 1], x[:, 2] - x[:, 1])
        along = x[:, 3] - x[:, 2]
        along = along / np.sqrt((along * along).sum(1))[:, None]
        sine, cosine = (np.cross(first, second) * along).sum(1), (first * second).sum(1)
        angle = 2.0 * np.arctan(sine / (np.sqrt(sine * sine + cosine * cosine) + cosine))
        return 0.5 * self.hinge * angle * angle


def _flat_triangles(task: Task) -> tuple[Array, Array, Array]:
    """(corners (t, 3), inverse of the flat sides (t, 2, 2) 1/m, area (t,) m2) of the sheet's triangles."""
    corners = task.lattice.triangles
    a, b, c = (task.lattice.uv[corners[:, k]] for k in range(3))
    sides = np.stack([b - a, c - a], axis=-1)
    return corners, np.linalg.inv(sides), 0.5 * np.abs(np.linalg.det(sides))


def _rms(vectors: Array) -> float:
    return float(np.sqrt(np.mean((np.asarray(vectors, dtype=np.float64) ** 2).sum(1))))


ENGINES: dict[str, tuple[tuple[str, ...], type]] = {
    "mujoco": (("mujoco",), MuJoCo),
    "newton": (("newton", "warp-lang"), NewtonVBD),
}
"""Name on the command line -> (packages to install, the class that runs it)."""

MODULES = {"warp-lang": "warp"}  # where a package's module is called otherwise


def is_installed(engine: str) -> bool:
    """Whether the engine's packages can be imported; nothing is imported."""
    return all(find_spec(MODULES.get(name, name)) is not None for name in ENGINES[engine][0])


def list_versions(engine: str) -> str:
    """Packages and versions of one engine that is installed."""
    return ", ".join(f"{name} {version(name)}" for name in ENGINES[engine][0])
