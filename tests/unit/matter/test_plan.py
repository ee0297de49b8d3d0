"""The scene: SI values, hashes, bodies placed, handedness, the exported schema, and refusals with place and remedy."""

import hashlib
import math
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import trimesh
from PIL import Image

from drapesim.ground.outcome import InputError
from drapesim.matter.lay import LowerStep
from drapesim.matter.plan import SettleSettings, read_scene, scene_schema

SCENES = Path(__file__).parents[3] / "scenes"

SCENE = """\
title = "test"
[sheet]
length_mm = 500
width_mm = 300
spacing_mm = 10
[fabric]
card = "card.toml"
[flat_map]
marks = "marks.svg"
[body]
surface = "limewood"
box = { size_mm = [200, 100, 50], centre_mm = [10, 20, 25] }
[support]
length_mm = 1000
width_mm = 600
surface = "slate"
[[lay]]
do = "lower"
point_mm = [250, 150]
place_mm = [10, 20]
turn_deg = 90
"""
BOX = "box = { size_mm = [200, 100, 50], centre_mm = [10, 20, 25] }"
SLATE = 'surface = "slate"\n'
HOLLOW = "[support.depression]\ndepth_mm = 40\nlength_mm = 500\nwidth_mm = 300\n"
MARKS = """\
<svg xmlns="http://www.w3.org/2000/svg" width="500mm" height="300mm" viewBox="0 0 500 300">
<circle id="a" cx="100" cy="100" r="10"/>
</svg>
"""


@pytest.fixture
def write(tmp_path):
    """Write the scene with some texts replaced, beside its card and marks; returns its path."""
    shutil.copy(SCENES / "fabrics/cover-linen.toml", tmp_path / "card.toml")
    (tmp_path / "marks.svg").write_text(MARKS)

    def write(*changes):
        text = SCENE
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        path = tmp_path / "scene.toml"
        path.write_text(text)
        return path

    return write


def test_table_stands_over_a_floor_that_no_cloth_leaves(write):
    scene = read_scene(write((SLATE, 'kind = "table"\nheight_mm = 720\nfloor_surface = "limewood"\n' + SLATE)))
    assert [part.name for part in scene.body.parts] == ["body", "support", "floor"]
    assert [part.surface for part in scene.body.parts] == ["limewood", "slate", "limewood"]
    floor = scene.body.vertices[np.unique(scene.body.faces[scene.body.part == 2])]
    assert floor[:, 2].max() == -0.72
    assert floor[:, 0].max() > np.hypot(0.5, 0.3) + 1.0


def test_floor_needs_no_size(write):
    scene = read_scene(write(("length_mm = 1000\nwidth_mm = 600\n", 'kind = "floor"\n')))
    floor = scene.body.vertices[np.unique(scene.body.faces[scene.body.part == 1])]
    assert floor[:, 2].max() == 0.0
    assert np.ptp(floor[:, 0]) > 5.0


def test_scan_is_let_down_into_a_bed_and_its_landmarks_with_it(write, tmp_path):
    ball = trimesh.creation.icosphere(subdivisions=4, radius=100.0)
    ball.export(tmp_path / "ball.ply")
    mesh = 'mesh = { file = "ball.ply", unit = "mm" }'
    scene = read_scene(write((BOX, mesh), (SLATE, 'kind = "bed"\n' + SLATE + HOLLOW)))
    is_ball = scene.body.part == 0
    low = scene.body.vertices[np.unique(scene.body.faces[is_ball])][:, 2].min()
    assert low == pytest.approx(-0.04, abs=1e-4)
    assert [part.name for part in scene.body.parts] == ["body", "support"]


def test_values_in_si_and_defaults(write):
    scene = read_scene(write())
    assert (scene.sheet.length, scene.sheet.width, scene.sheet.spacing) == (0.5, 0.3, 0.01)
    assert scene.lay == (LowerStep((0.25, 0.15), (0.01, 0.02), math.pi / 2, 0.01),)
    assert scene.settle == SettleSettings()
    assert scene.contact_levels == (5e-4, 1e-3, 2e-3, 5e-3)
    assert scene.seed == 0
    assert [part.surface for part in scene.body.parts] == ["limewood", "slate"]
    assert [part.is_support for part in scene.body.parts] == [False, True]
    assert np.allclose(scene.body.vertices[:8].min(axis=0), [-0.09, -0.03, 0.0])
    assert np.allclose(scene.body.vertices[:8].max(axis=0), [0.11, 0.07, 0.05])
    assert np.allclose(scene.body.vertices.min(axis=0), [-0.5, -0.3, -0.1])


def test_every_file_is_hashed(write, tmp_path):
    Image.new("RGB", (500, 300)).save(tmp_path / "cloth.png")
    (tmp_path / "claims.toml").write_text('[a]\nclaim = "lies_clear"\n')
    trimesh.creation.box((0.2, 0.1, 0.05)).export(tmp_path / "box.ply")
    flat_map = 'marks = "marks.svg"\nclaims = "claims.toml"\npicture = "cloth.png"\nmm_per_pixel = 1'
    path = write((BOX, 'mesh = { file = "box.ply", unit = "m" }'), ('marks = "marks.svg"', flat_map))
    scene = read_scene(path)
    assert set(scene.inputs) == {"scene.toml", "card.toml", "marks.svg", "claims.toml", "cloth.png", "box.ply"}
    for name, digest in scene.inputs.items():
        assert digest == hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()
    assert scene.flat_map.file == "cloth.png"
    assert scene.marks[0].claim.kind == "lies_clear"


@pytest.mark.parametrize(
    ("seen_from", "warp_axis", "inner_sign"), [("inner", "right", -1), ("outer", "right", 1), ("inner", "down", -1)]
)
def test_the_seen_side_sets_the_inner_sign(write, seen_from, warp_axis, inner_sign):
    """u right and v down make u x v point away from who looks; seen from the inner side, that is out of the outer."""
    keys = f'marks = "marks.svg"\nseen_from = "{seen_from}"\nwarp_axis = "{warp_axis}"'
    assert read_scene(write(('marks = "marks.svg"', keys))).sheet.inner_sign == inner_sign


def test_a_scan_is_turned_and_set_down(write, tmp_path):
    trimesh.creation.box((200.0, 50.0, 100.0)).apply_translation((7, 8, 9)).export(tmp_path / "box.stl")
    mesh = 'mesh = { file = "box.stl", unit = "mm", up = "y", turn_deg = 90, middle_mm = [30, 40], length_mm = 200 }'
    scene = read_scene(write((BOX, mesh), ('surface = "slate"', 'surface = "slate"\ntop_mm = 15')))
    body = scene.body.vertices[scene.body.faces[scene.body.part == 0]].reshape(-1, 3)
    assert np.allclose(body.min(axis=0), [-0.020, -0.060, 0.015], atol=1e-9)
    assert np.allclose(body.max(axis=0), [0.080, 0.140, 0.065], atol=1e-9)


MESH = 'mesh = { file = "ball.ply", unit = "cm", up = "y", turn_deg = 90, middle_mm = [30, 40] }'


def write_ball(folder, regions, write):
    """A ball of 50 mm radius about (70, 80, 90) mm of its file."""
    ball = trimesh.creation.icosphere(3, 5.0)
    ball.apply_translation((7.0, 8.0, 9.0)).export(folder / "ball.ply")
    tables = "".join(f"\n[[body.region]]\n{region}" for region in regions)
    return write((BOX, MESH + tables))


def test_names_regions_of_a_scan_in_its_own_axes(write, tmp_path):
    crown = 'name = "crown"\ncentre_mm = [70, 130, 90]\nradius_mm = 30'
    flanks = [f'name = "flank"\nlow_mm = [{x}, 0, 0]\nhigh_mm = [{x + 20}, 200, 200]' for x in (20, 100)]
    body = read_scene(write_ball(tmp_path, [crown, *flanks], write)).body
    assert body.region_names == ("crown", "flank")
    ball = body.region[body.part == 0]
    middle = body.vertices[body.faces[body.part == 0]].mean(axis=1) - np.array([0.03, 0.04, 0.05])  # off the centre
    # The file's y is up; its x, turned by a quarter, is the world's y.
    is_flank = np.abs(middle[:, 1]) > 0.03
    is_crown = np.linalg.norm(middle - np.array([0.0, 0.0, 0.05]), axis=1) <= 0.03
    assert (ball[is_flank] == 1).all()
    assert (ball[is_crown & ~is_flank] == 0).all()
    assert (ball[~is_crown & ~is_flank] == -1).all()
    assert 0 < np.count_nonzero(ball == 0) < np.count_nonzero(ball == 1)
    assert (body.region[body.part == 1] == -1).all()


@pytest.mark.parametrize(("regions", "sentence"), [
    (['name = "a"\ncentre_mm = [0, 0, 0]\nradius_mm = 30'],
     "body.region[1]: no face of the scan has its middle in region 'a'; the scan's faces reach from [2"),
    (['name = "a"\ncentre_mm = [70, 130, 90]\nradius_mm = 30',
      'name = "b"\nlow_mm = [0, 0, 0]\nhigh_mm = [200, 200, 200]'],
     "body.region[1]: later regions take every face of region 'a'"),
    (['name = "a"\ncentre_mm = [0, 0, 0]'], "radius_mm belongs to one middle; give it with landmark or with"),
    (['name = "a"'], "a region says nowhere; give landmark and radius_mm"),
    (['name = "a"\nlow_mm = [0, 0, 0]'], "low_mm and high_mm belong together"),
    (['name = "a"\nreach_mm = 3\nlow_mm = [0, 0, 0]\nhigh_mm = [1, 1, 1]'], "reach_mm is given without nearest"),
    (['name = "a"\nlandmark = "knob"\nradius_mm = 3'], "body.region[1].landmark: there is no landmark 'knob'"),
    (['name = "a"\nlow_mm = [0, 0, 0]\nhigh_mm = [0, 1, 1]'], "high_mm is not above low_mm"),
])  # fmt: skip
def test_refuses_regions_that_name_nothing(write, tmp_path, regions, sentence):
    with pytest.raises(InputError) as fault:
        read_scene(write_ball(tmp_path, regions, write))
    assert sentence in str(fault.value)


def test_refuses_regions_on_a_solid(write):
    table = '\n[[body.region]]\nname = "a"\ncentre_mm = [0, 0, 0]\nradius_mm = 30'
    with pytest.raises(InputError, match=r"regions are named on a scan only; drop body\.region"):
        read_scene(write((BOX, BOX + table)))


@pytest.mark.parametrize(
    ("table", "low", "high"),
    [
        ("sphere = { radius_mm = 50, centre_mm = [0, 0, 50] }", [-0.05, -0.05, 0], [0.05, 0.05, 0.1]),
        (
            'cylinder = { radius_mm = 50, length_mm = 300, centre_mm = [0, 0, 50], axis = "x" }',
            [-0.15, -0.05, 0],
            [0.15, 0.05, 0.1],
        ),
        ("ridge = { height_mm = 80, breadth_mm = 60, length_mm = 300 }", [-0.03, -0.15, 0], [0.03, 0.15, 0.08]),
    ],
)
def test_solids_stand_where_they_are_put(write, table, low, high):
    scene = read_scene(write((BOX, table)))
    body = scene.body.vertices[scene.body.faces[scene.body.part == 0]].reshape(-1, 3)
    assert np.allclose(body.min(axis=0), low, atol=2e-4)
    assert np.allclose(body.max(axis=0), high, atol=2e-4)


def test_the_figure_takes_the_scenes_measures(write, monkeypatch):
    """Keys in mm reach the figure in metres, the surface reaches its parts; the carving itself is tested elsewhere."""
    from drapesim.matter.body import box
    from drapesim.matter.figure import FigureMeasures

    asked = []

    def carve(measures):
        asked.append(measures)
        return box((0, 0, 0), (1, 1, 1), "unset")

    monkeypatch.setattr("drapesim.matter.figure.carve_figure", carve)
    scene = read_scene(write((BOX, "figure = { stature_mm = 1650, girth = 1.1, head_nod_deg = 3 }")))
    assert asked == [FigureMeasures(stature_m=1.65, girth=1.1, head_nod_deg=3.0)]
    assert scene.body.parts[0].surface == "limewood"


def test_figure_keys_follow_the_figures_measures():
    from dataclasses import fields

    from drapesim.matter.figure import FigureMeasures
    from drapesim.matter.scene_schema import FigureTable

    wanted = {
        entry.name.removesuffix("_m") + "_mm" if entry.name.endswith("_m") else entry.name
        for entry in fields(FigureMeasures)
    }
    assert set(FigureTable.model_fields) == wanted


def test_settle_defaults_are_the_records():
    """The file's defaults and the record's must not drift apart."""
    from drapesim.matter.scene_schema import SettleTable

    table, record = SettleTable(), SettleSettings()
    assert (table.stay_mm * 1e-3, table.penetration_mm * 1e-3) == pytest.approx((record.stay, record.penetration))
    for name in ("residual_rms", "residual_max", "energy_closure", "max_steps", "levels"):
        assert getattr(table, name) == getattr(record, name)


def test_landmarks_of_the_scene_can_be_claimed(write, tmp_path):
    (tmp_path / "claims.toml").write_text('[a]\nclaim = "touches_place"\nplace = "knob"\n')
    claims = ('marks = "marks.svg"', 'marks = "marks.svg"\nclaims = "claims.toml"')
    with pytest.raises(InputError, match=r"claims.toml:1: a.place: the body has no region or landmark 'knob'"):
        read_scene(write(claims))
    scene = read_scene(write(claims, (BOX, BOX + "\nlandmarks_mm = { knob = [10, 20, 50] }")))
    assert np.allclose(scene.body.landmarks["knob"], [0.01, 0.02, 0.05])


def test_a_landmark_of_the_scene_is_moved_onto_the_surface_or_refused(write):
    scene = read_scene(write((BOX, BOX + "\nlandmarks_mm = { knob = [10, 20, 53] }")))
    assert np.allclose(scene.body.landmarks["knob"], [0.01, 0.02, 0.05])
    assert scene.body.repairs == (
        "The landmark 'knob' was moved 3 mm onto the surface.",
        "'knob' is no standard anatomical name; used as written.",
    )
    with pytest.raises(InputError, match=r"scene.toml:13: body.landmarks_mm.knob: the point lies 50.0 mm off the sur"):
        read_scene(write((BOX, BOX + "\nlandmarks_mm = { knob = [10, 20, 100] }")))


def test_a_scan_takes_its_places_from_a_file(write, tmp_path):
    """Places are in the scan's own axes (y up there) and mm; the scene's own regions go over them."""
    crown = 'name = "top"\ncentre_mm = [70, 130, 90]\nradius_mm = 20'
    path = write_ball(tmp_path, [crown], write)
    path.write_text(path.read_text().replace(MESH, MESH + '\nplaces = "ball.places.toml"'))
    (tmp_path / "ball.places.toml").write_text(
        '[landmarks_mm]\ncrown = [70, 131, 90]\n[[region]]\nname = "head"\nlandmark = "vertex"\nradius_mm = 40\n'
    )
    scene = read_scene(path)
    assert "ball.places.toml" in scene.inputs
    assert np.allclose(scene.body.landmarks["crown"], [0.03, 0.04, 0.1], atol=1e-3)
    assert scene.body.region_names == ("head", "top")
    assert any(words == "The landmark 'crown' was moved 1 mm onto the surface." for words in scene.body.repairs)
    (tmp_path / "ball.places.toml").write_text('axes = "patient"\n')
    with pytest.raises(InputError, match=r"ball.places.toml:1: axes: a scene takes a places file in the mesh's own"):
        read_scene(path)
    with pytest.raises(InputError, match=r"a places file is for a scan only; drop body.places, or give body.mesh"):
        read_scene(write((BOX, BOX + '\nplaces = "ball.places.toml"')))


def test_a_claim_may_use_another_word_for_the_place_or_gets_the_nearest_names(write, tmp_path):
    marks = BOX + "\nlandmarks_mm = { 'left knee cap' = [10, 20, 50], 'left heel' = [0, 20, 50] }"
    claims = ('marks = "marks.svg"', 'marks = "marks.svg"\nclaims = "claims.toml"')
    (tmp_path / "claims.toml").write_text('[a]\nclaim = "touches_place"\nplace = "Patella (left)"\n')
    scene = read_scene(write(claims, (BOX, marks)))
    assert scene.marks[0].claim.place == "left knee cap"
    (tmp_path / "claims.toml").write_text('[a]\nclaim = "touches_place"\nplace = "left kne cap"\n')
    with pytest.raises(InputError, match="no region or landmark 'left kne cap'; the nearest known are 'left knee cap'"):
        read_scene(write(claims, (BOX, marks)))


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ([("spacing_mm", "spacing_cm")], "scene.toml:5: sheet.spacing_cm: unknown key; did you mean 'spacing_mm'?"),
        ([("width_mm = 300\n", "")], "scene.toml:2: sheet.width_mm: this key is missing; give the cloth's extent"),
        ([("spacing_mm = 10", "spacing_mm = 200")], "scene.toml:5: sheet.spacing_mm: 200 mm leaves fewer than two"),
        (
            [("spacing_mm = 10", "spacing_mm = 0.1")],
            "0.1 mm makes 15 million nodes, more than 4; give at least 0.19 mm",
        ),
        ([("length_mm = 500", "length_mm = inf")], "sheet.length_mm: must be a finite number"),
        ([("turn_deg = 90", "turn_rad = 1")], "scene.toml:21: lay[1].turn_rad: unknown key; did you mean 'turn_deg'?"),
        ([('do = "lower"', 'do = "throw"')], "lay[1].do: 'throw' is no step of a lay; known here: bind, hang"),
        ([("point_mm = [250, 150]", "point_mm = [650, 150]")], "[650, 150] is no point of the cloth; give 0 to 500"),
        ([("point_mm = [250, 150]", "point_mm = [250]")], "lay[1].point_mm: must hold at least 2 entries, not 1"),
        ([(BOX, "")], "body: one kind of body is wanted, and none is given; give one of figure, mesh"),
        ([(BOX, BOX + "\nfigure = {}")], "one kind of body is wanted, and figure and box is given"),
        ([('surface = "slate"', 'surface = "slat"')], "has no friction coefficient for the surface 'slat'"),
        ([("[body]", "[bodie]")], "scene.toml:10: bodie: unknown key; did you mean 'body'?"),
        ([('marks = "marks.svg"', 'claims = "x.toml"')], "flat_map: claims is given without marks"),
        ([('marks = "marks.svg"', 'picture = "x.png"')], "flat_map: picture and mm_per_pixel belong together"),
        ([("[support]", "[settle]\nresidual_rms = 0.1\n[support]")], "settle.residual_rms: must be at most 0.001"),
        ([("[support]", "[support]\nkind = 'table'")], "support: a table stands over a floor; give height_mm"),
        ([("[support]", "[support]\nheight_mm = 700")], "support: a slab has no floor under it"),
        ([("[support]", "[support]\nkind = 'bed'\nheight_mm = 90")], "support: the floor lies inside it"),
        ([("[support]\nlength_mm = 1000", "[support]")], "support: a slab needs a size"),
        ([(SLATE, SLATE + HOLLOW)], "support: a slab has no depression"),
        ([(SLATE, 'kind = "bed"\n' + SLATE + HOLLOW + "middle_mm = [300, 0]\n")], "depression: the depression reaches"),
        ([(SLATE, SLATE + 'floor_surface = "slate"\n')], "support: floor_surface is given without a floor"),
        (
            [(SLATE, 'kind = "bed"\nheight_mm = 500\nfloor_surface = "oak"\n' + SLATE)],
            "has no friction coefficient for the surface 'oak'",
        ),
        ([("[support]", "[report]\ncontact_levels_mm = [2, 1]\n[support]")], "contact_levels_mm does not rise"),
        ([("size_mm = [200, 100, 50]", "size_mm = [200, 0, 50]")], "body.box.size_mm[2]: must be greater than 0"),
        (
            [(BOX, "ridge = { height_mm = 80, breadth_mm = 60, length_mm = 300, radius_mm = 40 }")],
            "scene.toml:12: body.ridge: radius 0.04 m does not fit",
        ),
    ],
)
def test_scenes_that_are_refused(write, changes, sentence):
    with pytest.raises(InputError) as caught:
        read_scene(write(*changes))
    assert sentence in str(caught.value)


def test_all_faults_are_said_the_first_first(write):
    path = write(("spacing_mm = 10", "spacing_mm = -10"), ("place_mm = [10, 20]", "place_mm = 10"))
    with pytest.raises(InputError) as caught:
        read_scene(path)
    first, second = str(caught.value).split("\n")
    assert first.endswith("scene.toml:5: sheet.spacing_mm: must be greater than 0, not -10")
    assert second.endswith("scene.toml:20: lay[1].place_mm: must be a list in square brackets, not 10")


@pytest.mark.parametrize("scene", sorted(path.name for path in SCENES.glob("*.toml")))
def test_the_exported_schema_takes_the_demo_scenes(scene):
    schema = scene_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    data = tomllib.loads((SCENES / scene).read_text())
    jsonschema.validate(data, schema)
    data["sheet"]["spacing"] = 1
    with pytest.raises(jsonschema.ValidationError, match="spacing"):
        jsonschema.validate(data, schema)


def test_importing_the_plan_loads_nothing_heavy():
    heavy = ("trimesh", "skimage", "svgelements", "shapely", "pydantic", "h5py", "PIL", "scipy", "numba")
    code = f"import sys, drapesim.matter.plan; print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=SCENES.parent, check=True)
    assert done.stdout.strip() == "[]"


def test_a_condition_stated_in_the_scene(write):
    """It changes the cloth of this scene and its provenance; the card's file stays as it is."""
    usual = read_scene(write()).fabric
    stated = '[[fabric.condition]]\nkind = "starch"\nfactor = 2\n[flat_map]'
    starched = read_scene(write(("[flat_map]", stated))).fabric
    assert starched.bend_warp == pytest.approx(2 * usual.bend_warp)
    assert starched.shear_rigidity == pytest.approx(2 * usual.shear_rigidity)
    assert "condition 'starch'" in starched.provenance["bend_warp"].source
    with pytest.raises(InputError, match=r"scene.toml:8: fabric.condition\[1\]: 'starch' has no published factor"):
        read_scene(write(("[flat_map]", stated.replace("factor = 2\n", ""))))
