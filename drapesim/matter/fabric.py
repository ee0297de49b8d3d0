"""The fabric card: measured cloth, every number with its unit, standard, source, status and uncertainty."""

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
from drapesim.ground.units import bending_rigidity, to_si, unit_of
from drapesim.matter import estimates
from drapesim.matter.conditions import Condition, apply_conditions, check_condition

if TYPE_CHECKING:
    from drapesim.matter.card_schema import Bending, CardFile, Curve, SafeExtension, Sourced

Array = np.ndarray

MEASURED, PUBLISHED, ESTIMATED, INVENTED = "measured", "published", "estimated", "invented"
ITSELF = "itself"  # the surface name that stands for another layer of the same cloth
SIDES = ("warp", "weft")


@dataclass(frozen=True)
class Provenance:
    """Where one value of the card comes from and how well it is known.

    status: "measured" (on this cloth), "published" (for it), "estimated" (by the rule named in ``rule``, not measured)
    or "invented" (demo data). uncertainty: relative standard uncertainty of the value, None where nothing is stated.
    spread: relative standard deviation of the ``n`` readings behind it (0: how many is not stated).
    low, high: its range in SI, of a curve that of its stiffness [N/m]; None where none is stated.
    """

    source: str
    standard: str = ""
    status: str = MEASURED
    rule: str = ""
    uncertainty: float | None = None
    spread: float | None = None
    n: int = 0
    low: float | None = None
    high: float | None = None

    @property
    def estimated(self) -> bool:
        """Filled in by a rule, not measured."""
        return self.status == ESTIMATED

    @property
    def invented(self) -> bool:
        """Demo data."""
        return self.status == INVENTED


@dataclass(frozen=True)
class FabricCard:
    """One cloth, in SI: what is computed with.

    ``warp_curve``/``weft_curve`` are load-extension points, arrays (k, 2) of engineering strain [-] and
    tension per width [N/m], first row (0, 0), both columns strictly rising.
    ``compression_ratio`` is the compressive over the initial tensile modulus.
    ``shear_rigidity`` is N/m per radian of yarn angle, ``locking_angle`` rad.
    ``bend_*`` are bending rigidities per width, N m; ``bend_bias`` is that at 45 degrees.
    ``friction`` maps a surface name to the static coefficient against it; "itself" is the cloth on itself.
    ``safe_strain`` (warp, weft) is the extension that must not be exceeded.
    ``bend_hysteresis`` (warp, weft) is 2HB, N, None where it is not known: the sheet is computed without it, and how
    far it may hold a gap off is told as an uncertainty.
    ``provenance`` is keyed by field name; ``safe_strain_warp``, ``safe_strain_weft``, ``friction.<surface>`` and, where
    known, ``bend_hysteresis_warp`` and ``bend_hysteresis_weft`` have an entry each.
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
    bend_hysteresis: tuple[float | None, float | None] = (None, None)
    provenance: Mapping[str, Provenance] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def self_friction(self) -> float:
        """Static coefficient of the cloth on itself; 0 on a card made by hand that does not give it."""
        return self.friction.get(ITSELF, 0.0)

    @property
    def twist(self) -> float:
        """Twist constant J [N m] of B(t) = Bu c^4 + Bv s^4 + 2 J c^2 s^2 (Cooper form), from the 45-degree rigidity."""
        return 0.5 * (4.0 * self.bend_bias - self.bend_warp - self.bend_weft)


@dataclass(frozen=True)
class DrapeReading:
    """A drape-meter reading: coefficient 0 to 1, diameters m, folds counted (None: not told)."""

    coefficient: float
    support: float
    specimen: float
    folds: float | None = None


@dataclass(frozen=True)
class Cloth:
    """A whole card: what is computed with, and what is only told or held against virtual tests.

    shear_hysteresis: 2HG [N/m], read at shear_hysteresis_angle [rad]; None where the card does not say. threads: per
    metre along warp and weft. provenance: of what ``card`` has no field for (``shear_hysteresis``, ``drape``).
    conditions: those the card itself states, in force in ``card``.
    """

    card: FabricCard
    fibre: str
    description: str = ""
    weave: str = ""
    threads: tuple[float | None, float | None] = (None, None)
    shear_hysteresis: float | None = None
    shear_hysteresis_angle: float | None = None
    drape: DrapeReading | None = None
    conditions: tuple[Condition, ...] = ()
    provenance: Mapping[str, Provenance] = field(default_factory=lambda: MappingProxyType({}))


def read_card(path: str | Path, named_in: str = "") -> FabricCard:
    """Read a fabric card from its TOML file; ``named_in`` is the place (``file:line``) that names it, if any.

    What the card leaves out is filled by the rules of `drapesim.matter.estimates` and flagged ``estimated``.
    Raises `InputError` for a missing or malformed file and for values that no cloth can have.
    """
    return read_cloth(path, named_in).card


def read_cloth(path: str | Path, named_in: str = "") -> Cloth:
    """As `read_card`, with what the card tells besides."""
    return parse_cloth(read_toml(path, "fabric card", named_in))


def parse_card(document: Document) -> FabricCard:
    """The fabric card in a TOML document that has been read. Raises `InputError`."""
    return parse_cloth(document).card


def parse_cloth(document: Document) -> Cloth:
    """The whole card in a TOML document that has been read. Raises `InputError`."""
    from drapesim.matter.card_schema import CardFile
    from drapesim.matter.door import check

    if "weight" in document.data and "areal_density" not in document.data:
        problem = "this is a form of lab readings and no fabric card"
        raise InputError(document.path, "", problem, "make a card of it with drapesim lab --fit")
    file = check(CardFile, document)
    conditions = tuple(
        check_condition(document, ("condition", number), entry.kind, entry.factor, entry.because)
        for number, entry in enumerate(file.condition)
    )
    told: dict[str, Provenance] = {}
    shear = None
    if file.shear_hysteresis is not None:
        shear, told["shear_hysteresis"] = _value(file.shear_hysteresis), _origin(file.shear_hysteresis)
    drape = None
    if file.drape is not None:
        sizes = to_si(file.drape.support_mm, "mm"), to_si(file.drape.specimen_mm, "mm")
        if sizes[0] >= sizes[1]:
            keys = ("drape", "specimen_mm")
            raise document.error(keys, "the specimen is no larger than the disc it lies on", "give diameters in mm")
        drape, told["drape"] = DrapeReading(_value(file.drape), *sizes, file.drape.folds), _origin(file.drape)
    woven = file.construction
    threads = (woven.warp_threads_per_cm, woven.weft_threads_per_cm) if woven else (None, None)
    return Cloth(
        card=apply_conditions(_fill_card(document, file), conditions),
        fibre=file.fibre,
        description=file.description,
        weave=woven.weave if woven else "",
        threads=(threads[0] and 100.0 * threads[0], threads[1] and 100.0 * threads[1]),
        shear_hysteresis=shear,
        shear_hysteresis_angle=to_si(file.shear_hysteresis.at_deg, "deg") if file.shear_hysteresis else None,
        drape=drape,
        conditions=conditions,
        provenance=MappingProxyType(told),
    )


def _fill_card(document: Document, file: CardFile) -> FabricCard:
    """The card with every gap filled by a rule."""
    provenance: dict[str, Provenance] = {}
    density = _value(file.areal_density)
    provenance["areal_density"] = _origin(file.areal_density)

    def take(name: str, entry: Sourced | None, rule: estimates.Estimate) -> float:
        provenance[name] = _by_rule(rule) if entry is None else _origin(entry)
        return rule.value if entry is None else _value(entry)

    thickness = take("thickness", file.thickness, estimates.estimate_thickness(density))
    curves, safe = {}, {}
    for side in SIDES:
        curves[side], provenance[f"{side}_curve"] = _take_curve(document, side, getattr(file.load_extension, side))
        last, entry = float(curves[side][-1, 0]), getattr(file.safe_extension, side)
        if entry is not None:
            _check_safe(document, side, entry, last)
        safe[side] = take(f"safe_strain_{side}", entry, estimates.estimate_safe(last))
    bend = _take_bending(document, file, density, provenance)
    shear = take("shear_rigidity", file.shear, estimates.estimate_shear())
    locking = take("locking_angle", file.locking, estimates.estimate_locking())
    compression = take("compression_ratio", file.compression, estimates.estimate_compression())
    friction = {}
    for surface, grip in file.friction.items():
        friction[surface], provenance[f"friction.{surface}"] = _value(grip), _origin(grip)
    rub: dict[str, float | None] = dict.fromkeys(SIDES)
    for side in SIDES:
        entry = getattr(file.bending_hysteresis, side)
        if entry is not None:
            rub[side], provenance[f"bend_hysteresis_{side}"] = _value(entry), _origin(entry)
    return FabricCard(
        name=file.name,
        areal_density=density,
        thickness=thickness,
        warp_curve=curves["warp"],
        weft_curve=curves["weft"],
        shear_rigidity=shear,
        locking_angle=locking,
        bend_warp=bend["warp"],
        bend_weft=bend["weft"],
        bend_bias=bend["bias"],
        friction=MappingProxyType(friction),
        compression_ratio=compression,
        safe_strain=(safe["warp"], safe["weft"]),
        bend_hysteresis=(rub["warp"], rub["weft"]),
        provenance=MappingProxyType(provenance),
    )


def _value(entry: Sourced) -> float:
    """The entry's number in SI."""
    number = entry.number()
    assert number is not None  # curves go through `_take_curve`
    return to_si(number.value, unit_of(entry.key()))


def _origin(entry: Sourced, change: tuple[float, int] = (1.0, 1), more: float = 0.0) -> Provenance:
    """Where an entry comes from. ``change`` (a, k): the card's field is a times the entry's SI value to the power k;
    ``more`` is a further relative uncertainty that enters it.

    Relative standard uncertainty: as stated; else of the mean, sd / sqrt(n) (JCGM 100:2008, 4.2.3); else of a range
    taken as even, its width over 2 sqrt 3 (the same, 4.3.7; both from memory).
    """
    factor, power = change
    number = entry.number()
    share = None if entry.uncertainty_percent is None else to_si(entry.uncertainty_percent, "percent")
    spread = low = high = None
    if number is not None:
        if number.sd is not None and number.n is not None and number.value > 0.0:
            spread = power * number.sd / number.value
            share = spread / math.sqrt(number.n) if share is None else share
        if number.low is not None and number.high is not None:
            unit = unit_of(entry.key())
            low, high = (factor * to_si(end, unit) ** power for end in (number.low, number.high))
            if share is None:
                share = (high - low) / (2.0 * math.sqrt(3.0) * factor * to_si(number.value, unit) ** power)
    if share is not None and more > 0.0:
        share = math.hypot(share, more)
    count = number.n or 0 if number is not None else 0
    return Provenance(entry.source, entry.standard, entry.status, entry.rule, share, spread, count, low, high)


def _by_rule(estimate: estimates.Estimate) -> Provenance:
    """What the card leaves out, filled by a rule."""
    rule, width = estimate.rule, estimate.high - estimate.low
    share = width / (2.0 * math.sqrt(3.0) * estimate.value)
    return Provenance(f"{rule.formula}: {rule.source}", "", ESTIMATED, rule.name, share,
                      low=estimate.low, high=estimate.high)  # fmt: skip


def _take_bending(
    document: Document, file: CardFile, density: float, provenance: dict[str, Provenance]
) -> dict[str, float]:
    """Bending rigidities per width [N m] of warp, weft and bias, as given or by rule."""
    given = {side: getattr(file.bending, side) for side in (*SIDES, "bias")}
    bend: dict[str, float] = {}
    for side, entry in given.items():
        if entry is not None:
            bend[side], provenance[f"bend_{side}"] = _rigidity(entry, density, provenance["areal_density"])
    for side, other in (SIDES, SIDES[::-1]):
        if side in bend:
            continue
        estimate = estimates.estimate_bending(file.fibre, density)
        if given[other] is not None:
            estimate = estimates.estimate_other_side(bend[other])
        if estimate is None:
            problem = f"neither warp nor weft is given, and there is no rule for the fibre '{file.fibre}'"
            raise document.error(("bending",), problem, 'give [bending.warp], or say fibre = "linen" or "cotton"')
        bend[side], provenance[f"bend_{side}"] = estimate.value, _by_rule(estimate)
    if "bias" in bend:
        _check_bias(document, bend["warp"], bend["weft"], bend["bias"])
    else:
        estimate = estimates.estimate_bias(bend["warp"], bend["weft"])
        bend["bias"], provenance["bend_bias"] = estimate.value, _by_rule(estimate)
    return bend


def _rigidity(entry: Bending, density: float, weighed: Provenance) -> tuple[float, Provenance]:
    """Bending rigidity per width [N m] of an entry that gives it or the bending length, B = w c^3."""
    if not entry.key().startswith("bending_length"):
        return _value(entry), _origin(entry)
    factor = bending_rigidity(density, 1.0)
    share = entry.uncertainty_percent
    origin = _origin(entry.model_copy(update={"uncertainty_percent": 3.0 * share}) if share else entry,
                     (factor, 3), weighed.uncertainty or 0.0)  # fmt: skip
    return factor * _value(entry) ** 3, origin


def _take_curve(document: Document, side: str, entry: Curve | None) -> tuple[Array, Provenance]:
    """(k, 2) strain and tension [N/m] of a load-extension curve that starts at zero and rises strictly."""
    if entry is None:
        estimate, load = estimates.estimate_stiffness(side), estimates.curve_load()
        return np.array([[0.0, 0.0], [load / estimate.value, load]]), _by_rule(estimate)
    held = entry.key()
    keys = ("load_extension", side, held)
    if held == "modulus_kN_m":
        keys = ("load_extension", side, "up_to_percent")
        end = entry.up_to_percent or 0.0  # the schema wants both
        points = np.array([[0.0, 0.0], [end, to_si(end, "percent") * _value(entry)]])
        unit = "N_m"
    else:
        points = np.array(getattr(entry, held), dtype=np.float64)
        unit = unit_of(held)
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
    return np.ascontiguousarray(points * [to_si(1.0, "percent"), to_si(1.0, unit)]), _origin(entry)


def _check_bias(document: Document, warp: float, weft: float, bias: float) -> None:
    """Refuse a bias rigidity that would make the rigidity of some direction negative (Cooper form)."""
    least = 0.25 * (math.sqrt(warp) - math.sqrt(weft)) ** 2
    if bias <= least:
        problem = f"a bias rigidity of {bias * 1e6:g} uN m makes the cloth unstable in bending between warp and bias"
        raise document.error(("bending", "bias"), problem, f"it must exceed {least * 1e6:.3g} uN m")


def _check_safe(document: Document, side: str, entry: SafeExtension, last: float) -> None:
    """Refuse a safe strain beyond the measured curve."""
    safe = _value(entry)
    if safe > last * (1 + 1e-9):
        problem = f"{100 * safe:g} % lies beyond the last measured extension, {last * 100:g} %"
        raise document.error(("safe_extension", side, "value_percent"), problem, "measure further or lower the value")


def check_surfaces(card: FabricCard, surfaces: Mapping[str, str], card_path: str | Path) -> None:
    """Refuse a card without a friction coefficient for each of ``surfaces`` (name -> the place that asks for it)."""
    from drapesim.matter.door import suggest

    for surface, place in surfaces.items():
        if surface not in card.friction:
            problem = f"the fabric card {card_path} has no friction coefficient for the surface '{surface}'"
            raise InputError(place, "", problem, suggest(surface, card.friction))
