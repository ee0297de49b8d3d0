"""Claim: in a folded lay, the points, marks and prints of one layer are found on the other within 1 mm.

Two sheets. One is folded by exact geometry, round half a turn of known radius: there (u, v) lies across from
(2 u0 - u, v), and the gap is 2 r - t. The other is a piece of the demo linen folded over, let go on a block and settled
to its certificate; its fold creeps by 4 mm, so the mirror image is no longer the truth. There it is constructed: the
sheet is cut in two at the fold, and for each point of the under half the nearest point of the over half is found by
libigl (Jacobson et al., https://libigl.github.io), which knows of no layers. A mark is drawn on the under half, carried
over by that, and drawn on the over half as carried.

Tolerance: 1 mm, what is wanted of pairs. Points agree to rounding (both are exact on the same triangles); outlines are
sought on a grid of 1 mm and read between its points, so their error falls with that grid and not with the sheet's
spacing.
"""

import math

import igl
import numpy as np
import pytest
import shapely

from drapesim.judging.meetings import find_meetings, predict_offsets
from drapesim.judging.verdicts import chord_error
from drapesim.matter.body import box
from drapesim.matter.fabric import read_card
from drapesim.matter.marks import Claim, Mark
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.matter.surface import sample_sheet
from drapesim.settling.layer_record import INNER, prepare_layers, read_layers
from drapesim.settling.settle import settle
from tests.unit.folded_sheet import fold_at
from tests.unit.made_run import ROOT

pytestmark = pytest.mark.validation

LENGTH, WIDTH, FOLD, RADIUS = 0.4, 0.1, 0.21, 0.012
WANTED = 1e-3  # m


def draw(name, ring, step=1e-3):
    area, low = shapely.Polygon(ring), ring.min(0)
    samples = low + step * (np.argwhere(np.ones(np.ceil(np.ptp(ring, axis=0) / step).astype(int), dtype=bool)) + 0.5)
    samples = samples[shapely.contains_xy(area, *samples.T)]
    return Mark(name, "stain", (ring,), samples, np.full(len(samples), area.area / len(samples)), Claim())


def oval(u, v, a, b, n=240):
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.column_stack([u + a * np.cos(turn), v + b * np.sin(turn)])


@pytest.fixture(scope="module")
def settled():
    """(layers, certificate) of the piece of linen, let go 10 mm above a block."""
    card = read_card(ROOT / "scenes/fabrics/cover-linen.toml")
    lattice = cut_lattice(Sheet(LENGTH, WIDTH, 0.01))
    start = fold_at(lattice, FOLD, RADIUS)
    block = box((-0.1, -0.2, -0.11), (0.3, 0.1, -0.01), surface="limewood")
    end = settle(lattice, card, start, block)
    assert end.certificate.settled, end.certificate.failures
    return prepare_layers(lattice, end.x, card.thickness), end.certificate


def carry_over(layers, uv):
    """Flat-map places of the over half's nearest points to the under half's places ``uv``, by libigl."""
    lattice, x = layers.lattice, layers.x
    over = lattice.triangles[(lattice.uv[lattice.triangles][:, :, 0] > FOLD + 0.5 * math.pi * RADIUS).all(1)]
    points = sample_sheet(lattice, x, uv)[0]
    _, face, nearest = igl.point_mesh_squared_distance(points, x, over.astype(np.int64))
    corner = over[face]
    weight = igl.barycentric_coordinates(nearest, *(x[corner[:, k]] for k in range(3)))
    return np.einsum("nk,nkd->nd", weight, lattice.uv[corner])


def test_points_of_the_settled_fold(settled):
    layers, _ = settled
    uv = np.stack(np.meshgrid(np.linspace(0.05, 0.13, 41), np.linspace(0.01, 0.09, 33)), axis=-1).reshape(-1, 2)
    found = read_layers(layers, uv)
    assert (found.met[:, INNER] == INNER).all()
    off = np.linalg.norm(found.uv[:, INNER] - carry_over(layers, uv), axis=1)
    assert off.max() < WANTED
    assert np.median(off) < 1e-9
    assert abs(np.median(found.gap[:, INNER])) < 1e-5  # they lie on each other; the mirror image is off by more:
    assert np.linalg.norm(found.uv[:, INNER] - [2 * FOLD, 0] - uv * [-1, 1], axis=1).max() > 0.3e-3


def test_marks_of_the_settled_fold(settled):
    layers, certificate = settled
    ring = oval(0.09, 0.05, 0.025, 0.018)
    carried = carry_over(layers, ring)
    wax, pale = draw("wax", ring), draw("pale", carried)
    (meeting,) = find_meetings((wax, pale), layers, certificate, chord_error(layers.lattice, layers.x))
    assert (meeting.mark, meeting.other, meeting.face, meeting.met) == ("wax", "pale", "inner", "inner")
    assert meeting.meets is True
    assert min(meeting.share, meeting.share_other) > 0.98
    (print_,) = predict_offsets(wax, layers)
    (outline,) = print_.rings
    truth = shapely.Polygon(carried)
    assert shapely.hausdorff_distance(shapely.Polygon(outline).boundary, truth.boundary, 0.1) < WANTED
    # moved by its own breadth, the pale mark has nothing in common with it
    beside = draw("beside", carried + np.array([0.052, 0.0]))
    assert find_meetings((wax, beside), layers, certificate, chord_error(layers.lattice, layers.x)) == ()


@pytest.mark.parametrize("spacing", [0.01, 0.005])
def test_half_turn_of_known_radius(spacing):
    radius, thickness = 0.0007, 4.5e-4
    lattice = cut_lattice(Sheet(LENGTH, WIDTH, spacing))
    layers = prepare_layers(lattice, fold_at(lattice, FOLD, radius), thickness)
    uv = np.stack(np.meshgrid(np.linspace(0.03, 0.19, 65), np.linspace(0.0, WIDTH, 21)), axis=-1).reshape(-1, 2)
    found = read_layers(layers, uv)
    assert np.abs(found.gap[:, INNER] - (2 * radius - thickness)).max() < 1e-9
    assert np.linalg.norm(found.uv[:, INNER] - np.column_stack([2 * FOLD - uv[:, 0], uv[:, 1]]), axis=1).max() < 1e-9
    ring = oval(0.1, 0.05, 0.03, 0.02)
    (print_,) = predict_offsets(draw("wax", ring), layers)
    truth = shapely.Polygon(np.column_stack([2 * FOLD - ring[:, 0], ring[:, 1]]))
    assert shapely.hausdorff_distance(shapely.Polygon(print_.rings[0]).boundary, truth.boundary, 0.1) < WANTED
