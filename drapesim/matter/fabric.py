"""The fabric card: measured cloth, every number with its unit, standard, source and uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from drapesim.ground.files import Document, read_toml
from drapesim.ground.outcome import InputError
from drapesim.ground.units import bending_rigidity, to_si

if TYPE_CHECKING:
    from drapesim.matter.card_schema import Bending, Curve, SafeExtension, Sourced

Array = np.ndarray

# Rules that fill what a card leaves out. Each is named in the provenance of the value it made, which is then flagged
# as estimated wherever it matters. They are guard-rail figures and no measurements.
RULE_BIAS = (
    "bias rigidity from warp and weft by Peirce's combination 4 / (1/sqrt(Bwarp) + 1/sqrt(Bweft))^2 (from memory)"
)
RULE_SHEAR = "shear rigidity 45 N/m per rad, the middle of 22 to 67 for plain-weave linen (from memory)"
RULE_LOCKING = "locking angle 35 degrees, the middle of 30 to 40 for a plain weave (from memory)"
RULE_COMPRESSION = "compressive modulus equal to the initial tensile modulus; the cloth buckles before it matters"
RULE_SAFE = "safe extension half of the last measured extension (common practice, no source)"


@dataclass(frozen=True)
class Provenance:
    """Where one value of the card comes from."""

    source: str
    standard: str = ""
    estimated: bool = False  # True: filled in by a named rule, not measured
    invented: bool = False  # True: demo data
    uncertainty: float | None = None  # relative standard uncertainty; None: not stated


ITSELF = "itself"  # the surface name that stands for another layer of the same cloth


@dataclass(frozen=True)
class FabricCard:
    """One cloth, in SI.

    ``warp_curve``/``weft_curve`` are measured load-extension points, arrays (k, 2) of engineering strain [-] and
    tension per width [N/m], first row (0, 0), both columns strictly rising.
    ``compression_ratio`` is the compressive over the initial tensile modulus.
    ``shear_rigidity`` is N/m per radian of yarn angle, ``locking_angle`` rad.
    ``bend_*`` are bending rigidities per width, N m; ``bend_bias`` is that at 45 degrees.
    ``friction`` maps a surface name to the static coefficient against it; "itself" is the cloth on itself.
    ``safe_strain`` (warp, weft) is the extension that must not be exceeded.
    ``provenance`` is keyed by field name; ``safe_strain_warp``, ``safe_strain_weft`` and ``friction.<surface>``
    have an entry each.
    """

    name: str
    areal_density: float  # kg/m2
    thickness: float  # m
    warp_curve: Array
    weft_curve: Array
    shear_rigidity: float
    locking_angle: float
    bend_warp: float
    bend_weft: float
    bend_bias: float
    friction: Mapping[str, float]
    compression_ratio: float = 1.0
    safe_strain: tuple[float, float] = (0.03, 0.03)
    provenance: Mapping[str, Provenance] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def self_friction(self) -> float:
        """Static coefficient of the cloth on itself; 0 on a card made by hand that does not give it."""
        return self.friction.get(ITSELF, 0.0)

    @property
    def twist(self) -> float:
        """Twist constant J [N m] of B(t) = Bu c^4 + Bv s^4 + 2 J c^2 s^2 (Cooper form), from the 45-degree rigidity."""
        return 0.5 * (4.0 * self.bend_bias - self.bend_warp - self.bend_weft)


def read_card(path: str | Path, named_in: str = "") -> FabricCard:
    """Read a fabric card from its TOML file; ``named_in`` is the place (``file:line``) that names it, if any.

    What the card leaves out is filled by the rules at the top of this file and flagged ``estimated``.
    Raises `InputError` for a missing or malformed file and for values that no cloth can have.
    """
    return parse_card(read_toml(path, "fabric card", named_in))


def parse_card(document: Document) -> FabricCard:
    """The fabric card in a TOML document that has been read. Raises `InputError`."""
    from drapesim.matter.card_schema import CardFile
    from drapesim.matter.door import check

    file = check(CardFile, document)
    provenance: dict[str, Provenance] = {}

    def keep(name: str, entry: Sourced) -> None:
        share = None if entry.uncertainty_percent is None else to_si(entry.uncertainty_percent, "percent")
        provenance[name] = Provenance(entry.source, entry.standard, entry.estimated, entry.invented, share)

    def estimate(name: str, rule: str) -> None:
        provenance[name] = Provenance(rule, estimated=True)

    density = to_si(file.areal_density.value_g_m2, "g_m2")
    keep("areal_density", file.areal_density)
    keep("thickness", file.thickness)
    curves = {}
    for side, curve in (("warp", file.load_extension.warp), ("weft", file.load_extension.weft)):
        curves[side] = _check_curve(document, side, curve)
        keep(f"{side}_curve", curve)

    bend_warp, bend_weft = _rigidity(file.bending.warp, density), _rigidity(file.bending.weft, density)
    keep("bend_warp", file.bending.warp)
    keep("bend_weft", file.bending.weft)
    if file.bending.bias is None:
        bend_bias = 4.0 / (bend_warp**-0.5 + bend_weft**-0.5) ** 2
        estimate("bend_bias", RULE_BIAS)
    else:
        bend_bias = _rigidity(file.bending.bias, density)
        keep("bend_bias", file.bending.bias)
        _check_bias(document, bend_warp, bend_weft, bend_bias)

    shear, locking, compression = 45.0, math.radians(35.0), 1.0
    if file.shear is None:
        estimate("shear_rigidity", RULE_SHEAR)
    else:
        shear = to_si(file.shear.rigidity_N_m_rad, "N_m_rad")
        keep("shear_rigidity", file.shear)
    if file.locking is None:
        estimate("locking_angle", RULE_LOCKING)
    else:
        locking = to_si(file.locking.angle_deg, "deg")
        keep("locking_angle", file.locking)
    if file.compression is None:
        estimate("compression_ratio", RULE_COMPRESSION)
    else:
        compression = file.compression.ratio
        keep("compression_ratio", file.compression)

    safe = {}
    for side, entry in (("warp", file.safe_extension.warp), ("weft", file.safe_extension.weft)):
        last = float(curves[side][-1, 0])
        if entry is None:
            safe[side] = 0.5 * last
            estimate(f"safe_strain_{side}", RULE_SAFE)
        else:
            safe[side] = _check_safe(document, side, entry, last)
            keep(f"safe_strain_{side}", entry)

    for surface, friction in file.friction.items():
        keep(f"friction.{surface}", friction)
    return FabricCard(
        name=file.name,
        areal_density=density,
        thickness=to_si(file.thickness.value_mm, "mm"),
        warp_curve=curves["warp"],
        weft_curve=curves["weft"],
        shear_rigidity=shear,
        locking_angle=locking,
        bend_warp=bend_warp,
        bend_weft=bend_weft,
        bend_bias=bend_bias,
        friction=MappingProxyType({surface: entry.coefficient for surface, entry in file.friction.items()}),
        compression_ratio=compression,
        safe_strain=(safe["warp"], safe["weft"]),
        provenance=MappingProxyType(provenance),
    )


def _rigidity(entry: Bending, areal_density: float) -> float:
    """Bending rigidity per width [N m] of a card entry that gives it or the bending length."""
    if entry.rigidity_uN_m is not None:
        return to_si(entry.rigidity_uN_m, "uN_m")
    assert entry.bending_length_mm is not None  # the schema wants exactly one of the two
    return bending_rigidity(areal_density, to_si(entry.bending_length_mm, "mm"))


def _check_curve(document: Document, side: str, entry: Curve) -> Array:
    """(k, 2) strain and tension [N/m] of a load-extension curve that starts at zero and rises strictly."""
    keys = ("load_extension", side, "points_percent_N_m")
    points = np.array(entry.points_percent_N_m, dtype=np.float64)
    if points[0].any():
        raise document.error(keys, "the curve does not start at rest", "make [0, 0] its first row")
    for row, step in enumerate(np.diff(points, axis=0), start=2):
        if (step <= 0).any():
            what = "extension" if step[0] <= 0 else "tension"
            problem = f"row {row} does not rise in {what}, so the stiffness there would be negative or without limit"
            raise document.error(keys, problem, "each row must exceed the one before in both extension and tension")
    if points[-1, 0] >= 100.0:
        problem = f"an extension of {points[-1, 0]:g} % is no woven cloth's"
        raise document.error(keys, problem, "give engineering strain in percent, below 100")
    return np.ascontiguousarray(points * [to_si(1.0, "percent"), 1.0])


def _check_bias(document: Document, warp: float, weft: float, bias: float) -> None:
    """Refuse a bias rigidity that would make the rigidity of some direction negative (Cooper form)."""
    least = 0.25 * (math.sqrt(warp) - math.sqrt(weft)) ** 2
    if bias <= least:
        problem = f"a bias rigidity of {bias * 1e6:g} uN m makes the cloth unstable in bending between warp and bias"
        raise document.error(("bending", "bias"), problem, f"it must exceed {least * 1e6:.3g} uN m")


def _check_safe(document: Document, side: str, entry: SafeExtension, last: float) -> float:
    """Safe strain of a card entry, which must lie inside the measured curve."""
    safe = to_si(entry.value_percent, "percent")
    if safe > last * (1 + 1e-9):
        problem = f"{entry.value_percent:g} % lies beyond the last measured extension, {last * 100:g} %"
        raise document.error(("safe_extension", side, "value_percent"), problem, "measure further or lower the value")
    return safe


def check_surfaces(card: FabricCard, surfaces: Mapping[str, str], card_path: str | Path) -> None:
    """Refuse a card without a friction coefficient for each of ``surfaces`` (name -> the place that asks for it)."""
    from drapesim.matter.door import suggest

    for surface, place in surfaces.items():
        if surface not in card.friction:
            problem = f"the fabric card {card_path} has no friction coefficient for the surface '{surface}'"
            raise InputError(place, "", problem, suggest(surface, card.friction))
