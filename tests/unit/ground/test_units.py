"""Units against the definitions and the worked rows of the trade."""

import math

import pytest

from drapesim.ground.units import SI, bending_length, bending_rigidity, from_si, to_si


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


def test_an_unknown_unit_is_no_unit():
    with pytest.raises(KeyError):
        to_si(1.0, "furlong")
