"""A run that was never computed: every field filled by hand or by chance, for tests of keeping and showing runs."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from drapesim.ground.outcome import Ending
from drapesim.matter.answers import NATURAL, UNDECIDED, Meeting, PlaceCheck, SpacingChange, Verdict
from drapesim.matter.body import join, slab, sphere
from drapesim.matter.fabric import read_card
from drapesim.matter.lay import LowerStep
from drapesim.matter.marks import Claim, FlatMap, Mark
from drapesim.matter.plan import SettleSettings
from drapesim.matter.sheet import Lattice
from drapesim.settling.archive import Run
from drapesim.settling.certificate import Certificate
from drapesim.settling.contact_record import ContactRecord
from drapesim.settling.layer_record import LayerRecord
from drapesim.settling.settle import Checkpoint

ROOT = Path(__file__).parents[2]


def make_run(**changes: object) -> Run:
    """A small unsettled run with one cell missing from its lattice, two marks, a picture, regions and landmarks."""
    chance = np.random.default_rng(7)
    cell = np.ones((5, 4), dtype=bool)
    cell[0, 0] = cell[0, 1] = False
    lattice = Lattice(0.01, 0.0125, cell, inner_sign=1)
    n = len(lattice.ij)

    def some(*shape: int) -> np.ndarray:
        return chance.normal(size=(n, *shape))

    record = {field.name: some() for field in fields(ContactRecord)}
    record |= {"body_point": some(3), "support_gap": np.full(n, np.inf)}
    record |= {name: chance.integers(-1, 4, n).astype(np.int32) for name in ("body_face", "region", "landmark")}
    record["facing"][3] = np.nan
    ball = sphere(0.1, (0.0, 0.0, 0.1), subdivisions=1)
    ball = replace(
        ball,
        region=chance.integers(-1, 2, len(ball.faces)).astype(np.int32),
        region_names=("front", "back"),
        repairs=("2 doubled faces were dropped.", "1 hole was closed."),
    )
    square = np.array([[0.01, 0.01], [0.03, 0.01], [0.03, 0.03]])
    hole = np.array([[0.012, 0.011], [0.014, 0.011], [0.014, 0.013], [0.013, 0.014]])
    marks = (
        Mark("wax", "stain", (square, hole), chance.random((6, 2)), chance.random(6), Claim("touches_place", "front")),
        Mark("seam", "seam", (), chance.random((3, 2)), np.full(3, 1 / 3), Claim("lies_clear", "", 2e-3, 0.5)),
    )
    place = PlaceCheck("front", True, None, "It may be moved.", 0.2, 0.25, 0.6, 0.03, 0.02)
    change = SpacingChange(0.02, 0.01, -1e-4, 2e-4, 5e-4, -0.125, np.nan)
    verdicts = (
        Verdict("wax", "stain", "touches_place", UNDECIDED, "It did not settle.", -1e-4, 2e-4, 3e-3, 0.45, 0.5,
                0.55, 1e-4, place, "front", change, 2e-4),
        Verdict("seam", "seam", "lies_clear", NATURAL, "It touches.", 0.1, np.inf, np.inf, 0.0, 0.0, 0.0, np.nan,
                None, ""),
    )  # fmt: skip
    certificate = Certificate(
        settled=False, residual_rms=0.002, residual_max=0.03, stay_max=1e-6, penetration_max=2e-5, crossings=0,
        body_crossings=3, strain_max=(0.01, 0.002), strain_over_safe=0.0, energy_closure=0.004, stable=None,
        stable_slipping=None,
        mobilised=0.25, steps=4000, seconds=12.5, spacing_over_c=0.4,
        failures=("The rms residual is 0.002.", "There are 3 crossings."),
    )  # fmt: skip
    run = Run(
        scene_text='title = "made up"\n# \u00fcber\n',
        title="Made up",
        inputs=MappingProxyType({"scene.toml": "ab" * 32, "cards/linen.toml": "cd" * 32}),
        versions=MappingProxyType({"drapesim": "0.1.0", "numpy": "2.4"}),
        seed=3,
        lattice=lattice,
        fabric=read_card(ROOT / "scenes/fabrics/cover-linen.toml"),
        body=join(ball, slab(1.0, 0.5, 0.1)),
        lay=(LowerStep((0.02, 0.02), (0.0, 0.0), 0.3, 0.01),),
        settle=SettleSettings(max_steps=10),
        x=some(3),
        contact_force=some(3),
        layer_force=some(3),
        reaction=some(3),
        contact=ContactRecord(**record),
        certificate=certificate,
        ending=Ending.OUT_OF_STEPS,
        history=chance.random((9, 4)),
        marks=marks,
        verdicts=verdicts,
        flat_map=FlatMap(chance.integers(0, 256, (20, 30, 3)).astype(np.uint8), 1e-3, "inner", "cover.png"),
        contact_levels=(5e-4, 1e-3),
        changes=("Node spacing 12 mm instead of the scene's 6 mm.",),
        layers=LayerRecord(
            some(2), some(2, 2), chance.integers(-1, 9, (n, 2)).astype(np.int32), some(2, 3),
            chance.integers(-1, 2, (n, 2)).astype(np.int8),
        ),
        meetings=(
            Meeting("wax", "seam", "inner", "outer", 1e-3, 1e-5, 2e-5, 4e-5, 0.2, 0.9, 0.5, 1e-4, 5e-4, 3e-3, 1e-4),
        ),
    )  # fmt: skip
    return replace(run, **changes)


def make_checkpoint() -> Checkpoint:
    """A checkpoint of 8 nodes and 2 contacts, full of random numbers."""
    chance = np.random.default_rng(1)
    return Checkpoint(
        level=1, x=chance.random((8, 3)), v=chance.random((8, 3)), spent=chance.random((2, 6)), opening=-0.25,
        lent=1e-6, caution=0.25, patience=9, steps=1200, damping=17.25, slopes=np.array([4e3, 500.0]), seconds=12.5,
        inertia=chance.random(8),
        history=chance.random((5, 4)),
        found_node=chance.integers(0, 8, (2, 3)), found_weight=chance.random((2, 3)),
        found_normal=chance.random((2, 3)), found_point=chance.random((2, 3)),
        found_gap=chance.random(2), found_part=np.array([0, 1], np.int32),
        found_key=chance.integers(0, 1 << 62, 2), found_triangle=np.array([3, 4], np.int32), preload=chance.random(2),
        anchor=chance.random((2, 3)), push=chance.random((2, 3)),
    )  # fmt: skip


def make_rest(x: np.ndarray) -> Checkpoint:
    """What the contacts of a sheet at rest at ``x`` (n, 3) carry, by chance."""
    nothing = {"v": np.zeros_like(x), "spent": np.zeros((2, 1)), "history": np.zeros((0, 4))}
    return replace(make_checkpoint(), level=0, x=x, opening=0.0, seconds=0.0, **nothing)
