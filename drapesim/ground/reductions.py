"""Reductions: from what a lab reads off its tests to the numbers of a fabric card. Pure functions, SI in and out.

The exact overhang and the bias pull of small angles are in `references` (`reduce_overhang`, `reduce_bias_extension`).
Where a handbook's closed form differs from the exact answer both are here, and `compare_overhang` and `compare_loop`
say how far apart they lie. Formulas marked "from memory" were not read in the document they are ascribed to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from scipy.optimize import brentq

from drapesim.ground.references import (
    STANDARD_CHORD,
    predict_trellis_shear,
    reduce_overhang,
    reduce_overhang_peirce,
    solve_heart_loop,
)
from drapesim.ground.references.loops import MAX_GAMMA
from drapesim.ground.units import GRAVITY, bending_rigidity, to_si, weigh_area

# ASTM's flexural rigidity is printed as this times W [g/m2] c [mm]^3 (from memory); in uN m w c^3 gives 9.807e-6.
ASTM_PRINTED = 1.421e-5
# Loads of the FAST extension test, N/m: 5, 20 and 100 gf/cm (from memory).
FAST_LOADS = (to_si(5.0, "gf_cm"), to_si(20.0, "gf_cm"), to_si(100.0, "gf_cm"))
# Length over breadth of its bias piece, 100 by 50 mm (from memory).
FAST_SHAPE = 2.0
# The heart loop of no weight is this share of its length high: Peirce's printed constant (from memory; exact 0.13386).
PEIRCE_HEART = 0.1337


@dataclass(frozen=True)
class Repeats:
    """Readings of one quantity: mean, sample standard deviation (nan for a single reading), and how many."""

    mean: float
    sd: float
    n: int

    @property
    def standard_uncertainty(self) -> float:
        """Of the mean, sd / sqrt(n): JCGM 100:2008, Guide to the expression of uncertainty, 4.2.3 (from memory)."""
        return self.sd / math.sqrt(self.n)


@dataclass(frozen=True)
class Reduction:
    """One way to reduce a bending reading: its name, bending length c [m], rigidity per width B [N m], and by what
    share its B lies off the exact one."""

    name: str
    bending_length: float
    rigidity: float
    off: float


def summarise(readings: Sequence[float]) -> Repeats:
    """Mean, standard deviation (n - 1 in the denominator) and count. Raises ValueError without a reading."""
    n = len(readings)
    if n == 0:
        raise ValueError("there is no reading")
    mean = math.fsum(readings) / n
    sd = math.sqrt(math.fsum((each - mean) ** 2 for each in readings) / (n - 1)) if n > 1 else math.nan
    return Repeats(mean, sd, n)


def density_of_piece(mass: float, area: float) -> float:
    """Mass per area W = m / A [kg/m2]. Source: ISO 3801, method 5, the small specimen (scope read)."""
    return mass / area


def thickness_of_stack(height: float, layers: int) -> float:
    """Thickness [m] of one of ``layers`` in a stack. Common practice, no source: layers nest, so it reads low."""
    return height / layers


# Bending


def halve_overhang(overhang: float) -> float:
    """Bending length c = l / 2 [m], the shortcut of ASTM D1388 and BS 3356 at 41.5 degrees (clauses from memory).

    The exact heavy elastica gives 0.49991 l, see `references.reduce_overhang`: c is 0.02 % too large, B 0.05 %.
    """
    return 0.5 * overhang


def rigidity_as_printed(areal_density: float, bending_length: float) -> float:
    """B [N m] by the factor that ASTM D1388 prints, 1.421e-5 W [g/m2] c [mm]^3 in uJ/m (from memory).

    It is 45 % above w c^3, which is what the definition of c asks for; the 2023 edition itself warns of a wrong
    formula in a sister standard (read). Here to be compared, not to be used.
    """
    return 1e-6 * ASTM_PRINTED * 1e3 * areal_density * (1e3 * bending_length) ** 3


def compare_overhang(
    overhang: float, areal_density: float, chord_angle: float = STANDARD_CHORD
) -> tuple[Reduction, ...]:
    """The exact reduction of an overhang [m] at ``chord_angle`` [rad], then the handbooks', each with its share off.

    Published in the same sense: Lammens, Kersemans, Luyckx, Van Paepegem and Degrieck 2014, Textile Research Journal
    84, 1307 (abstract read): on a foil of known modulus Peirce's formula came out 18 % high and ASTM's 72 %.
    """
    exact = reduce_overhang(overhang, chord_angle)
    stiff = bending_rigidity(areal_density, exact)
    peirce = reduce_overhang_peirce(overhang, chord_angle)
    half = halve_overhang(overhang)
    rows = [
        ("exact heavy elastica", exact, stiff),
        ("half the overhang", half, bending_rigidity(areal_density, half)),
        ("Peirce 1930, (cos(a/2) / (8 tan a))^(1/3)", peirce, bending_rigidity(areal_density, peirce)),
        ("half the overhang, factor 1.421e-5 as printed", half, rigidity_as_printed(areal_density, half)),
    ]
    return tuple(Reduction(name, c, rigidity, rigidity / stiff - 1.0) for name, c, rigidity in rows)


def reduce_heart_loop(height: float, loop: float) -> float:
    """Bending length c [m] of a heart loop of length ``loop`` [m] that hangs ``height`` [m] from clamp to lowest point.

    The exact loop is solved for the weight that gives this height (`references.solve_heart_loop`), then
    c = L gamma^(-1/3). Test: ASTM D1388 option B (scope read). Raises ValueError for a height that no loop has:
    below 0.1339 L nothing hangs, above 0.4118 L it is limper than the solver was tested for.
    """
    share = height / loop
    low, high = _heart_height(math.log(1e-3)), _heart_height(math.log(MAX_GAMMA))
    if not low < share < high:
        raise ValueError(f"the loop's height over its length, {share:.4g}, must lie between {low:.4f} and {high:.4f}")
    found = brentq(lambda q: _heart_height(q) - share, math.log(1e-3), math.log(MAX_GAMMA), xtol=1e-6)
    return loop * math.exp(-found / 3.0)


@lru_cache(maxsize=256)
def _heart_height(log_gamma: float) -> float:
    return solve_heart_loop(min(math.exp(log_gamma), MAX_GAMMA)).height


def reduce_heart_loop_peirce(height: float, loop: float) -> float:
    """c [m] by Peirce's closed form (from memory): c = 0.1337 L (cos t / tan t)^(1/3), t = 32.85 degrees d / l0,
    d = height - l0, l0 = 0.1337 L. Up to 13 % too large in B (recomputed against the exact loop)."""
    rest = PEIRCE_HEART * loop
    angle = math.radians(32.85) * (height - rest) / rest
    if not 0.0 < angle < 0.5 * math.pi:
        raise ValueError(f"height = {height:g} m is outside the closed form for a loop of {loop:g} m")
    return PEIRCE_HEART * loop * (math.cos(angle) / math.tan(angle)) ** (1.0 / 3.0)


def compare_loop(height: float, loop: float, areal_density: float) -> tuple[Reduction, ...]:
    """The exact reduction of a heart loop, then Peirce's, with its share off in B."""
    rows = [
        ("exact heart loop", reduce_heart_loop(height, loop)),
        ("Peirce 1930, heart loop", reduce_heart_loop_peirce(height, loop)),
    ]
    stiff = bending_rigidity(areal_density, rows[0][1])
    found = [(name, c, bending_rigidity(areal_density, c)) for name, c in rows]
    return tuple(Reduction(name, c, rigidity, rigidity / stiff - 1.0) for name, c, rigidity in found)


def residual_curvature(hysteresis: float, rigidity: float) -> float:
    """Largest curvature [1/m] in which friction between yarns can hold a sheet that nothing bends: (2HB / 2) / B.

    hysteresis: 2HB, the width of the bending loop [N]; rigidity: B [N m]. Source: the elastic and frictional model of
    bending, moment = B curvature +- HB (Lahey and Heppler 2004, J. Applied Mechanics 71, first page read).
    """
    return 0.5 * hysteresis / rigidity


# Extension and shear


def secant_stiffness(low: tuple[float, float], high: tuple[float, float]) -> float:
    """Stiffness per width [N/m] between two points (strain, tension [N/m]) of a load-extension curve."""
    return (high[1] - low[1]) / (high[0] - low[0])


def stiffness_from_modulus(modulus: float, thickness: float) -> float:
    """Stiffness per width [N/m] = modulus [Pa] times thickness [m]: how engineers' tables become a textile's."""
    return modulus * thickness


def stiffness_from_em(extension: float, load: float = to_si(500.0, "gf_cm")) -> float:
    """Secant stiffness [N/m] from the KES reading EM, the strain at 500 gf/cm (from memory)."""
    return load / extension


def tensile_energy(linearity: float, extension: float, load: float = to_si(500.0, "gf_cm")) -> float:
    """WT [J/m2] = LT F EM / 2: the definition of the KES linearity LT turned round (from memory)."""
    return 0.5 * linearity * load * extension


def compressibility(e5: float, e20: float) -> float:
    """Strain per tension between 5 and 20 gf/cm [m/N]: what FAST takes for the cloth's give under a push."""
    return (e20 - e5) / (FAST_LOADS[1] - FAST_LOADS[0])


def formability(rigidity: float, e5: float, e20: float) -> float:
    """Formability [m2] = B (E20 - E5) / (F20 - F5), B [N m], strains as bare numbers.

    Source: SiroFAST, De Boos and Tester 1994 (contents read; formula from memory, it gives back a printed row).
    """
    return rigidity * compressibility(e5, e20)


def formability_fast(rigidity: float, e5: float, e20: float) -> float:
    """The number FAST prints under "mm2": B [uN m] (E20 - E5) [%] / 14.7. Its strains are per cent, so it is a hundred
    times `formability` in mm2."""
    return 100.0 * 1e6 * formability(rigidity, e5, e20)


def shear_from_bias_trellis(load: float, extension: float) -> float:
    """G [N/m per rad] from a pull of F [N/m] at 45 degrees that stretches by e, with the angles of a jointed trellis.

    Derived anew: yarns that do not stretch turn by g = `references.predict_trellis_shear` against each other; the work
    F de is G g dg, so G = F (cos(g/2) - sin(g/2)) / (2 g). Its limit for small angles is FAST's 123 / EB5 [%]
    (`references.reduce_bias_extension`), which at 4.7 % lies 8 % above it. Neither has the clamped ends.
    """
    angle = predict_trellis_shear(1.0 + extension)
    return load * (math.cos(0.5 * angle) - math.sin(0.5 * angle)) / (2.0 * angle)


def shear_from_bias_orthotropic(bias: float, warp: float, weft: float, poisson: float = 0.0) -> float:
    """G [N/m] from the stiffnesses per width at 45 degrees, along warp and along weft [N/m].

    1 / E45 = (1/E1 + 1/E2 - 2 nu / E1 + 1/G) / 4: Kilby 1963, J. Textile Institute 54 (from memory; plane stress).
    """
    rest = 4.0 / bias - 1.0 / warp - 1.0 / weft + 2.0 * poisson / warp
    if rest <= 0.0:
        raise ValueError("the pull at 45 degrees is stiffer than warp and weft allow")
    return 1.0 / rest


def hang_tension(mass: float, width: float, strip: float = 0.0) -> float:
    """Tension [N/m] of a strip of ``width`` [m] at half its height, with ``mass`` [kg] hung on it and ``strip`` [kg]
    the mass of the strip itself below the upper clamp."""
    return (mass + 0.5 * strip) * GRAVITY / width


# Friction and drape


def friction_from_tilt(angle: float) -> float:
    """Static coefficient mu = tan(angle) at which a sled on a tilted plane begins to slide (textbook)."""
    return math.tan(angle)


def friction_from_rise(rise: float, base: float) -> float:
    """Static coefficient from the height of the tilted plane's end over the length of its foot, both by ruler [m]."""
    return rise / base


def drape_coefficient(shadow: float, support: float, specimen: float) -> float:
    """(A_s - A_d) / (A_D - A_d) from the areas of the shadow, the supporting disc and the flat specimen [m2].

    Source: Cusick's drape coefficient as in BS 5058:1973 (principle read), formula read in a teaching note; 0 hangs
    straight down, 1 stays flat. Weighed paper serves as well as areas.
    """
    return (shadow - support) / (specimen - support)


def disc_area(diameter: float) -> float:
    """Area of a disc [m2]."""
    return 0.25 * math.pi * diameter**2


def sheet_pressure(areal_density: float) -> float:
    """Pressure of one layer on what lies below [Pa]: friction testers press a thousand times as hard."""
    return weigh_area(areal_density)
