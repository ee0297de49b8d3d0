"""Estimates: values inside their ranges, formulas by hand, and what physics says of the guard rails."""

import math

import pytest

from drapesim.matter import estimates as e

EVERY = [
    e.estimate_density(3000),
    e.estimate_thickness(0.2),
    e.estimate_stiffness("warp"),
    e.estimate_stiffness("weft"),
    e.estimate_shear(),
    e.estimate_locking(),
    e.estimate_bending("linen", 0.2),
    e.estimate_bending("cotton", 0.2),
    e.estimate_other_side(3e-5),
    e.estimate_bias(6e-5, 3e-5),
    e.estimate_compression(),
    e.estimate_safe(0.05),
    e.estimate_friction("itself"),
    e.estimate_friction("limewood"),
    e.estimate_friction("slate"),
]


def test_every_value_lies_in_its_range_and_every_rule_is_listed():
    for each in EVERY:
        assert 0 < each.low <= each.value <= each.high, each.rule.name
        assert e.RULES[each.rule.name] is each.rule
    assert {each.rule.name for each in EVERY} == set(e.RULES)
    assert all(rule.formula and rule.source for rule in e.RULES.values())


def test_density_goes_through_the_two_published_linens():
    assert e.estimate_density(1800).value == pytest.approx(0.170)
    assert e.estimate_density(4300).value == pytest.approx(0.310)
    found = e.estimate_density(3000)  # 15 and 15 per cm, between them
    assert (found.low, found.value, found.high) == pytest.approx((0.2163, 0.2372, 0.2833), abs=1e-4)


@pytest.mark.parametrize(("grams", "mm"), [(85.1, 0.38), (224.6, 0.56), (341, 0.7), (150.3, 0.318)])
def test_thickness_takes_in_the_published_plain_weaves(grams, mm):
    found = e.estimate_thickness(1e-3 * grams)
    assert found.low * 0.999 <= 1e-3 * mm <= found.high * 1.01
    assert found.value == pytest.approx(1e-3 * grams / 400)


def free_fibres(diameter, modulus, density=1500.0):
    """Bending length of a cloth whose fibres bend one by one, half of the mass in each yarn set:
    B = (w / 2 g rho A) E I, so c = (E d^2 / (32 rho g))^(1/3), whatever the weight."""
    return (modulus * diameter**2 / (32.0 * density * 9.80665)) ** (1 / 3)


def test_bending_lengths_are_those_of_free_fibres():
    """Inputs from memory: flax 12 to 20 um, 30 to 55 GPa; cotton 12 um, 8 GPa."""
    assert 1e3 * free_fibres(16e-6, 30e9) == pytest.approx(25.4, abs=0.05)
    assert 1e3 * free_fibres(20e-6, 55e9) == pytest.approx(36.0, abs=0.05)
    assert 1e3 * free_fibres(12e-6, 8e9) == pytest.approx(13.5, abs=0.05)
    for fibre, lengths in (("linen", (0.0254, 0.0360)), ("cotton", (0.0135,))):
        found = e.estimate_bending(fibre, 0.2)
        for c in lengths:
            assert found.low < 0.2 * 9.80665 * c**3 < found.high


def test_bias_lies_between_the_two_forms():
    """Peirce 0.686 of the warp for a weft half as stiff, Cooper's net without twist 0.375 (recomputed by hand)."""
    found = e.estimate_bias(1.0, 0.5)
    assert (found.high, found.low) == (pytest.approx(0.6863, abs=5e-5), pytest.approx(0.375))
    assert found.value == found.high


def test_no_rule_for_an_unknown_fibre():
    assert e.estimate_bending("other", 0.2) is None


def test_woods_and_the_rest():
    assert e.estimate_friction("pine").rule.name == "cloth-on-softwood"
    assert e.estimate_friction("pine").high >= 0.63  # the figure that was read lies in it
    assert e.estimate_friction("glass").rule.name == "cloth-on-hard-surface"
    assert math.degrees(e.estimate_locking().value) == pytest.approx(35)
