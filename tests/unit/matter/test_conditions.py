"""Conditions: each scales what it says and nothing else, and what it touches is flagged as estimated."""

import math

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.conditions import FIELDS, KINDS
from drapesim.matter.fabric import read_cloth

CARD = """\
name = "tested"
fibre = "linen"
[areal_density]
value_g_m2 = 200
source = "scale"
status = "measured"
[bending.warp]
bending_length_mm = { value = 20, sd = 0.4, n = 4 }
source = "ruler"
status = "measured"
[bending_hysteresis.weft]
moment_mN = 0.4
source = "tester"
status = "measured"
[friction.itself]
coefficient = 0.4
source = "made up"
status = "invented"
"""


@pytest.fixture
def read(tmp_path):
    def read(more=""):
        path = tmp_path / "card.toml"
        path.write_text(CARD + more)
        return read_cloth(path)

    return read


def figures(card):
    """Every number of a card by its provenance key."""
    curves = {name: getattr(card, name) for name in ("warp_curve", "weft_curve")}
    plain = ("areal_density", "thickness", "shear_rigidity", "locking_angle", "bend_warp", "bend_weft", "bend_bias")
    found = {name: np.array(getattr(card, name)) for name in (*plain, "compression_ratio")} | curves
    found |= {"safe_strain_warp": np.array(card.safe_strain[0]), "safe_strain_weft": np.array(card.safe_strain[1])}
    assert card.bend_hysteresis[0] is None
    found |= {"bend_hysteresis_weft": np.array(card.bend_hysteresis[1])}
    return found | {f"friction.{name}": np.array(value) for name, value in card.friction.items()}


@pytest.mark.parametrize("kind", KINDS)
def test_a_condition_scales_its_fields_and_no_other(read, kind):
    usual, changed = read(), read(f'[[condition]]\nkind = "{kind}"\nfactor = 1.5\n')
    before, after = figures(usual.card), figures(changed.card)
    touched = {name for what in KINDS[kind].scales for name in FIELDS[what]}
    assert touched
    for name, value in after.items():
        factor = np.array([1.0, 1.5]) if name.endswith("_curve") else 1.5
        assert value == pytest.approx(before[name] * (factor if name in touched else 1.0), rel=1e-12), name
        origin = changed.card.provenance[name]
        if name in touched:
            assert origin.status == "estimated"
            assert f"condition-{kind}" in origin.rule
            assert f"times 1.5 for the condition '{kind}' (assumption, no source)" in origin.source
            assert origin.uncertainty is None
        else:
            assert origin == usual.card.provenance[name]
    assert [each.kind for each in changed.conditions] == [kind]


def test_published_factors(read):
    """Softening 3 to 4 times; glue wetted and dried 22 % stiffer when pulled; old linings 15 % as strong."""
    usual = read().card
    softened = read('[[condition]]\nkind = "softened"\n').card
    assert usual.bend_warp / softened.bend_warp == pytest.approx(3.5)
    origin = softened.provenance["bend_warp"]
    assert "DOI 10.1177/00405175221101018" in origin.source
    assert "assumption" not in origin.source
    width = (1 / 3 - 1 / 4) / (2 * math.sqrt(3)) * 3.5
    assert origin.uncertainty == pytest.approx(math.hypot(usual.provenance["bend_warp"].uncertainty, width))
    glued = read('[[condition]]\nkind = "rewetted-glue"\n').card
    assert glued.warp_curve[-1, 1] / usual.warp_curve[-1, 1] == pytest.approx(1.22)
    assert glued.provenance["warp_curve"].uncertainty is None
    assert read('[[condition]]\nkind = "old-lining"\n').card.safe_strain[0] == pytest.approx(
        0.15 * usual.safe_strain[0]
    )


def test_several_conditions_multiply_and_are_told(read):
    cloth = read('[[condition]]\nkind = "softened"\n[[condition]]\nkind = "starch"\nfactor = 7\nbecause = "a trial"\n')
    assert cloth.card.bend_warp == pytest.approx(2 * read().card.bend_warp)
    origin = cloth.card.provenance["bend_warp"]
    assert "(assumption, no source: a trial)" in origin.source
    assert origin.rule == "condition-softened and condition-starch"


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ('kind = "starch"\n', r"condition\[1\]: 'starch' has no published factor .*; give factor, and because"),
        (
            'kind = "starched"\nfactor = 2\n',
            r"condition\[1\].kind: there is no condition 'starched'; did you mean 'starch'",
        ),
        ('kind = "starch"\nfactor = 0\n', "must be greater than 0, not 0"),
    ],
)
def test_conditions_without_a_footing_are_refused(read, more, sentence):
    with pytest.raises(InputError, match=sentence):
        read("[[condition]]\n" + more)


def test_invented_values_stay_invented(tmp_path):
    path = tmp_path / "card.toml"
    path.write_text(CARD.replace('"ruler"\nstatus = "measured"', '"made up"\nstatus = "invented"')
                    + '[[condition]]\nkind = "creases"\nfactor = 0.7\n')  # fmt: skip
    assert read_cloth(path).card.provenance["bend_warp"].status == "invented"
