"""Units against the definitions and the worked rows of the trade."""

import math

import pytest

from drapesim.ground.units import SI, bending_length, bending_rigidity, from_si, to_si, unit_of


@pytest.mark.parametrize("unit", sorted(SI))
def test_there_and_back(unit):
    assert from_si(to_si(3.7, unit), unit) == pytest.approx(3.7, rel=1e-15)


@pytest.mark.parametrize(
    ("unit", "value"),
    [
        # 1 gf = 9.80665e-3 N by the definition of standard gravity; the rest follows from cm and degree.
        ("gf_cm2_cm", 9.80665e-5),
        ("mg_cm", 9.80665e-8),
        ("gf_cm", 0.980665),
        ("gf_cm_cm", 9.80665e-3),
        ("gf_cm_deg", 56.1880),
        ("gf_cm_cm2", 0.980665),
        ("gf_cm2", 98.0665),
        ("mg_cm2", 1e-2),
        ("N_m_deg", 57.29578),
        ("mN_cm", 1e-5),
        ("dyn_cm2_cm", 1e-7),
        ("mN", 1e-3),
        ("kN_m", 1e3),
        ("oz_yd2", 33.90575e-3),  # 12 oz canvas is 406.9 g/m2
        ("pt", 0.0254 / 72),
        ("deg", math.pi / 180),
    ],
)
def test_trade_units_in_si(unit, value):
    assert to_si(1.0, unit) == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(("grams", "mm", "micro_newton_metre"), [(150, 20, 11.77), (180, 25, 27.58), (300, 30, 79.43)])
def test_rigidity_from_bending_length(grams, mm, micro_newton_metre):
    """B = w c^3, four-digit rows recomputed by hand: 150e-3 * 9.80665 * 8e-6 = 11.768e-6 and so on."""
    rigidity = bending_rigidity(to_si(grams, "g_m2"), to_si(mm, "mm"))
    assert from_si(rigidity, "uN_m") == pytest.approx(micro_newton_metre, abs=0.005)
    assert from_si(bending_length(to_si(grams, "g_m2"), rigidity), "mm") == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "unit", "same", "other"),
    [
        # One cloth told in the units of several labs; each row holds both ways.
        (0.1, "gf_cm2_cm", 9.80665, "uN_m"),
        (0.1, "gf_cm2_cm", 100.0, "mg_cm"),  # 1 gf cm2/cm is 1000 mg cm
        (0.1, "gf_cm2_cm", 98.0665, "dyn_cm2_cm"),
        (1.0, "mN_cm", 10.0, "uN_m"),
        (0.8, "gf_cm_deg", 44.9504, "N_m_rad"),
        (0.8, "gf_cm_deg", 0.784532, "N_m_deg"),
        (500.0, "gf_cm", 490.3325, "N_m"),
        (5.0, "gf_cm", 4.903325, "N_m"),
        (0.05, "gf_cm_cm", 0.4903325, "mN"),
        (15.0, "gf_cm_cm2", 14.709975, "J_m2"),
        (19.0, "mg_cm2", 190.0, "g_m2"),
        (12.0, "oz_yd2", 406.869, "g_m2"),
        (50.0, "gf_cm2", 4.903325, "kPa"),
    ],
)
def test_one_unit_in_another(value, unit, same, other):
    assert from_si(to_si(value, unit), other) == pytest.approx(same, rel=2e-6)
    assert from_si(to_si(same, other), unit) == pytest.approx(value, rel=2e-6)


def test_handbook_of_the_bending_meter():
    """G [mg cm] = 0.10 W [g/m2] c [cm]^3, the older British form (from memory): 150 g/m2 at 2 cm is 120 mg cm."""
    assert from_si(bending_rigidity(to_si(150, "g_m2"), to_si(2, "cm")), "mg_cm") == pytest.approx(120.0, rel=1e-12)
    assert from_si(bending_rigidity(to_si(150, "g_m2"), to_si(2, "cm")), "gf_cm2_cm") == pytest.approx(0.12, rel=1e-12)


def test_an_unknown_unit_is_no_unit():
    with pytest.raises(KeyError):
        to_si(1.0, "furlong")


@pytest.mark.parametrize(
    ("key", "unit"),
    [
        ("value_g_m2", "g_m2"),
        ("rigidity_gf_cm2_cm", "gf_cm2_cm"),  # and not cm, nor cm2_cm
        ("rigidity_mg_cm", "mg_cm"),
        ("modulus_kN_m", "kN_m"),
        ("points_percent_N_m", "N_m"),
        ("bending_length_mm", "mm"),
        ("coefficient", "1"),
    ],
)
def test_a_key_says_its_unit(key, unit):
    assert unit_of(key) == unit
