"""What a scene leaves free: read, varied, refused."""

import tomllib
from pathlib import Path

import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.freedom import move_paths, parse_keys, read_freedom, vary

ROOT = Path(__file__).parents[3]
LOOSE = ROOT / "scenes/cover-loose.toml"


def write(folder, free, scene=LOOSE):
    path = folder / "scene.toml"
    text = scene.read_text()
    for name in ("fabrics", "marks"):
        text = text.replace(f'"{name}/', f'"{ROOT}/scenes/{name}/')
    path.write_text(f"{text}\n[search]\n" + "".join(f"[[search.free]]\n{each}\n" for each in free))
    return path


PLACE = 'key = "lay[1].place_mm"\nlow = [-60, 0]\nhigh = [60, 0]'
TURN = 'key = "lay[1].turn_deg"\nlow = -8\nhigh = 8'


def test_numbers_and_their_limits(tmp_path):
    freedom = read_freedom(write(tmp_path, [PLACE, TURN]))
    assert [(a.name, a.unit, a.low, a.high, a.start) for a in freedom.axes] == [
        ("lay[1].place_mm[1]", "mm", -60.0, 60.0, 0.0),
        ("lay[1].turn_deg", "degrees", -8.0, 8.0, 0.0),
    ]
    assert [axis.words for axis in freedom.axes] == ["place x", "turn"]
    assert freedom.spacing_mm == 30.0
    assert freedom.body_values((12.5, 3.0)) == ()


def test_a_varied_scene_reads_back_with_its_values(tmp_path):
    freedom = read_freedom(write(tmp_path, [PLACE, TURN]))
    document = vary(freedom, (12.5, -3.25), tmp_path)
    own = tomllib.loads(LOOSE.read_text())
    assert document.data["lay"][0] == {**own["lay"][0], "place_mm": [12.5, 0], "turn_deg": -3.25}
    assert "search" not in document.data
    assert tomllib.loads(document.text) == document.data
    assert vary(freedom, (12.5, -3.25), tmp_path).sha256 == document.sha256
    assert vary(freedom, (12.5, -3.0), tmp_path).sha256 != document.sha256


def test_steps_of_a_lay_plan_and_the_figure_may_be_free(tmp_path):
    tight = ROOT / "scenes/cover-tight.toml"
    (tmp_path / "lays").mkdir()
    (tmp_path / "lays/tight.toml").write_bytes((ROOT / "scenes/lays/tight.toml").read_bytes())
    free = [
        'key = "lay[3].most_force_N"\nlow = 5\nhigh = 25',
        'key = "lay[5].edge_mm"\nlow = [[1300, 220], [2500, 220]]\nhigh = [[1300, 320], [2500, 320]]',
        'key = "body.figure.knee_bend_deg"\nlow = 5\nhigh = 25',
    ]
    path = write(tmp_path, free, scene=tight)
    path.write_text(path.read_text().replace("stature_mm = 1700", "stature_mm = 1700, knee_bend_deg = 12"))
    freedom = read_freedom(path)
    assert [axis.name for axis in freedom.axes] == [
        "lay[3].most_force_N", "lay[5].edge_mm[1][2]", "lay[5].edge_mm[2][2]", "body.figure.knee_bend_deg",
    ]  # fmt: skip
    assert [axis.unit for axis in freedom.axes] == ["N", "mm", "mm", "degrees"]
    assert [axis.words for axis in freedom.axes] == [
        "step 3, most force", "step 5, edge 1 v", "step 5, edge 2 v", "knee bend",
    ]  # fmt: skip
    assert freedom.body_values((7.0, 230.0, 240.0, 20.0)) == (20.0,)
    data = vary(freedom, (7.0, 230.0, 240.0, 20.0), tmp_path).data
    assert "lay_plan" not in data
    assert data["lay"][2]["most_force_N"] == 7.0
    assert data["lay"][4]["edge_mm"] == [[1300, 230.0], [2500, 240.0]]
    assert data["body"]["figure"] == {"stature_mm": 1700, "knee_bend_deg": 20.0}


def test_a_joint_angle_is_varied_in_a_form_of_its_own(tmp_path):
    (tmp_path / "adult.toml").write_text('lie = "supine"\n[angles_deg]\n"left hip_flexion" = 10\n')
    path = write(tmp_path, ['key = "form.angles_deg.left hip_flexion"\nlow = 0\nhigh = 30'])
    path.write_text(path.read_text().replace("figure = { stature_mm = 1700 }", 'adult = { form = "adult.toml" }'))
    freedom = read_freedom(path)
    assert [(axis.name, axis.unit, axis.start) for axis in freedom.axes] == [
        ("form.angles_deg.left hip_flexion", "degrees", 10.0)
    ]
    data = vary(freedom, (25.0,), tmp_path / "forms").data
    form = tmp_path / data["body"]["adult"]["form"]
    assert tomllib.loads(form.read_text()) == {"lie": "supine", "angles_deg": {"left hip_flexion": 25.0}}
    assert (tmp_path / "adult.toml").read_text().endswith("= 10\n")


@pytest.mark.parametrize(
    ("free", "sentence"),
    [
        ('key = "fabric.card"\nlow = 1\nhigh = 2', "cannot be searched over"),
        ('key = "sheet.length_mm"\nlow = 1\nhigh = 2', "cannot be searched over"),
        ('key = "lay[2].force_N"\nlow = 1\nhigh = 2', "the scene has no lay[2].force_N"),
        ('key = "lay[1].do"\nlow = 1\nhigh = 2', "lay[1].do holds no numbers"),
        ('key = "lay[1].place_mm"\nlow = -60\nhigh = 60', "low has not the form of lay[1].place_mm, which is [0, 0]"),
        ('key = "lay[1].turn_deg"\nlow = 2\nhigh = 8', "the scene's own 0 does not lie from 2 to 8"),
        ('key = "lay[1].turn_deg"\nlow = 0\nhigh = 0', "every low equals its high"),
        ('key = "form.angles_deg.hip_flexion"\nlow = 0\nhigh = 9', "is not made from a figure form"),
        (TURN + "\nstep = 1", "unknown key"),
    ],
)
def test_what_may_not_be_free_is_refused_in_a_sentence(tmp_path, free, sentence):
    path = write(tmp_path, [free])
    with pytest.raises(InputError) as fault:
        read_freedom(path)
    assert sentence in str(fault.value)
    assert "search.free" in str(fault.value)


def test_a_scene_without_a_search_and_a_key_given_twice(tmp_path):
    with pytest.raises(InputError, match="does not say what a search may vary"):
        read_freedom(LOOSE)
    with pytest.raises(InputError, match="given twice"):
        read_freedom(write(tmp_path, [TURN, TURN]))


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [("[sheet]", "[sheet_]", "sheet"), ("spacing_mm = 15", 'spacing_mm = "15"', "spacing_mm"),
     ("spacing_mm = 15", "spacing_mm = [15]", "spacing_mm"), ("spacing_mm = 15", "", "spacing_mm")],
)  # fmt: skip
def test_a_scene_that_is_no_scene_is_refused_in_a_sentence(tmp_path, old, new, key):
    path = write(tmp_path, [TURN])
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    with pytest.raises(InputError, match=key):
        read_freedom(path)


def test_keys_are_spelt_as_messages_spell_them():
    assert parse_keys("lay[2].edge_mm") == ("lay", 1, "edge_mm")
    assert parse_keys("body.figure.knee_bend_deg") == ("body", "figure", "knee_bend_deg")


def test_paths_are_found_from_another_folder(tmp_path):
    freedom = read_freedom(write(tmp_path, [TURN]))
    document = vary(freedom, (1.0,), tmp_path)
    document.data["fabric"]["card"] = "fabrics/a.toml"
    text = move_paths(document, ["fabrics/a.toml"], tmp_path / "searches/x")
    assert tomllib.loads(text)["fabric"]["card"] == "../../fabrics/a.toml"
