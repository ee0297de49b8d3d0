"""The fabric card's file: its tables, keys and units. Read through `drapesim.matter.fabric.read_card`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from drapesim.matter.door import Name, Pair, Positive, Table

Percent = Annotated[float, Field(gt=0, lt=100)]


class Sourced(Table):
    """One value of the card and where it comes from. ``uncertainty_percent`` is a relative standard uncertainty."""

    source: Name = Field(description="where the value comes from, as a sentence or a reference")
    standard: str = ""
    uncertainty_percent: Positive | None = None
    estimated: bool = False
    invented: bool = False
    note: str = ""


class ArealDensity(Sourced):
    value_g_m2: Positive = Field(description="mass per area in g/m2")


class Thickness(Sourced):
    value_mm: Positive = Field(description="thickness in mm")
    pressure_kPa: Positive | None = Field(default=None, description="pressure at which it was measured")


class Curve(Sourced):
    points_percent_N_m: list[Pair] = Field(
        min_length=2, description="rows [extension in percent, tension in N/m], the first [0, 0]"
    )


class Curves(Table):
    warp: Curve = Field(description="a table with the warp's load-extension points")
    weft: Curve = Field(description="a table with the weft's load-extension points")


class Shear(Sourced):
    rigidity_N_m_rad: Positive = Field(description="shear rigidity in N/m per radian of yarn angle")


class Locking(Sourced):
    angle_deg: Annotated[float, Field(gt=0, lt=90)] = Field(description="locking angle in degrees")


class Bending(Sourced):
    """Either the rigidity per width or the bending length c, from which B = w c^3."""

    rigidity_uN_m: Positive | None = None
    bending_length_mm: Positive | None = None

    @model_validator(mode="after")
    def _exactly_one(self) -> Bending:
        if (self.rigidity_uN_m is None) == (self.bending_length_mm is None):
            raise ValueError("one bending value is wanted; give either rigidity_uN_m or bending_length_mm")
        return self


class Bendings(Table):
    warp: Bending = Field(description="a table with rigidity_uN_m or bending_length_mm")
    weft: Bending = Field(description="a table with rigidity_uN_m or bending_length_mm")
    bias: Bending | None = None


class Friction(Sourced):
    coefficient: Annotated[float, Field(ge=0, le=5)] = Field(description="the static coefficient")


class SafeExtension(Sourced):
    value_percent: Percent = Field(description="the extension that must not be exceeded, in percent")


class SafeExtensions(Table):
    warp: SafeExtension | None = None
    weft: SafeExtension | None = None


class Compression(Sourced):
    ratio: Annotated[float, Field(gt=0, le=1)] = Field(
        description="compressive modulus over the initial tensile modulus"
    )


class CardFile(Table):
    """A whole fabric card."""

    name: Name = Field(description="a name for the cloth")
    description: str = ""
    areal_density: ArealDensity = Field(description="a table with value_g_m2 and source")
    thickness: Thickness = Field(description="a table with value_mm and source")
    load_extension: Curves = Field(description="the tables load_extension.warp and load_extension.weft")
    bending: Bendings = Field(description="the tables bending.warp and bending.weft")
    shear: Shear | None = None
    locking: Locking | None = None
    compression: Compression | None = None
    safe_extension: SafeExtensions = SafeExtensions()
    friction: dict[Name, Friction] = Field(
        min_length=1, description="one table for each surface, such as friction.limewood"
    )
