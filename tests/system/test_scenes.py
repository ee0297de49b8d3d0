"""Promise: every scene that is shipped can be read, and every file it names is hashed."""

from pathlib import Path

import pytest

from drapesim.matter.plan import read_scene

SCENES = Path(__file__).parents[2] / "scenes"


@pytest.mark.parametrize("name", sorted(path.name for path in SCENES.glob("*.toml")))
def test_scene_is_read(name):
    scene = read_scene(SCENES / name)
    assert scene.marks
    assert all((SCENES / file).is_file() for file in scene.inputs)
    assert len(scene.inputs) >= 4
    # What the demo shows is invented, and says so wherever a value is not an estimate by rule.
    assert all(entry.invented or entry.estimated for entry in scene.fabric.provenance.values())


def test_the_demo_cover_has_marks_of_every_sort():
    """At least twelve marks: claimed on the figure, claimed clear of it, and drawn where the figure cannot be."""
    from drapesim.ground.files import read_toml
    from drapesim.matter.marks import parse_claims, read_marks

    claims = parse_claims(read_toml(SCENES / "marks/cover-claims.toml"))
    marks = read_marks(SCENES / "marks/cover.svg", (3.9, 1.25), claims=claims)
    claims = [mark.claim.kind for mark in marks]
    assert len(marks) >= 12
    assert {"touches", "touches_place", "shows_feature", "lies_clear"} == set(claims)
    beyond = [mark.name for mark in marks if mark.samples[:, 0].min() > 3.2 or mark.samples[:, 0].max() < 0.7]
    assert len(beyond) >= 2
