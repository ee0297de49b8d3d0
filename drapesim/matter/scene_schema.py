"""The scene's file: its tables, keys and units, and the claims table beside the marks.

Read through `drapesim.matter.plan.read_scene`; exported as JSON Schema by `drapesim.matter.plan.scene_schema`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field, model_validator

from drapesim.matter.card_schema import ConditionTable
from drapesim.matter.door import Angle, Name, NotNegative, Pair, Positive, Sizes, Table, Triple

LengthUnit = Literal["m", "cm", "mm", "um", "in", "ft"]
Axis = Literal["x", "y", "z"]


class SheetTable(Table):
    """The cut cloth, flat."""

    length_mm: Positive = Field(description="the cloth's extent along the warp in mm")
    width_mm: Positive = Field(description="the cloth's extent along the weft in mm")
    spacing_mm: Positive = Field(description="the wanted distance of the lattice's nodes in mm")


class FabricTable(Table):
    card: Name = Field(description='the fabric card\'s file, such as "fabrics/cover-linen.toml"')
    condition: list[ConditionTable] = Field(
        default_factory=list, description="stated changes of its condition, such as damp or starch, one table each"
    )


class ControlPoint(Table):
    pixel: Pair = Field(description="its place in the photograph, pixels to the right and downward")
    mm: Pair = Field(description="where it is on the cloth laid flat, mm to the right and downward from its corner")


class ScaleBar(Table):
    from_pixel: Pair = Field(description="one end, pixels to the right and downward")
    to_pixel: Pair = Field(description="the other end")
    length_mm: Positive = Field(description="its true length")


class FlatMapTable(Table):
    """The drawing and the picture of the cloth laid flat; their top-left corner is a corner of the cloth."""

    picture: Name | None = Field(default=None, description="PNG, TIFF or JPEG of the cloth laid flat")
    mm_per_pixel: Positive | None = Field(default=None, description="the picture's scale")
    warp_axis: Literal["right", "down"] = Field(default="right", description="where the warp runs in the drawing")
    seen_from: Literal["inner", "outer"] = Field(default="inner", description="the side that the drawing shows")
    control_points: Annotated[list[ControlPoint], Field(min_length=3)] | None = Field(
        default=None,
        description="points of a photograph whose places on the cloth were measured, in place of its scale",
    )
    scale_bars: Annotated[list[ScaleBar], Field(min_length=1)] | None = Field(
        default=None, description="scale bars in a photograph taken straight from the front, in place of its scale"
    )
    warp_scale: Annotated[float, Field(ge=0.5, le=2)] = Field(
        default=1.0, description="the cloth's length along the warp as it was, over that of drawing and picture"
    )
    weft_scale: Annotated[float, Field(ge=0.5, le=2)] = Field(default=1.0, description="the same along the weft")
    marks: Name | None = Field(default=None, description="SVG with one element for each mark")
    mm_per_unit: Positive | None = Field(default=None, description="scale of an SVG whose size has no unit")
    claims: Name | None = Field(
        default=None, description="TOML with one table for each mark, or CSV with one row for each"
    )

    @model_validator(mode="after")
    def _belongs_together(self) -> FlatMapTable:
        scales = [key for key in ("mm_per_pixel", "control_points", "scale_bars") if getattr(self, key) is not None]
        if (self.picture is None) != (not scales):
            raise ValueError("picture and mm_per_pixel belong together; give both or neither (or control_points or "
                             "scale_bars in place of mm_per_pixel)")  # fmt: skip
        if len(scales) > 1:
            raise ValueError(f"{' and '.join(scales)} both say how the picture is scaled; give one of them")
        for key in ("mm_per_unit", "claims"):
            if getattr(self, key) is not None and self.marks is None:
                raise ValueError(f"{key} is given without marks; name the SVG of the marks")
        return self


class FigureTable(Table):
    """The carved figure; a measure left out takes the figure's own."""

    stature_mm: Annotated[float, Field(ge=300, le=2500)] | None = None
    girth: Annotated[float, Field(ge=0.5, le=2)] | None = Field(
        default=None, description="factor on breadths and depths"
    )
    knee_bend_deg: Angle | None = None
    head_nod_deg: Angle | None = None
    hand_slant_deg: Angle | None = None
    toe_fall_deg: Angle | None = None
    toe_point_deg: Angle | None = None
    edge_mm: Positive | None = Field(default=None, description="triangle edges on trunk and limbs")
    fine_edge_mm: Positive | None = Field(default=None, description="triangle edges on face and hands")


class AdultTable(Table):
    """A posed adult from measures; see `drapesim body figure`."""

    form: Name = Field(description='the figure form, such as "adult.toml"')
    turn_deg: Angle = Field(default=0.0, description="turn about the upright, seen from above, counter-clockwise")
    middle_mm: Pair = Field(default=[0.0, 0.0], description="where the hip joints' middle comes to stand, x and y")


class MeshTable(Table):
    """A scan: PLY, STL, OBJ or GLB. It is turned so that ``up`` is z, turned about z, and set down on the support."""

    file: Name = Field(description="the mesh file")
    unit: LengthUnit | None = Field(default=None, description="the file's unit; left out, it is guessed and shown")
    up: Literal["x", "y", "z", "-x", "-y", "-z"] | None = Field(
        default=None, description="the file's axis that points up; left out, y for GLB and z for others"
    )
    turn_deg: Angle = Field(default=0.0, description="turn about the upright, seen from above, counter-clockwise")
    middle_mm: Pair = Field(default=[0.0, 0.0], description="where the middle of its extent comes to stand, x and y")
    length_mm: Positive | None = Field(
        default=None, description="the longest extent by another measurement, as a check"
    )


class SphereTable(Table):
    radius_mm: Positive
    centre_mm: Triple


class CylinderTable(Table):
    radius_mm: Positive
    length_mm: Positive
    centre_mm: Triple
    axis: Axis = "y"


class BoxTable(Table):
    size_mm: Sizes
    centre_mm: Triple


class RidgeTable(Table):
    """A ridge along y with a triangular section: two slopes that meet in an edge on top, rounded by ``radius_mm``."""

    height_mm: Positive
    breadth_mm: Positive
    length_mm: Positive
    radius_mm: NotNegative = 0.0
    foot_mm: Triple = Field(default=[0.0, 0.0, 0.0], description="the middle of its foot")


class RegionTable(Table):
    """A named patch of a scan: the faces whose middle holds all that is stated, in the scan's own axes and origin."""

    name: Name = Field(description="the region's name, as claims use it; tables of one name add up")
    landmark: Name | None = Field(default=None, description="the middle of a round patch along the surface")
    centre_mm: Triple | None = Field(default=None, description="middle of the ball")
    radius_mm: Positive | None = Field(default=None, description="of the round patch, or of the ball")
    low_mm: Triple | None = Field(default=None, description="the box's corner with the least x, y and z")
    high_mm: Triple | None = Field(default=None, description="the opposite corner")
    through_mm: Triple | None = Field(default=None, description="a point of a plane")
    toward: Triple | None = Field(default=None, description="direction to the side of the plane that is meant")
    nearest: Annotated[list[Name], Field(min_length=1)] | None = Field(
        default=None, description="landmarks: one of them is nearest, of all that tables of this file name so"
    )
    reach_mm: Positive | None = Field(default=None, description="the farthest from the nearest landmark")
    faces: list[Annotated[list[int], Field(min_length=2, max_length=2)]] | None = Field(
        default=None, description="first and last number of runs of faces, as drapesim writes them"
    )

    @model_validator(mode="after")
    def _belongs_together(self) -> RegionTable:
        given = {key for key in RegionTable.model_fields if key != "name" and getattr(self, key) is not None}
        for pair in (("low_mm", "high_mm"), ("through_mm", "toward")):
            if len(given & set(pair)) == 1:
                raise ValueError(f"{pair[0]} and {pair[1]} belong together; give both or neither")
        if ("radius_mm" in given) != (len(given & {"landmark", "centre_mm"}) == 1):
            raise ValueError("radius_mm belongs to one middle; give it with landmark or with centre_mm")
        if "reach_mm" in given and "nearest" not in given:
            raise ValueError("reach_mm is given without nearest; give the landmarks that it is measured from")
        if not given:
            raise ValueError("a region says nowhere; give landmark and radius_mm, centre_mm and radius_mm, low_mm and "
                             "high_mm, through_mm and toward, or nearest")  # fmt: skip
        if self.low_mm is not None and self.high_mm is not None and np.any(np.subtract(self.high_mm, self.low_mm) <= 0):
            raise ValueError("high_mm is not above low_mm in x, y and z; give the corners the other way round")
        if self.toward is not None and not any(self.toward):
            raise ValueError("toward is no direction; give a vector that is not zero")
        return self


class PlacesFile(Table):
    """Landmarks and regions of a mesh, in mm in the mesh file's own axes and origin."""

    mesh: Name | None = Field(default=None, description="the mesh file that the places are on, as a note")
    mesh_sha256: Name | None = Field(default=None, description="of the mesh file, where regions list faces")
    axes: Literal["own", "patient"] = Field(
        default="own", description='"patient": as a scanner counts, to the left, the back and the head; for slices only'
    )
    snap_mm: Annotated[float, Field(gt=0, le=50)] | None = Field(
        default=None, description="how far a landmark may lie off the surface (5)"
    )
    landmarks_mm: dict[Name, Triple] = Field(default={}, description="named points, moved onto the surface")
    region: list[RegionTable] = Field(default=[], description="named patches; where two meet, the later holds")


BODIES = ("figure", "mesh", "adult", "sphere", "cylinder", "box", "ridge")


class BodyTable(Table):
    """What the cloth is laid on; exactly one of the seven kinds."""

    surface: Name = Field(description='the body\'s surface, such as "limewood", as the fabric card names it')
    figure: FigureTable | None = None
    adult: AdultTable | None = None
    mesh: MeshTable | None = None
    sphere: SphereTable | None = None
    cylinder: CylinderTable | None = None
    box: BoxTable | None = None
    ridge: RidgeTable | None = None
    places: Name | None = Field(default=None, description="TOML with landmarks and regions of a scan")
    landmarks_mm: dict[Name, Triple] = Field(
        default={}, description="further named points of the placed body, moved onto its surface"
    )
    region: list[RegionTable] = Field(
        default=[], description="named patches of a scan; where two meet, the later holds"
    )

    @model_validator(mode="after")
    def _exactly_one(self) -> BodyTable:
        given = [name for name in BODIES if getattr(self, name) is not None]
        if len(given) != 1:
            found = " and ".join(given) if given else "none"
            raise ValueError(f"one kind of body is wanted, and {found} is given; give one of {', '.join(BODIES)}")
        if self.region and self.mesh is None:
            raise ValueError("regions are named on a scan only; drop body.region, or give body.mesh")
        if self.places is not None and self.mesh is None:
            raise ValueError("a places file is for a scan only; drop body.places, or give body.mesh")
        return self


class DepressionTable(Table):
    """A hollow in a bed with an oval rim, as measured; level in its middle and at its rim."""

    depth_mm: Positive = Field(description="in its middle, below the bed's top")
    length_mm: Positive = Field(description="extent along x")
    width_mm: Positive = Field(description="extent along y")
    middle_mm: Pair = Field(default=[0.0, 0.0], description="where its middle lies, x and y")


class SupportTable(Table):
    """What the body lies on, its middle at x = 0, y = 0. It is rigid: the body's weight does not press it in."""

    kind: Literal["slab", "table", "floor", "bed"] = Field(
        default="slab", description="a slab without anything under it, a table over a floor, a floor, or a bed"
    )
    length_mm: Positive | None = Field(default=None, description="extent along x; a floor is large enough without")
    width_mm: Positive | None = Field(default=None, description="extent along y; a floor is large enough without")
    thickness_mm: Positive = Field(default=100.0, description="extent along z, downward from the top")
    top_mm: float = Field(default=0.0, description="height of its top")
    surface: Name = Field(description='its surface, such as "slate", as the fabric card names it')
    height_mm: Positive | None = Field(
        default=None, description="of a table or bed: from the floor under it to its top; without, a bed has no floor"
    )
    floor_surface: Name | None = Field(default=None, description="of the floor under a table or bed; else as its own")
    depression: DepressionTable | None = Field(default=None, description="of a bed")

    @model_validator(mode="after")
    def _fits_its_kind(self) -> SupportTable:
        if self.kind != "floor" and (self.length_mm is None or self.width_mm is None):
            raise ValueError(f"a {self.kind} needs a size; give length_mm and width_mm")
        if self.kind == "table" and self.height_mm is None:
            raise ValueError("a table stands over a floor; give height_mm, or say kind = 'slab'")
        if self.height_mm is not None and self.kind not in ("table", "bed"):
            raise ValueError(f"a {self.kind} has no floor under it; drop height_mm, or say kind = 'table'")
        if self.height_mm is not None and self.height_mm <= self.thickness_mm:
            raise ValueError("the floor lies inside it; give a height_mm above its thickness_mm")
        if self.floor_surface is not None and self.height_mm is None:
            raise ValueError("floor_surface is given without a floor; give height_mm too")
        if self.depression is not None and self.kind != "bed":
            raise ValueError(f"a {self.kind} has no depression; drop it, or say kind = 'bed'")
        return self


class SettleTable(Table):
    """When the sheet counts as settled, and how long to try. Looser limits than these are refused."""

    residual_rms: Annotated[float, Field(gt=0, le=1e-3)] = 1e-3
    residual_max: Annotated[float, Field(gt=0, le=1e-2)] = 1e-2
    stay_mm: Annotated[float, Field(gt=0, le=0.01)] = 0.01
    penetration_mm: Annotated[float, Field(gt=0, le=0.05)] = 0.05
    energy_closure: Annotated[float, Field(gt=0, le=0.01)] = 0.01
    max_steps: Annotated[int, Field(ge=1)] = 2_000_000
    levels: Annotated[int, Field(ge=0, le=6)] = Field(default=2, description="coarser lattices before the final one")


class ReportTable(Table):
    contact_levels_mm: Annotated[list[Positive], Field(min_length=1, max_length=12)] = Field(
        default=[0.5, 1.0, 2.0, 5.0], description="gap contours to draw"
    )

    @model_validator(mode="after")
    def _rising(self) -> ReportTable:
        if any(b <= a for a, b in zip(self.contact_levels_mm, self.contact_levels_mm[1:], strict=False)):
            raise ValueError("contact_levels_mm does not rise; sort it and drop repeats")
        return self


Limits = float | list[float] | list[list[float]]


class FreeTable(Table):
    """One key of the scene that a search may vary, in the key's own unit."""

    key: Name = Field(description='the key, such as "lay[1].place_mm" or "body.figure.knee_bend_deg"')
    low: Limits = Field(description="the least value, one for each number of the key")
    high: Limits = Field(description="the greatest; the same as low holds a number fast")


class SearchTable(Table):
    """What `drapesim search` may vary; all other commands pass it over."""

    coarse_spacing_mm: Positive | None = Field(
        default=None, description="node spacing at which lays are tried; twice the scene's if left out"
    )
    most_lays: Annotated[int, Field(ge=2, le=2000)] = Field(default=60, description="lays to try at that spacing")
    confirm: Annotated[int, Field(ge=1, le=20)] = Field(
        default=3, description="of the best of them, how many to settle at the scene's own spacing"
    )
    free: Annotated[list[FreeTable], Field(min_length=1)] = Field(description="the keys that may vary, one table each")


class SceneFile(Table):
    """A whole scene. Paths are relative to this file."""

    title: Name = Field(description="a title for the report")
    seed: Annotated[int, Field(ge=0)] = 0
    sheet: SheetTable = Field(description="the table [sheet]")
    fabric: FabricTable = Field(description="the table [fabric]")
    flat_map: FlatMapTable = FlatMapTable()
    body: BodyTable = Field(description="the table [body]")
    support: SupportTable | None = None
    lay: list[dict[str, Any]] = Field(default=[], description="the [[lay]] steps; see drapesim.matter.lay_schema")
    lay_plan: Name | None = Field(default=None, description="a file of [[lay]] steps instead")
    settle: SettleTable = SettleTable()
    report: ReportTable = ReportTable()
    search: SearchTable | None = None

    @model_validator(mode="after")
    def _one_lay(self) -> SceneFile:
        if bool(self.lay) == (self.lay_plan is not None):
            found = "both are" if self.lay else "neither is"
            raise ValueError(f"a lay is given by [[lay]] steps or by a lay_plan, and {found} given; give one of them")
        return self


class ClaimTable(Table):
    """One mark's entry in the claims table."""

    kind: Literal["stain", "image", "void", "seam", "fold"] | None = None
    claim: Literal["touches", "touches_place", "shows_feature", "lies_clear", "meets"] = "touches"
    place: str = Field(default="", description="a region or landmark of the body")
    mark: str = Field(default="", description="another mark of the drawing, for the claim that the two meet")
    tolerance_mm: Positive = Field(default=1.0, description="the largest gap that counts as contact")
    wicking_mm: NotNegative | None = Field(
        default=None, description="how far the stain ran beyond what touched; what is claimed lies this far inside it"
    )
    side: Literal["inner", "outer"] = Field(default="inner", description="the side of the cloth that the claim is of")
    share: Annotated[float, Field(gt=0, le=1)] = Field(
        default=0.8, description="the least share of the area in contact"
    )

    @model_validator(mode="after")
    def _place_where_wanted(self) -> ClaimTable:
        if self.claim in ("touches_place", "shows_feature") and not self.place:
            raise ValueError(f'the claim "{self.claim}" names no place; give place, a region or landmark of the body')
        if self.claim in ("touches", "lies_clear", "meets") and self.place:
            raise ValueError(f'the claim "{self.claim}" takes no place; drop place, or claim "touches_place"')
        if self.claim == "meets" and not self.mark:
            raise ValueError('the claim "meets" names no other mark; give mark, the id of another mark in the drawing')
        if self.claim != "meets" and self.mark:
            raise ValueError(f'the claim "{self.claim}" takes no mark; drop mark, or claim "meets"')
        return self
