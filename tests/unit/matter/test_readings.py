"""Readings: reduced by hand's numbers, doubts kept, bad forms refused in a sentence, and CSV the same as TOML."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.files import parse_toml
from drapesim.ground.outcome import InputError
from drapesim.matter.fabric import parse_cloth, read_card, read_cloth
from drapesim.matter.readings import card_from_readings, read_readings, write_card, write_form

LAB = Path(__file__).parents[3] / "scenes/lab"

FORM = """\
name = "tested"
fibre = "linen"
source = "own readings"
[weight]
masses_g = [1.91, 1.88, 1.91]
[thickness]
layers = 10
heights_mm = [4.4, 4.6]
[overhang.warp]
face_up_mm = [50, 52]
face_down_mm = [48, 50]
[overhang.weft]
face_up_mm = [45, 45]
[extension.warp]
width_mm = 50
gauge_mm = 200
hung_g = [0, 25, 100]
lengths_mm = [[200, 200.8, 202.4], [200, 201.2, 202.8]]
[bias_extension]
tensions_gf_cm = [5]
extensions_percent = [[4.7], [4.7]]
[incline.limewood]
base_mm = 400
rises_mm = [190, 210]
[incline.itself]
angles_deg = [20, 22]
pressure_Pa = 20
[drape]
shadow_areas_cm2 = [480.7, 480.7]
"""
PULLED = "lengths_mm = [[200, 200.8, 202.4], [200, 201.2, 202.8]]"


@pytest.fixture
def read(tmp_path):
    def read(old="", new="", more=""):
        assert old in FORM
        path = tmp_path / "form.toml"
        path.write_text(FORM.replace(old, new, 1) + more)
        return read_readings(path)

    return read


def test_reductions_by_hand(read):
    got = read()
    assert got.areal_density.mean == pytest.approx(0.190)  # (1.91 + 1.88 + 1.91) / 3 g on 100 cm2
    assert (got.thickness.mean, got.thickness.n) == (pytest.approx(0.45e-3), 2)
    warp = got.bending["warp"]
    assert (warp.reading.mean, warp.reading.n) == (pytest.approx(0.050), 4)
    assert warp.bending_length.mean == pytest.approx(0.025, rel=2e-4)  # half of it
    assert warp.reading.sd == pytest.approx(1e-3 * math.sqrt(8 / 3))
    assert warp.bending_length.sd == pytest.approx(0.5 * warp.reading.sd, rel=2e-4)
    assert [face.mean for face in warp.faces] == pytest.approx([0.051, 0.049])
    assert got.bending["weft"].faces[1] is None
    pulled = got.extension["warp"]
    assert pulled.strain == pytest.approx([0.005, 0.013])
    assert pulled.tension == pytest.approx([4.903325, 19.6133])  # 25 and 100 g on 50 mm: 5 and 20 gf/cm
    assert pulled.spread == pytest.approx([math.sqrt(2) * 1e-3] * 2)
    assert got.bias.strain.mean == pytest.approx(0.047)
    assert got.bias.shear.mean == pytest.approx(4.903325 / (4 * 0.047) * 0.9274, rel=1e-3)
    assert got.friction["limewood"].mean == pytest.approx(0.5)
    assert got.friction["itself"].mean == pytest.approx(0.5 * (math.tan(math.radians(20)) + math.tan(math.radians(22))))
    assert got.drape.coefficient.mean == pytest.approx(0.5, abs=1e-3)  # half the ring: 254.47 + 226.19 cm2


def test_the_scatter_of_the_weighing(read):
    assert read().areal_density.sd == pytest.approx(0.1 * 0.0173205 * 0.1 * 10, rel=1e-3)


def test_the_card_holds_means_scatter_and_what_was_guessed(read):
    text = card_from_readings(read())
    card = parse_cloth(parse_toml("card.toml", text)).card
    assert card.areal_density == pytest.approx(0.190, rel=1e-4)
    assert card.bend_warp == pytest.approx(0.190 * 9.80665 * 0.025**3, rel=2e-3)
    assert np.allclose(card.warp_curve, [[0, 0], [0.005, 4.903325], [0.013, 19.6133]], rtol=1e-4)
    bent = card.provenance["bend_warp"]
    assert (bent.status, bent.n, bent.source) == ("measured", 4, "own readings")
    spread = 3 * math.sqrt(8 / 3) / 50
    assert bent.spread == pytest.approx(spread, rel=1e-3)
    weighed = card.provenance["areal_density"].uncertainty
    assert bent.uncertainty == pytest.approx(math.hypot(spread / 2, weighed), rel=1e-3)
    pulled = card.provenance["warp_curve"]
    assert pulled.uncertainty == pytest.approx(1e-3 / 0.013, rel=1e-3)  # sd / sqrt 2 over the extension
    guessed = {name for name, origin in card.provenance.items() if origin.estimated}
    assert guessed == {
        "weft_curve",
        "bend_bias",
        "locking_angle",
        "compression_ratio",
        "safe_strain_warp",
        "safe_strain_weft",
    }
    assert "FAST" in tomllib.loads(text)["shear"]["note"]
    assert tomllib.loads(text)["friction"]["itself"]["pressure_Pa"] == 20
    assert "pressure_Pa" not in tomllib.loads(text)["friction"]["limewood"]
    assert tomllib.loads(text)["drape"]["coefficient_percent"]["value"] == pytest.approx(50, abs=0.1)


def test_readings_all_alike_do_not_claim_to_be_exact(read):
    text = card_from_readings(read())
    weft = tomllib.loads(text)["bending"]["weft"]
    assert weft["bending_length_mm"] == {"value": pytest.approx(22.496, abs=1e-3), "n": 2}
    assert "below what was read off" in weft["note"]
    assert parse_cloth(parse_toml("card.toml", text)).card.provenance["bend_weft"].spread is None


def test_a_single_reading_only_where_the_form_accepts_it(read):
    with pytest.raises(InputError) as caught:
        read("masses_g = [1.91, 1.88, 1.91]", "masses_g = [1.9]")
    assert str(caught.value).endswith(
        "form.toml:5: weight.masses_g: one reading says nothing of the scatter; take at least two, or state "
        "single_reading_accepted = true at the top of the form"
    )
    one = read('name = "tested"', 'name = "tested"\nsingle_reading_accepted = true').areal_density
    assert one.n == 3
    loop = "[heart_loop.bias]\nloop_mm = 150\nheights_mm = [30]\n"
    accepted = read('name = "tested"', 'name = "tested"\nsingle_reading_accepted = true', loop)
    text = card_from_readings(accepted)
    bias = tomllib.loads(text)["bending"]["bias"]
    assert bias["bending_length_mm"]["n"] == 1
    assert "one reading, its uncertainty is not known" in bias["note"]
    origin = parse_cloth(parse_toml("card.toml", text)).card.provenance["bend_bias"]
    assert (origin.n, origin.spread) == (1, None)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("masses_g", "masses", "form.toml:5: weight.masses: this key lacks its unit; write masses_g"),
        ("width_mm = 50", "width_mm = 0", "extension.warp.width_mm: must be greater than 0, not 0"),
        ("width_mm = 50\n", "", "extension.warp: a hung mass is a tension only over the strip's width; give width_mm"),
        ("gauge_mm = 200\n", "", "a length is an extension only beside the length without load; give gauge_mm"),
        ("hung_g = [0, 25, 100]", "hung_g = [0, 100, 25]", "warp.hung_g: the loads do not rise: entry 3 is 25 after"),
        ("hung_g = [0, 25, 100]", "hung_g = [0, 25]", "row 1 holds 3 readings for 2 loads; give one"),
        ("[200, 200.8, 202.4]", "[200, 200.8, 1000]", "an extension of 400 % is no woven cloth's; give"),
        ("[200, 200.8, 202.4]", "[200, 199, 202.4]", "a strip is shorter under load than without; check gauge_mm"),
        ("[200, 200.8, 202.4]", "[201, 201.2, 202.4]", "without load the strip is longer than its gauge"),
        (PULLED, "lengths_mm = [[200, 203, 202], [200, 203, 202]]", "the extension does not rise up to load 2"),
        (PULLED, "lengths_mm = [[200, 200.8, 202.4]]", "extension.warp: one reading says nothing of the scatter"),
        (PULLED, f"extensions_percent = [[0, 1, 2]]\n{PULLED}", "extension.warp: one of the readings is wanted here"),
        ("[5]\nextensions_percent = [[4.7], [4.7]]", "[0]\nextensions_percent = [[0], [0]]", "no load above zero"),
        ("tensions_gf_cm = [5]", "", "bias_extension: one list of loads is wanted; give either hung_g"),
        ("[[4.7], [4.7]]", "[[4.7], [47]]", "an extension of 47 % is none that a trellis of yarns can make"),
        ("[[4.7], [4.7]]", "[[4.7], [0]]", "give extensions above 0 and below 41 %"),
        ("[[4.7], [4.7]]", "[[4.7], [4.7]]\nwidth_mm = 100\ngauge_mm = 100",
         "bias_extension.gauge_mm: a piece 100 mm long and 100 mm broad does not read the shear; cut it 1.25 to 10"),
        ("[[4.7], [4.7]]", "[[4.7], [4.7]]\nwidth_mm = 5\ngauge_mm = 100", "100 mm long and 5 mm broad does not read"),
        ("[[4.7], [4.7]]", "[[4.7], [4.7]]\nwidth_mm = 0\ngauge_mm = 100", "must be greater than 0"),
        ("face_up_mm = [45, 45]", "face_up_mm = [62,5]", "weft: the largest reading is 12 times the smallest;"),
        ("face_up_mm = [45, 45]", "face_up_mm = [4500, 4500]", "an overhang of 4500 mm is no cloth's; check"),
        ("masses_g", "side_mm = 10\nmasses_g", "a weight of 19100 g/m2 is no cloth's; check the readings and"),
        ("heights_mm = [4.4, 4.6]", "heights_mm = [440, 460]", "a thickness of 44 mm is no cloth's"),
        ("rises_mm = [190, 210]", "rises_mm = [1900, 2100]", "rises_mm: a friction of 5.25 is no cloth's; check"),
        ("base_mm = 400\n", "", "a rise needs the board's foot beside it; give rises_mm and base_mm together"),
        ("angles_deg = [20, 22]", "angles_deg = [20, 95]", "angles_deg[2]: must be less than 80, not 95"),
        ("[480.7, 480.7]", "[480.7, 900]", "it must lie between 254 and 707 cm2"),
        ("[drape]", "[drape]\nsupport_mm = 300", "the specimen is no larger than its support"),
        ("face_up_mm = [45, 45]", "", "overhang.weft: no overhang was read; give face_up_mm, face_down_mm or both"),
        ("face_up_mm = [45, 45]", "face_up_mm = []", "nothing is filled in; give at least one entry"),
        ('source = "own readings"\n', "", "source: this key is missing; give who read it and when"),
        ("[overhang.weft]\nface_up_mm = [45, 45]", "[heart_loop.warp]\nloop_mm = 150\nheights_mm = [30, 31]",
         "heart_loop.warp: the warp has both an overhang and a heart loop"),
        ("[overhang.weft]\nface_up_mm = [45, 45]", "[heart_loop.weft]\nloop_mm = 150\nheights_mm = [10, 11]",
         "must lie between 0.1339 and 0.4118; use a longer loop for a stiff cloth"),
    ],
)  # fmt: skip
def test_bad_forms_get_one_sentence(read, old, new, sentence):
    with pytest.raises(InputError) as caught:
        read(old, new)
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)


def test_shape_of_the_bias_piece(read):
    """As the form gives it; twice as long as broad, and told as taken, where it gives one of the two or none."""
    sizes = "tensions_gf_cm = [5]\n"
    assumed = read()
    assert (assumed.bias.shape, assumed.bias.stated) == (2.0, False)
    assert "2 times as long as broad, as the FAST meter takes it" in assumed.tables["shear"]["note"]
    assert read(sizes, f"{sizes}width_mm = 50\n").bias.stated is False
    given = read(sizes, f"{sizes}width_mm = 50\ngauge_mm = 150\n")
    assert (given.bias.shape, given.bias.stated) == (3.0, True)
    assert "a piece 3 times as long as broad;" in given.tables["shear"]["note"]


def test_a_loop_beside_overhangs(read):
    """c of a 150 mm loop of gamma = 100 hanging 0.18404 L, a row recomputed beforehand by another solver."""
    loop = "[heart_loop.weft]\nloop_mm = 150\nheights_mm = [27.606, 27.606]"
    got = read("[overhang.weft]\nface_up_mm = [45, 45]", loop).bending["weft"]
    assert got.bending_length.mean == pytest.approx(0.150 * 100 ** (-1 / 3), rel=2e-4)
    assert got.way == "loop"


def test_readings_that_make_no_cloth_together(read):
    """A bias too limp for its warp and weft: (sqrt 1 - sqrt 0.008)^2 / 4 of the warp's rigidity is the least."""
    limp = read("face_up_mm = [45, 45]", "face_up_mm = [10, 10]", "[overhang.bias]\nface_up_mm = [20, 20]\n")
    with pytest.raises(InputError, match=r"form.toml: bending.bias: .* unstable in bending .* must exceed"):
        card_from_readings(limp)


def test_ruler_and_scale_make_a_usable_card(tmp_path):
    """The shipped form in the demo's world: invented readings, and a card that a scene can use."""
    readings = read_readings(LAB / "ruler-and-scale.toml")
    write_card(tmp_path / "card.toml", readings)
    card = read_card(tmp_path / "card.toml")
    assert {origin.status for origin in card.provenance.values()} == {"invented", "estimated"}
    assert {"itself", "limewood", "slate"} == set(card.friction)
    assert card.provenance["friction.slate"].estimated
    demo = read_card(LAB.parent / "fabrics/cover-linen.toml")
    assert card.areal_density == pytest.approx(demo.areal_density, rel=0.01)
    assert card.bend_warp == pytest.approx(demo.bend_warp, rel=0.01)
    assert not list(tmp_path.glob(".*"))


def test_rows_give_what_the_form_gives(tmp_path):
    rows = """\
test,which,reading,unit,at,at_unit
name,,tested,,,
fibre,,linen,,,
source,,own readings,,,
weight,,1.91,g,100,mm
weight,,1.88,g,100,mm
weight,,1.91,g,100,mm
thickness,,4.4,mm,10,layers
thickness,,4.6,mm,10,layers
overhang,warp up,50,mm,41.5,deg
overhang,warp up,52,mm,41.5,deg
overhang,warp down,48,mm,41.5,deg
overhang,warp face down,50,mm,41.5,deg
overhang,weft,45,mm,,
overhang,weft,45,mm,,
width,extension warp,50,mm,,
gauge,extension warp,200,mm,,
extension,warp,200,mm,0,g
extension,warp,200,mm,0,g
extension,warp,200.8,mm,25,g
extension,warp,201.2,mm,25,g
extension,warp,202.4,mm,100,g
extension,warp,202.8,mm,100,g
bias_extension,,4.7,percent,5,gf_cm
bias_extension,,4.7,percent,5,gf_cm
incline,limewood,190,mm,400,mm
incline,limewood,210,mm,400,mm
incline,itself,20,deg,,
incline,itself,22,deg,,
drape,,480.7,cm2,,
drape,,480.7,cm2,,
"""
    (tmp_path / "form.csv").write_text(rows)
    (tmp_path / "form.toml").write_text(FORM.replace("pressure_Pa = 20\n", ""))
    by_rows, by_form = (card_from_readings(read_readings(tmp_path / f"form.{kind}")) for kind in ("csv", "toml"))
    assert by_rows == by_form


def test_the_shipped_lab_sheet(tmp_path):
    readings = read_readings(LAB / "lab-sheet.csv")
    cloth = parse_cloth(parse_toml("card.toml", card_from_readings(readings)))
    assert cloth.card.warp_curve[1:, 0] == pytest.approx([0.0040, 0.0119, 0.0300])
    assert cloth.card.shear_rigidity == pytest.approx(42.7, abs=0.1)
    assert cloth.drape.coefficient == pytest.approx(0.819, abs=0.001)  # 625 cm2
    assert {origin.status for origin in cloth.card.provenance.values()} == {"invented", "estimated"}


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("weight,,1.9,,100,mm", "sheet.csv:5: unit: weight lacks its unit; write g"),
        ("weight,,1.9,kg,100,mm", "sheet.csv:5: unit: the unit 'kg' does not suit weight; write g"),
        ("weight,,heavy,g,,", "sheet.csv:5: reading: 'heavy' is no number"),
        ("wieght,,1.9,g,,", "sheet.csv:5: test: there is no test 'wieght'; known here: weight"),
        ("extension,warp,1.9,percent,,", "sheet.csv:5: at: an extension needs its load"),
        ("extension,warp,1.9,percent,5,", "unit: the 'at' of extension lacks its unit; write N_m or gf_cm or g"),
        ("overhang,warp sideways,50,mm,,", "which: there is no face 'sideways'; write up or down"),
        ("gauge,overhang warp,50,mm,,", "which: a width or gauge belongs to a pull"),
        ("overhang,warp,50,mm,,", "sheet.csv:5: overhang.warp: one reading says nothing of the scatter"),
    ],
)
def test_bad_rows_get_one_sentence_with_their_line(tmp_path, row, sentence):
    path = tmp_path / "sheet.csv"
    head = "test,which,reading,unit,at,at_unit\nname,,tested,,,\nsource,,own,,,\nfibre,,linen,,,\n"
    path.write_text(head + row + "\nweight,,1.9,g,,\nweight,,1.8,g,,\n")
    with pytest.raises(InputError) as caught:
        read_readings(path)
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_foreign_table_is_no_form(tmp_path):
    (tmp_path / "sheet.csv").write_text("test;which;reading;unit;at;at_unit\nname;;x;;;\n")
    with pytest.raises(InputError, match="at_unit, with commas and no semicolons"):
        read_readings(tmp_path / "sheet.csv")
    with pytest.raises(InputError, match=r"this is a fabric card and no form of readings; give it without --fit"):
        read_readings(LAB.parent / "fabrics/cover-linen.toml")
    with pytest.raises(InputError, match=r"this is a form of lab readings and no fabric card; make a card of it"):
        read_cloth(LAB / "ruler-and-scale.toml")
    (tmp_path / "sheet.csv").write_text("a,b\n1,2\n")
    with pytest.raises(InputError, match="this is no readings form; its first line must read test,which,reading,unit"):
        read_readings(tmp_path / "sheet.csv")


def test_the_empty_form_asks_for_readings_and_fills_in(tmp_path):
    path = tmp_path / "form.toml"
    write_form(path)
    with pytest.raises(InputError, match="must not be empty"):
        read_readings(path)
    with pytest.raises(InputError, match="there is something there already; name another file"):
        write_form(path)
    text = path.read_text()
    filled = {
        'name = ""': 'name = "x"', 'source = ""': 'source = "y"', "masses_g = []": "masses_g = [1.9, 1.8]",
        "heights_mm = []": "heights_mm = [7, 7.2]", "rises_mm = []": "rises_mm = [200, 210]",
        "face_up_mm = []": "face_up_mm = [60, 61]", "face_down_mm = []": "face_down_mm = [60, 61]",
    }  # fmt: skip
    for key, value in filled.items():
        assert key in text
        text = text.replace(key, value)
    path.write_text(text)
    assert set(read_readings(path).bending) == {"warp", "weft", "bias"}
    # what is commented out is a form too: its examples read as they stand
    starts = ("# [ext", "# [bias", "# width", "# gauge", "# hung", "# lengths")
    examples = "\n".join(line[2:] for line in text.split("\n") if line.startswith(starts))
    path.write_text(f"{text}\n{examples.replace('lengths_mm = []', 'lengths_mm = [[201, 202], [201, 202]]')}\n")
    assert set(read_readings(path).extension) == {"warp", "weft"}
