"""The scene: everything one run depends on, read from one TOML file and checked at the door."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drapesim.matter.body import Body
from drapesim.matter.fabric import FabricCard
from drapesim.matter.marks import FlatMap, Mark
from drapesim.matter.sheet import Sheet

Array = np.ndarray


@dataclass(frozen=True)
class LowerStep:
    """Lower the flat cloth from above: flat-map point ``point`` (u, v) comes to lie over ``place`` (x, y), metres.

    ``turn`` (rad) is the angle from world +x to the warp direction, seen from above. The inner side faces down.
    ``clearance`` (m) is the height of the flat sheet above the highest point under it.
    """

    point: tuple[float, float]
    place: tuple[float, float]
    turn: float = 0.0
    clearance: float = 0.01


@dataclass(frozen=True)
class SettleSettings:
    """When a sheet counts as settled (the certificate's limits) and how long to try.

    Residuals are net nodal force over nodal weight; lengths m.
    """

    residual_rms: float = 1e-3
    residual_max: float = 1e-2
    stay: float = 1e-5
    penetration: float = 5e-5
    energy_closure: float = 0.01
    max_steps: int = 2_000_000
    levels: int = 2  # coarser lattices before the final one


@dataclass(frozen=True)
class Scene:
    """One run's input; a run is a function of it. ``inputs`` maps file name -> sha256 of its bytes."""

    path: Path
    text: str
    title: str
    sheet: Sheet
    fabric: FabricCard
    body: Body
    lay: tuple[LowerStep, ...]
    marks: tuple[Mark, ...]
    flat_map: FlatMap | None
    settle: SettleSettings
    seed: int
    contact_levels: tuple[float, ...]  # gap contours to draw, m
    inputs: dict[str, str]
