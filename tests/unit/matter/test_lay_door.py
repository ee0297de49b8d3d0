"""The lay plan at the door: every step read into SI records, and a bad one of every kind refused in one sentence."""

import shutil
import tomllib
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.lay import (
    BindStep,
    FoldStep,
    HangStep,
    LowerStep,
    PressStep,
    PullStep,
    ReleaseStep,
    RestStep,
    RollStep,
    SmoothStep,
    SpreadStep,
    parse_step,
    spell_step,
)
from drapesim.matter.plan import read_scene, scene_schema

SCENES = Path(__file__).parents[3] / "scenes"
HEAD = """\
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
landmarks_mm = { "corner" = [110, 70, 50] }
[support]
length_mm = 1000
width_mm = 600
surface = "slate"
"""
LOWER = '[[lay]]\ndo = "lower"\npoint_mm = [250, 150]\nplace_mm = [10, 20]\n'
MARKS = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="500mm" height="300mm" viewBox="0 0 500 300">\n'
    '<circle id="spot" cx="100" cy="120" r="10"/>\n</svg>\n'
)
GOOD = {
    'do = "pull"\npoint_mm = [0, 0]\nby_mm = [0, 0, 50]\nmost_force_N = 5': PullStep(
        ((0.0, 0.0),), 0.06, 5.0, by=(0.0, 0.0, 0.05)
    ),
    'do = "pull"\nmark = "spot"\nto = "corner"\nmost_force_N = 5\nkeep = true\nname = "a"\nacross_mm = 40': PullStep(
        ((0.1, 0.12),), 0.04, 5.0, to=(0.11, 0.07, 0.05), keep=True, name="a"
    ),
    'do = "lift and drop"\nedge_mm = [[0, 0], [0, 300]]\nheight_mm = 80': PullStep(
        ((0.0, 0.0), (0.0, 0.3)), 0.01, 50.0, by=(0.0, 0.0, 0.08), do="lift and drop"
    ),
    'do = "roll back"\nedge_mm = [[0, 0], [0, 300]]\nby_mm = [200, 0, 0]\nheight_mm = 80': PullStep(
        ((0.0, 0.0), (0.0, 0.3)), 0.01, 50.0, by=(0.2, 0.0, 0.0), arc=0.08, back=True, do="roll back"
    ),
    'do = "press"\npoint_mm = [10, 20]\nforce_N = 3': PressStep(((0.01, 0.02),), 0.06, 3.0),
    'do = "tuck"\nedge_mm = [[0, 50], [500, 50]]\nforce_N = 3': PressStep(
        ((0.0, 0.05), (0.5, 0.05)), 0.06, 3.0, (0.0, 0.0, -1.0), do="tuck"
    ),
    'do = "weight"\npoint_mm = [10, 20]\nmass_g = 100': PressStep(
        ((0.01, 0.02),), 0.06, 0.980665, (0.0, 0.0, -1.0), True, "step 2", do="weight"
    ),
    'do = "smooth"\nstroke_mm = [[0, 50], [500, 50]]\nforce_N = 1\npress_N = 2': SmoothStep(
        ((0.0, 0.05), (0.5, 0.05)), 0.1, 1.0, 2.0, 0.15
    ),
    'do = "bind"\nline_mm = [[250, 0], [250, 300]]\ntension_N = 4\nname = "cord"\nwho = "two people"': BindStep(
        ((0.25, 0.0), (0.25, 0.3)), 4.0, 0.04, "round", "cord", "two people"
    ),
    'do = "release"': ReleaseStep(),
    'do = "settle"': RestStep(),
}
STARTS = {
    'do = "spread"\npoint_mm = [0, 150]\nplace_mm = [-200, 0]': SpreadStep((0.0, 0.15), (-0.2, 0.0)),
    'do = "lower folded"\npoint_mm = [250, 0]\nplace_mm = [0, 0]\nfold_mm = 150\nalong = "weft"': FoldStep(
        (0.25, 0.0), (0.0, 0.0), 0.0, 0.01, "weft", 0.15, 0.03
    ),
    'do = "lower rolled"\npoint_mm = [0, 0]\nplace_mm = [0, 0]\nbegin_mm = 200': RollStep(
        (0.0, 0.0), (0.0, 0.0), 0.0, 0.01, "warp", 0.2, 0.05, 0.012
    ),
    'do = "hang"\nplace_mm = [0, 0]\nline_mm = 250': HangStep((0.0, 0.0), 0.0, "warp", 0.25, 0.03, 0.01),
}


@pytest.fixture
def write(tmp_path):
    """Write a scene with these steps of a lay; returns its path."""
    shutil.copy(SCENES / "fabrics/cover-linen.toml", tmp_path / "card.toml")
    (tmp_path / "marks.svg").write_text(MARKS)

    def write(*steps):
        path = tmp_path / "scene.toml"
        path.write_text(
            HEAD + "\n".join(step if step.startswith("[[") else "[[lay]]\n" + step for step in steps) + "\n"
        )
        return path

    return write


@pytest.mark.parametrize("text", GOOD)
def test_each_step_of_hands_is_read(write, text):
    path = write(LOWER, text)
    step = read_scene(path).lay[1]
    wanted = GOOD[text]
    assert type(step) is type(wanted)
    for name, value in vars(wanted).items():
        found = getattr(step, name)
        if isinstance(value, tuple) and name == "patch":
            assert np.allclose(found, value, atol=1e-9), name
        else:
            assert found == pytest.approx(value) if isinstance(value, float) else found == value, name
    jsonschema.validate(tomllib.loads(path.read_text()), scene_schema())


@pytest.mark.parametrize("text", STARTS)
def test_each_start_is_read(write, text):
    path = write(text)
    assert read_scene(path).lay == (STARTS[text],)
    jsonschema.validate(tomllib.loads(path.read_text()), scene_schema())


def test_steps_survive_writing():
    for step in (*GOOD.values(), *STARTS.values(), LowerStep((0.1, 0.2), (0.0, 0.0))):
        assert parse_step(spell_step(step)) == step


def test_what_is_kept_can_be_released_by_name(write):
    pull = 'do = "pull"\npoint_mm = [0, 0]\nby_mm = [0, 0, 50]\nmost_force_N = 5\nkeep = true\nname = "left hand"'
    scene = read_scene(write(LOWER, pull, 'do = "release"\nwhat = ["left hand"]'))
    assert scene.lay[2] == ReleaseStep(("left hand",))


EDGE = "edge_mm = [[0, 0], [0, 300]]\n"
BAD = [
    (['do = "pull"\npoint_mm = [0, 0]'], "lay[1].do: a lay begins with where the cloth is; begin with"),
    ([LOWER, LOWER], "lay[2].do: the sheet has been lowered already; go on with pull"),
    ([LOWER, 'do = "throw"'], "lay[2].do: 'throw' is no step of a lay"),
    ([LOWER, "point_mm = [0, 0]"], "lay[2].do: this key is missing; say what is done"),
    ([LOWER, 'do = "pull"\npoint_mm = [0, 0]\nmost_force_N = 5'], "lay[2]: one target is wanted, and none is given"),
    ([LOWER, 'do = "pull"\nby_mm = [0, 0, 9]\nmost_force_N = 5'], "lay[2]: one place on the cloth is wanted"),
    ([LOWER, 'do = "pull"\npoint_mm = [0, 0]\nby_mm = [0, 0, 9]'], "lay[2].most_force_N: this key is missing"),
    ([LOWER, 'do = "pull"\npoint_mm = [0, 0]\nto = "cormer"\nmost_force_N = 5'], "lay[2].to: the body has no landmark"),
    (
        [LOWER, 'do = "pull"\nmark = "spit"\nby_mm = [0, 0, 9]\nmost_force_N = 5'],
        "there is no mark 'spit'; did you mean",
    ),
    ([LOWER, 'do = "pull"\npoint_mm = [0, 0]\nby_mm = [0, 0, 9]\nmost_force_N = 5\nkeep = true'], "needs a name"),
    ([LOWER, 'do = "pull"\npoint_mm = [0, 400]\nby_mm = [0, 0, 9]\nmost_force_N = 5'], "[0, 400] is no point of the"),
    ([LOWER, 'do = "lift and drop"\npoint_mm = [0, 0]\nheight_mm = -5'], "lay[2].height_mm: must be greater than 0"),
    ([LOWER, f'do = "roll back"\n{EDGE}height_mm = 50'], "lay[2].by_mm: this key is missing"),
    ([LOWER, 'do = "press"\npoint_mm = [0, 0]\nforce_N = 1\nalong = [0, 0, 0]'], "lay[2].along: this is no direction"),
    ([LOWER, 'do = "press"\npoint_mm = [0, 0]\nforce = 1'], "lay[2].force: this key lacks its unit; write force_N"),
    ([LOWER, 'do = "tuck"\npoint_mm = [0, 0]\nforce_N = 1'], "lay[2]: one tucks along a line; give edge_mm"),
    ([LOWER, 'do = "weight"\npoint_mm = [0, 0]\nmass_g = 0'], "lay[2].mass_g: must be greater than 0, not 0"),
    ([LOWER, 'do = "smooth"\nstroke_mm = [[0, 0], [0, 0]]\nforce_N = 1\npress_N = 1'], "its two ends are one point"),
    (
        [LOWER, 'do = "bind"\nline_mm = [[0, 0], [0, 300]]\ntension_N = 1\nends = "loose"'],
        "lay[2].ends: must be 'round'",
    ),
    ([LOWER, 'do = "release"\nwhat = ["cord"]'], "lay[2].what[1]: nothing called 'cord' is held"),
    ([LOWER, 'do = "settle"\nhow = "long"'], "lay[2].how: unknown key"),
    (['do = "hang"\nplace_mm = [0, 0]\nline_mm = 600'], "lay[1].line_mm: 600 mm lies not on the cloth"),
    (['do = "lower rolled"\npoint_mm = [0, 0]\nplace_mm = [0, 0]\nbegin_mm = 500'], "begin_mm: 500 mm lies not on"),
    (['do = "lower folded"\npoint_mm = [0, 0]\nplace_mm = [0, 0]\nfold_mm = 0'], "lay[1].fold_mm: must be greater"),
    (['do = "spread"\npoint_mm = [0, 0]'], "lay[1].place_mm: this key is missing"),
    ([LOWER, 'do = "press"\npoint_mm = [0, 0]\nforce_N = 1001'], "lay[2].force_N: must be at most 1000, not 1001"),
    ([LOWER, 'do = "weight"\npoint_mm = [0, 0]\nmass_g = 1e6'], "lay[2].mass_g: must be at most 100000"),
    (
        [LOWER, 'do = "pull"\npoint_mm = [0, 0]\nby_mm = [0, -2e5, 9]\nmost_force_N = 5'],
        "lay[2].by_mm[2]: must be at least -100000, not -200000",
    ),
    (['do = "lower"\npoint_mm = [0, 0]\nplace_mm = [1e300, 0]'], "lay[1].place_mm[1]: must be at most 100000"),
    ([LOWER, 'do = "weight"\npoint_mm = [0, 0]\nmass_g = 1\nname = "step 3"'], "'step 3' is what that step would be"),
]


@pytest.mark.parametrize(("steps", "sentence"), BAD)
def test_steps_that_are_refused(write, steps, sentence):
    with pytest.raises(InputError) as caught:
        read_scene(write(*steps))
    assert sentence in str(caught.value)
    assert "scene.toml:" in str(caught.value)


def test_a_lay_of_numbers_is_refused_in_plain_words(write):
    path = write(LOWER)
    path.write_text("lay = [1]\n" + HEAD)
    with pytest.raises(InputError, match=r"lay\[1\]: must be a table, not 1"):
        read_scene(path)


def test_one_name_cannot_be_held_twice(write):
    weight = 'do = "weight"\npoint_mm = [0, 0]\nmass_g = 10\nname = "stone"'
    with pytest.raises(InputError, match=r"lay\[3\].name: 'stone' is held already"):
        read_scene(write(LOWER, weight, weight))
