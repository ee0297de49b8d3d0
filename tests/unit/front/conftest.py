"""A small finished run made by hand: a strip that wraps the top half of a roller and hangs straight down."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from drapesim.ground.outcome import Ending
from drapesim.judging.verdicts import judge_marks
from drapesim.matter.body import cylinder, join, slab
from drapesim.matter.fabric import FabricCard, Provenance
from drapesim.matter.marks import Claim, Mark
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.settling.archive import Run
from drapesim.settling.certificate import Certificate
from drapesim.settling.contact_record import record_contact

RADIUS, THICK, LENGTH, WIDTH = 0.1, 4e-4, 0.8, 0.12


def draw_square(name: str, u: float, v: float, half: float, claim: Claim) -> Mark:
    at = np.linspace(-half, half, 9)
    samples = np.stack(np.meshgrid(u + at, v + at, indexing="ij"), axis=-1).reshape(-1, 2)
    ring = np.array([[u - half, v - half], [u + half, v - half], [u + half, v + half], [u - half, v + half]])
    return Mark(name, "stain", (ring,), samples, np.full(81, 4 * half**2 / 81), claim)


@pytest.fixture(scope="session")
def finished() -> Run:
    """Settled, with a mark that touches, one that hangs clear, a point, and a name that HTML must escape."""
    lattice = cut_lattice(Sheet(LENGTH, WIDTH, 0.01))
    body = join(cylinder(RADIUS, 0.2, (0.0, 0.0, 0.5)), slab(1.0, 0.5, 0.05))
    arc = lattice.uv[:, 0] - 0.5 * LENGTH
    r = RADIUS + 0.5 * THICK + 1e-5
    angle = np.clip(arc / r, -0.5 * np.pi, 0.5 * np.pi)
    x = np.c_[r * np.sin(angle), lattice.uv[:, 1] - 0.5 * WIDTH, 0.5 + r * np.cos(angle)]
    x[:, 2] -= np.abs(arc) - np.abs(angle) * r
    curve = np.array([[0.0, 0.0], [0.05, 500.0]])
    card = FabricCard(
        "test cloth", 0.2, THICK, curve, curve, 45.0, 0.6, 3e-5, 3e-5, 3e-5, {"limewood": 0.5, "slate": 0.4},
        provenance=MappingProxyType({
            "thickness": Provenance("a gauge", standard="a standard", uncertainty=0.02),
            "bend_bias": Provenance("a rule", status="estimated"),
            "shear_rigidity": Provenance("made up", status="invented"),
        }),
    )  # fmt: skip
    certificate = Certificate(
        True, 5e-4, 5e-3, 1e-6, 2e-5, 0, 0, (1e-3, 1e-3), 0.0, 1e-3, True, None, 0.1, 1000, 1.0, 0.4
    )  # fmt: skip
    marks = (
        draw_square("on-top", 0.4, 0.06, 0.015, Claim()),
        draw_square("hanging", 0.1, 0.06, 0.02, Claim("lies_clear")),
        draw_square("a<b & c", 0.7, 0.06, 0.02, Claim("shows_feature", "top")),
        Mark("drop", "stain", (), np.array([[0.45, 0.03]]), np.ones(1), Claim(tolerance=2e-3)),
    )
    force = np.zeros_like(x)
    return Run(
        scene_text='title = "strip"', title="Strip on a <roller>", inputs={"scene.toml": "ab" * 32},
        versions={"drapesim": "0"}, seed=1, lattice=lattice, fabric=card, body=body, lay=(), settle=SettleSettings(),
        x=x, contact_force=force, layer_force=force, reaction=force,
        contact=record_contact(lattice, card, x, force, body),
        certificate=certificate, ending=Ending.SETTLED,
        history=np.array([[0.5, 0.02, 10.0, 100.0], [1.0, 0.01, 1.0, 10.0], [2.0, 0.01, 5e-4, 5e-3]]), marks=marks,
        verdicts=judge_marks(marks, lattice, x, body, card, certificate), flat_map=None,
        contact_levels=(5e-4, 1e-3, 5e-3),
    )  # fmt: skip


@pytest.fixture(scope="session")
def unsettled(finished: Run) -> Run:
    """The same sheet with a residual over its limit."""
    certificate = replace(finished.certificate, settled=False, residual_rms=0.5, failures=("Too much force is left.",))
    verdicts = judge_marks(
        finished.marks, finished.lattice, finished.x, finished.body, finished.fabric, certificate
    )  # fmt: skip
    return replace(finished, certificate=certificate, ending=Ending.OUT_OF_STEPS, verdicts=verdicts)
