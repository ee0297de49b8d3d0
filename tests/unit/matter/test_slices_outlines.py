"""Traced outlines, lofted: a known body comes back, and what is no outline is refused."""

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.jobs.body import SliceSettings, make_body
from drapesim.matter.slices import FROM_PATIENT
from drapesim.matter.slices_files import read_slices

HEAD = "slice_mm,outline,x_mm,y_mm\n"
ANGLES = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)


def ring(z, centre, radius, name="a"):
    return "".join(
        f"{z},{name},{centre[0] + radius * np.cos(t):.6f},{centre[1] + 0.7 * radius * np.sin(t):.6f}\n" for t in ANGLES
    )


def test_cone_comes_back_between_its_outlines(tmp_path):
    """An elliptic cone, traced every 20 mm: what lies between is linear, so the loft has only the grid's own error."""
    file = tmp_path / "cone.csv"
    file.write_text(HEAD + "".join(ring(z, (5.0, -3.0), 60.0 - 0.3 * z) for z in (40, 0, 100, 20, 60, 80)))
    made = make_body(file, SliceSettings(error=2e-4))
    assert made.slices.level == 0.0
    v = 1e3 * made.body.vertices @ FROM_PATIENT.T  # left, back, head
    walls = v[(v[:, 2] > 2.0) & (v[:, 2] < 98.0)]
    across, down = walls[:, 0] - 5.0, (walls[:, 1] + 3.0) / 0.7
    off = np.abs(np.hypot(across, down) - (60.0 - 0.3 * walls[:, 2]))
    assert np.sqrt((off**2).mean()) < 0.25
    assert off.max() < 0.8
    volume = np.pi * 0.7 * 0.1 * (0.06**2 + 0.06 * 0.03 + 0.03**2) / 3.0
    assert made.volume == pytest.approx(volume, rel=0.01)


def test_legs_part_from_the_trunk(tmp_path):
    file = tmp_path / "legs.csv"
    legs = "".join(ring(z, (-40.0, 0.0), 25.0, "one") + ring(z, (40.0, 0.0), 25.0, "two") for z in (0, 30, 60))
    file.write_text(HEAD + legs + "".join(ring(z, (0.0, 0.0), 80.0) for z in (80, 120)))
    made = make_body(file, SliceSettings())
    assert made.specks == 0
    assert made.skin.removed_volume == 0.0
    middle = read_slices(file)
    k = round(0.030 / middle.spacing[2])
    inside = middle.values[k] > 0.0
    assert inside.sum() * middle.spacing[0] * middle.spacing[1] == pytest.approx(2 * np.pi * 0.7 * 0.025**2, rel=0.01)


def test_closing_point_may_be_repeated(tmp_path):
    square = [(0, 0), (50, 0), (50, 50), (0, 50)]
    texts = []
    for points in (square, [*square, square[0]]):
        rows = [f"{z},a,{x},{y}\n" for z in (0, 30) for x, y in points]
        texts.append(HEAD + "".join(rows))
        (tmp_path / f"{len(points)}.csv").write_text(texts[-1])
    one, other = (read_slices(tmp_path / f"{n}.csv") for n in (4, 5))
    np.testing.assert_array_equal(one.values, other.values)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ":1: the columns are not those of outlines"),
        ("x,y\n1,2\n", ":1: the columns are not those of outlines"),
        (HEAD, "there are no outlines"),
        (HEAD + ring(0, (0, 0), 50), "outlines of one slice enclose no body"),
        (HEAD + "0,a,1\n", ":2: 3 fields in place of 4"),
        (HEAD + "0,a,1,wide\n", ":2: a coordinate is no number"),
        (HEAD + "0,a,1,nan\n", ":2: a coordinate is beyond 20 m"),
        (HEAD + ring(0, (0, 0), 50) + "9,a,0,0\n9,a,5,0\n", 'slice 9 mm, outline "a": it encloses nothing'),
        (HEAD + ring(0, (0, 0), 50) + "9,b,0,0\n9,b,9,9\n9,b,9,0\n9,b,0,5\n", 'outline "b": it crosses itself'),
        (HEAD + '0,"a,1,1\n', "cannot be read as CSV"),
    ],
)
def test_what_is_no_outline_is_refused(tmp_path, text, said):
    (tmp_path / "bad.csv").write_text(text)
    with pytest.raises(InputError) as fault:
        read_slices(tmp_path / "bad.csv")
    assert said in str(fault.value)
    assert "\n" not in str(fault.value)
