"""What claims state besides: wicking, the side, scales of shrunk cloth, rows of a spreadsheet, the exported schema."""

import jsonschema
import numpy as np
import pytest
import shapely
from PIL import Image

from drapesim.ground.files import read_toml
from drapesim.ground.outcome import InputError
from drapesim.judging.verdicts import other_side
from drapesim.matter.claims_csv import read_claims_csv
from drapesim.matter.marks import Claim, claims_schema, parse_claims, read_flat_map, read_marks
from drapesim.settling.contact_record import GapReading

SIZE = (0.5, 0.3)


@pytest.fixture
def drawing(tmp_path):
    path = tmp_path / "marks.svg"
    size = 'width="500mm" height="300mm" viewBox="0 0 500 300"'
    shape = '<rect id="wax" x="100" y="100" width="40" height="20"/>'
    path.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" {size}>{shape}</svg>')
    return path


def claims_of(tmp_path, text):
    path = tmp_path / "claims.toml"
    path.write_text(text)
    return parse_claims(read_toml(path))


def test_claims_of_before_read_as_before(tmp_path):
    assert claims_of(tmp_path, '[wax]\nclaim = "touches"\n')["wax"].claim == Claim()


def test_a_wicking_margin_is_left_out_of_what_is_claimed(tmp_path, drawing):
    claims = claims_of(tmp_path, '[wax]\nclaim = "touches"\nwicking_mm = 5\n')
    (mark,) = read_marks(drawing, SIZE, claims=claims)
    assert mark.claim.wicking == pytest.approx(5e-3)
    assert mark.weights.sum() == pytest.approx(30e-3 * 10e-3)
    assert mark.samples.min(axis=0) == pytest.approx([0.105, 0.105], abs=1.5e-3)
    assert shapely.Polygon(mark.rings[0]).area == pytest.approx(40e-3 * 20e-3)  # the outline is as drawn


def test_a_margin_that_leaves_nothing_is_refused(tmp_path, drawing):
    claims = claims_of(tmp_path, '[wax]\nclaim = "touches"\nwicking_mm = 10\n')
    with pytest.raises(InputError, match="leaves nothing of the mark"):
        read_marks(drawing, SIZE, claims=claims)


@pytest.mark.parametrize("warp_axis", ["right", "down"])
def test_shrunk_cloth_is_scaled_along_warp_and_weft(drawing, warp_axis):
    scale = (1.1, 1.2)
    today = SIZE if warp_axis == "right" else SIZE[::-1]
    (mark,) = read_marks(drawing, (today[0] * 1.1, today[1] * 1.2), warp_axis, scale=scale)
    extent = np.ptp(mark.rings[0], axis=0)
    drawn = np.array([0.04, 0.02] if warp_axis == "right" else [0.02, 0.04])
    assert extent == pytest.approx(drawn * scale)
    low = mark.rings[0].min(axis=0)
    # turned a quarter to the left: u = y, v = width - x
    assert low == pytest.approx(np.array([0.1, 0.1] if warp_axis == "right" else [0.1, SIZE[0] - 0.14]) * scale)


@pytest.mark.parametrize("warp_axis", ["right", "down"])
def test_the_picture_of_shrunk_cloth_keeps_its_marks_places(tmp_path, warp_axis):
    pixels = np.full((150, 250, 3), 255, dtype=np.uint8)
    pixels[50:60, 50:70] = 0  # the wax of the drawing above, at 2 mm a pixel
    Image.fromarray(pixels).save(tmp_path / "map.png")
    today = SIZE if warp_axis == "right" else SIZE[::-1]
    found = read_flat_map(
        tmp_path / "map.png", 2.0, (today[0] * 1.1, today[1] * 1.2), warp_axis=warp_axis, scale=(1.1, 1.2)
    )
    rows, columns = np.nonzero(found.pixels[:, :, 0] < 128)
    middle = found.metres_per_pixel * np.array([columns.mean() + 0.5, rows.mean() + 0.5])
    wanted = np.array([0.12, 0.11]) if warp_axis == "right" else np.array([0.11, SIZE[0] - 0.12])
    assert middle == pytest.approx(wanted * [1.1, 1.2], abs=3e-3)
    assert found.pixels.shape[1] * found.metres_per_pixel == pytest.approx(today[0] * 1.1, rel=0.01)


def test_rows_of_a_spreadsheet_say_the_same_as_toml(tmp_path):
    path = tmp_path / "claims.csv"
    path.write_text(
        "name,claim,place,tolerance_mm,share,wicking_mm,side\nwax,touches_place,nose,2,0.5,,\nsoot,touches,,,,3,outer\n"
    )
    rows = parse_claims(read_claims_csv(path))
    toml = claims_of(
        tmp_path,
        '[wax]\nclaim = "touches_place"\nplace = "nose"\ntolerance_mm = 2\nshare = 0.5\n'
        '[soot]\nclaim = "touches"\nwicking_mm = 3\nside = "outer"\n',
    )
    assert {name: entry.claim for name, entry in rows.items()} == {name: entry.claim for name, entry in toml.items()}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("mark;claim\nwax;touches\n", "no column 'name'"),
        ("name,claim\nwax,touches\nwax,touches\n", "named twice, first in line 2"),
        ("name,claim,share\nwax,touches,much\n", "'much' is no number"),
        ("name,claim\nwax,touches,what\n", "more cells"),
        ("name,claim\n,touches\n", "names no mark"),
        ("name,claim,colour\nwax,touches,red\n", "colour"),
        ("name,claim\nwax,hovers\n", "hovers"),
    ],
)
def test_bad_rows_are_refused_with_their_line(tmp_path, text, sentence):
    path = tmp_path / "claims.csv"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        parse_claims(read_claims_csv(path))
    assert sentence in str(caught.value)


def test_the_schema_takes_the_demo_claims_and_refuses_others():
    import tomllib
    from pathlib import Path

    schema = claims_schema()
    for path in (Path(__file__).parents[3] / "scenes/marks").glob("*.toml"):
        jsonschema.validate(tomllib.loads(path.read_text()), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"wax": {"claim": "hovers"}}, schema)


def test_the_outer_side_has_the_gap_of_its_own_face():
    thickness = 4e-4
    # the mid-surface 1 mm off the body: a face that looks at it is half a thickness nearer
    facing = np.array([1.0, -1.0])
    inner = GapReading(1e-3 + 0.5 * thickness * np.array([-1, 1]), facing, np.zeros((2, 3)), np.zeros(2, np.int32))
    outer = other_side(inner, thickness)
    assert outer.gap == pytest.approx([1e-3 + 0.5 * thickness, 1e-3 - 0.5 * thickness])
    assert list(outer.facing) == [-1.0, 1.0]
