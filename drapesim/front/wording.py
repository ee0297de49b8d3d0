"""Wording: figures and answers as words, alike in the terminal and the report. What is not finite is "not measured"."""

from __future__ import annotations

import math
from types import MappingProxyType

from drapesim.ground.outcome import NOT_MEASURED
from drapesim.matter.answers import PlaceCheck, SpacingChange, Verdict
from drapesim.matter.conditions import CONDITION
from drapesim.matter.fabric import ESTIMATED, INVENTED, FabricCard, Provenance

WORDS = MappingProxyType({True: "yes", False: "no", None: "undecided"})

CARD_WORDS = MappingProxyType({
    "areal_density": "mass per area", "thickness": "thickness",
    "warp_curve": "load and extension, warp", "weft_curve": "load and extension, weft",
    "compression_ratio": "stiffness pushed over pulled", "shear_rigidity": "shear rigidity",
    "locking_angle": "locking angle", "bend_warp": "bending rigidity, warp", "bend_weft": "bending rigidity, weft",
    "bend_bias": "bending rigidity, bias", "safe_strain_warp": "safe extension, warp",
    "safe_strain_weft": "safe extension, weft", "bend_hysteresis_warp": "bending hysteresis 2HB, warp",
    "bend_hysteresis_weft": "bending hysteresis 2HB, weft",
})  # fmt: skip
"""The fabric card's values as a reader would call them."""


def name_card_value(key: str) -> str:
    """A key of the card's provenance in words."""
    return CARD_WORDS.get(key, f"friction on {key.removeprefix('friction.')}")


def spell_card_doubts(card: FabricCard) -> list[str]:
    """Sentences that say which of the card's values nobody measured, or that a stated condition has changed."""
    said = []
    for status, told in ((ESTIMATED, "estimated by rule and not measured"), (INVENTED, "invented for demonstration")):
        names = [name_card_value(key) for key, origin in card.provenance.items() if origin.status == status]
        if names:
            said.append(f"Of the fabric card, {told}: {'; '.join(names)}.")
    changed: dict[str, list[str]] = {}
    for key, origin in card.provenance.items():
        for rule in origin.rule.split(" and "):
            if rule.startswith(CONDITION):
                changed.setdefault(rule.removeprefix(CONDITION), []).append(name_card_value(key))
    for kind, names in changed.items():
        said.append(f"Changed by the stated condition '{kind}': {'; '.join(names)}.")
    return said


def spell_origin(origin: Provenance | None) -> tuple[str, str]:
    """(status in one word, where the value comes from and how well it is known)."""
    if origin is None:
        return "not stated", ""
    parts = [origin.source, origin.standard]
    if origin.rule:
        parts.append(f"rule {origin.rule}")
    if origin.n:
        parts.append(f"{origin.n} reading{'' if origin.n == 1 else 's'}")
    if origin.spread is not None:
        parts.append(f"standard deviation {_spell_share(origin.spread)}")
    if origin.uncertainty is not None:
        parts.append(f"standard uncertainty {_spell_share(origin.uncertainty)}")
    return origin.status, "; ".join(part for part in parts if part)


def _spell_share(share: float) -> str:
    """A share in per cent, two digits and no power of ten."""
    return f"{100.0 * share:.2g} %" if share < 0.995 else f"{100.0 * share:.0f} %"


def spell_figure(value: float, form: str = ".2g", unit: str = "") -> str:
    """``value`` in the format ``form``, with its unit; without a minus before zero."""
    if not math.isfinite(value):
        return NOT_MEASURED
    text = f"{value:{form}} {unit}".rstrip()
    return text.removeprefix("-") if float(f"{value:{form}}") == 0.0 else text


def spell_count(count: int | None) -> str:
    """How many there are; None: nobody counted."""
    return NOT_MEASURED if count is None else str(count)


def spell_mm(metres: float, digits: int = 1) -> str:
    """A length in mm, the unit left out."""
    return spell_figure(1e3 * metres, f".{digits}f")


def spell_percent(share: float) -> str:
    """A share in whole per cent, the sign left out."""
    return spell_figure(100.0 * share, ".0f")


def spell_contact(verdict: Verdict) -> tuple[str, str]:
    """(share in contact as measured, the least and most that the uncertainty allows), per cent; "" if these agree."""
    measured = spell_percent(verdict.contact_share_measured)
    least, most = spell_percent(verdict.contact_share_sure), spell_percent(verdict.contact_share_possible)
    return measured, "" if least == measured == most else f"{least} to {most}"


def spell_source(verdict: Verdict) -> str:
    """Where the mark's uncertainty comes from."""
    change = verdict.change
    if change is None:
        return "estimated from curvature"
    return f"measured, {1e3 * change.wider:.4g} against {1e3 * change.own:.4g} mm"


def spell_change(change: SpacingChange) -> tuple[str, str, str, str, str]:
    """Changes of gap least, middle, most (mm) and of the contact (points of per cent), signed; observed order."""

    def signed(value: float, digits: int) -> str:
        text = spell_figure(value, f"+.{digits}f")
        return text.removeprefix("+") if not text.strip("+0.") else text

    gaps = [signed(1e3 * gap, 2) for gap in (change.gap_min, change.gap_median, change.gap_max)]
    order = "" if math.isnan(change.order) else f"{change.order:.1f}" if math.isfinite(change.order) else "none"
    return gaps[0], gaps[1], gaps[2], signed(100.0 * change.contact_share, 0), order


def spell_belonging(place: PlaceCheck) -> str:
    """Answer of the second test in one word or two."""
    return WORDS[place.belongs] if place.asked else "not asked"


def spell_place(place: PlaceCheck, verdict_reason: str = "") -> str:
    """The second test in sentences; a reason that the verdict has given already is not said again."""
    said = [f"Does it belong to the {place.place}? {spell_belonging(place).capitalize()}."]
    if place.reason != verdict_reason:
        said.append(place.reason)
    if place.offset_body <= 0.0 and place.offset_cloth <= 0.0:
        said.append("Its middle lies there.")
    elif math.isfinite(place.offset_body) and math.isfinite(place.offset_cloth):
        body, cloth = spell_mm(place.offset_body), spell_mm(place.offset_cloth)
        said.append(f"Its middle is {body} mm off along the body and {cloth} mm on the cloth.")
    else:
        said.append("How far off its middle is was not measured.")
    return " ".join(said)
