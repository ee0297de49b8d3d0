"""The form for `drapesim body attitude`: landmarks on flat maps of one body. Read through `drapesim.jobs.attitude`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from drapesim.matter.door import Name, Pair, Positive, Table

Sd = Annotated[float, Field(ge=0.5, le=200)]


class MapTable(Table):
    """One flat map: u to the right and v downward, as read off its picture."""

    shows: Literal["front", "back"] = Field(default="front", description="the side of the body that lay against it")
    seen_from: Literal["inner", "outer"] = Field(default="inner", description="the side of the cloth that is seen")
    picture: Name | None = Field(default=None, description="PNG, TIFF or JPEG, to be drawn under the figure")
    mm_per_pixel: Positive | None = Field(default=None, description="the picture's scale")
    stretch_u: Annotated[float, Field(ge=0.8, le=1.25)] = Field(
        default=1.0, description="length of the cloth when it lay on the body, over its length now, to the right"
    )
    stretch_v: Annotated[float, Field(ge=0.8, le=1.25)] = Field(default=1.0, description="the same, downward")
    landmarks_mm: dict[Name, Pair] = Field(description="landmarks by name, [u, v] in mm")
    uncertain_mm: dict[Name, Sd] = Field(default={}, description="standard deviation of single ones, each way")

    @model_validator(mode="after")
    def _belongs_together(self) -> MapTable:
        if (self.picture is None) != (self.mm_per_pixel is None):
            raise ValueError("picture and mm_per_pixel belong together; give both or neither")
        odd = [name for name in self.uncertain_mm if name not in self.landmarks_mm]
        if odd:
            raise ValueError(f"uncertain_mm names '{odd[0]}', which is no landmark of this map; spell it as there")
        return self


class AttitudeForm(Table):
    """What is seen on the flat maps, and what is taken as known of the body."""

    title: Name = Field(default="Attitude from a flat map")
    lie: Literal["supine", "prone"] = "supine"
    sex: Annotated[float, Field(ge=0, le=1)] = Field(default=0.5, description="proportions: 0 female, 1 male")
    stature_mm: Annotated[float, Field(ge=1300, le=2200)] = Field(default=1714, description="the stature expected")
    stature_sd_mm: Annotated[float, Field(ge=1, le=300)] = Field(default=150, description="and how surely")
    proportions_sd: Annotated[float, Field(ge=0, le=0.1)] = Field(
        default=0.035, description="scatter of the lengths of limbs among people of one stature, relative"
    )
    at_rest: bool = Field(default=True, description="hands, head and heels lie on the body or the support")
    uncertain_mm: Sd = Field(
        default=20, description="standard deviation of a landmark, each way: as it is read, and as the lay departs"
    )
    lays: Annotated[list[Literal["straight down", "along the surface"]], Field(min_length=1, max_length=2)] = Field(
        default=["straight down", "along the surface"], description="the lay models to try"
    )
    map: Annotated[list[MapTable], Field(min_length=1, max_length=4)] = Field(description="at least one [[map]]")
