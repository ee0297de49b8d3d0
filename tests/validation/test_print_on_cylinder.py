"""Claim: on a cylinder a contact print shows a line at angle theta at R theta, a straight-down view at R sin(theta).

Formulas: arc and chord projection of a circle, elementary geometry. Both hold exactly for a cloth that lies on the
cylinder. The tolerance of 0.2 % is the bar; the mesh of 2048 flats and the lattice of 1.5 degrees leave 0.02 %.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from drapesim.judging.transfer import Way, find_sources, print_points
from tests.validation.printed import wrap_half

RADIUS = 0.1
ANGLES = np.radians([5.0, 10.0, 20.0, 33.0, 45.0, 60.0, 75.0, 85.0])


@pytest.mark.parametrize(
    ("way", "formula"),
    [
        (Way("contact"), lambda angle: RADIUS * angle),
        (Way("normal", "linear", 0.02), lambda angle: RADIUS * angle),
        (Way("nearest", "exponential", 0.01), lambda angle: RADIUS * angle),
        (Way("view"), lambda angle: RADIUS * np.sin(angle)),
        (Way("relief", "linear", 0.02, 0.01), lambda angle: RADIUS * np.sin(angle)),
    ],
    ids=lambda each: each.kind if isinstance(each, Way) else "",
)
def test_line_on_a_cylinder_prints_where_the_formula_says(
    way: Way, formula: Callable[[np.ndarray], np.ndarray]
) -> None:
    laid = wrap_half(RADIUS)
    points = np.stack([np.zeros(len(ANGLES)), RADIUS * np.sin(ANGLES), RADIUS * np.cos(ANGLES)], axis=1)
    printed = print_points(laid, find_sources(laid, way), points)
    middle = 0.5 * np.pi * RADIUS  # the flat map's v of the top line
    np.testing.assert_allclose(printed.uv[:, 1] - middle, formula(ANGLES), rtol=2e-3)
    assert (printed.strength[:4] > 0.0).all()
