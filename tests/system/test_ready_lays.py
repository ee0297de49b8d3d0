"""Promise: every ready lay is read with the demo cover, begins without a crossing, and aims at no place in the body."""

from pathlib import Path

import pytest

from drapesim.ground.outcome import InputError
from drapesim.jobs.run import prepare
from drapesim.matter.plan import read_scene
from drapesim.settling.exact import count_self_crossings

SCENES = Path(__file__).parents[2] / "scenes"
LAYS = sorted(path.name for path in (SCENES / "lays").glob("*.toml"))


def write_scene(folder, plan):
    """The over-head scene (its floor reaches under every cloth) with another plan; returns its path."""
    text = (SCENES / "cover-over-head.toml").read_text()
    text = text.replace('"lays/over-head.toml"', f'"{plan}"')
    for name in ("fabrics", "marks"):
        text = text.replace(f'"{name}/', f'"{SCENES}/{name}/')
    path = folder / "scene.toml"
    path.write_text(text)
    return path


def test_there_is_one_of_each():
    assert LAYS == ["loose.toml", "over-head.toml", "smoothed.toml", "tight.toml", "tucked.toml"]


@pytest.mark.parametrize("name", LAYS)
def test_ready_lay_begins(name, tmp_path):
    scene = read_scene(write_scene(tmp_path, SCENES / "lays" / name))
    plan = prepare(scene, 60.0)
    assert count_self_crossings(plan.x, plan.lattice.triangles)[0] == 0
    assert any(file.endswith(name) for file in scene.inputs)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (None, "there is no lay plan"),
        ("", "a lay plan holds [[lay]] steps and nothing else"),
        ('title = "x"\n[[lay]]\ndo = "settle"', "plan.toml:1: title: a lay plan holds [[lay]] steps and nothing else"),
        ('[[lay]]\ndo = "settle"', "plan.toml:2: lay[1].do: a lay begins with where the cloth is"),
    ],
)
def test_plans_that_are_refused(text, sentence, tmp_path):
    if text is not None:
        (tmp_path / "plan.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        read_scene(write_scene(tmp_path, "plan.toml"))
    assert sentence in str(caught.value)


def test_steps_beside_a_plan_are_refused(tmp_path):
    path = write_scene(tmp_path, SCENES / "lays" / "loose.toml")
    path.write_text(path.read_text() + '[[lay]]\ndo = "settle"\n')
    with pytest.raises(InputError, match=r"a lay is given by .* and both are given; give one of them"):
        read_scene(path)
