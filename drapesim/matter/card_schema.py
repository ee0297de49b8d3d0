"""The fabric card's file: its tables, keys and units. Read through `drapesim.matter.fabric.read_card`.

A number stands alone, ``value_g_m2 = 190``, or with what is known of its doubt: ``{ value = 190, sd = 3, n = 5 }`` from
repeated readings, ``{ value = 190, low = 150, high = 300 }`` as a range. A quantity may be given in the units of
several trades; the key says which, and exactly one is wanted.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, model_validator

from drapesim.matter.door import Name, NotNegative, Pair, Positive, Table

STATUSES = ("measured", "published", "estimated", "invented")
Status = Literal["measured", "published", "estimated", "invented"]
Strain = Annotated[float, Field(gt=0, lt=100)]


class Number(Table):
    """A value with its doubt: standard deviation of ``n`` readings, or a range."""

    value: float
    sd: NotNegative | None = None
    n: Annotated[int, Field(ge=1)] | None = None
    low: float | None = None
    high: float | None = None

    @model_validator(mode="before")
    @classmethod
    def _bare(cls, given: Any) -> Any:
        return given if isinstance(given, dict) else {"value": given}

    @model_validator(mode="after")
    def _whole(self) -> Number:
        if self.sd is not None and (self.n is None or self.n < 2):
            raise ValueError("a standard deviation needs at least two readings; give n, or leave sd out")
        if (self.low is None) != (self.high is None):
            raise ValueError("a range has two ends; give low and high")
        if self.low is not None and self.high is not None and not self.low <= self.value <= self.high:
            raise ValueError(f"the value {self.value:g} lies outside its range; low <= value <= high must hold")
        return self


class Above(Number):
    value: Positive


class Degrees(Number):
    value: Annotated[float, Field(gt=0, lt=90)]


class Percent(Number):
    value: Strain


class Share(Number):
    value: Annotated[float, Field(gt=0, le=1)]


class Coefficient(Number):
    value: Annotated[float, Field(ge=0, le=5)]


class Sourced(Table):
    """One value of the card and where it comes from. ``uncertainty_percent`` is a relative standard uncertainty.

    ``keys`` are those that may hold the value, each ending in its unit (`drapesim.ground.units.unit_of`).
    """

    keys: ClassVar[tuple[str, ...]] = ()
    what: ClassVar[str] = ""

    source: Name = Field(description="where the value comes from, as a sentence or a reference")
    status: Status = Field(description='status = "measured", "published", "estimated" or "invented"')
    standard: str = ""
    rule: str = ""
    uncertainty_percent: Positive | None = None
    note: str = ""

    @model_validator(mode="after")
    def _exactly_one(self) -> Sourced:
        if self.keys and len(self._given()) != 1:
            *others, last = self.keys
            choice = f"either {', '.join(others)} or {last}" if others else last
            raise ValueError(f"one {self.what} is wanted; give {choice}")
        return self

    @model_validator(mode="after")
    def _estimates_tell_how(self) -> Sourced:
        if self.status != "estimated":
            if self.rule:
                raise ValueError(f"a {self.status} value follows no rule; leave rule out, or make it estimated")
            return self
        if not self.rule:
            raise ValueError("an estimated value must name its rule; give rule")
        number = self.number()
        if self.uncertainty_percent is None and (number is None or number.low is None):
            raise ValueError("an estimated value must state its range; give low and high, or uncertainty_percent")
        return self

    def _given(self) -> list[str]:
        return [key for key in self.keys if getattr(self, key) is not None]

    def key(self) -> str:
        """The one key that holds the value."""
        return self._given()[0]

    def number(self) -> Number | None:
        """The value with its doubt; None where it is a curve."""
        held = getattr(self, self.key()) if self.keys else None
        return held if isinstance(held, Number) else None


class ArealDensity(Sourced):
    keys = ("value_g_m2", "value_mg_cm2", "value_oz_yd2")
    what = "mass per area"
    value_g_m2: Above | None = Field(default=None, description="mass per area in g/m2")
    value_mg_cm2: Above | None = None
    value_oz_yd2: Above | None = None


class Thickness(Sourced):
    keys = ("value_mm",)
    what = "thickness"
    value_mm: Above | None = Field(default=None, description="thickness in mm")
    pressure_kPa: Positive | None = Field(default=None, description="pressure at which it was measured")


class Curve(Sourced):
    """Load-extension points, first [0, 0]; or a straight line of a modulus per width, as far as it holds."""

    keys = ("points_percent_N_m", "points_percent_gf_cm", "modulus_kN_m")
    what = "load-extension curve"
    points_percent_N_m: Annotated[list[Pair], Field(min_length=2)] | None = Field(
        default=None, description="rows [extension in percent, tension in N/m], the first [0, 0]"
    )
    points_percent_gf_cm: Annotated[list[Pair], Field(min_length=2)] | None = None
    modulus_kN_m: Above | None = None
    up_to_percent: Positive | None = None

    @model_validator(mode="after")
    def _line_ends(self) -> Curve:
        if (self.modulus_kN_m is None) != (self.up_to_percent is None):
            raise ValueError("a modulus holds up to some extension; give modulus_kN_m and up_to_percent together")
        return self


class Curves(Table):
    warp: Curve | None = None
    weft: Curve | None = None


class Shear(Sourced):
    keys = ("rigidity_N_m_rad", "rigidity_N_m_deg", "rigidity_gf_cm_deg")
    what = "shear rigidity"
    rigidity_N_m_rad: Above | None = Field(default=None, description="shear rigidity in N/m per radian of yarn angle")
    rigidity_N_m_deg: Above | None = None
    rigidity_gf_cm_deg: Above | None = None


class Locking(Sourced):
    keys = ("angle_deg",)
    what = "locking angle"
    angle_deg: Degrees | None = Field(default=None, description="locking angle in degrees")


class Bending(Sourced):
    """Either the rigidity per width or the bending length c, from which B = w c^3."""

    keys = ("rigidity_uN_m", "rigidity_gf_cm2_cm", "rigidity_mg_cm", "bending_length_cm", "bending_length_mm")
    what = "bending value"
    rigidity_uN_m: Above | None = None
    rigidity_gf_cm2_cm: Above | None = None
    rigidity_mg_cm: Above | None = None
    bending_length_mm: Above | None = None
    bending_length_cm: Above | None = None


class Bendings(Table):
    warp: Bending | None = None
    weft: Bending | None = None
    bias: Bending | None = None


class BendHysteresis(Sourced):
    """2HB, the whole width of the moment-curvature loop."""

    keys = ("moment_mN", "moment_gf_cm_cm")
    what = "bending hysteresis 2HB"
    moment_mN: Above | None = None
    moment_gf_cm_cm: Above | None = None


class BendHystereses(Table):
    warp: BendHysteresis | None = None
    weft: BendHysteresis | None = None


class ShearHysteresis(Sourced):
    """2HG, the whole width of the loop of shear force over angle, read at ``at_deg``."""

    keys = ("force_N_m", "force_gf_cm")
    what = "shear hysteresis 2HG"
    force_N_m: Above | None = None
    force_gf_cm: Above | None = None
    at_deg: Positive = Field(default=0.5, description="the shear angle in degrees at which it was read")


class Friction(Sourced):
    keys = ("coefficient",)
    what = "coefficient"
    coefficient: Coefficient | None = Field(default=None, description="the static coefficient")
    pressure_Pa: Positive | None = Field(
        default=None, description="pressure at which it was measured; a layer of cloth presses with 1 to 3 Pa"
    )


class SafeExtension(Sourced):
    keys = ("value_percent",)
    what = "safe extension"
    value_percent: Percent | None = Field(
        default=None, description="the extension that must not be exceeded, in percent"
    )


class SafeExtensions(Table):
    warp: SafeExtension | None = None
    weft: SafeExtension | None = None


class Compression(Sourced):
    keys = ("ratio",)
    what = "ratio"
    ratio: Share | None = Field(default=None, description="compressive modulus over the initial tensile modulus")


class Drape(Sourced):
    """A drape-meter reading of the same cloth: nothing is computed from it, virtual tests are held against it."""

    keys = ("coefficient_percent",)
    what = "drape coefficient"
    coefficient_percent: Percent | None = None
    support_mm: Positive = Field(default=180.0, description="diameter of the supporting disc in mm")
    specimen_mm: Positive = Field(default=300.0, description="diameter of the specimen in mm")
    folds: Positive | None = None


class Construction(Sourced):
    """How it is woven; told, not used."""

    weave: str = ""
    warp_threads_per_cm: Positive | None = None
    weft_threads_per_cm: Positive | None = None


class Climate(Table):
    """The air in which the values were measured."""

    temperature_C: float | None = None
    humidity_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    source: str = ""


class ConditionTable(Table):
    """A stated change of condition; see `drapesim.matter.conditions`."""

    kind: Name = Field(description='the kind of condition, such as "starch"')
    factor: Positive | None = None
    because: str = ""


class CardFile(Table):
    """A whole fabric card."""

    name: Name = Field(description="a name for the cloth")
    description: str = ""
    fibre: Literal["linen", "cotton", "other"] = "other"
    construction: Construction | None = None
    climate: Climate | None = None
    areal_density: ArealDensity = Field(description="a table with value_g_m2, source and status")
    thickness: Thickness | None = None
    load_extension: Curves = Curves()
    bending: Bendings = Bendings()
    bending_hysteresis: BendHystereses = BendHystereses()
    shear: Shear | None = None
    shear_hysteresis: ShearHysteresis | None = None
    locking: Locking | None = None
    compression: Compression | None = None
    safe_extension: SafeExtensions = SafeExtensions()
    friction: dict[Name, Friction] = Field(
        min_length=1, description="one table for each surface, such as friction.limewood"
    )
    drape: Drape | None = None
    condition: list[ConditionTable] = Field(default_factory=list)
