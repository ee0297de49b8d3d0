"""Taping a mesh: circles, hollows, the right one of several parts, what is refused."""

from dataclasses import replace

import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.body import cylinder, join
from drapesim.matter.solid import RoundCone, Union, polygonise
from drapesim.matter.taping import Tape, cut_section, hull_perimeter, tape_girth

SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0], [0.5, 0.5], [0.1, 0.2]])


def test_hull_spans_hollows() -> None:
    assert hull_perimeter(SQUARE) == pytest.approx(4.0)


@pytest.mark.parametrize("tilt", [0.0, 0.3])
def test_girth_of_a_cylinder_square_and_aslant(tilt: float) -> None:
    body = cylinder(0.05, 0.6, (0.0, 0.0, 0.0), "y", "skin")
    normal = np.array([0.0, np.cos(tilt), np.sin(tilt)])
    girth = tape_girth(body.vertices, body.faces, Tape(np.array([0.01, 0.02, 0.0]), normal))
    a, b = 0.05, 0.05 / np.cos(tilt)  # an ellipse; Ramanujan's second formula for its perimeter
    h = ((a - b) / (a + b)) ** 2
    exact = np.pi * (a + b) * (1.0 + 3.0 * h / (10.0 + np.sqrt(4.0 - 3.0 * h)))
    assert girth == pytest.approx(exact, rel=3e-3)
    assert girth < exact  # chords


def test_the_tape_goes_round_the_part_that_it_is_placed_in() -> None:
    thin, thick = (cylinder(r, 0.4, (x, 0.0, 0.0), "y", "skin") for r, x in ((0.02, 0.0), (0.06, 0.15)))
    both = join(thin, replace(thick, landmarks={}))
    along = np.array([0.0, 1.0, 0.0])
    for x, r in ((0.0, 0.02), (0.15, 0.06)):
        girth = tape_girth(both.vertices, both.faces, Tape(np.array([x, 0.0, 0.0]), along))
        assert girth == pytest.approx(2 * np.pi * r, rel=5e-3)
    with pytest.raises(InputError, match="no outline"):
        tape_girth(both.vertices, both.faces, Tape(np.array([0.05, 0.0, 0.0]), along))


def test_a_tape_bridges_the_groove_between_two_parts() -> None:
    pair = Union(tuple(RoundCone((0.0, y, 0.0), (0.3, y, 0.0), 0.03, 0.03) for y in (-0.025, 0.025)), 0.0)
    vertices, faces = polygonise(pair, 0.004)
    tape = Tape(np.array([0.15, 0.0, 0.0]), np.array([1.0, 0.0, 0.0]))
    assert tape_girth(vertices, faces, tape) == pytest.approx(2 * np.pi * 0.03 + 4 * 0.025, rel=5e-3)
    outline = cut_section(vertices, faces, tape)
    assert np.ptp(outline, axis=0).max() == pytest.approx(0.11, rel=1e-2)
