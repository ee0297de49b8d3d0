"""The scenes of the benchmark `settle`: a sheet, a body and a start, for any number of nodes. Invented demo data."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from drapesim.jobs.run import prepare
from drapesim.matter.body import Body, sphere
from drapesim.matter.fabric import FabricCard, read_card
from drapesim.matter.lay import LowerStep
from drapesim.matter.plan import SettleSettings, read_scene
from drapesim.matter.sheet import Lattice, Sheet, cut_lattice
from drapesim.settling.steps import flat_axes, lower_flat

Array = np.ndarray

SCENES = Path(__file__).parents[1] / "scenes"
SHEET = 1.0  # m, side of the square sheet on the sphere
BALL = 0.2  # m, radius
CLEARANCE = 0.01  # m, under the lower layer
NOSE = 0.015
"""m, radius of the fold at the start: 30 mm high, as the demo linen's own fold is (0.907 c, c = 31 mm)."""


@dataclass(frozen=True)
class Posed:
    """All that `settle` is given. ``x`` (n, 3) m."""

    lattice: Lattice
    card: FabricCard
    x: Array
    body: Body
    settings: SettleSettings


def pose_sphere(nodes: int) -> Posed:
    """A square of the demo linen let down on the middle of a sphere; its corners hang free."""
    card = read_card(SCENES / "fabrics" / "cover-linen.toml")
    settings = SettleSettings()
    lattice = cut_lattice(Sheet(SHEET, SHEET, spacing_for(SHEET, SHEET, nodes)), multiple=2**settings.levels)
    body = sphere(BALL, (0.0, 0.0, 1.0), "limewood")
    step = LowerStep(point=(0.5 * SHEET, 0.5 * SHEET), place=(0.0, 0.0), clearance=CLEARANCE)
    return Posed(lattice, card, lower_flat(lattice, step, body, 0.5 * card.thickness), body, settings)


def pose_loose(nodes: int) -> Posed:
    """The demo cover as its scene lays it on the figure: one layer."""
    scene = read_scene(SCENES / "cover-loose.toml")
    plan = prepare(scene, 1e3 * spacing_for(scene.sheet.length, scene.sheet.width, nodes))
    return Posed(plan.lattice, scene.fabric, plan.x, scene.body, scene.settle)


def pose_folded(nodes: int) -> Posed:
    """The demo cover folded over across its middle, two layers all over the figure; the fold lies past its feet."""
    loose = pose_loose(nodes)
    top = float(loose.body.vertices[:, 2].max())
    x = fold_over(loose.lattice, top + CLEARANCE + 0.5 * loose.card.thickness)
    return replace(loose, x=x)


POSES = {"sphere": pose_sphere, "loose": pose_loose, "folded": pose_folded}


def spacing_for(length: float, width: float, nodes: int) -> float:
    """Node spacing (m) at which a sheet of ``length`` x ``width`` (m) has about so many nodes."""
    # (length / h + 1) (width / h + 1) = nodes, solved for 1 / h
    area, side = length * width, length + width
    return 2.0 * area / (math.sqrt(side**2 + 4.0 * area * (nodes - 1)) - side)


def fold_over(lattice: Lattice, height: float) -> Array:
    """(n, 3) m: the sheet folded across the middle of its warp, lower layer at ``height`` with the inner side down.

    Both layers are level, a half circle of radius `NOSE` joins them toward -x, and their middle lies over the origin.
    Lengths are kept but for the chords of that half circle, so nothing is stretched.
    """
    length, width = lattice.uv.max(axis=0)
    axes = flat_axes(LowerStep((0.0, 0.0), (0.0, 0.0), turn=math.pi), lattice.inner_sign)  # lower layer: warp to -x
    along, across = (lattice.uv - 0.5 * np.array([length, width])).T
    bend = 0.5 * math.pi * NOSE  # from the middle of the warp to where a layer lies level
    turn = np.clip(along, -bend, bend) / NOSE
    level = np.maximum(np.abs(along) - bend, 0.0)
    fold = -0.5 * (0.5 * length - bend)  # where the layers begin
    x = fold + level - NOSE * np.cos(turn)
    return np.column_stack([x, across * axes[1, 1], height + NOSE * (1.0 + np.sin(turn))])
