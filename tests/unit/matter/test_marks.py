"""Marks, claims and the flat map: scale, transforms, fill rules, sampling, handedness, and refusals."""

import math

import numpy as np
import pytest
import shapely
from PIL import Image

from drapesim.ground.files import read_toml
from drapesim.ground.outcome import InputError
from drapesim.matter.marks import GRID, Claim, parse_claims, read_flat_map, read_marks, turn_to_warp
from drapesim.matter.marks_svg import CHORD_ERROR, read_drawing

SIZE = (0.5, 0.3)
MILLIMETRES = 'width="500mm" height="300mm" viewBox="0 0 500 300"'


@pytest.fixture
def draw(tmp_path):
    def draw(shapes, root=MILLIMETRES):
        path = tmp_path / "marks.svg"
        path.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" {root}>\n{shapes}\n</svg>\n')
        return path

    return draw


def one(path, **options):
    (mark,) = read_marks(path, SIZE, **options)
    return mark


def area_of(mark):
    """Even-odd area of a mark's rings, by the shoelace formula on rings sorted by nesting (shapely as the judge)."""
    area = shapely.Polygon()
    for ring in mark.rings:
        area = area.symmetric_difference(shapely.Polygon(ring))
    return area.area


def middle(mark):
    return (mark.samples * mark.weights[:, None]).sum(axis=0) / mark.weights.sum()


# Scale


@pytest.mark.parametrize(
    ("root", "options"),
    [
        ('width="500mm" height="300mm" viewBox="0 0 500 300"', {}),
        ('width="50cm" height="30cm" viewBox="0 0 500 300"', {}),
        ('width="5in" height="3in" viewBox="0 0 127 76.2"', {}),
        ('width="360pt" height="216pt" viewBox="0 0 127 76.2"', {}),
        ('width="500mm" viewBox="0 0 500 300"', {}),
        ('width="500" height="300"', {"mm_per_unit": 1.0}),
        ('viewBox="0 0 500 300"', {"mm_per_unit": 1.0}),
    ],
)
def test_one_unit_is_a_millimetre_however_the_file_says_it(draw, root, options):
    mark = one(draw('<rect id="a" x="10" y="20" width="40" height="30"/>', root), **options)
    assert mark.weights.sum() == pytest.approx(1200e-6, rel=1e-6)
    assert np.allclose(middle(mark), [0.030, 0.035], atol=1e-9)


def test_without_a_view_box_a_unit_is_a_96th_of_an_inch(draw):
    mark = one(draw('<rect id="a" x="96" y="96" width="96" height="96"/>', 'width="500mm" height="300mm"'))
    assert mark.weights.sum() == pytest.approx(0.0254**2, rel=1e-9)
    assert np.allclose(middle(mark), 1.5 * 0.0254)


def test_the_page_corner_is_the_cloths_corner(draw):
    root = 'width="500mm" height="300mm" viewBox="-100 50 500 300"'
    mark = one(draw('<rect id="a" x="-90" y="70" width="40" height="30"/>', root))
    assert np.allclose(middle(mark), [0.030, 0.035], atol=1e-9)


# Shapes and transforms


def test_nested_transforms_and_group_attributes(draw):
    shapes = """
    <g transform="translate(100 50)" data-kind="image"><g transform="rotate(90) scale(2)">
      <rect id="a" x="0" y="-20" width="30" height="10"/></g></g>"""
    mark = one(draw(shapes))
    # By hand: x in [0, 60], y in [-40, -20], turned a right angle (x, y) -> (-y, x), moved by (100, 50).
    assert np.allclose(np.concatenate(mark.rings).min(axis=0), [0.120, 0.050])
    assert np.allclose(np.concatenate(mark.rings).max(axis=0), [0.140, 0.110])
    assert mark.kind == "image"


@pytest.mark.parametrize(
    ("shape", "area_mm2"),
    [
        ('<circle id="a" cx="100" cy="100" r="50"/>', math.pi * 2500),
        ('<ellipse id="a" rx="60" ry="20" transform="translate(200 150) rotate(30)"/>', math.pi * 1200),
        ('<path id="a" d="M100 100 A50 50 0 0 1 200 100 Z"/>', math.pi * 1250),
        ('<path id="a" d="M100,100a50,50,0,01100,0z"/>', math.pi * 1250),
        # Between a cubic with controls a third of the chord out and its chord: 3/5 of chord times height of controls.
        ('<path id="a" d="M100 100 C100 160 200 160 200 100 Z"/>', 0.6 * 100 * 60),
        # A parabola's segment: two thirds of chord times height, height half the control's.
        ('<path id="a" d="M100 100 Q150 180 200 100 Z"/>', 2 / 3 * 100 * 40),
        ('<polygon id="a" points="0,0 30,0 0,40"/>', 600),
        ('<polyline id="a" points="0,0 30,0 0,40 0,0"/>', 600),
    ],
)
def test_areas_against_closed_forms(draw, shape, area_mm2):
    mark = one(draw(shape))
    outline = sum(np.linalg.norm(np.diff(ring, axis=0, append=ring[:1]), axis=1).sum() for ring in mark.rings)
    # A chord cuts off at most two thirds of its length times the chord error (a parabola's segment).
    slack = 2 / 3 * CHORD_ERROR * outline
    assert 0 <= area_mm2 * 1e-6 - mark.weights.sum() <= slack + 1e-12 or shape.startswith("<pol")
    assert mark.weights.sum() == pytest.approx(area_mm2 * 1e-6, abs=slack)
    assert mark.weights.sum() == pytest.approx(area_of(mark), rel=1e-6)


def test_flattened_curve_stays_on_the_ellipse(draw):
    (shape,) = read_drawing(draw('<ellipse id="a" cx="200" cy="150" rx="120" ry="20"/>')).shapes
    outline = shape.lines[0]
    half = 0.5 * (outline + np.roll(outline, -1, axis=0)) - [0.200, 0.150]
    ellipse = shapely.LinearRing(
        np.stack([0.12 * np.cos(t := np.linspace(0, 2 * np.pi, 20001)[:-1]), 0.02 * np.sin(t)], axis=1)
    )
    worst = max(ellipse.distance(shapely.Point(point)) for point in half)
    assert 0.1 * CHORD_ERROR < worst <= CHORD_ERROR


@pytest.mark.parametrize(
    ("path", "rule", "area_mm2"),
    [
        ("M0 0h40v40h-40z M10 10v20h20v-20z", "nonzero", 1200),  # the hole is drawn the other way round
        ("M0 0h40v40h-40z M10 10h20v20h-20z", "nonzero", 1600),  # and here it is not
        ("M0 0h40v40h-40z M10 10h20v20h-20z", "evenodd", 1200),
        ("M0 0h20v20h-20z M100 0h20v20h-20z", "nonzero", 800),
        ("M0 0L40 40L40 0L0 40Z", "nonzero", 800),  # a bow tie
        ("M0 0h40v40h-40z M20 20h40v40h-40z", "evenodd", 2400),
        ("M0 0h40v40h-40z M20 20h40v40h-40z", "nonzero", 2800),
    ],
)
def test_fill_rules(draw, path, rule, area_mm2):
    mark = one(draw(f'<path id="a" fill-rule="{rule}" d="{path}"/>'))
    assert mark.weights.sum() == pytest.approx(area_mm2 * 1e-6, rel=1e-9)
    assert area_of(mark) == pytest.approx(area_mm2 * 1e-6, rel=1e-9)


def test_samples_lie_inside_and_integrate(draw):
    """Over a crescent: the clipped cells reproduce area, first moments and, to the grid's order, second moments."""
    mark = one(draw('<path id="a" d="M100 50 A100 100 0 1 1 100 250 A130 130 0 0 0 100 50 Z"/>'))
    outline = shapely.Polygon(mark.rings[0])
    assert shapely.distance(outline, shapely.points(mark.samples)).max() < 1e-12
    assert np.allclose(middle(mark), [outline.centroid.x, outline.centroid.y], atol=1e-7)
    assert mark.weights.max() <= GRID**2 * (1 + 1e-9)
    assert len(mark.samples) > outline.area / GRID**2


def test_a_small_mark_has_enough_samples(draw):
    mark = one(draw('<circle id="a" cx="100" cy="100" r="2"/>'))
    assert len(mark.samples) >= 64
    assert mark.weights.sum() == pytest.approx(area_of(mark), rel=1e-9)


def test_a_tiny_circle_is_a_point(draw):
    mark = one(draw('<g transform="scale(2)"><circle id="a" cx="50" cy="60" r="0.4"/></g>'))
    assert mark.rings == ()
    assert np.allclose(mark.samples, [[0.100, 0.120]])
    assert mark.weights.tolist() == [1.0]


def test_a_line_mark_is_sampled_evenly_by_length(draw):
    mark = one(draw('<path id="a" fill="none" class="seam" d="M100 100 A100 100 0 0 1 200 200"/>'))
    steps = np.linalg.norm(np.diff(mark.samples, axis=0), axis=1)
    assert mark.rings == ()
    assert mark.kind == "seam"
    assert steps.max() <= GRID * (1 + 1e-9)
    assert np.ptp(steps) < 0.01 * steps.mean()
    assert steps.sum() == pytest.approx(0.05 * math.pi, rel=1e-3)
    assert mark.weights.sum() == pytest.approx(1.0)


def test_what_is_no_mark_is_left_out(draw):
    shapes = """
    <defs><path id="in-defs" d="M0 0h9v9z"/><style>.line { fill: none }</style></defs>
    <symbol id="s"><path id="in-symbol" d="M0 0h9v9z"/></symbol><text id="t" x="5" y="5">words</text>
    <g display="none"><path id="hidden" d="M0 0h9v9z"/></g><path style="display: none" d="M0 0h9v9z"/>
    <path id="kept" class="line fold" d="M10 10h9"/>"""
    mark = one(draw(shapes))
    assert (mark.name, mark.kind, mark.rings) == ("kept", "fold", ())


def test_layer_labels_are_no_names(draw):
    shapes = '<g xmlns:e="urn:editor" e:label="Layer 1" id="layer"><path d="M0 0h9v9z"/></g>'
    with pytest.raises(InputError, match="has no id, so the mark has no name"):
        one(draw(shapes))


# Handedness


def test_warp_down_turns_and_does_not_mirror(draw):
    """The corner at the drawing's top right becomes the flat map's origin; a turn keeps the sense of every outline."""
    turned = turn_to_warp(np.array([[0.3, 0.0], [0.0, 0.0], [0.3, 0.5]]), 0.3, "down")
    assert np.allclose(turned, [[0, 0], [0, 0.3], [0.5, 0]])
    triangle = np.array([[0.0, 0.0], [0.2, 0.0], [0.0, 0.1]])
    for axis in ("right", "down"):
        a, b, c = turn_to_warp(triangle, 0.3, axis)
        assert np.cross(np.append(b - a, 0), np.append(c - a, 0))[2] > 0
    root = 'width="300mm" height="500mm" viewBox="0 0 300 500"'
    mark = one(draw('<rect id="a" x="10" y="400" width="20" height="50"/>', root), warp_axis="down")
    assert np.allclose(middle(mark), [0.425, 0.280], atol=1e-9)


def test_picture_and_marks_turn_alike(draw, tmp_path):
    """A red spot in the picture and a mark drawn over it fall on the same place of the flat map."""
    pixels = np.full((500, 300, 3), 255, dtype=np.uint8)
    pixels[400:450, 10:30] = [200, 0, 0]
    Image.fromarray(pixels).save(tmp_path / "cloth.png")
    flat = read_flat_map(tmp_path / "cloth.png", 1.0, SIZE, warp_axis="down")
    root = 'width="300mm" height="500mm" viewBox="0 0 300 500"'
    mark = one(draw('<rect id="a" x="10" y="400" width="20" height="50"/>', root), warp_axis="down")
    rows, columns = np.nonzero(flat.pixels[:, :, 1] == 0)
    spot = (np.array([columns.mean(), rows.mean()]) + 0.5) * flat.metres_per_pixel
    assert flat.pixels.shape == (300, 500, 3)
    assert np.allclose(spot, middle(mark), atol=1e-9)


# Pictures


@pytest.mark.parametrize("name", ["cloth.png", "cloth.tiff", "cloth.jpg"])
def test_picture_formats(tmp_path, name):
    Image.fromarray(np.full((150, 250, 3), 90, dtype=np.uint8)).save(tmp_path / name)
    flat = read_flat_map(tmp_path / name, 2.0, SIZE)
    assert flat.pixels.shape == (150, 250, 3)
    assert flat.metres_per_pixel == pytest.approx(2e-3)
    assert abs(int(flat.pixels.mean()) - 90) <= 1


def test_deep_grey_and_transparent_pictures(tmp_path):
    Image.fromarray(np.full((150, 250), 32768, dtype=np.uint16)).save(tmp_path / "deep.tiff")
    assert read_flat_map(tmp_path / "deep.tiff", 2.0, SIZE).pixels[0, 0].tolist() == [128, 128, 128]
    Image.new("RGBA", (250, 150), (0, 0, 0, 0)).save(tmp_path / "clear.png")
    assert read_flat_map(tmp_path / "clear.png", 2.0, SIZE).pixels[0, 0].tolist() == [255, 255, 255]


def test_large_pictures_are_averaged_down(tmp_path, monkeypatch):
    monkeypatch.setattr("drapesim.matter.marks.LARGEST_PICTURE", 20_000)
    Image.new("RGB", (500, 300)).save(tmp_path / "large.png")
    flat = read_flat_map(tmp_path / "large.png", 1.0, SIZE)
    assert flat.pixels.shape == (100, 167, 3)
    assert flat.metres_per_pixel == pytest.approx(3e-3)


def test_wrong_scale_or_file_is_refused(tmp_path):
    Image.new("RGB", (500, 300)).save(tmp_path / "cloth.png")
    with pytest.raises(InputError, match="covers 1000 x 600 mm, but the cloth is 500 x 300 mm"):
        read_flat_map(tmp_path / "cloth.png", 2.0, SIZE)
    (tmp_path / "words.png").write_text("no picture")
    with pytest.raises(InputError, match="no known picture format"):
        read_flat_map(tmp_path / "words.png", 1.0, SIZE)
    (tmp_path / "cut.png").write_bytes((tmp_path / "cloth.png").read_bytes()[:60])
    with pytest.raises(InputError, match="the picture cannot be read"):
        read_flat_map(tmp_path / "cut.png", 1.0, SIZE)


# Refusals

SQUARE = '<path id="a" d="M0 0h9v9z"/>'


@pytest.mark.parametrize(
    ("shapes", "root", "sentence"),
    [
        (SQUARE, 'width="500" height="300" viewBox="0 0 500 300"', "has no unit, so its scale is unknown"),
        (SQUARE, 'viewBox="0 0 500 300"', "has no unit, so its scale is unknown"),
        (SQUARE, 'width="500mm" height="300mm" viewBox="0 0 500 500"', "stretched unequally, 1 by 0.6 mm per unit"),
        (SQUARE, 'width="500mm" height="300mm" viewBox="0 0 500"', "must hold four numbers"),
        (SQUARE, 'width="500mm" height="300mm" viewBox="0% 0 500 300"', "must hold four numbers"),
        (SQUARE, 'width="0mm" height="0mm"', "the drawing has no size"),
        (SQUARE, 'width="1e999mm" height="300mm"', "the drawing has no size"),
        ('<path d="M0 0h9v9z"/>', MILLIMETRES, "marks.svg:2: this <path> has no id"),
        (f"{SQUARE}\n{SQUARE}", MILLIMETRES, "marks.svg:3: #a: the id is used twice, first in line 2"),
        (f'{SQUARE}<use id="b" href="#a"/>', MILLIMETRES, "a clone is no mark"),
        (f"<svg>{SQUARE}</svg>", MILLIMETRES, "a drawing inside the drawing"),
        ('<path id="a" d="M0 0h9v9"/>', MILLIMETRES, "the outline is open by 12.73 mm"),
        ('<polyline id="a" points="0,0 9,0 9,9"/>', MILLIMETRES, "the outline is open by 12.73 mm"),
        ('<path id="a" d="M0 0h9z"/>', MILLIMETRES, "encloses no area"),
        ('<path id="a" d="M0 0"/>', MILLIMETRES, "draws nothing"),
        ('<circle id="a" r="0"/>', MILLIMETRES, "draws nothing"),
        ('<path id="a" d="M0 0 L 9 nan Z"/>', MILLIMETRES, "the path cannot be followed from 'L 9 nan Z' on"),
        ('<path id="a" d="M0 0 L 9 0 9 9 L 5 Z"/>', MILLIMETRES, "the path cannot be followed from 'L 5 Z' on"),
        ('<path id="a" d="L0 0 9 9Z"/>', MILLIMETRES, "the path cannot be followed from 'L0 0 9 9Z' on"),
        ('<path id="a" d="M0 0 A 5 5 0 2 0 9 9Z"/>', MILLIMETRES, "cannot be followed from 'A 5 5 0 2 0 9 9Z' on"),
        ('<path id="a" d="M0 0 L 1e999 0 9 9Z"/>', MILLIMETRES, "cannot be followed"),
        ('<path id="a" d="M0 0 L 1e308 0 9 9Z" transform="scale(100)"/>', MILLIMETRES, "runs more than 100 m out"),
        ('<path id="a" d="M0 0 A 1e20 1e20 0 0 1 9 9Z"/>', MILLIMETRES, "runs more than 100 m out"),
        ('<path id="a"/>', MILLIMETRES, "draws nothing"),
        ('<polygon id="a" points="0,0 9,0 9"/>', MILLIMETRES, "points is not a list of x,y pairs"),
        ('<g transform="translate(5mm)"><path id="a" d="M0 0h9v9z"/></g>', MILLIMETRES, "<g>: the transform is not"),
        ('<path id="a" transform="matrix(1 0 0)" d="M0 0h9v9z"/>', MILLIMETRES, "#a: the transform is not"),
        ('<path id="a" style="transform: scale(2)" d="M0 0h9v9z"/>', MILLIMETRES, "#a: the transform is not"),
        ("<style>path { transform: scale(2) }</style>" + SQUARE, MILLIMETRES, "a style sheet moves shapes"),
        ('<rect id="a" width="2mm" height="9"/>', MILLIMETRES, 'width="2mm" is not a bare number'),
        ('<rect id="a" width="9" height="9" data-kind="stane"/>', MILLIMETRES, "did you mean 'stain'?"),
        ('<rect id="a" x="495" width="9" height="9"/>', MILLIMETRES, "reaches 4 mm beyond the cloth, 500 x 300 mm"),
        ('<rect id="a" y="-1" width="9" height="9"/>', MILLIMETRES, "reaches 1 mm beyond the cloth"),
        ("<path", MILLIMETRES, "the drawing is not valid XML"),
    ],
)
def test_drawings_that_are_refused(draw, shapes, root, sentence):
    with pytest.raises(InputError) as caught:
        read_marks(draw(shapes, root), SIZE)
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_scale_said_twice_is_refused(draw):
    with pytest.raises(InputError, match="states its own size, and the scene gives mm_per_unit as well"):
        read_marks(draw(SQUARE), SIZE, mm_per_unit=1.0)


def test_another_root_is_no_drawing(tmp_path):
    (tmp_path / "a.svg").write_text("<html></html>")
    with pytest.raises(InputError, match="root element is <html>"):
        read_marks(tmp_path / "a.svg", SIZE)


def test_an_overshoot_of_drawing_rounding_is_cut_off(draw):
    mark = one(draw('<rect id="a" x="-0.05" y="0" width="20.05" height="20"/>'))
    assert mark.weights.sum() == pytest.approx(400e-6, rel=1e-9)


# Claims


def test_claims_reach_their_marks(draw, tmp_path):
    (tmp_path / "claims.toml").write_text(
        '[a]\nkind = "void"\nclaim = "touches_place"\nplace = "nose"\ntolerance_mm = 2\nshare = 0.5\n'
    )
    path = draw('<rect id="a" width="9" height="9" data-kind="stain"/><rect id="b" width="9" height="9"/>')
    a, b = read_marks(path, SIZE, claims=parse_claims(read_toml(tmp_path / "claims.toml")))
    assert (a.kind, a.claim) == ("void", Claim("touches_place", "nose", 2e-3, 0.5))
    assert (b.kind, b.claim) == ("stain", Claim())
    (tmp_path / "claims.toml").write_text('[b]\nclaim = "meets"\nmark = "a"\n')
    a, b = read_marks(path, SIZE, claims=parse_claims(read_toml(tmp_path / "claims.toml")))
    assert b.claim == Claim("meets", "a")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('[aa]\nclaim = "touches"\n', "claims.toml:1: aa: the drawing"),
        ('[a]\nclaim = "touch"\n', "claims.toml:2: a.claim: must be 'touches'"),
        ('[a]\nclaim = "touches_place"\n', 'claims.toml:1: a: the claim "touches_place" names no place'),
        ('[a]\nclaim = "touches"\nplace = "nose"\n', 'the claim "touches" takes no place'),
        ("[a]\ntolerance_mm = -1\n", "claims.toml:2: a.tolerance_mm: must be greater than 0, not -1"),
        ("[a]\nshare = 80\n", "a.share: must be at most 1, not 80"),
        ("[a]\ntolerance = 1\n", "a.tolerance: this key lacks its unit; write tolerance_mm"),
        ("a = 1\n", "claims.toml:1: a: stands outside any table"),
        ('[a]\nclaim = "meets"\n', 'claims.toml:1: a: the claim "meets" names no other mark'),
        ('[a]\nclaim = "meets"\nmark = "b"\n', "has no mark 'b' to meet"),
        ('[a]\nclaim = "meets"\nmark = "a"\n', "a.mark: it is the mark itself"),
        ('[a]\nclaim = "meets"\nmark = "b"\nplace = "nose"\n', 'the claim "meets" takes no place'),
        ('[a]\nmark = "b"\n', 'the claim "touches" takes no mark'),
    ],
)
def test_claims_that_are_refused(draw, tmp_path, text, sentence):
    (tmp_path / "claims.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        read_marks(draw(SQUARE), SIZE, claims=parse_claims(read_toml(tmp_path / "claims.toml")))
    assert sentence in str(caught.value)
