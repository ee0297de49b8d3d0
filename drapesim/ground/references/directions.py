"""How a woven sheet answers off its yarns: bending and stretch at an angle, and the trellis."""

from __future__ import annotations

import math


def predict_rigidity_cooper(angle: float, warp: float, weft: float, twist: float = 0.0) -> float:
    """Bending rigidity (N m) of a strip cut at ``angle`` (rad) from the warp: Bu c^4 + Bv s^4 + 2 J c^2 s^2.

    Source: Cooper 1960, The stiffness of woven textiles, J. Textile Institute 51 (from memory; he writes J1 + J2 for
    2 J). ``twist`` J in N m; 0 is a pure net of rows and columns. Valid: J >= -sqrt(Bu Bv) (else some B < 0).
    """
    c2, s2 = math.cos(angle) ** 2, math.sin(angle) ** 2
    return warp * c2**2 + weft * s2**2 + 2.0 * twist * c2 * s2


def predict_rigidity_peirce(angle: float, warp: float, weft: float) -> float:
    """Bending rigidity (N m) at ``angle`` (rad) from the warp: (cos^2 / sqrt(Bu) + sin^2 / sqrt(Bv))^-2.

    Source: Peirce 1930 (from memory). Valid: Bu, Bv > 0. Real cloth lies between this and Cooper with J = 0.
    """
    return (math.cos(angle) ** 2 / math.sqrt(warp) + math.sin(angle) ** 2 / math.sqrt(weft)) ** -2


def predict_modulus(angle: float, warp: float, weft: float, shear: float, poisson: float = 0.0) -> float:
    """Stretch modulus (N/m) of a strip cut at ``angle`` (rad) from the warp, small strain, sides free.

    Claim: 1/E(a) = c^4/E1 + s^4/E2 + (1/G - 2 nu/E1) c^2 s^2; at 45 degrees the bias form
    1/E = (1/4)(1/E1 + 1/E2 - 2 nu/E1 + 1/G), which tends to 4 G for stiff yarns.
    Source: Kilby 1963, Planar stress-strain relationships in woven fabrics, J. Textile Institute 54 (from memory);
    plane-stress algebra, recomputed here. ``poisson`` is nu12 (weft contraction under warp pull).
    """
    c2, s2 = math.cos(angle) ** 2, math.sin(angle) ** 2
    return 1.0 / (c2**2 / warp + s2**2 / weft + (1.0 / shear - 2.0 * poisson / warp) * c2 * s2)


def predict_bias_modulus(warp: float, weft: float, shear: float, poisson: float = 0.0) -> float:
    """:func:`predict_modulus` at 45 degrees, N/m."""
    return predict_modulus(0.25 * math.pi, warp, weft, shear, poisson)


def predict_trellis_shear(stretch_ratio: float) -> float:
    """Shear angle (rad) in the middle of a bias strip: pi/2 - 2 arccos(ratio / sqrt 2), ratio = (D + d) / D.

    D = strip length minus width, d = extension. Source: pin-jointed net kinematics (from memory), algebra recomputed
    here. Valid: 1 <= ratio < sqrt 2, strip at least twice as long as wide, inextensible yarns.
    """
    if not 1.0 <= stretch_ratio <= math.sqrt(2.0):
        raise ValueError(f"stretch_ratio = {stretch_ratio:g} is outside 1 to sqrt 2")
    return 0.5 * math.pi - 2.0 * math.acos(stretch_ratio / math.sqrt(2.0))


def reduce_bias_extension(extension: float, load: float) -> float:
    """Shear rigidity G (N/m per rad) from the strain of a bias strip under a small ``load`` (N/m): load / (4 strain).

    Source: the stiff-yarn limit of :func:`predict_bias_modulus`. With 5 gf/cm (4.903 N/m) and extension in percent it
    is the 123 / EB5 of the FAST sheet (De Boos and Tester 1994, title read, constant from memory; recomputed here).
    Valid: yarns much stiffer than G, strain of a few percent.
    """
    if not extension > 0.0:
        raise ValueError(f"extension = {extension:g} must be positive")
    return load / (4.0 * extension)
