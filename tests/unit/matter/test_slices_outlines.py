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


PAGE = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:i="urn:editor" {} viewBox="0 0 200 160">{}</svg>'
MILLIMETRES = 'width="200mm" height="160mm"'


def drawn(path, shapes, size=MILLIMETRES):
    path.write_text(PAGE.format(size, shapes))
    return path


def points(z, centre, radius):
    return " ".join(f"{row.split(',')[2]},{row.split(',')[3]}" for row in ring(z, centre, radius).split())


def test_drawing_is_read_like_its_table(tmp_path):
    """The same cone as CSV and as SVG: heights from ids, layer labels and groups; cm and a transform on the way."""
    table = tmp_path / "cone.csv"
    table.write_text(HEAD + "".join(ring(z, (100.0, 80.0), 60.0 - 0.3 * z) for z in (-20, 0, 20, 40.5)))
    shapes = (
        f'<polygon id="z-20" points="{points(-20, (100.0, 80.0), 66.0)}"/>'
        f'<g i:label="z=0 mm"><path d="M{points(0, (100.0, 80.0), 60.0)}z"/></g>'
        f'<g id="z_20"><g transform="translate(90,70) scale(2)">'
        f'<path id="path7" d="M{points(20, (5.0, 5.0), 27.0)}z"/></g></g>'
        f'<g id="z99"><polygon id="z40.5_head" fill="none" points="{points(40.5, (100.0, 80.0), 47.85)}"/></g>'
        '<path id="ruler" display="none" d="M0 0h10"/><text>a note</text>'
    )
    one = read_slices(table)
    for size in (MILLIMETRES, 'width="20cm" height="16cm"'):
        other = read_slices(drawn(tmp_path / "cone.svg", shapes, size))
        np.testing.assert_allclose(other.origin, one.origin, atol=1e-8)
        np.testing.assert_allclose(other.spacing, one.spacing, atol=1e-9)
        np.testing.assert_allclose(other.values, one.values, atol=2e-6)
    body = make_body(tmp_path / "cone.svg", SliceSettings()).body
    low, high = 1e3 * (body.vertices @ FROM_PATIENT.T).min(axis=0), 1e3 * (body.vertices @ FROM_PATIENT.T).max(axis=0)
    np.testing.assert_allclose(low, (34.0, 80.0 - 0.7 * 66.0, -20.0), atol=0.8)  # left, back, head
    np.testing.assert_allclose(high, (166.0, 80.0 + 0.7 * 66.0, 40.5), atol=0.8)


def test_curves_and_outlines_in_outlines(tmp_path):
    """A circle is a circle; one inside it, and one that overlaps it, belong to the same area."""
    inner = '<circle cx="100" cy="80" r="20"/><circle cx="130" cy="80" r="40"/>'
    for k, more in enumerate(("", inner)):
        shapes = "".join(f'<g id="z{z}"><circle cx="100" cy="80" r="50"/>{more}</g>' for z in (0, 30))
        drawn(tmp_path / f"{k}.svg", shapes)
    plain, joined = (read_slices(tmp_path / f"{k}.svg") for k in range(2))
    # Curves are flattened to 0.1 mm, 0.4 % of the area at most; the rest is counting pixels of 1 mm.
    one = np.pi * 0.05**2
    two = one + np.pi * 0.04**2 - 1e-6 * _lens(50.0, 40.0, 30.0)
    for slices, area in ((plain, one), (joined, two)):
        pixel = slices.spacing[0] * slices.spacing[1]
        assert (slices.values[5] > 0.0).sum() * pixel == pytest.approx(area, rel=6e-3)


def _lens(r, s, d):
    """Area common to circles of radius r and s whose middles are d apart."""
    a, b = np.arccos((d * d + r * r - s * s) / (2 * d * r)), np.arccos((d * d + s * s - r * r) / (2 * d * s))
    return r * r * (a - np.sin(2 * a) / 2) + s * s * (b - np.sin(2 * b) / 2)


CIRCLE = '<circle id="{}" cx="100" cy="80" r="50"/>'


@pytest.mark.parametrize(
    ("shapes", "size", "said"),
    [
        ("", MILLIMETRES, "there are no outlines"),
        (CIRCLE.format("z5"), MILLIMETRES, "outlines of one slice enclose no body"),
        (CIRCLE.format("z5") + CIRCLE.format("z5"), MILLIMETRES, "outlines of one slice enclose no body"),
        (CIRCLE.format("z5") + CIRCLE.format("slice9"), MILLIMETRES, "#slice9: neither the outline nor a group"),
        (CIRCLE.format("z5") + '<circle cx="9" cy="9" r="5"/>', MILLIMETRES, "#circle in line 1: neither the outline"),
        (CIRCLE.format("z5") + CIRCLE.format("z99999"), MILLIMETRES, "#z99999: its slice is beyond 20 m"),
        (CIRCLE.format("z5") + '<path id="z9" d="M0 0h9v9"/>', MILLIMETRES, "#z9: the outline is open"),
        (CIRCLE.format("z5") + '<path id="z9" d="M0 0h9z"/>', MILLIMETRES, 'slice 9 mm, outline "z9": it encloses no'),
        (CIRCLE.format("z5") + '<path id="z9" d="M0 0L9 9V0L0 5z"/>', MILLIMETRES, 'outline "z9": it crosses itself'),
        (CIRCLE.format("z5") + CIRCLE.format("z9"), 'width="200" height="160"', "its scale is unknown; write width"),
        (CIRCLE.format("z5") + "<g", MILLIMETRES, ":1: the drawing is not valid XML"),
        ("<g>" * 3000 + CIRCLE.format("z5") + "</g>" * 3000, MILLIMETRES, ":1: groups lie in each other more than 100"),
    ],
)
def test_what_is_no_drawing_of_outlines_is_refused(tmp_path, shapes, size, said):
    with pytest.raises(InputError) as fault:
        read_slices(drawn(tmp_path / "bad.svg", shapes, size))
    assert said in str(fault.value)
    assert "scene" not in str(fault.value)
    assert "\n" not in str(fault.value)
