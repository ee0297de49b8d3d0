"""The readings form: what a lab, or a ruler and a scale, read off one cloth. Read by `drapesim.matter.readings`."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from drapesim.matter.card_schema import Climate
from drapesim.matter.door import Name, NotNegative, Positive, Table

Lengths = Annotated[list[Positive], Field(min_length=1)]
Tilts = Annotated[list[Annotated[float, Field(gt=0, lt=80)]], Field(min_length=1)]
Loads = Annotated[list[NotNegative], Field(min_length=1)]
Rows = Annotated[list[Annotated[list[NotNegative], Field(min_length=1)]], Field(min_length=1)]


class OneOf(Table):
    """A table in which exactly one of ``choice`` must be given."""

    choice: ClassVar[tuple[str, ...]] = ()

    @model_validator(mode="after")
    def _one(self) -> OneOf:
        given = [key for key in self.choice if getattr(self, key) is not None]
        if self.choice and len(given) != 1:
            *others, last = self.choice
            raise ValueError(f"one of the readings is wanted here; give either {', '.join(others)} or {last}")
        return self


class Weight(Table):
    """Squares cut from the cloth; ``pieces`` of them lay on the scale together."""

    side_mm: Positive = Field(default=100.0, description="the side of a square in mm")
    pieces: Annotated[int, Field(ge=1)] = 1
    masses_g: Lengths = Field(description="what the scale read, in g, one entry a weighing")
    standard: str = "ISO 3801 method 5"


class Thickness(Table):
    """Height of a stack of ``layers``; one layer under a gauge is a stack too."""

    layers: Annotated[int, Field(ge=1)] = Field(description="how many layers lay in the stack")
    heights_mm: Lengths = Field(description="heights of the stack in mm, one entry a reading")
    pressure_kPa: Positive | None = None
    standard: str = ""


class Overhang(Table):
    """Overhang at which the strip's end touches the ramp, in mm, each face of the cloth up in turn."""

    angle_deg: Annotated[float, Field(gt=5, lt=80)] = 41.5
    face_up_mm: Lengths | None = None
    face_down_mm: Lengths | None = None
    standard: str = "ASTM D1388 option A"

    @model_validator(mode="after")
    def _any(self) -> Overhang:
        if self.face_up_mm is None and self.face_down_mm is None:
            raise ValueError("no overhang was read; give face_up_mm, face_down_mm or both")
        return self


class Loop(Table):
    """Heart loops: the strip's length between the clamps, and how far it hangs below them."""

    loop_mm: Positive = Field(description="length of the strip in the loop in mm")
    heights_mm: Lengths = Field(description="from the clamps to the lowest point in mm, one entry a reading")
    standard: str = "ASTM D1388 option B"


class Overhangs(Table):
    warp: Overhang | None = None
    weft: Overhang | None = None
    bias: Overhang | None = None


class Loops(Table):
    warp: Loop | None = None
    weft: Loop | None = None
    bias: Loop | None = None


class Pull(OneOf):
    """A strip pulled by growing loads; each row of readings is one strip's, an entry for each load.

    Masses need the strip's width, lengths its gauge length without load. On the bias the gauge is the length between
    the clamps, whose hold is reckoned with; without both the piece is taken to be twice as long as broad.
    """

    choice = ("extensions_percent", "lengths_mm")

    width_mm: Positive | None = Field(default=None, description="width of the strip in mm")
    gauge_mm: Positive | None = Field(default=None, description="length between the marks without load in mm")
    hung_g: Loads | None = None
    tensions_N_m: Loads | None = None
    tensions_gf_cm: Loads | None = None
    extensions_percent: Rows | None = None
    lengths_mm: Rows | None = None
    standard: str = ""

    @model_validator(mode="after")
    def _loads(self) -> Pull:
        kinds = ("hung_g", "tensions_N_m", "tensions_gf_cm")
        if sum(getattr(self, key) is not None for key in kinds) != 1:
            raise ValueError("one list of loads is wanted; give either hung_g, tensions_N_m or tensions_gf_cm")
        if self.hung_g is not None and self.width_mm is None:
            raise ValueError("a hung mass is a tension only over the strip's width; give width_mm")
        if self.lengths_mm is not None and self.gauge_mm is None:
            raise ValueError("a length is an extension only beside the length without load; give gauge_mm")
        return self


class Pulls(Table):
    warp: Pull | None = None
    weft: Pull | None = None


class Incline(OneOf):
    """Angle at which a sled faced with the cloth begins to slide; or the height of the board over its foot."""

    choice = ("angles_deg", "rises_mm")

    angles_deg: Tilts | None = None
    rises_mm: Lengths | None = None
    base_mm: Positive | None = None
    pressure_Pa: Positive | None = Field(default=None, description="the block's weight over its face in Pa")
    standard: str = ""

    @model_validator(mode="after")
    def _foot(self) -> Incline:
        if (self.rises_mm is None) != (self.base_mm is None):
            raise ValueError("a rise needs the board's foot beside it; give rises_mm and base_mm together")
        return self


class Drape(Table):
    """Area of the shadow of a disc of cloth on a smaller disc, off a photograph or by weighed paper."""

    support_mm: Positive = 180.0
    specimen_mm: Positive = 300.0
    shadow_areas_cm2: Lengths = Field(description="area of the whole shadow in cm2, one entry a reading")
    standard: str = "BS 5058"


class ReadingsFile(Table):
    """A whole form."""

    name: Name = Field(description="a name for the cloth")
    description: str = ""
    fibre: Literal["linen", "cotton", "other"] = "other"
    source: Name = Field(description='who read it and when, such as source = "own readings, May 2026"')
    invented: bool = False
    single_reading_accepted: bool = False
    surfaces: list[Name] = Field(default_factory=list)
    climate: Climate | None = None
    weight: Weight = Field(description="the table [weight] with masses_g")
    thickness: Thickness | None = None
    overhang: Overhangs = Overhangs()
    heart_loop: Loops = Loops()
    extension: Pulls = Pulls()
    bias_extension: Pull | None = None
    incline: dict[Name, Incline] = Field(default_factory=dict)
    drape: Drape | None = None
