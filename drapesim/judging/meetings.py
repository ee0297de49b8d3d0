"""Marks on marks: which marks of a folded sheet lie on each other, and where a wet mark would print on another layer.

A mark of an area is its outline; a line counts as a band `BAND` broad and a point as a disc of that breadth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from drapesim.judging.spacing import weighted_quantile
from drapesim.matter.answers import NATURAL, NOT_HERE, PARTLY, UNDECIDED, Meeting, Verdict
from drapesim.matter.marks import GRID, Mark
from drapesim.settling.certificate import Certificate
from drapesim.settling.layer_record import REACH, SIDES, LayerField, LayerRecord, read_layers

Array = np.ndarray

BAND = GRID  # m
STEP = 1e-3  # m, grid on which prints are sought; their outlines are finer: linear between its points
TRACE = 0.01  # share of a mark that is too little to be called lying on the other, as in `verdicts`
LEAST = 4  # cells of that grid: a smaller print is left out


@dataclass(frozen=True)
class MeetingReading:
    """What lies across from one mark's samples that belongs to another mark.

    weight (s,) of each sample, summing to 1; gap, error (s, 2) m and on (s, 2) bool: does the other mark lie across,
    out of the inner [0] and the outer [1] face? met (s, 2): the face of the other's cloth that looks back. Shares are
    of the mark's area, each place counted once.
    """

    weight: Array
    gap: Array
    error: Array
    on: Array
    met: Array

    def shares(self, tolerance: float, faces: tuple[int, int] | None = None) -> tuple[float, float, float]:
        """(sure, measured, possible) share that lies on the other mark within ``tolerance`` (m), as for gaps to a body.

        ``faces``: only where this face of the mark's cloth meets that face of the other's; any if None.
        """
        on = self.on if faces is None else self._where(faces)
        least, share, most = (
            float(self.weight[(on & (self.gap <= tolerance + sign * self.error)).any(1)].sum()) for sign in (-1, 0, 1)
        )
        return least, share, most

    def across(self, faces: tuple[int, int]) -> tuple[Array, Array, Array]:
        """(weight, gap m, error m) of all samples that have the other mark across these faces, however far."""
        n, side = np.nonzero(self._where(faces))
        return self.weight[n], self.gap[n, side], self.error[n, side]

    def _where(self, faces: tuple[int, int]) -> Array:
        on = self.on & (self.met == faces[1])
        on[:, 1 - faces[0]] = False
        return on


def fill_outline(mark: Mark) -> Any:
    """The mark as a shapely area on the flat map (m)."""
    import shapely

    if not mark.rings:
        return shapely.MultiPoint(mark.samples).buffer(0.5 * BAND)
    area = shapely.Polygon()
    for ring in mark.rings:  # even-odd: each ring turns its inside over
        area = area.symmetric_difference(shapely.make_valid(shapely.Polygon(ring)))
    return area


def read_meeting(
    mark: Mark, other: Mark, field: LayerField, certificate: Certificate, sag: Array, found: LayerRecord | None = None
) -> MeetingReading:
    """What of ``mark`` lies on ``other`` (which may be the mark itself, folded on itself).

    ``sag`` (nu-1, nv-1) m: `verdicts.chord_error`. The error of a gap is the sag of both layers, twice the largest
    further move, and the deepest penetration, added up. ``found``: the layers at the mark's samples, if known already.
    """
    import shapely

    found = read_layers(field, mark.samples) if found is None else found
    on = np.zeros(found.gap.shape, dtype=bool)
    there = found.triangle >= 0
    on[there] = shapely.contains_xy(fill_outline(other), *found.uv[there].T)
    weight = mark.weights / mark.weights.sum()
    error = certificate.penetration_max + 2.0 * certificate.stay_max + _sag_of(field, sag, mark.samples, found)
    return MeetingReading(weight, found.gap, error, on, found.met)


def _sag_of(field: LayerField, sag: Array, uv: Array, found: LayerRecord) -> Array:
    """(s, 2) m: sag of the cells at ``uv`` and of those across from them."""
    lattice = field.lattice
    own = np.floor(uv / np.array([lattice.spacing_u, lattice.spacing_v])).astype(np.int64)
    own = np.clip(own, 0, np.array(lattice.cell.shape) - 1)
    across = sag[lattice.cell][np.maximum(found.triangle, 0) // 2]
    return sag[own[:, 0], own[:, 1]][:, None] + across


def find_meetings(
    marks: Sequence[Mark], field: LayerField, certificate: Certificate, sag: Array
) -> tuple[Meeting, ...]:
    """Every pair of ``marks`` that lie across from each other within `REACH`, each pair of faces by itself.

    Pairs in the marks' order, a mark with itself included. The tolerance is the larger of both marks' claims.
    """
    read = [read_layers(field, mark.samples) for mark in marks]
    size = [float(fill_outline(mark).area) for mark in marks]
    told = []
    for i, mark in enumerate(marks):
        if not (read[i].triangle >= 0).any():
            continue
        for j in range(i, len(marks)):
            other = marks[j]
            there = read_meeting(mark, other, field, certificate, sag, read[i])
            if not there.on.any():
                continue
            back = read_meeting(other, mark, field, certificate, sag, read[j])
            tolerance = max(mark.claim.tolerance, other.claim.tolerance)
            for faces in ((0, 0), (0, 1), (1, 0), (1, 1)):
                if i == j and faces == (1, 0):
                    continue  # the same places as (0, 1), seen from the other side
                weight, gap, error = there.across(faces)
                if not len(gap):
                    continue
                sure, share, possible = there.shares(tolerance, faces)
                if not certificate.settled:  # this lay decides nothing
                    sure, possible = 0.0, 1.0
                whole = weight / weight.sum()
                told.append(
                    Meeting(
                        mark=mark.name, other=other.name, face=SIDES[faces[0]], met=SIDES[faces[1]],
                        tolerance=tolerance, area_sure=sure * size[i], area=share * size[i],
                        area_possible=possible * size[i], share=share,
                        share_other=back.shares(tolerance, (faces[1], faces[0]))[1], across=float(weight.sum()),
                        gap_min=float(gap.min()), gap_median=weighted_quantile(gap, whole, 0.5),
                        gap_max=float(gap.max()), uncertainty=weighted_quantile(error, whole, 0.95),
                    )
                )  # fmt: skip
    return tuple(told)


def judge_meeting(
    mark: Mark, other: Mark, field: LayerField, certificate: Certificate, sag: Array, obstacle: str = ""
) -> Verdict:
    """The verdict on a claim that ``mark`` meets ``other``: lies on it, face to face, with nothing pressing.

    At least ``mark.claim.share`` of the mark's area must have the other mark across within ``mark.claim.tolerance``,
    whatever each gap's error, out of the side of the cloth that the claim is of; which face of the other's cloth looks
    back is told and not asked. ``obstacle``: why this lay decides nothing here, as a sentence.
    Gaps are those to the other mark, nan where it lies nowhere across within `REACH`. That a mark's outline lies on the
    other's is taken from the flat map as it is: the error counts in gaps alone.
    """
    claim = mark.claim
    reading = read_meeting(mark, other, field, certificate, sag)
    reading.on[:, 1 - SIDES.index(claim.side)] = False
    n, side = np.nonzero(reading.on)
    sure, measured, possible = reading.shares(claim.tolerance)
    if not certificate.settled:
        obstacle = obstacle or "The sheet did not settle, so this lay decides nothing."
    slack = 1e-9  # sums of weights round
    if obstacle:
        verdict = UNDECIDED
    elif sure >= claim.share - slack:
        verdict = NATURAL
    elif possible >= claim.share - slack:
        verdict = UNDECIDED
    else:
        verdict = PARTLY if sure > TRACE else UNDECIDED if possible > TRACE else NOT_HERE
    nan = float("nan")
    gaps, error, told = (nan, nan, nan), nan, f"nowhere within {1e3 * REACH:g} mm does it lie across from {other.name}"
    if len(n):
        gap, weight = reading.gap[n, side], reading.weight[n] / reading.weight[n].sum()
        gaps = float(gap.min()), weighted_quantile(gap, weight, 0.5), float(gap.max())
        error = weighted_quantile(reading.error[n, side], weight, 0.95)
        pairs = sorted({(SIDES[k], SIDES[int(reading.met[m, k])]) for m, k in zip(n, side, strict=True)})
        faces = " and ".join(f"{a} face on {b} face" for a, b in pairs)
        told = (
            f"{100 * measured:.0f} % of it lies on {other.name} within {1e3 * claim.tolerance:g} mm "
            f"({100 * sure:.0f} to {100 * possible:.0f} % as the uncertainty allows; {100 * claim.share:.0f} % is "
            "claimed), "
            f"{faces}: gap {1e3 * gaps[0]:.1f} to {1e3 * gaps[2]:.1f} mm, give or take {1e3 * error:.1f} mm"
        )
    tail = "; other lays are not ruled out" if verdict == NOT_HERE else ""
    reason = obstacle or f"With nothing pressing, {told}{tail}."
    return Verdict(mark.name, mark.kind, claim.kind, verdict, reason, *gaps, sure, measured, possible, error, None, "")


@dataclass(frozen=True)
class Offset:
    """Where one mark, wet, would print on the layer that lies on it; flat map, m.

    ``face``: of the wet mark's cloth that touches, ``printed``: the face that takes the print ("inner" or "outer").
    ``rings``: outlines (k, 2), even-odd filled; ``area`` m2; ``tolerance`` m, the largest gap taken for contact.
    """

    mark: str
    face: str
    printed: str
    rings: tuple[Array, ...]
    area: float
    tolerance: float


def predict_offsets(mark: Mark, field: LayerField) -> tuple[Offset, ...]:
    """Prints of ``mark`` on other layers within its claim's tolerance, if it were wet; none where no layer lies on it.

    A print is where, seen from the layer that takes it, the mark lies across within the tolerance. Places are taken on
    a grid of `STEP`; between its points outline and gap are linear. Nothing spreads and nothing soaks through: a mark
    that wets both faces of its cloth has the prints of both.
    """
    import shapely
    from skimage.measure import find_contours

    tolerance = mark.claim.tolerance
    found = read_layers(field, mark.samples)
    near = (found.triangle >= 0) & (found.gap <= tolerance + 2e-3)  # a little more: the way back may be shorter
    if not near.any():
        return ()
    outline = fill_outline(mark)
    edge = outline.boundary
    shapely.prepare(outline)
    prints = []
    for corner, shape in _patches(found.uv[near]):
        uv = corner + STEP * np.argwhere(np.ones(shape, dtype=bool))
        back = read_layers(field, uv)
        for face in (0, 1):
            for printed in (0, 1):
                there = (back.triangle[:, printed] >= 0) & (back.met[:, printed] == face)
                if not there.any():
                    continue
                level = np.full(len(uv), -STEP)  # above 0 in the print
                at = back.uv[there, printed]
                inside = shapely.contains_xy(outline, *at.T)
                depth = np.where(inside, 1.0, -1.0) * shapely.distance(edge, shapely.points(at))
                # steep in the gap: else a gap just within the tolerance would draw the outline inward
                room = 10.0 * (1.0 - back.gap[there, printed] / tolerance) * STEP
                level[there] = np.clip(np.minimum(depth, room), -STEP, STEP)
                padded = np.pad(level.reshape(shape), 1, constant_values=-STEP)
                for ring in find_contours(padded, 0.0):
                    prints.append((face, printed, corner + STEP * (ring[:-1] - 1.0)))
    return _gather(mark, prints, tolerance)


def _patches(uv: Array, cell: float = 0.02) -> list[tuple[Array, tuple[int, int]]]:
    """Rectangles (first grid point (2,) m, (rows, columns) of the grid) that hold ``uv`` (k, 2) m with room round them.

    Pieces of cloth that lie apart on the flat map get rectangles of their own.
    """
    from scipy.ndimage import find_objects, label

    place = np.floor(uv / cell).astype(np.int64)
    low = place.min(0) - 1
    taken = np.zeros(place.max(0) - low + 2, dtype=bool)
    for du in (-1, 0, 1):
        for dv in (-1, 0, 1):
            taken[place[:, 0] - low[0] + du, place[:, 1] - low[1] + dv] = True
    numbers, _ = label(taken, np.ones((3, 3)))
    boxes = []
    for rows, columns in find_objects(numbers):
        start = (np.array([rows.start, columns.start]) + low) * cell
        extent = np.array([rows.stop - rows.start, columns.stop - columns.start]) * cell
        count = np.round(extent / STEP).astype(int) + 1
        boxes.append((start, (int(count[0]), int(count[1]))))
    return boxes


def _gather(mark: Mark, prints: list[tuple[int, int, Array]], tolerance: float) -> tuple[Offset, ...]:
    import shapely

    told = []
    for face in (0, 1):
        for printed in (0, 1):
            rings = [ring for a, b, ring in prints if (a, b) == (face, printed) and len(ring) >= 3]
            area = shapely.Polygon()
            kept = []
            for ring in rings:
                piece = shapely.make_valid(shapely.Polygon(ring))
                if piece.area >= LEAST * STEP**2:
                    kept.append(ring)
                    area = area.symmetric_difference(piece)
            if kept:
                told.append(Offset(mark.name, SIDES[face], SIDES[printed], tuple(kept), float(area.area), tolerance))
    return tuple(told)
