"""The fabric card: values in SI, provenance kept, gaps filled by named rules, impossible cloth refused."""

import math
from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.estimates import BIAS, RULES, SHEAR
from drapesim.matter.fabric import check_surfaces, read_card, read_cloth

CARD = Path(__file__).parents[3] / "scenes/fabrics/cover-linen.toml"

LEAST = """\
name = "least"
[areal_density]
value_g_m2 = 200
source = "weighed"
status = "measured"
standard = "ISO 3801"
uncertainty_percent = 2
[thickness]
value_mm = 0.5
source = "gauge"
status = "measured"
[load_extension.warp]
points_percent_N_m = [[0, 0], [1, 10], [3, 100]]
source = "strip test"
status = "measured"
[load_extension.weft]
points_percent_N_m = [[0, 0], [2, 100]]
source = "strip test"
status = "measured"
[bending.warp]
bending_length_mm = 20
source = "cantilever"
status = "measured"
[bending.weft]
rigidity_uN_m = 10
source = "cantilever"
status = "measured"
[friction.limewood]
coefficient = 0.5
source = "tilt"
status = "published"
"""


@pytest.fixture
def write(tmp_path):
    def write(old="", new="", more=""):
        assert old in LEAST
        path = tmp_path / "card.toml"
        path.write_text(LEAST.replace(old, new, 1) + more)
        return path

    return write


def test_values_in_si(write):
    card = read_card(write())
    assert card.areal_density == pytest.approx(0.2)
    assert card.thickness == pytest.approx(0.5e-3)
    assert np.allclose(card.warp_curve, [[0, 0], [0.01, 10], [0.03, 100]], rtol=1e-15)
    assert card.bend_warp == pytest.approx(0.2 * 9.80665 * 0.02**3, rel=1e-12)  # B = w c^3
    assert card.bend_weft == pytest.approx(10e-6)
    assert dict(card.friction) == {"limewood": 0.5}


def test_provenance_is_kept(write):
    kept = read_card(write()).provenance["areal_density"]
    assert (kept.source, kept.standard, kept.status) == ("weighed", "ISO 3801", "measured")
    assert not kept.estimated
    assert not kept.invented
    assert kept.uncertainty == pytest.approx(0.02)
    assert read_card(write()).provenance["friction.limewood"].status == "published"


def test_gaps_are_filled_by_named_rules_and_flagged(write):
    card = read_card(write())
    estimated = {name for name, entry in card.provenance.items() if entry.estimated}
    assert estimated == {
        "bend_bias", "shear_rigidity", "locking_angle", "compression_ratio", "safe_strain_warp", "safe_strain_weft",
    }  # fmt: skip
    assert card.provenance["bend_bias"].rule == BIAS.name
    assert BIAS.formula in card.provenance["bend_bias"].source
    assert all(card.provenance[name].rule in RULES for name in estimated)
    # Peirce's combination at 45 degrees, written as the square of the mean compliance root.
    b1, b2 = card.bend_warp, card.bend_weft
    assert card.bend_bias == pytest.approx((0.5 / math.sqrt(b1) + 0.5 / math.sqrt(b2)) ** -2, rel=1e-12)
    assert card.safe_strain == pytest.approx((0.015, 0.01))


def test_given_values_beat_the_rules(write):
    card = read_card(write(more='[bending.bias]\nrigidity_uN_m = 12\nsource = "x"\nstatus = "measured"\n'))
    assert card.bend_bias == pytest.approx(12e-6)
    assert not card.provenance["bend_bias"].estimated


def test_peirce_row_of_half_stiffness(write):
    """Weft half as stiff as warp: 0.686 of the warp's rigidity on the bias, Peirce (from memory), by hand."""
    path = write("bending_length_mm = 20", "rigidity_uN_m = 20")
    card = read_card(path)
    assert card.bend_bias / card.bend_warp == pytest.approx(0.6863, abs=5e-5)


def test_demo_card_says_that_it_is_invented():
    card = read_card(CARD)
    assert all(entry.invented or entry.estimated for entry in card.provenance.values())
    assert card.areal_density == pytest.approx(0.190)
    assert card.shear_rigidity == pytest.approx(45)
    assert card.safe_strain == pytest.approx((0.03, 0.025))


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("rigidity_uN_m = 10", "rigidity_uN_m = -10", "bending.weft.rigidity_uN_m: must be greater than 0, not -10"),
        ("value_mm = 0.5", "value_mm = 0", "card.toml:9: thickness.value_mm: must be greater than 0, not 0"),
        ("value_g_m2 = 200", "value_g_m2 = nan", "must be a finite number, not nan"),
        ("value_g_m2 = 200", "value_kg_m2 = 0.2", "areal_density.value_kg_m2: unknown key; did you mean 'value_g_m2'?"),
        ("value_g_m2 = 200", 'value_g_m2 = "200"', "areal_density.value_g_m2: must be a number, not '200'"),
        (
            "value_g_m2 = 200",
            "value = 200",
            "areal_density.value: this key lacks its unit; write value_g_m2 or value_mg",
        ),
        ("value_g_m2 = 200", "value_g_m2 = {}", "areal_density.value_g_m2.value: this key is missing"),
        (
            "value_g_m2 = 200",
            "value_g_m2 = { value = 200, sd = 3 }",
            "a standard deviation needs at least two readings",
        ),
        ("value_g_m2 = 200", "value_g_m2 = { value = 200, sd = 3, n = 1 }", "needs at least two readings; give n"),
        ("value_g_m2 = 200", "value_g_m2 = { value = 200, low = 190 }", "a range has two ends; give low and high"),
        (
            "value_g_m2 = 200",
            "value_g_m2 = { value = 200, low = 210, high = 220 }",
            "the value 200 lies outside its range",
        ),
        ("value_g_m2 = 200", "", "areal_density: one mass per area is wanted; give either value_g_m2, value_mg_cm2 or"),
        ("value_g_m2 = 200", "value_g_m2 = 200\nvalue_mg_cm2 = 20", "one mass per area is wanted"),
        ('status = "measured"', "", "areal_density.status: this key is missing; give status = "),
        (
            'status = "measured"',
            'status = "guessed"',
            "must be 'measured', 'published', 'estimated' or 'invented', not 'guessed'",
        ),
        ('status = "measured"', 'status = "estimated"', "an estimated value must name its rule; give rule"),
        ('standard = "ISO 3801"', 'rule = "by eye"', "a measured value follows no rule; leave rule out"),
        ('status = "measured"\nsta', 'status = "estimated"\nrule = "by eye"\nsta', None),
        ('source = "weighed"\n', "", "areal_density.source: this key is missing; give where the value comes from"),
        ("[1, 10], [3, 100]", "[1, 10], [3, 9]", "row 3 does not rise in tension, so the stiffness"),
        ("[1, 10], [3, 100]", "[3, 10], [1, 100]", "row 3 does not rise in extension"),
        ("[[0, 0], [1, 10]", "[[0, 1], [1, 10]", "the curve does not start at rest"),
        ("[2, 100]]", "[400, 100]]", "an extension of 400 % is no woven cloth's"),
        ("points_percent_N_m = [[0, 0], [2, 100]]", "modulus_kN_m = 5", "a modulus holds up to some extension"),
        (
            "points_percent_N_m = [[0, 0], [2, 100]]",
            "modulus_kN_m = 5\nup_to_percent = 400",
            "400 % is no woven cloth's",
        ),
        ("coefficient = 0.5", "coefficient = 9", "friction.limewood.coefficient: must be at most 5, not 9"),
        ("[1, 10]", "[1, 10, 3]", "must hold at most 2 entries, not 3"),
        ("bending_length_mm = 20", "", "bending.warp: one bending value is wanted"),
        ("coefficient = 0.5", "coefficient = -0.5", "must be at least 0, not -0.5"),
    ],
)
def test_impossible_cards_are_refused(write, old, new, sentence):
    if sentence is None:
        read_card(write(old, new))  # an estimate with its uncertainty stated is as good as one with a range
        return
    with pytest.raises(InputError) as caught:
        read_card(write(old, new))
    assert sentence in str(caught.value)


def test_all_faults_are_said(write):
    path = write("value_mm = 0.5", "value_mm = 0")
    path.write_text(path.read_text().replace("coefficient = 0.5", "coefficient = 9"))
    with pytest.raises(InputError) as caught:
        read_card(path)
    assert len(str(caught.value).split("\n")) == 2


def test_a_bias_that_lets_the_cloth_fold_by_itself_is_refused(write):
    """Cooper form: B(t) stays positive only for J > -sqrt(Bwarp Bweft)."""
    path = write("bending_length_mm = 20", "rigidity_uN_m = 40")
    least = 0.25 * (math.sqrt(40) - math.sqrt(10)) ** 2
    bias = '[bending.bias]\nrigidity_uN_m = {}\nsource = "cantilever"\nstatus = "measured"\n'
    text = path.read_text()
    path.write_text(text + bias.format(0.99 * least))
    with pytest.raises(InputError, match="unstable in bending"):
        read_card(path)
    path.write_text(text + bias.format(1.01 * least))
    card = read_card(path)
    angles = np.linspace(0, math.pi / 2, 181)
    c2, s2 = np.cos(angles) ** 2, np.sin(angles) ** 2
    assert (card.bend_warp * c2**2 + card.bend_weft * s2**2 + 2 * card.twist * c2 * s2).min() > 0


def test_safe_extension_beyond_the_measurement_is_refused(write):
    path = write(more='[safe_extension.weft]\nvalue_percent = 2.5\nsource = "x"\nstatus = "measured"\n')
    with pytest.raises(InputError, match="beyond the last measured extension, 2 %"):
        read_card(path)


def test_doubt_of_repeats_and_of_ranges(write):
    """Of a mean sd / sqrt(n); of an even range its width over 2 sqrt 3; a bending length enters B three times over."""
    card = read_card(write("value_mm = 0.5", "value_mm = { value = 0.5, sd = 0.02, n = 4 }"))
    gauged = card.provenance["thickness"]
    assert (gauged.spread, gauged.uncertainty, gauged.n) == (pytest.approx(0.04), pytest.approx(0.02), 4)
    card = read_card(write("coefficient = 0.5", "coefficient = { value = 0.5, low = 0.4, high = 0.7 }"))
    grip = card.provenance["friction.limewood"]
    assert (grip.low, grip.high, grip.uncertainty) == (0.4, 0.7, pytest.approx(0.3 / (2 * math.sqrt(3) * 0.5)))
    card = read_card(write("bending_length_mm = 20", "bending_length_mm = { value = 20, sd = 0.8, n = 4 }"))
    bent = card.provenance["bend_warp"]
    assert bent.spread == pytest.approx(0.12)
    assert bent.uncertainty == pytest.approx(math.hypot(0.06, 0.02))  # with the 2 % of the weighing
    card = read_card(write("bending_length_mm = 20", "bending_length_mm = { value = 20, low = 15, high = 25 }"))
    bent = card.provenance["bend_warp"]
    assert bent.high / bent.low == pytest.approx((25 / 15) ** 3)
    assert bent.low < card.bend_warp < bent.high


def test_units_of_several_trades(write):
    """The same cloth told in KES and FAST units."""
    usual = read_card(write())
    for old, new, name in (
        ("value_g_m2 = 200", "value_mg_cm2 = 20", "areal_density"),
        ("bending_length_mm = 20", "bending_length_cm = 2.0", "bend_warp"),
        ("bending_length_mm = 20", "rigidity_gf_cm2_cm = 0.16", "bend_warp"),  # 200 g/m2 (2 cm)^3
        ("bending_length_mm = 20", "rigidity_mg_cm = 160", "bend_warp"),
        ("points_percent_N_m = [[0, 0], [2, 100]]", "modulus_kN_m = 5\nup_to_percent = 2", "weft_curve"),
        ("[[0, 0], [2, 100]]", "[[0, 0], [2, 100]]", "weft_curve"),
    ):
        assert np.allclose(getattr(read_card(write(old, new)), name), getattr(usual, name), rtol=1e-12), new
    pulled = read_card(write("points_percent_N_m = [[0, 0], [2, 100]]", "points_percent_gf_cm = [[0, 0], [2, 100]]"))
    assert pulled.weft_curve[1, 1] == pytest.approx(98.0665)
    sheared = read_card(write(more='[shear]\nrigidity_gf_cm_deg = 0.8\nsource = "x"\nstatus = "measured"\n'))
    assert sheared.shear_rigidity == pytest.approx(44.9504, rel=1e-5)


def test_what_is_only_told(write):
    more = """
[construction]
weave = "plain"
warp_threads_per_cm = 12
weft_threads_per_cm = 11
source = "counted"
status = "measured"
[bending_hysteresis.warp]
moment_gf_cm_cm = 0.1
source = "pure bending"
status = "measured"
[shear_hysteresis]
force_gf_cm = 2
at_deg = 5
source = "pure shear"
status = "measured"
[drape]
coefficient_percent = { value = 60, sd = 2, n = 6 }
source = "drape meter"
status = "measured"
"""
    cloth = read_cloth(write(more=more))
    assert (cloth.weave, cloth.threads) == ("plain", (1200.0, 1100.0))
    assert cloth.card.bend_hysteresis == (pytest.approx(0.1 * 9.80665e-3), None)
    assert cloth.shear_hysteresis == pytest.approx(2 * 0.980665)
    assert cloth.shear_hysteresis_angle == pytest.approx(math.radians(5))
    assert (cloth.drape.coefficient, cloth.drape.support, cloth.drape.specimen) == pytest.approx((0.6, 0.18, 0.30))
    assert cloth.card.provenance["bend_hysteresis_warp"].source == "pure bending"
    assert "bend_hysteresis_weft" not in cloth.card.provenance
    assert set(cloth.provenance) == {"shear_hysteresis", "drape"}
    with pytest.raises(InputError, match="no larger than the disc"):
        read_cloth(write(more=more.replace("[drape]", "[drape]\nspecimen_mm = 180")))


def test_the_least_a_card_can_hold(write, tmp_path):
    """Weight, fibre and a friction: all else by rule. Without the fibre there is no rule for bending."""
    path = tmp_path / "card.toml"
    grip = '[friction.itself]\ncoefficient = 0.4\nsource = "tilt"\nstatus = "measured"\n'
    weight = '[areal_density]\nvalue_g_m2 = 170\nsource = "scale"\nstatus = "measured"\n'
    path.write_text('name = "bare"\nfibre = "linen"\n' + weight + grip)
    card = read_card(path)
    assert card.thickness == pytest.approx(0.425e-3)
    assert card.bend_warp == pytest.approx(0.17 * 9.80665 * 0.025**3)
    assert card.warp_curve[1] == pytest.approx([0.05, 490.3325])
    assert card.shear_rigidity == 45.0
    assert card.provenance["shear_rigidity"].rule == SHEAR.name
    measured = {name for name, origin in card.provenance.items() if not origin.estimated}
    assert measured == {"areal_density", "friction.itself"}
    path.write_text('name = "bare"\n' + weight + grip)
    with pytest.raises(InputError, match=r"no rule for the fibre 'other'; give \[bending.warp\], or say fibre"):
        read_card(path)
    path.write_text('name = "bare"\n' + weight + grip
                    + '[bending.weft]\nrigidity_uN_m = 30\nsource = "x"\nstatus = "measured"\n')  # fmt: skip
    card = read_card(path)
    assert card.bend_warp == pytest.approx(30e-6)
    assert card.provenance["bend_warp"].rule == "bending-as-the-other-side"


def test_a_surface_without_friction_is_refused():
    with pytest.raises(
        InputError, match=r"no friction coefficient for the surface 'limwood'; did you mean 'limewood'\?"
    ):
        check_surfaces(read_card(CARD), {"limwood": "scene.toml:9"}, CARD)
