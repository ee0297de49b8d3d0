"""Estimates: named rules for what a fabric card leaves out. Guard-rail figures and geometry, no measurements.

Each gives a value with the range it may well lie in; whoever uses one keeps the rule's name with the value, so that it
is flagged as estimated wherever it matters. Ranges that are marked "from memory" were not read anywhere: a value
outside of one deserves a question, and no more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from drapesim.ground.units import bending_rigidity, to_si


@dataclass(frozen=True)
class Rule:
    """``name`` as cards and reports give it, the ``formula`` in words, and where it comes from."""

    name: str
    formula: str
    source: str


@dataclass(frozen=True)
class Estimate:
    """A value by rule, with the low and the high end of its range; SI."""

    value: float
    low: float
    high: float
    rule: Rule


DENSITY = Rule(
    "density-by-thread-count",
    "on the straight line through 170 g/m2 at 18 and 310 g/m2 at 43 threads/cm, warp and weft together; range from the "
    "lighter to the heavier of the two per thread",
    "the two published linens that give both: Sterp Moga and Sanchez Ortiz 2023 with Fuster-Lopez et al. 2023, and "
    "Bridarolli et al. 2023, all in Conserving Canvas (read); yarns differ, so two points make no law",
)
THICKNESS = Rule(
    "thickness-by-density",
    "mass per area over 400 kg/m3; range 225 to 490 kg/m3",
    "the published plain weaves that give both: calico 85 g/m2 at 0.38 mm and 225 at 0.56 (a study of dyed calico, "
    "abstract read), canvas 341 at 0.7 (Bridarolli et al. 2023), cotton 150 at 0.318 (Penava et al. 2014, quoted)",
)
CURVE = Rule(
    "straight-line-to-500-gf-cm",
    "a straight line to 490 N/m at 5 % along the warp and 4 % along the weft; range 1 to 15 %",
    "guard rails for plain-weave linen (from memory); crimp makes the true start softer",
)
SHEAR = Rule(
    "shear-of-plain-weave",
    "45 N/m per rad, the middle of 22 to 67; range 11 to 170",
    "guard rails for plain-weave linen, 0.4 to 1.2 and 0.2 to 3 gf/(cm degree) (from memory)",
)
LOCKING = Rule(
    "locking-of-plain-weave",
    "35 degrees, the middle of 30 to 40",
    "plain weaves in trellis shear (from memory)",
)
BENDING = MappingProxyType({
    "linen": Rule(
        "bending-length-of-linen",
        "25 mm; range 15 to 50 mm",
        "guard rails for washed and loomstate linen (from memory); free flax fibres of 12 to 20 um give 25 to 36 mm "
        "(recomputed here from 30 to 55 GPa and 1500 kg/m3, from memory)",
    ),
    "cotton": Rule(
        "bending-length-of-cotton",
        "16 mm; range 13 to 20 mm",
        "guard rails (from memory); free cotton fibres of 12 um and 8 GPa give 13 mm (recomputed here, from memory)",
    ),
})  # fmt: skip
LENGTHS: Mapping[str, tuple[float, float, float]] = MappingProxyType({"linen": (25, 15, 50), "cotton": (16, 13, 20)})
OTHER_SIDE = Rule(
    "bending-as-the-other-side",
    "the rigidity of the yarns that were measured; range half to twice of it",
    "assumption, no source; published fabrics differ either way",
)
BIAS = Rule(
    "bias-by-peirce",
    "4 / (1/sqrt(Bwarp) + 1/sqrt(Bweft))^2; range down to (Bwarp + Bweft) / 4, a net of yarns that do not resist twist",
    "Peirce 1930 and Cooper 1960 (from memory); a third direction has to be measured to know (Cooper, abstract read)",
)
COMPRESSION = Rule(
    "pushed-as-pulled",
    "compressive modulus equal to the initial tensile modulus; range a tenth of it to all of it",
    "assumption, no source; the cloth buckles before it matters",
)
SAFE = Rule(
    "half-of-the-last-reading",
    "half of the last measured extension; range a quarter of it to all of it",
    "common practice, no source",
)
FRICTION = MappingProxyType({
    "itself": Rule(
        "cloth-on-itself", "0.45, the middle of 0.3 to 0.6; range 0.25 to 0.9", "guard rails for linen (from memory)"
    ),
    "wood": Rule(
        "cloth-on-softwood",
        "0.52, the middle of 0.4 to 0.65; range 0.3 to 0.65",
        "guard rails (from memory) about the one figure read: 0.63, artists' canvas on pine (Young 2023)",
    ),
    "other": Rule("cloth-on-hard-surface", "0.4; range 0.2 to 0.7", "assumption, no source"),
})  # fmt: skip
WOODS = frozenset({"limewood", "pine", "oak", "walnut", "wood"})

RULES: Mapping[str, Rule] = MappingProxyType({
    rule.name: rule
    for rule in (DENSITY, THICKNESS, CURVE, SHEAR, LOCKING, *BENDING.values(), OTHER_SIDE, BIAS, COMPRESSION, SAFE,
                 *FRICTION.values())
})  # fmt: skip
"""Every rule by its name."""

_CURVE_LOAD = to_si(500.0, "gf_cm")


def estimate_density(threads: float) -> Estimate:
    """Mass per area [kg/m2] of a plain linen from its ``threads`` per metre, warp and weft together."""
    (few, light), (many, heavy) = (1800.0, 0.170), (4300.0, 0.310)
    value = light + (heavy - light) * (threads - few) / (many - few)
    ends = sorted((threads * light / few, threads * heavy / many))
    return Estimate(value, min(ends[0], value), max(ends[1], value), DENSITY)


def estimate_thickness(areal_density: float) -> Estimate:
    """Thickness [m] from mass per area [kg/m2]."""
    return Estimate(areal_density / 400.0, areal_density / 490.0, areal_density / 225.0, THICKNESS)


def estimate_stiffness(side: str) -> Estimate:
    """Stiffness per width [N/m] of "warp" or "weft": the slope of a straight line up to `curve_load`."""
    ends = ({"warp": 0.05, "weft": 0.04}[side], 0.15, 0.01)
    value, low, high = (_CURVE_LOAD / extension for extension in ends)
    return Estimate(value, low, high, CURVE)


def curve_load() -> float:
    """Tension [N/m] to which `estimate_stiffness` reaches: 500 gf/cm, the end load of a KES pull (from memory)."""
    return _CURVE_LOAD


def estimate_shear() -> Estimate:
    """Shear rigidity [N/m per rad]."""
    return Estimate(45.0, 11.0, 170.0, SHEAR)


def estimate_locking() -> Estimate:
    """Locking angle [rad]."""
    return Estimate(math.radians(35.0), math.radians(30.0), math.radians(40.0), LOCKING)


def estimate_bending(fibre: str, areal_density: float) -> Estimate | None:
    """Bending rigidity per width [N m] of a plain weave of ``fibre``; None where there is no rule for the fibre."""
    if fibre not in BENDING:
        return None
    value, low, high = (bending_rigidity(areal_density, to_si(c, "mm")) for c in LENGTHS[fibre])
    return Estimate(value, low, high, BENDING[fibre])


def estimate_other_side(rigidity: float) -> Estimate:
    """Bending rigidity [N m] of the yarns that were not measured from that of those that were."""
    return Estimate(rigidity, 0.5 * rigidity, 2.0 * rigidity, OTHER_SIDE)


def estimate_bias(warp: float, weft: float) -> Estimate:
    """Bending rigidity [N m] at 45 degrees."""
    peirce = 4.0 / (warp**-0.5 + weft**-0.5) ** 2
    return Estimate(peirce, min(0.25 * (warp + weft), peirce), peirce, BIAS)


def estimate_compression() -> Estimate:
    """Compressive over initial tensile modulus."""
    return Estimate(1.0, 0.1, 1.0, COMPRESSION)


def estimate_safe(last_strain: float) -> Estimate:
    """Safe extension from the last strain of the load-extension curve."""
    return Estimate(0.5 * last_strain, 0.25 * last_strain, last_strain, SAFE)


def estimate_friction(surface: str) -> Estimate:
    """Static coefficient on ``surface``; "itself" is the cloth on itself. Nothing uses it unasked: cards ask for it."""
    if surface == "itself":
        return Estimate(0.45, 0.25, 0.9, FRICTION["itself"])
    if surface in WOODS:
        return Estimate(0.52, 0.3, 0.65, FRICTION["wood"])
    return Estimate(0.4, 0.2, 0.7, FRICTION["other"])
