"""Verdicts: what one settled lay says about each mark.

One lay can show that a mark touches. It cannot show that none would: that takes a press test or a reach proof, and so
`judge_marks` never gives `PRESSED` or `OUT`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from drapesim.judging.geodesic import survey
from drapesim.judging.meetings import judge_meeting
from drapesim.judging.places import check_place, find_node_regions, name_region
from drapesim.judging.spacing import CoarserLay, compare_spacings, weighted_quantile
from drapesim.matter.answers import (
    CLEAR,
    NATURAL,
    NOT_HERE,
    PARTLY,
    UNDECIDED,
    PlaceCheck,
    SpacingChange,
    Verdict,
)
from drapesim.matter.body import Body
from drapesim.matter.fabric import FabricCard
from drapesim.matter.marks import MEETS, PLACE_CLAIMS, Claim, Mark
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import link_strain_peaks, sample_nodes, sample_sheet
from drapesim.mechanics.body_contact import BodyField, prepare_body
from drapesim.settling.certificate import Certificate
from drapesim.settling.contact_record import GapReading, measure_gap
from drapesim.settling.exact import part_field
from drapesim.settling.layer_record import LayerField, is_covered, prepare_layers, read_layers

Array = np.ndarray

FAR = 0.02
"""m: a mark whose every point stays farther away than this is called clear of the body. Our convention, no source."""
TRACE = 0.01  # share of a mark that is too little to be called touching in part
COVERED = 0.95  # share of a mark's area over which the stated uncertainty is not exceeded


@dataclass(frozen=True)
class MarkReading:
    """What is measured at one mark's samples: gap and error (s,) m, weight (s,) summing to 1, facing, point, face.

    surely_facing, perhaps_facing (s,) bool: does the inner side face the body at every spacing measured, at any?
    hysteresis (s,) m: the part of the error that is the cloth's, the rest being numerical; None where it is not known.
    """

    weight: Array
    gap: Array
    error: Array
    facing: Array
    point: Array
    face: Array
    surely_facing: Array
    perhaps_facing: Array
    hysteresis: Array | None = None

    def shares(self, tolerance: float) -> tuple[float, float, float]:
        """Share of the mark's area whose inner side faces the body within ``tolerance`` (m): sure, measured, possible.

        Sure: even if each gap is larger by its error; possible: if each is smaller by it.
        """
        sure = self.surely_facing & (self.gap <= tolerance - self.error)
        measured = (self.facing > 0.0) & (self.gap <= tolerance)
        possible = self.perhaps_facing & (self.gap <= tolerance + self.error)
        least, share, most = (float(self.weight[these].sum()) for these in (sure, measured, possible))
        return least, share, most


def judge_marks(
    marks: Sequence[Mark],
    lattice: Lattice,
    x: Array,
    body: Body | BodyField,
    fabric: FabricCard,
    certificate: Certificate,
    coarser: Sequence[CoarserLay] = (),
    hysteresis: Array | None = None,
) -> tuple[Verdict, ...]:
    """The verdict of one lay, with the sheet's nodes at ``x`` (n, 3) m, on each mark, in order.

    The gap is measured at each of a mark's samples, on the lattice's triangles, to the body's exact triangles; the
    support does not count, nor does the body where another layer of the cloth lies between. A mark's claim asks that at
    least ``claim.share`` of its area has a gap of at most ``claim.tolerance``. It is decided only if the answer is the
    same with each gap moved by its error either way. Gaps are those of the cloth's inner side; of a mark claimed to lie
    clear, those of whichever side is nearer.

    ``coarser``: the same sheet settled at wider spacings, the widest first. If there are any, the error of a gap is
    measured by its change from the next wider spacing (`compare_spacings`), else estimated from the curvature between
    nodes (`chord_error`).

    ``hysteresis`` (n,) m: what the cloth's bending hysteresis may make of each node's gap (`hysteresis.carry`). It
    counts beside that error in all that is decided, and is told by itself.

    A claim of kind `MEETS` names another of ``marks`` as its place and is judged by `meetings.judge_meeting`; its
    change with the spacing is not measured.
    """
    if not marks:
        return ()
    field = body if isinstance(body, BodyField) else prepare_body(body)
    figure = part_field(field, False)
    strained = find_strained(lattice, x, fabric)
    sag = chord_error(lattice, x)
    layers = [_find_layers(lay.lattice, lay.x, fabric) for lay in (*coarser, CoarserLay(lattice, x, True))]
    rough = find_rough(coarser)
    spacings = [lay.lattice.spacing_u for lay in coarser] + [lattice.spacing_u]
    ground = regions = None
    if figure is not None and any(mark.claim.kind in PLACE_CLAIMS for mark in marks):
        ground, regions = survey(figure), find_node_regions(x, figure)
    named = {mark.name: mark for mark in marks}
    verdicts = []
    for mark in marks:
        claim = mark.claim
        points, _ = sample_sheet(lattice, x, mark.samples)
        there = np.isfinite(points).all(1)
        cells = find_cells(lattice, mark.samples[there])
        over = bool(strained[cells[:, 0], cells[:, 1]].any())
        uv, weight = mark.samples[there], mark.weights[there]
        weight = weight / weight.sum()
        if claim.kind == MEETS and claim.place in named and layers[-1] is not None:
            obstacle = _find_obstacle(certificate, over, len(uv)) or rough
            verdicts.append(judge_meeting(mark, named[claim.place], layers[-1], certificate, sag, obstacle))
            continue
        found = read_gaps(uv, lattice, x, figure, fabric, claim, layers[-1])
        off, change = sag[cells[:, 0], cells[:, 1]], None
        sure = perhaps = found.facing > 0.0
        if coarser and not rough and len(uv):
            others = [
                read_gaps(uv, lay.lattice, lay.x, figure, fabric, claim, covers)
                for lay, covers in zip(coarser, layers, strict=False)
            ]
            measured = compare_spacings([*others, found], spacings, weight, claim.tolerance)
            off, change = measured.error, measured.figures
            sure, perhaps = measured.surely_facing, measured.perhaps_facing
        error = estimate_error(certificate, off)
        rub = None if hysteresis is None else sample_nodes(lattice, hysteresis, uv)
        whole = error if rub is None else error + rub
        reading = MarkReading(weight, found.gap, whole, found.facing, found.point, found.face, sure, perhaps, rub)
        obstacle = _find_obstacle(certificate, over, len(uv)) or rough
        place = None
        if claim.kind in PLACE_CLAIMS and figure is not None and ground is not None and regions is not None and len(uv):
            where = (uv, lattice, x, figure, ground, regions)
            place = check_place(claim.place, claim.tolerance, reading, *where, obstacle)
        verdicts.append(_judge(mark, reading, obstacle, place, figure, change))
    return tuple(verdicts)


def read_gaps(
    uv: Array,
    lattice: Lattice,
    x: Array,
    figure: BodyField | None,
    fabric: FabricCard,
    claim: Claim,
    layers: LayerField | None = None,
) -> GapReading:
    """Gaps at flat-map places ``uv`` (s, 2) m of the sheet at ``x`` (n, 3) m, of the side that the claim asks for.

    ``layers``: the same sheet; where another layer of it lies between mark and body, facing is nan.
    """
    points, normals = sample_sheet(lattice, x, uv)
    found = _measure(points, normals, figure, 0.5 * fabric.thickness)
    if layers is not None and figure is not None and len(uv):
        covered = is_covered(found.gap, found.facing, read_layers(layers, uv).gap, fabric.thickness)
        found = replace(found, facing=np.where(covered, np.nan, found.facing))
    if claim.side == "outer":
        found = other_side(found, fabric.thickness)
    return nearer_side(found, fabric.thickness) if claim.kind == "lies_clear" else found


def other_side(found: GapReading, thickness: float) -> GapReading:
    """``found`` of the inner side as it is of the outer: ``thickness`` (m) nearer to a body behind it, or farther."""
    gap = np.where(found.facing < 0.0, found.gap - thickness, found.gap + thickness)
    return replace(found, gap=gap, facing=-found.facing)


def _find_layers(lattice: Lattice, x: Array, fabric: FabricCard) -> LayerField | None:
    return prepare_layers(lattice, x, fabric.thickness) if np.isfinite(x).all() else None


def find_rough(coarser: Sequence[CoarserLay]) -> str:
    """The sentence that no spacing can be compared, for a sheet at a wider spacing that did not settle; else ""."""
    for lay in coarser:
        if not lay.is_settled:
            wide = f"{1e3 * lay.lattice.spacing_u:.4g} mm"
            return f"The sheet did not settle at a spacing of {wide}, so what the spacing does to the gap is not known."
    return ""


def decide(claim: Claim, reading: MarkReading) -> str:
    """The verdict on a mark measured in a certified lay.

    A claim to lie clear is held to the same share as one to touch: that much of the mark must not touch.
    """
    sure, _, possible = reading.shares(claim.tolerance)
    slack = 1e-9  # sums of weights round
    touches, fails = sure >= claim.share - slack, possible < claim.share - slack
    if claim.kind == "lies_clear":
        if possible <= 1.0 - claim.share + slack:
            return CLEAR
        if sure > 1.0 - claim.share + slack:
            return NATURAL if touches else PARTLY
        return UNDECIDED
    if touches:
        return NATURAL
    if not fails:
        return UNDECIDED
    if sure > TRACE:
        return PARTLY
    if possible > TRACE:
        return UNDECIDED
    return CLEAR if float((reading.gap - reading.error).min()) > FAR else NOT_HERE


def estimate_error(certificate: Certificate, off: Array) -> Array:
    """(s,) m, numerical uncertainty of a gap: added up without any hope that the parts cancel.

    Its parts: the deepest penetration and the largest further move that the certificate found, and ``off`` (s,) m: from
    one spacing the distance between the flat triangles and a sheet that curves as the nodes do (`chord_error`), from
    several the change between them (`compare_spacings`). It says nothing about the fabric card, and from one spacing
    nothing about the spread between lays.
    """
    return certificate.penetration_max + certificate.stay_max + off


def chord_error(lattice: Lattice, x: Array) -> Array:
    """(nu-1, nv-1) m: how far a smooth sheet through the nodes may leave the flat triangles of each cell.

    A curve of curvature k leaves its chord of length h by h^2 k / 8, which is an eighth of the second difference of the
    node positions. Along a cell's diagonal the second difference is at most |d_uu| + |d_vv| + 2 |d_uv|, the bound of
    linear interpolation on a triangle (any textbook of finite elements). Each cell takes the largest d_uu and d_vv of
    its corners. A free edge carries no moment, so none is added there.
    """
    index = lattice.index
    grid = np.full((*lattice.shape, 3), np.nan)
    grid[lattice.ij[:, 0], lattice.ij[:, 1]] = x
    bend = np.zeros((2, *lattice.shape))
    d_uu = np.linalg.norm(grid[2:] - 2.0 * grid[1:-1] + grid[:-2], axis=2)
    d_vv = np.linalg.norm(grid[:, 2:] - 2.0 * grid[:, 1:-1] + grid[:, :-2], axis=2)
    bend[0, 1:-1], bend[1, :, 1:-1] = np.nan_to_num(d_uu), np.nan_to_num(d_vv)
    corners = np.stack(
        [bend[:, i : i + index.shape[0] - 1, j : j + index.shape[1] - 1] for i in (0, 1) for j in (0, 1)]
    )
    twist = np.linalg.norm(grid[1:, 1:] - grid[1:, :-1] - grid[:-1, 1:] + grid[:-1, :-1], axis=2)
    return (corners.max(axis=0).sum(axis=0) + 2.0 * np.nan_to_num(twist)) / 8.0


def find_strained(lattice: Lattice, x: Array, fabric: FabricCard) -> Array:
    """(nu-1, nv-1) bool: cells with a corner at which a link is stretched beyond the card's safe extension."""
    warp, weft = link_strain_peaks(lattice, x)
    node = np.zeros(lattice.shape, dtype=bool)
    node[lattice.ij[:, 0], lattice.ij[:, 1]] = (warp > fabric.safe_strain[0]) | (weft > fabric.safe_strain[1])
    return node[1:, 1:] | node[1:, :-1] | node[:-1, 1:] | node[:-1, :-1]


def find_cells(lattice: Lattice, uv: Array) -> Array:
    """(s, 2) indices of the cell that each flat-map place (s, 2) m lies in."""
    place = np.floor(uv / np.array([lattice.spacing_u, lattice.spacing_v])).astype(np.int64)
    return np.clip(place, 0, np.array(lattice.cell.shape) - 1)


def _measure(points: Array, normals: Array, figure: BodyField | None, half: float) -> GapReading:
    if figure is not None and len(points):
        return measure_gap(points, normals, figure, half)
    n = len(points)
    return GapReading(np.full(n, np.inf), np.full(n, np.nan), np.full((n, 3), np.nan), np.full(n, -1, np.int32))


def nearer_side(found: GapReading, thickness: float) -> GapReading:
    """``found`` with the gap (m) of whichever face of the cloth is nearer to the body, that face counted as facing it.

    Where the inner side faces away, its gap is that of the outer side and the cloth's ``thickness`` (m) besides.
    """
    turned = found.facing < 0.0
    return replace(found, gap=np.where(turned, found.gap - thickness, found.gap), facing=np.abs(found.facing))


def _find_obstacle(certificate: Certificate, is_strained: bool, n_samples: int) -> str:
    """Why nothing can be said of a mark, as a sentence; "" if something can."""
    if not certificate.settled:
        return "The sheet did not settle, so this lay decides nothing."
    if not n_samples:
        return "There is no cloth where the mark is drawn."
    if is_strained:
        return "The cloth is stretched beyond its safe extension at this mark, so this lay decides nothing here."
    return ""


def _judge(
    mark: Mark,
    reading: MarkReading,
    obstacle: str,
    place: PlaceCheck | None,
    figure: BodyField | None,
    change: SpacingChange | None,
) -> Verdict:
    nan = float("nan")
    if not len(reading.gap):
        nothing = (nan, nan, nan, nan, nan, nan)
        return Verdict(mark.name, mark.kind, mark.claim.kind, UNDECIDED, obstacle, *nothing, nan, place, "")
    error = numerical = weighted_quantile(reading.error, reading.weight, COVERED)
    rub = math.nan
    if reading.hysteresis is not None:
        numerical = weighted_quantile(reading.error - reading.hysteresis, reading.weight, COVERED)
        rub = weighted_quantile(reading.hysteresis, reading.weight, COVERED)
    gaps = (float(reading.gap.min()), weighted_quantile(reading.gap, reading.weight, 0.5), float(reading.gap.max()))
    shares = reading.shares(mark.claim.tolerance)
    verdict = UNDECIDED if obstacle else decide(mark.claim, reading)
    region = "" if figure is None else name_region(reading.weight, reading.face, figure.body)
    covered = float(reading.weight[np.isnan(reading.facing) & np.isfinite(reading.gap)].sum())
    reason = obstacle or say_why(verdict, mark.claim, gaps, shares, error, region, len(reading.gap) == 1, rub)
    if covered > TRACE and not obstacle:
        part = "all of it" if covered > 1.0 - TRACE else f"{100.0 * covered:.0f} % of it"
        reason = f"{reason} Between {part} and the body lies another layer of the cloth."
    given = (*gaps, *shares, numerical, place, region, change, rub)
    return Verdict(mark.name, mark.kind, mark.claim.kind, verdict, reason, *given)


def say_why(
    verdict: str,
    claim: Claim,
    gaps: tuple[float, float, float],
    shares: tuple[float, float, float],
    error: float,
    region: str,
    is_point: bool,
    hysteresis: float = math.nan,
) -> str:
    """One sentence with the figures that carried the verdict, lengths in mm.

    ``shares``: of the mark's area within the tolerance for sure, as measured, and possibly. ``error``: all of it, of
    which the cloth's ``hysteresis`` is told where it is known.
    """
    if not np.isfinite(gaps[0]):
        return "There is no body in the scene that the mark could touch."
    at = f" ({region})" if region else ""
    tolerance = f"{1e3 * claim.tolerance:g} mm"
    sure, measured, possible = (100.0 * share for share in shares)
    whole = "the point" if is_point else f"{measured:.0f} % of it"
    granted = f", {sure:.0f} to {possible:.0f} % as the uncertainty allows"
    granted = "" if is_point or possible - sure < 0.5 else granted
    low, high = spell_mm(gaps[0]), spell_mm(gaps[2])
    span = f"gap {low} mm" if low == high else f"gap {low} to {high} mm"
    give = f"give or take {spell_mm(error)} mm" if error >= 5e-5 else "give or take less than 0.1 mm"
    kind = "numerical uncertainty"
    if hysteresis >= 5e-5:
        give, kind = f"{give}, {spell_mm(hysteresis)} of it the cloth's hysteresis", "uncertainty"
    if verdict == NATURAL:
        return f"With nothing pressing, {whole} lies within {tolerance} of the body{at}{granted}: {span}, {give}."
    if verdict == PARTLY:
        need = "it was claimed to lie clear" if claim.kind == "lies_clear" else f"{100 * claim.share:.0f} % is claimed"
        return f"Only {whole} lies within {tolerance} of the body{at}{granted}; {need}: {span}, {give}."
    if verdict == UNDECIDED:
        return (
            f"The tolerance of {tolerance} lies inside the {kind}{at}: {whole} lies within it{granted}; {span}, {give}"
            f"{'; a finer spacing may decide it' if kind.startswith('numerical') else ''}."
        )
    if verdict == CLEAR and claim.kind == "lies_clear" and possible > 0.5:
        return f"All but {possible:.0f} % of it stays away from the body{at}: {span}, {give}."
    tail = "" if verdict == CLEAR else "; other lays are not ruled out"
    return f"In this lay the nearest it comes to the body{at} is {low} mm, {give}{tail}."


def spell_mm(metres: float) -> str:
    """Length in mm to a tenth, without a minus before zero."""
    return f"{round(1e3 * metres, 1) + 0.0:.1f}"
