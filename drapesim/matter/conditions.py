"""Conditions: damp, starch, creases, age, as stated factors on what a fabric card gives.

Two sorts. For some kinds a published figure exists and stands here with its source; the others are plain switches to
see how much it matters: whoever uses one gives the factor, and it is labelled an assumption. Either way what a factor
has touched is no longer as measured, and is flagged as estimated from there on. Bending hysteresis goes with bending,
so that the curvature which friction between yarns can hold stays as it was: an assumption, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from drapesim.ground.files import Document, Keys

if TYPE_CHECKING:
    from drapesim.matter.fabric import FabricCard, Provenance

ASSUMPTION = "assumption, no source"
CONDITION = "condition-"  # begins the rule of a value that a condition has changed

# what a condition may scale -> the fields of the card
FIELDS: Mapping[str, tuple[str, ...]] = MappingProxyType({
    "bending": ("bend_warp", "bend_weft", "bend_bias", "bend_hysteresis_warp", "bend_hysteresis_weft"),
    "tension": ("warp_curve", "weft_curve"),  # at the same extension
    "shear": ("shear_rigidity",),
    "safe extension": ("safe_strain_warp", "safe_strain_weft"),
})  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """A kind of condition: what it ``scales``; its published ``factor`` with a range, None where none was found."""

    scales: tuple[str, ...]
    factor: float | None
    low: float | None
    high: float | None
    source: str


KINDS: Mapping[str, Kind] = MappingProxyType({
    "softened": Kind(
        ("bending",), 1 / 3.5, 1 / 4, 1 / 3,
        "cellulase cut the bending stiffness of flax fabrics 3 to 4 times (Textile Research Journal 2022, DOI "
        "10.1177/00405175221101018, abstract read)",
    ),
    "rewetted-glue": Kind(
        ("tension",), 1.22, None, None,
        "water alone, once dry, raised the storage modulus of a 19th-century lining linen with traces of glue by some "
        "22 %, at 30 % humidity (Bridarolli et al. 2023, Conserving Canvas, ch. 27, read); pulled, not bent",
    ),
    "old-lining": Kind(
        ("safe extension",), 0.15, None, None,
        "19th-century lining linens have 15 % of the strength of new linen (Young and Hibberd 1999, ICOM-CC Lyon, "
        "abstract read, its per cent sign lost there); that the safe extension falls alike is an assumption",
    ),
    "humidity": Kind(
        ("bending", "tension", "shear"), None, None, None,
        "canvas softens as the air grows damper (Janas et al. 2022, Heritage Science 10:160, abstract read); by "
        "how much yours does was not found published",
    ),
    "starch": Kind(("bending", "shear"), None, None, None, "no figure for starched linen was found"),
    "creases": Kind(
        ("bending",), None, None, None,
        "no figure was found; a factor on the whole sheet says nothing of where the creases lie",
    ),
    "brittle": Kind(("safe extension",), None, None, None, "no figure was found beyond that of 'old-lining'"),
})  # fmt: skip


@dataclass(frozen=True)
class Condition:
    """One condition in force: its kind, what it scales by which factor (range None: not known), and why."""

    kind: str
    scales: tuple[str, ...]
    factor: float
    low: float | None
    high: float | None
    source: str
    assumed: bool


def check_condition(document: Document, keys: Keys, kind: str, factor: float | None, because: str) -> Condition:
    """The condition that a table at ``keys`` states. `InputError` for an unknown kind, and for a missing factor."""
    from drapesim.matter.door import suggest

    if kind not in KINDS:
        raise document.error((*keys, "kind"), f"there is no condition '{kind}'", suggest(kind, KINDS))
    known = KINDS[kind]
    if factor is not None:
        return Condition(kind, known.scales, factor, None, None, because or ASSUMPTION, True)
    if known.factor is None:
        problem = f"'{kind}' has no published factor ({known.source})"
        raise document.error(keys, problem, "give factor, and because, to see how much it would matter")
    return Condition(kind, known.scales, known.factor, known.low, known.high, known.source, False)


def apply_conditions(card: FabricCard, conditions: tuple[Condition, ...]) -> FabricCard:
    """``card`` in these conditions, one after the other. What a factor touches is flagged as estimated."""
    for condition in conditions:
        card = _apply(card, condition)
    return card


def _apply(card: FabricCard, condition: Condition) -> FabricCard:
    factor = condition.factor
    touched = [name for what in condition.scales for name in FIELDS[what]]
    changes: dict[str, object] = {}
    for name in touched:
        if name.endswith("_curve"):
            changes[name] = getattr(card, name) * [1.0, factor]
        elif not name.startswith(("safe_strain", "bend_hysteresis")):
            changes[name] = getattr(card, name) * factor
    if "safe extension" in condition.scales:
        changes["safe_strain"] = (card.safe_strain[0] * factor, card.safe_strain[1] * factor)
    if "bending" in condition.scales:
        changes["bend_hysteresis"] = tuple(rub if rub is None else rub * factor for rub in card.bend_hysteresis)
    origins = dict(card.provenance)
    for name in touched:
        if name in origins:
            origins[name] = _touch(origins[name], condition)
    return replace(card, provenance=MappingProxyType(origins), **changes)  # type: ignore[arg-type]


def _touch(origin: Provenance, condition: Condition) -> Provenance:
    """``origin`` with the condition told; invented values stay invented. An assumed factor has no uncertainty to add
    to the value's, so none is stated from there on."""
    label = f"{ASSUMPTION}: " if condition.assumed and condition.source != ASSUMPTION else ""
    why = f"{label}{condition.source}"
    told = f"{origin.source}; times {condition.factor:.3g} for the condition '{condition.kind}' ({why})"
    share = origin.uncertainty
    if condition.low is None or condition.high is None:
        share = None
    elif share is not None:
        share = math.hypot(share, (condition.high - condition.low) / (2.0 * math.sqrt(3.0) * condition.factor))
    rule = " and ".join(part for part in (origin.rule, f"{CONDITION}{condition.kind}") if part)
    status = origin.status if origin.invented else "estimated"
    return replace(
        origin, source=told, status=status, rule=rule, uncertainty=share, spread=None, n=0, low=None, high=None
    )
