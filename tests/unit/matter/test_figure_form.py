"""The figure's form: what it gives, and one sentence for each thing that is wrong with it."""

from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.jobs.figure import FORM
from drapesim.matter.figure_form import figure_schema, read_figure


def write(folder: Path, text: str) -> Path:
    path = folder / "adult.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_empty_form_reads(tmp_path: Path) -> None:
    form = read_figure(write(tmp_path, FORM))
    assert form.measures.stature == 1.70
    assert form.angles.head_rotation == pytest.approx(np.radians(10))
    assert form.lie == "supine"


def test_measures_and_angles_of_a_form(tmp_path: Path) -> None:
    text = (
        'lie = "prone"\nsex = 1.0\nstature_mm = 1800\nmass_kg = 90\nease = "stiff"\n[measures_mm]\ncalf_girth = 380\n'
        '[angles_deg]\nknee_flexion = 20\n"left knee_flexion" = 35\nhead_rotation = -40\n'
    )
    form = read_figure(write(tmp_path, text))
    assert form.measures.calf_girth == pytest.approx(0.380)
    assert form.measures.mass == 90
    assert form.angles.left.knee_flexion == pytest.approx(np.radians(35))
    assert form.angles.right.knee_flexion == pytest.approx(np.radians(20))
    assert form.angles.head_rotation == pytest.approx(np.radians(-40))


WRONG = [
    ("sex = 0.5", "lie: this key is missing"),
    ('lie = "upright"', "must be 'supine', 'prone', 'left side' or 'right side'"),
    ('lie = "supine"\nsex = 2', "must be at most 1"),
    ('lie = "supine"\nstature = 1700', "lacks its unit"),
    ('lie = "supine"\nstature_mm = 900', "stature_mm: 900 mm is no adult's"),
    ('lie = "supine"\nmass_kg = 300', "mass_kg: 300 kg is out of range at this stature"),
    ('lie = "supine"\n[measures_mm]\ncalf_grith = 380', "did you mean 'calf_girth'"),
    ('lie = "supine"\n[angles_deg]\nknee_flexon = 3', "did you mean 'knee_flexion'"),
    ('lie = "supine"\n[angles_deg]\nknee_flexion = 170', "give 0 to 140"),
    ('lie = "supine"\nedge_mm = 5\nfine_edge_mm = 6', "more than edge_mm"),
]


@pytest.mark.parametrize(("text", "said"), WRONG)
def test_what_is_wrong_is_said_with_its_key(tmp_path: Path, text: str, said: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(InputError) as fault:
        read_figure(path)
    assert said in str(fault.value)
    assert "adult.toml" in str(fault.value)


def test_the_schema_is_exported() -> None:
    keys = figure_schema()["properties"]
    assert {"lie", "sex", "stature_mm", "mass_kg", "measures_mm", "angles_deg"} <= set(keys)
