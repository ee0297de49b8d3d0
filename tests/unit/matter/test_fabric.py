"""The fabric card: values in SI, provenance kept, gaps filled by named rules, impossible cloth refused."""

import math
from pathlib import Path

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.fabric import RULE_BIAS, check_surfaces, read_card

CARD = Path(__file__).parents[3] / "scenes/fabrics/cover-linen.toml"

LEAST = """\
name = "least"
[areal_density]
value_g_m2 = 200
source = "weighed"
standard = "ISO 3801"
uncertainty_percent = 2
[thickness]
value_mm = 0.5
source = "gauge"
[load_extension.warp]
points_percent_N_m = [[0, 0], [1, 10], [3, 100]]
source = "strip test"
[load_extension.weft]
points_percent_N_m = [[0, 0], [2, 100]]
source = "strip test"
[bending.warp]
bending_length_mm = 20
source = "cantilever"
[bending.weft]
rigidity_uN_m = 10
source = "cantilever"
[friction.limewood]
coefficient = 0.5
source = "tilt"
"""


@pytest.fixture
def write(tmp_path):
    def write(old="", new=""):
        assert old in LEAST
        path = tmp_path / "card.toml"
        path.write_text(LEAST.replace(old, new, 1))
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
    assert (kept.source, kept.standard, kept.estimated, kept.invented) == ("weighed", "ISO 3801", False, False)
    assert kept.uncertainty == pytest.approx(0.02)


def test_gaps_are_filled_by_named_rules_and_flagged(write):
    card = read_card(write())
    estimated = {name for name, entry in card.provenance.items() if entry.estimated}
    assert estimated == {
        "bend_bias", "shear_rigidity", "locking_angle", "compression_ratio", "safe_strain_warp", "safe_strain_weft",
    }  # fmt: skip
    assert card.provenance["bend_bias"].source == RULE_BIAS
    # Peirce's combination at 45 degrees, written as the square of the mean compliance root.
    b1, b2 = card.bend_warp, card.bend_weft
    assert card.bend_bias == pytest.approx((0.5 / math.sqrt(b1) + 0.5 / math.sqrt(b2)) ** -2, rel=1e-12)
    assert card.safe_strain == pytest.approx((0.015, 0.01))


def test_given_values_beat_the_rules(write):
    path = write()
    path.write_text(LEAST + '[bending.bias]\nrigidity_uN_m = 12\nsource = "cantilever"\n')
    card = read_card(path)
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
        ("value_mm = 0.5", "value_mm = 0", "card.toml:8: thickness.value_mm: must be greater than 0, not 0"),
        ("value_g_m2 = 200", "value_g_m2 = nan", "must be a finite number, not nan"),
        ("value_g_m2 = 200", "value_kg_m2 = 0.2", "areal_density.value_kg_m2: unknown key; did you mean 'value_g_m2'?"),
        ("value_g_m2 = 200", 'value_g_m2 = "200"', "must be a number, not '200'"),
        ('source = "weighed"\n', "", "areal_density.source: this key is missing; give where the value comes from"),
        ("[1, 10], [3, 100]", "[1, 10], [3, 9]", "row 3 does not rise in tension, so the stiffness"),
        ("[1, 10], [3, 100]", "[3, 10], [1, 100]", "row 3 does not rise in extension"),
        ("[[0, 0], [1, 10]", "[[0, 1], [1, 10]", "the curve does not start at rest"),
        ("[2, 100]]", "[400, 100]]", "an extension of 400 % is no woven cloth's"),
        ("[1, 10]", "[1, 10, 3]", "must hold at most 2 entries, not 3"),
        ("bending_length_mm = 20", "", "bending.warp: one bending value is wanted"),
        ("coefficient = 0.5", "coefficient = -0.5", "must be at least 0, not -0.5"),
    ],
)
def test_impossible_cards_are_refused(write, old, new, sentence):
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
    bias = '[bending.bias]\nrigidity_uN_m = {}\nsource = "cantilever"\n'
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
    path = write()
    path.write_text(LEAST + '[safe_extension.weft]\nvalue_percent = 2.5\nsource = "x"\n')
    with pytest.raises(InputError, match="beyond the last measured extension, 2 %"):
        read_card(path)


def test_a_surface_without_friction_is_refused():
    with pytest.raises(
        InputError, match=r"no friction coefficient for the surface 'limwood'; did you mean 'limewood'\?"
    ):
        check_surfaces(read_card(CARD), {"limwood": "scene.toml:9"}, CARD)
