"""The tables of a lay plan, one for each `do`; every key carries its unit. Read by `drapesim.matter.lay_door`."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Literal

from pydantic import Field, model_validator

from drapesim.matter.door import Angle, Name, Pair, Table

FARTHEST, STRONGEST, HEAVIEST = 100_000, 1000, 100_000  # mm; N, more than hands have; g

Positive = Annotated[float, Field(gt=0, le=FARTHEST)]
Force = Annotated[float, Field(gt=0, le=STRONGEST)]
Coordinate = Annotated[float, Field(ge=-FARTHEST, le=FARTHEST)]
Spot = Annotated[list[Coordinate], Field(min_length=2, max_length=2)]
Triple = Annotated[list[Coordinate], Field(min_length=3, max_length=3)]
Line = Annotated[list[Pair], Field(min_length=2, max_length=2)]
Yarn = Literal["warp", "weft"]


class PlacedTable(Table):
    """Where the flat cloth is before it is let down."""

    point_mm: Pair = Field(description="a point [u, v] of the flat map")
    place_mm: Spot = Field(description="the world's [x, y] that the point comes to lie over")
    turn_deg: Angle = Field(default=0.0, description="from world +x to the warp direction, seen from above")


class LowerTable(PlacedTable):
    """Lower the flat cloth from above, inner side down."""

    do: Literal["lower"]
    clearance_mm: Positive = Field(
        default=10.0, description="height of the flat cloth above the highest point under it"
    )


class SpreadTable(PlacedTable):
    """Spread the cloth on the support, inner side up, and lay the body on it."""

    do: Literal["spread"]


class FoldTable(PlacedTable):
    """Lower the cloth folded in two across one yarn direction, the part before the fold below."""

    do: Literal["lower folded"]
    clearance_mm: Positive = Field(default=10.0, description="height of the lower layer above the highest point")
    along: Yarn = Field(default="warp", description="the yarns that are folded over")
    fold_mm: Positive = Field(description="where the fold lies, from the start of these yarns")
    apart_mm: Positive = Field(default=30.0, description="height between the two layers")


class RollTable(PlacedTable):
    """Lower the cloth with one end rolled up on top of it."""

    do: Literal["lower rolled"]
    clearance_mm: Positive = Field(default=10.0, description="height of the flat part above the highest point")
    along: Yarn = Field(default="warp", description="the yarns that are rolled up")
    begin_mm: Positive = Field(description="where the roll begins, from the start of these yarns")
    core_mm: Annotated[float, Field(ge=20, le=FARTHEST)] = Field(
        default=50.0, description="radius of the innermost turn"
    )
    pitch_mm: Annotated[float, Field(ge=4, le=FARTHEST)] = Field(default=12.0, description="from one turn to the next")


class HangTable(Table):
    """Bring the cloth in hanging over a level bar that hands hold; the grip is called "bar"."""

    do: Literal["hang"]
    place_mm: Spot = Field(description="the world's [x, y] under the middle of the bar")
    turn_deg: Angle = Field(default=0.0, description="from world +x to the yarns that hang, seen from above")
    along: Yarn = Field(default="warp", description="the yarns that hang down on both sides")
    line_mm: Positive = Field(description="which line of the cloth lies on the bar, from the start of these yarns")
    radius_mm: Annotated[float, Field(ge=5, le=FARTHEST)] = Field(default=30.0, description="of the bar")
    height_mm: Positive = Field(default=10.0, description="of the lower end over the highest thing under the cloth")


class PatchTable(Table):
    """What a hand holds or presses: exactly one of a point, a mark and an edge."""

    point_mm: Pair | None = Field(default=None, description="a point [u, v] of the flat map")
    mark: Name | None = Field(default=None, description="a mark, whose middle is meant")
    edge_mm: Line | None = Field(default=None, description="a line of the flat map, [[u, v], [u, v]]")
    across_mm: Positive | None = Field(
        default=None,
        description="size of the hand's patch, or its width across the line (60; 10 for edges that are held)",
    )
    who: Name | None = Field(default=None, description="who does it and how, for people to read")
    settle: bool = Field(default=True, description="let the cloth come to rest before the next step")

    @model_validator(mode="after")
    def _one_patch(self) -> PatchTable:
        given = [key for key in ("point_mm", "mark", "edge_mm") if getattr(self, key) is not None]
        if len(given) != 1:
            found = " and ".join(given) if given else "none"
            raise ValueError(f"one place on the cloth is wanted, and {found} is given; give point_mm, mark or edge_mm")
        return self


class PullTable(PatchTable):
    """Take a point or an edge and bring it to a place, with at most so much force."""

    do: Literal["pull"]
    most_force_N: Force = Field(description="the hand stops moving there, and goes on pulling with it")
    to_mm: Triple | None = Field(default=None, description="the place [x, y, z] that the patch's middle is brought to")
    to: Name | None = Field(default=None, description="a landmark of the body, as the place")
    by_mm: Triple | None = Field(default=None, description="how far from where it is")
    via_mm: list[Triple] = Field(default=[], description="places that it passes on the way")
    lift_mm: Annotated[float, Field(ge=0, le=FARTHEST)] = Field(
        default=0.0, description="straight up by so much first, and down at the end"
    )
    speed_mm_s: Annotated[float, Field(gt=0, le=500)] = Field(default=100.0, description="of the hand")
    keep: bool = Field(default=False, description="go on holding after the step")
    name: Name | None = Field(default=None, description="the grip's name, for release")

    @model_validator(mode="after")
    def _one_target(self) -> PullTable:
        given = [key for key in ("to_mm", "to", "by_mm") if getattr(self, key) is not None]
        if len(given) != 1:
            found = " and ".join(given) if given else "none"
            raise ValueError(f"one target is wanted, and {found} is given; give to_mm, to (a landmark) or by_mm")
        if self.keep and self.name is None:
            raise ValueError("what is kept needs a name to be released by; give name")
        return self


class LiftTable(PatchTable):
    """Lift a point or an edge straight up and drop it."""

    do: Literal["lift and drop"]
    height_mm: Positive
    most_force_N: Force = 50.0
    speed_mm_s: Annotated[float, Field(gt=0, le=500)] = 100.0


class RollBackTable(PatchTable):
    """Take an edge over in an arc, back onto the cloth; with ``again`` also the same way forward again."""

    do: Literal["roll back"]
    by_mm: Triple = Field(description="how far the edge is taken, level or not")
    height_mm: Positive = Field(description="of the arc over its chord")
    again: bool = Field(default=True, description="lay it down again the same way")
    most_force_N: Force = 50.0
    speed_mm_s: Annotated[float, Field(gt=0, le=500)] = 100.0


class PressTable(PatchTable):
    """Press at a point or along a line."""

    do: Literal["press"]
    force_N: Force
    along: Triple | None = Field(default=None, description="direction of the push; left out, toward the body")
    keep: bool = Field(default=False, description="go on pressing to the end")
    name: Name | None = None


class TuckTable(PatchTable):
    """Push a line of the cloth into a hollow; the hand is then taken out."""

    do: Literal["tuck"]
    force_N: Force = Field(description="all along the line together")
    along: Triple = Field(default=[0.0, 0.0, -1.0], description="direction of the push; left out, straight down")
    keep: bool = Field(default=False, description="go on pressing to the end")
    name: Name | None = None

    @model_validator(mode="after")
    def _is_line(self) -> TuckTable:
        if self.edge_mm is None:
            raise ValueError("one tucks along a line; give edge_mm")
        return self


class WeightTable(PatchTable):
    """Put a weight down on the cloth; it stays to the end or until it is released."""

    do: Literal["weight"]
    mass_g: Annotated[float, Field(gt=0, le=HEAVIEST)]
    name: Name | None = None


class SmoothTable(Table):
    """Stroke along a line of the cloth with a hand that presses and drags."""

    do: Literal["smooth"]
    stroke_mm: Line = Field(description="from where to where on the flat map, [[u, v], [u, v]]")
    force_N: Force = Field(description="along the stroke")
    press_N: Annotated[float, Field(ge=0, le=STRONGEST)] = Field(description="inward, toward the body")
    across_mm: Positive = Field(default=100.0, description="size of the hand")
    speed_mm_s: Annotated[float, Field(gt=0, le=500)] = 150.0
    strokes: Annotated[int, Field(ge=1, le=20)] = 1
    who: Name | None = None
    settle: bool = True


class BindTable(Table):
    """Bind with a smooth band of constant tension."""

    do: Literal["bind"]
    line_mm: Line = Field(description="the line of the flat map under the band's middle, [[u, v], [u, v]]")
    tension_N: Force
    breadth_mm: Positive = 40.0
    ends: Literal["round", "support"] = Field(
        default="round", description="closed round cloth and body, or tied down where the line's ends lie"
    )
    name: Name | None = None
    who: Name | None = None
    settle: bool = True


class ReleaseTable(Table):
    """Let go."""

    do: Literal["release"]
    what: list[Name] = Field(default=[], description="names of grips, presses, weights and bands; all if left out")
    who: Name | None = None
    settle: bool = True


class RestTable(Table):
    """Let the cloth come to rest."""

    do: Literal["settle"]


STARTS: Mapping[str, type[Table]] = MappingProxyType({
    "lower": LowerTable, "spread": SpreadTable, "lower folded": FoldTable, "lower rolled": RollTable,
    "hang": HangTable,
})  # fmt: skip
HANDLING: Mapping[str, type[Table]] = MappingProxyType({
    "pull": PullTable, "press": PressTable, "weight": WeightTable, "tuck": TuckTable, "smooth": SmoothTable,
    "bind": BindTable, "lift and drop": LiftTable, "roll back": RollBackTable, "release": ReleaseTable,
    "settle": RestTable,
})  # fmt: skip
