"""Units: the trade's and the file's units on the outside, SI on the inside.

A unit is named as it is spelled at the end of a file key: ``spacing_mm``, ``value_g_m2``, ``rigidity_uN_m``.
"""

from __future__ import annotations

import math

GRAVITY = 9.80665  # m/s2, standard gravity, 3rd General Conference on Weights and Measures, 1901

# SI value of one unit. A gram-force is 1e-3 kg times standard gravity, so the KES readings follow from their names.
_GF = 1e-3 * GRAVITY
SI: dict[str, float] = {
    # length, m
    "m": 1.0,
    "cm": 1e-2,
    "mm": 1e-3,
    "um": 1e-6,
    "in": 0.0254,
    "ft": 0.3048,
    "pt": 0.0254 / 72.0,
    # angle, rad, and bare ratios
    "rad": 1.0,
    "deg": math.pi / 180.0,
    "percent": 1e-2,
    "1": 1.0,
    # mass per area, kg/m2
    "kg_m2": 1.0,
    "g_m2": 1e-3,
    "mg_cm2": 1e-2,
    "oz_yd2": 0.028349523125 / 0.9144**2,
    # mass, kg
    "g": 1e-3,
    "kg": 1.0,
    # area, m2
    "mm2": 1e-6,
    "cm2": 1e-4,
    # force, N, and tension per width, N/m
    "N": 1.0,
    "gf": _GF,
    "N_m": 1.0,
    "N_cm": 1e2,
    "kN_m": 1e3,
    "gf_cm": _GF / 1e-2,
    # bending rigidity per width, N m; a bare mg here is the weight of a milligram
    "uN_m": 1e-6,
    "mN_m": 1e-3,
    "mN_cm": 1e-3 * 1e-2,
    "gf_cm2_cm": _GF * 1e-4 / 1e-2,
    "mg_cm": 1e-6 * GRAVITY * 1e-2,
    "dyn_cm2_cm": 1e-5 * 1e-4 / 1e-2,
    # bending hysteresis (moment per width), N
    "mN": 1e-3,
    "gf_cm_cm": _GF,
    # shear rigidity, N/m per radian
    "N_m_rad": 1.0,
    "N_m_deg": 180.0 / math.pi,
    "gf_cm_deg": _GF / 1e-2 * 180.0 / math.pi,
    # tensile energy per area, J/m2, and pressure, Pa
    "gf_cm_cm2": _GF * 1e-2 / 1e-4,
    "J_m2": 1.0,
    "Pa": 1.0,
    "kPa": 1e3,
    "MPa": 1e6,
    "gf_cm2": _GF / 1e-4,
}


def to_si(value: float, unit: str) -> float:
    """``value`` given in ``unit`` as an SI number. Raises KeyError for a unit that is not in ``SI``."""
    return value * SI[unit]


def from_si(value: float, unit: str) -> float:
    """SI ``value`` as a number of ``unit``. Raises KeyError for a unit that is not in ``SI``."""
    return value / SI[unit]


def unit_of(key: str) -> str:
    """The unit that a file key ends in, ``value_g_m2`` -> ``g_m2``; "1" for a key without one."""
    return max((unit for unit in SI if key.endswith(f"_{unit}")), key=len, default="1")


def weigh_area(areal_density: float) -> float:
    """Weight per area w [N/m2] of a cloth of ``areal_density`` [kg/m2]."""
    return areal_density * GRAVITY


def bending_rigidity(areal_density: float, bending_length: float) -> float:
    """Bending rigidity per width B = w c^3 [N m] from areal density [kg/m2] and bending length c [m].

    Source: Peirce 1930, the definition of bending length, as used by ASTM D1388 option A (from memory).
    """
    return weigh_area(areal_density) * bending_length**3


def bending_length(areal_density: float, rigidity: float) -> float:
    """Bending length c = (B/w)^(1/3) [m]; the inverse of `bending_rigidity`."""
    return (rigidity / weigh_area(areal_density)) ** (1.0 / 3.0)
