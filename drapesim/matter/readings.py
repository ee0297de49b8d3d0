"""Readings: a user's raw lab readings, reduced to a fabric card with mean, standard deviation and count.

A form is TOML, or the same readings as rows of CSV (`drapesim.matter.readings_csv`). A single reading says nothing of
the scatter: it is refused unless the form states ``single_reading_accepted = true``; its uncertainty is then unknown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.ground.files import Document, Keys, read_bytes, read_toml, write_text
from drapesim.ground.outcome import InputError
from drapesim.ground.reductions import (
    FAST_LOADS,
    FAST_SHAPE,
    Repeats,
    density_of_piece,
    disc_area,
    drape_coefficient,
    friction_from_rise,
    friction_from_tilt,
    hang_tension,
    reduce_heart_loop,
    shear_from_bias_trellis,
    summarise,
    thickness_of_stack,
)
from drapesim.ground.references import reduce_bias_extension, reduce_overhang
from drapesim.ground.units import from_si, to_si
from drapesim.matter.card_text import fill_gaps, spell_card
from drapesim.matter.fabric import INVENTED, MEASURED

if TYPE_CHECKING:
    from drapesim.matter.readings_schema import Loop, Overhang, Pull, ReadingsFile

Array = np.ndarray

FORM = Path(__file__).with_name("readings_form.toml")
DIRECTIONS = ("warp", "weft", "bias")
UNIT_WORDS = {"g_m2": "g/m2", "mm": "mm", "1": ""}
TRELLIS = math.sqrt(2.0) - 1.0  # strain at which a trellis pulled along its diagonal is all drawn out
SHORTEST, LONGEST = 1.25, 10.0  # of a bias piece over its breadth: outside, it is a slip or no test of shear
APART = 2.0  # between the largest and the smallest of repeats: beyond it one is a slip, such as a decimal comma
ONE = "one reading, its uncertainty is not known"
ALIKE = "all readings alike, so their scatter lies below what was read off"


@dataclass(frozen=True)
class BendReading:
    """Bending of one direction. way: "overhang", reading m at the chord angle ``at`` rad; or "loop", reading m below
    the clamps of a loop ``at`` m long. faces: overhang with the face up and with it down, None where not read."""

    way: str
    reading: Repeats
    at: float
    bending_length: Repeats  # m
    faces: tuple[Repeats | None, Repeats | None] = (None, None)
    standard: str = ""


@dataclass(frozen=True)
class PullReading:
    """A pulled strip: tension (k,) N/m, mean strain (k,) and its standard deviation (k,) over ``n`` strips."""

    tension: Array
    strain: Array
    spread: Array
    n: int
    standard: str = ""


@dataclass(frozen=True)
class BiasReading:
    """A pull at 45 degrees: tension N/m, strain, and the shear rigidity N/m per rad from it. ``shape``: the piece's
    length between its clamps over its breadth; ``stated``: by the form, not taken as that of the FAST meter."""

    tension: float
    strain: Repeats
    shear: Repeats
    standard: str = ""
    shape: float = FAST_SHAPE
    stated: bool = False


@dataclass(frozen=True)
class DrapeRepeats:
    """Drape coefficient (0 to 1) of a disc ``specimen`` m wide on one ``support`` m wide."""

    coefficient: Repeats
    support: float
    specimen: float
    standard: str = ""


@dataclass(frozen=True)
class Readings:
    """A reduced form, SI. areal_density kg/m2, thickness m; bending by direction, extension by side, friction by
    surface (coefficients). ``tables``: the same as tables of a fabric card, gaps left out. path: the form's."""

    name: str
    fibre: str
    source: str
    areal_density: Repeats
    thickness: Repeats | None
    bending: Mapping[str, BendReading]
    extension: Mapping[str, PullReading]
    bias: BiasReading | None
    friction: Mapping[str, Repeats]
    drape: DrapeRepeats | None
    surfaces: tuple[str, ...] = ()
    tables: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    path: Path = Path()


def read_readings(path: str | Path) -> Readings:
    """Read and reduce a form, TOML or CSV by its ending. Raises `InputError`, one sentence a fault."""
    from drapesim.matter.readings_csv import read_csv

    return reduce_readings(read_csv(path) if Path(path).suffix.lower() == ".csv" else read_toml(path, "readings form"))


def card_from_readings(readings: Readings) -> str:
    """The text of a fabric card: what was read, and the rest by rule and told as estimated.

    Raises `InputError` where the readings, each in order by itself, make no cloth together.
    """
    heading = (
        f"Reduced by drapesim from readings ({readings.source}); what was not read is estimated by the rule named."
    )
    try:
        return spell_card(fill_gaps(readings.tables, readings.surfaces), heading)
    except InputError as fault:  # it names a card that nobody has seen yet
        raise InputError(readings.path, fault.where, fault.problem, fault.remedy, fault.further) from None


def write_card(path: str | Path, readings: Readings) -> None:
    """Write the card of ``readings`` to ``path``, whole or not at all."""
    write_text(path, card_from_readings(readings))


def write_form(path: str | Path) -> None:
    """Write an empty form with its explanations to ``path``. Raises `InputError` where something stands there."""
    if Path(path).exists():
        raise InputError(path, "", "there is something there already", "name another file")
    write_text(path, read_bytes(FORM, "form").decode("utf-8"))


def reduce_readings(document: Document) -> Readings:
    """Reduce a form that has been read. Raises `InputError`."""
    from drapesim.matter.door import check
    from drapesim.matter.readings_schema import ReadingsFile

    if "areal_density" in document.data:
        raise InputError(document.path, "", "this is a fabric card and no form of readings", "give it without --fit")
    form = check(ReadingsFile, document)
    reduce = _Reducer(document, form)
    weight = form.weight
    area = weight.pieces * to_si(weight.side_mm, "mm") ** 2
    density = reduce.plain(("weight", "masses_g"), [density_of_piece(to_si(m, "g"), area) for m in weight.masses_g],
                           "a weight", "g_m2", (5.0, 3000.0))  # fmt: skip
    thickness = None
    if form.thickness is not None:
        heights = [thickness_of_stack(to_si(h, "mm"), form.thickness.layers) for h in form.thickness.heights_mm]
        thickness = reduce.plain(("thickness", "heights_mm"), heights, "a thickness", "mm", (0.02, 10.0))
    bending = {}
    for side in DIRECTIONS:
        strip, loop = getattr(form.overhang, side), getattr(form.heart_loop, side)
        if strip is not None and loop is not None:
            problem = f"the {side} has both an overhang and a heart loop"
            raise document.error(("heart_loop", side), problem, "keep the one that you trust more")
        if strip is not None:
            bending[side] = reduce.overhang(("overhang", side), strip)
        elif loop is not None:
            bending[side] = reduce.loop(("heart_loop", side), loop)
    pulls = {side: getattr(form.extension, side) for side in ("warp", "weft")}
    readings = Readings(
        name=form.name,
        fibre=form.fibre,
        source=form.source,
        areal_density=density,
        thickness=thickness,
        bending=MappingProxyType(bending),
        extension=MappingProxyType(
            {side: reduce.pull(("extension", side), pull) for side, pull in pulls.items() if pull is not None}
        ),
        bias=None if form.bias_extension is None else reduce.bias(("bias_extension",), form.bias_extension),
        friction=MappingProxyType({surface: reduce.incline(surface) for surface in form.incline}),
        drape=reduce.drape(),
        surfaces=tuple(form.surfaces),
        path=document.path,
    )
    return Readings(**{**vars(readings), "tables": MappingProxyType(_spell_tables(form, readings))})


@dataclass(frozen=True)
class _Reducer:
    """Reduces one form, whose document tells where a fault stands."""

    document: Document
    form: ReadingsFile

    def repeat(self, keys: Keys, values: Sequence[float]) -> Repeats:
        """The readings summed up; a single one only where the form accepts it."""
        if len(values) == 1 and not self.form.single_reading_accepted:
            remedy = "take at least two, or state single_reading_accepted = true at the top of the form"
            raise self.document.error(keys, "one reading says nothing of the scatter", remedy)
        return summarise(values)

    def plain(self, keys: Keys, values: Sequence[float], what: str, unit: str, limits: tuple[float, float]) -> Repeats:
        """`repeat` of values (SI) above zero that a cloth may have (``limits`` in ``unit``) and no two of which much
        differ. The limits are generous guard rails, common practice, no source."""
        for each in (from_si(value, unit) for value in values):
            if not limits[0] <= each <= limits[1]:
                problem = f"{what} of {each:.6g} {UNIT_WORDS[unit]} is no cloth's".replace("  ", " ")
                remedy = f"check the readings and their unit; {limits[0]:g} to {limits[1]:g} would do"
                raise self.document.error(keys, problem, remedy)
        if max(values) > APART * min(values):
            problem = f"the largest reading is {max(values) / min(values):.2g} times the smallest"
            raise self.document.error(keys, problem, "check them; a decimal is written with a point, 62.5 and not 62,5")
        return self.repeat(keys, values)

    def overhang(self, keys: Keys, strip: Overhang) -> BendReading:
        angle = to_si(strip.angle_deg, "deg")
        factor = reduce_overhang(1.0, angle)
        faces = [[to_si(l, "mm") for l in side or ()] for side in (strip.face_up_mm, strip.face_down_mm)]
        together = self.plain(keys, [*faces[0], *faces[1]], "an overhang", "mm", (4.0, 400.0))
        c = Repeats(factor * together.mean, factor * together.sd, together.n)
        up, down = (summarise(side) if side else None for side in faces)
        return BendReading("overhang", together, angle, c, (up, down), strip.standard)

    def loop(self, keys: Keys, loop: Loop) -> BendReading:
        length = to_si(loop.loop_mm, "mm")
        heights = [to_si(height, "mm") for height in loop.heights_mm]
        reading = self.repeat((*keys, "heights_mm"), heights)
        try:
            lengths = [reduce_heart_loop(height, length) for height in heights]
        except ValueError as fault:
            remedy = "use a longer loop for a stiff cloth, a shorter one for a limp one"
            raise self.document.error((*keys, "heights_mm"), str(fault), remedy) from None
        return BendReading("loop", reading, length, summarise(lengths), standard=loop.standard)

    def pull(self, keys: Keys, pull: Pull) -> PullReading:
        tension, strain = self._strains(keys, pull)
        repeats = [self.repeat(keys, row) for row in strain.T.tolist()]
        mean, spread = (np.array([getattr(each, name) for each in repeats]) for name in ("mean", "sd"))
        falls = np.flatnonzero(np.diff(mean, prepend=0.0) <= 0.0)
        if len(falls):
            problem = (
                f"the extension does not rise up to load {falls[0] + 1}, so the cloth would have no stiffness there"
            )
            raise self.document.error(keys, problem, "check the readings, or leave that load out")
        return PullReading(tension, mean, spread, len(strain), pull.standard)

    def bias(self, keys: Keys, pull: Pull) -> BiasReading:
        """Of several loads the one nearest to 5 gf/cm: before the yarns lock."""
        shape, stated = FAST_SHAPE, False
        if pull.width_mm is not None and pull.gauge_mm is not None:
            shape, stated = pull.gauge_mm / pull.width_mm, True
            if not SHORTEST <= shape <= LONGEST:
                problem = f"a piece {pull.gauge_mm:g} mm long and {pull.width_mm:g} mm broad does not read the shear"
                remedy = (
                    f"cut it {SHORTEST:g} to {LONGEST:g} times as long as broad between its clamps, best twice; "
                    "in a shorter one most yarns run from clamp to clamp"
                )
                raise self.document.error((*keys, "gauge_mm"), problem, remedy)
        tension, strain = self._strains(keys, pull)
        best = int(np.argmin(abs(np.log(tension / FAST_LOADS[0]))))
        load, stretched = float(tension[best]), strain[:, best].tolist()
        for each in stretched:
            if not 0.0 < each < TRELLIS:
                problem = f"an extension of {100 * each:g} % is none that a trellis of yarns can make"
                raise self.document.error(keys, problem, f"give extensions above 0 and below {100 * TRELLIS:.0f} %")
        shear = [shear_from_bias_trellis(load, each) for each in stretched]
        return BiasReading(load, self.repeat(keys, stretched), self.repeat(keys, shear), pull.standard, shape, stated)

    def _strains(self, keys: Keys, pull: Pull) -> tuple[Array, Array]:
        """Tensions (k,) [N/m], rising and above zero, and strains (n, k)."""
        kind = next(key for key in ("hung_g", "tensions_N_m", "tensions_gf_cm") if getattr(pull, key) is not None)
        loads = getattr(pull, kind)
        for number, (one, two) in enumerate(pairwise(loads), start=2):
            if two <= one:
                problem = f"the loads do not rise: entry {number} is {two:g} after {one:g}"
                raise self.document.error((*keys, kind), problem, "write loads and readings in rising order")
        if pull.hung_g is not None:
            tension = np.array([hang_tension(to_si(m, "g"), to_si(pull.width_mm or 0.0, "mm")) for m in loads])
        else:
            tension = np.array(loads) * to_si(1.0, kind.removeprefix("tensions_"))
        held = "lengths_mm" if pull.lengths_mm is not None else "extensions_percent"
        rows = getattr(pull, held)
        for number, row in enumerate(rows, start=1):
            if len(row) != len(loads):
                problem = f"row {number} holds {len(row)} readings for {len(loads)} loads"
                raise self.document.error((*keys, held), problem, "give one reading for each load in every row")
        strain = np.array(rows, dtype=np.float64)
        strain = strain / (pull.gauge_mm or 1.0) - 1.0 if held == "lengths_mm" else to_si(1.0, "percent") * strain
        if strain.max() >= 1.0:
            problem = f"an extension of {100 * strain.max():g} % is no woven cloth's"
            raise self.document.error((*keys, held), problem, "give engineering strain in percent, below 100")
        if strain.min() < 0.0:
            problem = "a strip is shorter under load than without"
            raise self.document.error((*keys, held), problem, "check gauge_mm, the length without load")
        if loads[0] == 0.0:
            if strain[:, 0].any():
                problem = "without load the strip is longer than its gauge"
                raise self.document.error((*keys, held), problem, "take its length without load as gauge_mm")
            tension, strain = tension[1:], strain[:, 1:]
        if not len(tension):
            raise self.document.error((*keys, kind), "there is no load above zero", "give at least one")
        return tension, strain

    def incline(self, surface: str) -> Repeats:
        table, keys = self.form.incline[surface], ("incline", surface)
        if table.angles_deg is not None:
            grips = [friction_from_tilt(to_si(a, "deg")) for a in table.angles_deg]
            return self.plain((*keys, "angles_deg"), grips, "a friction", "1", (0.02, 5.0))
        assert table.rises_mm is not None
        assert table.base_mm is not None  # the schema wants both
        base = table.base_mm
        grips = [friction_from_rise(rise, base) for rise in table.rises_mm]
        return self.plain((*keys, "rises_mm"), grips, "a friction", "1", (0.02, 5.0))

    def drape(self) -> DrapeRepeats | None:
        table, keys = self.form.drape, ("drape", "shadow_areas_cm2")
        if table is None:
            return None
        sizes = to_si(table.support_mm, "mm"), to_si(table.specimen_mm, "mm")
        support, specimen = map(disc_area, sizes)
        if support >= specimen:
            raise self.document.error(("drape",), "the specimen is no larger than its support", "give diameters in mm")
        for area in table.shadow_areas_cm2:
            if not support < to_si(area, "cm2") < specimen:
                low, high = (from_si(end, "cm2") for end in (support, specimen))
                problem = f"a shadow of {area:g} cm2 does not lie between the two discs"
                raise self.document.error(keys, problem, f"it must lie between {low:.0f} and {high:.0f} cm2")
        shares = [drape_coefficient(to_si(area, "cm2"), support, specimen) for area in table.shadow_areas_cm2]
        return DrapeRepeats(self.repeat(keys, shares), *sizes, table.standard)


# From readings to the tables of a card.


def _spell_tables(form: ReadingsFile, readings: Readings) -> dict[str, Any]:
    """The readings as the tables of a fabric card, what was not read left out."""
    status = INVENTED if form.invented else MEASURED

    def entry(values: Mapping[str, Any], repeats: Repeats | None, standard: str = "", note: str = "") -> dict[str, Any]:
        doubt = "" if repeats is None else ONE if repeats.n == 1 else ALIKE if repeats.sd == 0.0 else ""
        told = "; ".join(part for part in (note, doubt) if part)
        optional = {"standard": standard, "note": told}
        return {**values, "source": form.source, "status": status, **{k: v for k, v in optional.items() if v}}

    def plain(key: str, repeats: Repeats, unit: str, standard: str = "", note: str = "") -> dict[str, Any]:
        return entry({key: _number(repeats, unit)}, repeats, standard, note)

    tables: dict[str, Any] = {"name": form.name, "description": form.description, "fibre": form.fibre}
    if not form.description:
        del tables["description"]
    if form.climate is not None:
        climate = form.climate.model_dump(exclude_none=True)
        tables["climate"] = {key: value for key, value in climate.items() if value != ""}
    tables["areal_density"] = plain("value_g_m2", readings.areal_density, "g_m2", form.weight.standard)
    if form.thickness is not None and readings.thickness is not None:
        note = (
            f"a stack of {form.thickness.layers} layers, which nest, so it reads low"
            if form.thickness.layers > 1
            else ""
        )
        tables["thickness"] = plain("value_mm", readings.thickness, "mm", form.thickness.standard, note)
        if form.thickness.pressure_kPa is not None:
            tables["thickness"]["pressure_kPa"] = form.thickness.pressure_kPa
    if readings.extension:
        tables["load_extension"] = {side: entry(*_spell_pull(pull)) for side, pull in readings.extension.items()}
    if readings.bias is not None:
        tables["shear"] = plain(
            "rigidity_N_m_rad", readings.bias.shear, "1", readings.bias.standard, _tell_bias(readings.bias)
        )
    if readings.bending:
        tables["bending"] = {
            side: plain("bending_length_mm", bend.bending_length, "mm", bend.standard, _tell_bending(bend))
            for side, bend in readings.bending.items()
        }
    if readings.friction:
        tables["friction"] = {
            surface: plain("coefficient", grip, "1", form.incline[surface].standard, "static, by tilt")
            for surface, grip in readings.friction.items()
        }
        for surface, table in tables["friction"].items():
            if form.incline[surface].pressure_Pa is not None:
                table["pressure_Pa"] = form.incline[surface].pressure_Pa
    if readings.drape is not None:
        drape = readings.drape
        sizes = {"support_mm": from_si(drape.support, "mm"), "specimen_mm": from_si(drape.specimen, "mm")}
        tables["drape"] = plain("coefficient_percent", drape.coefficient, "percent", drape.standard) | sizes
    return tables


def _number(repeats: Repeats, unit: str) -> dict[str, Any]:
    """A number of the card in ``unit``; a scatter below what could be read off is not told as none."""
    mean = from_si(repeats.mean, unit)
    if repeats.n > 1 and repeats.sd > 0.0:
        return {"value": mean, "sd": from_si(repeats.sd, unit), "n": repeats.n}
    return {"value": mean, "n": repeats.n}


def _spell_pull(pull: PullReading) -> tuple[dict[str, Any], Repeats, str, str]:
    """(values, readings at the last load, standard, note) of a load-extension curve."""
    points = [[0, 0], *([100.0 * e, f] for e, f in zip(pull.strain.tolist(), pull.tension.tolist(), strict=True))]
    last = Repeats(float(pull.strain[-1]), float(pull.spread[-1]), pull.n)
    values: dict[str, Any] = {"points_percent_N_m": points}
    if pull.n > 1 and last.sd > 0.0:
        values["uncertainty_percent"] = 100.0 * last.standard_uncertainty / last.mean
    return values, last, pull.standard, f"mean of {pull.n} strips; uncertainty that of the extension at the last load"


def _tell_bias(bias: BiasReading) -> str:
    small = reduce_bias_extension(bias.strain.mean, bias.tension)
    return (
        f"{100 * bias.strain.mean:.3g} % at {bias.tension:.3g} N/m on the bias, reduced with the angles of a trellis; "
        f"for small angles, as FAST has it, {small:.4g} N/m; a piece {bias.shape:.3g} times as long as broad"
        + ("" if bias.stated else ", as the FAST meter takes it, for the form does not say")
    )


def _tell_bending(bend: BendReading) -> str:
    if bend.way == "loop":
        return (
            f"heart loop of {1e3 * bend.at:.4g} mm hanging {1e3 * bend.reading.mean:.4g} mm, reduced by the exact loop"
        )
    told = f"overhang {1e3 * bend.reading.mean:.4g} mm at {math.degrees(bend.at):.4g} degrees, by the exact elastica"
    if all(bend.faces):
        up, down = (1e3 * face.mean for face in bend.faces if face is not None)
        told += f"; face up {up:.4g}, face down {down:.4g} mm"
    return told
