"""Card text: a fabric card written out as TOML, with every gap filled by a rule and told as such.

The card is held as nested plain tables, as in the file. Gaps are found by reading the card the way everybody does, so
what is written is what would have been used.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from drapesim.ground.files import parse_toml, write_text
from drapesim.ground.units import bending_length, from_si
from drapesim.matter.estimates import RULES, estimate_friction
from drapesim.matter.fabric import FabricCard, Provenance, parse_cloth

Tables = Mapping[str, Any]

# field of the card -> its table in the file, and the key that the value is written under
PLACES: Mapping[str, tuple[tuple[str, ...], str]] = {
    "thickness": (("thickness",), "value_mm"),
    "warp_curve": (("load_extension", "warp"), "modulus_kN_m"),
    "weft_curve": (("load_extension", "weft"), "modulus_kN_m"),
    "bend_warp": (("bending", "warp"), "bending_length_mm"),
    "bend_weft": (("bending", "weft"), "bending_length_mm"),
    "bend_bias": (("bending", "bias"), "bending_length_mm"),
    "shear_rigidity": (("shear",), "rigidity_N_m_rad"),
    "locking_angle": (("locking",), "angle_deg"),
    "compression_ratio": (("compression",), "ratio"),
    "safe_strain_warp": (("safe_extension", "warp"), "value_percent"),
    "safe_strain_weft": (("safe_extension", "weft"), "value_percent"),
}


def write_card(path: str | Path, tables: Tables, heading: str = "") -> None:
    """Write a card, its gaps filled, to ``path``, whole or not at all. Raises `InputError` for an impossible one."""
    write_text(path, spell_card(fill_gaps(tables), heading))


def fill_gaps(tables: Tables, surfaces: tuple[str, ...] = ()) -> dict[str, Any]:
    """``tables`` of a card with what it leaves out added by rule: status, rule, range and source told.

    ``surfaces`` are further ones that need a friction; "itself" always gets one.
    """
    full = _copy(tables)
    grips = full.setdefault("friction", {})
    for surface in ("itself", *surfaces):
        if surface not in grips:
            guess = estimate_friction(surface)
            number = {"value": guess.value, "low": guess.low, "high": guess.high}
            grips[surface] = {"coefficient": number, **_by_rule(guess.rule.name)}
    bare = {key: table for key, table in full.items() if key != "condition"}  # that is put on top of what stands here
    card = parse_cloth(parse_toml("card.toml", spell_card(bare), "fabric card")).card
    for name, (path, key) in PLACES.items():
        origin = card.provenance[name]
        table = full
        for step in path[:-1]:
            table = table.setdefault(step, {})
        if origin.estimated and path[-1] not in table:
            table[path[-1]] = _spell_estimate(card, name, key, origin)
    return full


def drop_estimates(tables: Tables) -> dict[str, Any]:
    """``tables`` without what `fill_gaps` can make anew: to write a card again after a rule has changed."""
    kept: dict[str, Any] = {}
    for key, table in tables.items():
        if isinstance(table, Mapping):
            if table.get("status") == "estimated" and table.get("rule") in RULES and key != "areal_density":
                continue
            table = drop_estimates(table)
        kept[key] = table
    return kept


def _by_rule(rule: str) -> dict[str, str]:
    return {"source": f"{RULES[rule].formula}: {RULES[rule].source}", "status": "estimated", "rule": rule}


def _spell_estimate(card: FabricCard, name: str, key: str, origin: Provenance) -> dict[str, Any]:
    """One table of the file for a value that a rule made."""
    assert origin.low is not None
    assert origin.high is not None
    ends = [origin.low, origin.high]
    if name.endswith("_curve"):  # a straight line, whose range is that of its slope
        strain, tension = getattr(card, name)[-1].tolist()
        slope = [from_si(end, "kN_m") for end in (tension / strain, *ends)]
        return {key: _number(*slope), "up_to_percent": from_si(strain, "percent")} | _by_rule(origin.rule)
    if name.startswith("bend_"):
        spelt = [from_si(bending_length(card.areal_density, end), "mm") for end in (getattr(card, name), *ends)]
    elif name.startswith("safe_strain"):
        value = card.safe_strain[name.endswith("weft")]
        spelt = [from_si(end, "percent") for end in (value, *ends)]
    else:
        unit = {"value_mm": "mm", "angle_deg": "deg"}.get(key, "1")
        spelt = [from_si(end, unit) for end in (getattr(card, name), *ends)]
    return {key: _number(*spelt)} | _by_rule(origin.rule)


def _number(value: float, low: float, high: float) -> dict[str, float]:
    return {"value": value, "low": low, "high": high}


def _copy(tables: Tables) -> dict[str, Any]:
    return {key: _copy(value) if isinstance(value, Mapping) else value for key, value in tables.items()}


# TOML

NUMBER_KEYS = frozenset({"value", "sd", "n", "low", "high"})


def spell_card(tables: Tables, heading: str = "") -> str:
    """``tables`` as the text of a TOML file; ``heading`` becomes comment lines at its top."""
    lines = [f"# {line}".rstrip() for line in heading.splitlines()]
    lines += [""] if lines else []
    _spell_table((), tables, lines)
    return "\n".join(lines).strip("\n") + "\n"


def _spell_table(path: tuple[str, ...], table: Tables, lines: list[str]) -> None:
    """Append ``table``: first its own keys under a header, then its tables. Tables of a number stay on their line."""
    inner = {key: value for key, value in table.items() if isinstance(value, Mapping) and not _is_number(value)}
    own = {key: value for key, value in table.items() if key not in inner}
    if own:
        lines += ["", f"[{'.'.join(map(_key, path))}]"] if path else []
        lines += [f"{_key(key)} = {_spell(value)}" for key, value in own.items()]
    for key, value in inner.items():
        _spell_table((*path, key), value, lines)


def _is_number(table: Tables) -> bool:
    return bool(table) and set(table) <= NUMBER_KEYS


def _key(key: str) -> str:
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else _spell(key)


def _spell(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(_spell, value))}]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_spell(each)}" for key, each in value.items()) + " }"
    return str(value) if isinstance(value, int) else f"{value:.5g}"
