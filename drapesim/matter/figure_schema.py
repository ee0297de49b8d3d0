"""The figure form's schema: its keys and units; see `figure_form`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from drapesim.matter.door import Positive, Table


class FigureFile(Table):
    """A posed adult from measures; only ``lie`` is asked for, the rest has means."""

    lie: Literal["supine", "prone", "left side", "right side"] = Field(description="how the body lies")
    sex: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.5, description="shape and proportions: 0 the mean woman's, 1 the mean man's, between them mixed"
    )
    stature_mm: Positive | None = Field(default=None, description="left out, the mean of the survey")
    mass_kg: Positive | None = Field(default=None, description="left out, what the stature lets expect")
    ease: Literal["relaxed", "stiff"] = Field(default="relaxed", description="at ease, or straight and at attention")
    arms: Literal["at sides", "crossed low", "on belly", "crossed on chest"] = Field(
        default="at sides", description="where the hands lie"
    )
    legs: Literal["straight", "bent"] = Field(default="straight", description="bent lifts the knees, heels down")
    edge_mm: Annotated[float, Field(ge=4, le=20)] = Field(default=9.5, description="triangle edges on trunk and limbs")
    fine_edge_mm: Annotated[float, Field(ge=3, le=10)] = Field(
        default=4.4, description="triangle edges on face, hands and toes"
    )
    measures_mm: dict[str, Positive] = Field(
        default={}, description="measures that are known, such as chest_girth; what is left out follows from the rest"
    )
    angles_deg: dict[str, Annotated[float, Field(ge=-180, le=180)]] = Field(
        default={}, description='joint angles, such as "left knee_flexion", or "knee_flexion" for both sides'
    )
