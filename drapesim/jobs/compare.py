"""Finished runs side by side: gaps and their difference, contact by region, tension, verdicts, what moved where.

Figures of the flat map are compared place by place at the nodes of the finest of the sheets; the others are read there
by their own triangles. Differences are of a run less the first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.judging.spacing import weighted_quantile
from drapesim.matter.marks import GRID, Mark
from drapesim.matter.nearest import find_on_mesh
from drapesim.matter.sheet import Lattice
from drapesim.matter.surface import sample_nodes, sample_sheet
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.archive import Run, load_run
from drapesim.settling.contact_record import measure_gap
from drapesim.settling.exact import part_field
from drapesim.settling.layer_record import is_covered, prepare_layers, read_layers

Array = np.ndarray

SAME_SIZE = 1e-3  # share by which two cloths may differ in length or width and still be called one: rounding of scans
SAME_BODY = 1e-6  # m
ELSEWHERE = "elsewhere"
ROOM, FAR = 0.02, 1e3  # m
CHANGED = 1e-3
"""m: gaps that differ by less than this between two runs are counted as the same; the default tolerance of a mark."""


@dataclass(frozen=True)
class RunColumn:
    """One run's part of a comparison, SI. Arrays (n,) over the nodes of the common lattice, nan where not known.

    gap: to the body; change: that less the first run's; tension: the larger of warp and weft, N/m. areas: region ->
    area (m2) of cloth whose inner face lies within the tolerance of it. labels: what limits its answers, in words.
    """

    name: str
    run: Run
    labels: tuple[str, ...]
    gap: Array
    change: Array
    tension: Array
    areas: dict[str, float]

    @property
    def area(self) -> float:
        """Area in contact with the body in all, m2."""
        return sum(self.areas.values())


@dataclass(frozen=True)
class MarkRow:
    """One mark: verdict, median gap (m) and share in contact of each run ("" and nan where it has no such mark)."""

    mark: str
    claim: str
    verdicts: tuple[str, ...]
    gaps: tuple[float, ...]
    shares: tuple[float, ...]

    @property
    def is_changed(self) -> bool:
        """Do the runs that judge it disagree?"""
        return len({verdict for verdict in self.verdicts if verdict}) > 1


@dataclass(frozen=True)
class MeetingRow:
    """Two marks that lie on each other, layer on layer, in some run: in each run whether they meet, and the area, m2.

    meets: True, False, or None where it is undecided; False too where they do not lie across from each other.
    """

    mark: str
    other: str
    meets: tuple[bool | None, ...]
    areas: tuple[float, ...]


@dataclass(frozen=True)
class ShiftRow:
    """Something that has a place in each run, and how far that place is from the one in the first run, m.

    ``kind`` "landmark": the cloth point nearest to a landmark of the body, flat map (u, v); shift on the cloth.
    "mark": where the mark's middle lies in space (x, y, z). places (runs, 2 or 3) m; off (runs,) m: the landmark's
    distance from the cloth's mid-surface, nan for marks.
    """

    name: str
    kind: str
    places: Array
    shifts: Array
    off: Array


@dataclass(frozen=True)
class Comparison:
    """Runs compared over ``lattice``; ``notes``: what differs between them besides the lay, and what was left out."""

    columns: tuple[RunColumn, ...]
    lattice: Lattice
    tolerance: float
    notes: tuple[str, ...]
    marks: tuple[MarkRow, ...]
    shifts: tuple[ShiftRow, ...]
    regions: tuple[str, ...]
    meetings: tuple[MeetingRow, ...] = ()


def load_runs(paths: Sequence[str | Path]) -> tuple[tuple[str, Run], ...]:
    """(name, run) of each run folder or run.h5; names are told apart by as much of their paths as that takes.

    Raises `InputError` for fewer than two, one given twice, or what `load_run` refuses.
    """
    folders = [path.parent if path.suffix == ".h5" else path for path in map(Path, paths)]
    if len(folders) < 2:
        raise InputError("", "compare", "one run alone cannot be compared", "name two run folders or more")
    whole = [folder.resolve() for folder in folders]
    for k, folder in enumerate(whole):
        if folder in whole[:k]:
            raise InputError(folders[k], "", "the run is named twice", "name each run once")
    depth = 1
    while len({each.parts[-depth:] for each in whole}) < len(whole):
        depth += 1
    return tuple(
        ("/".join(each.parts[-depth:]), load_run(path)) for each, path in zip(whole, map(Path, paths), strict=True)
    )


def compare_runs(runs: Sequence[tuple[str, Run]], tolerance: float = 1e-3) -> Comparison:
    """Compare ``runs`` (name, run), the first with each other one. ``tolerance`` (m): the gap that counts as contact.

    Raises `InputError` for runs of cloths that differ in size or side: their flat maps have no places in common.
    Other differences are told, and what they forbid is left out.
    """
    first_name, first = runs[0]
    for name, run in runs[1:]:
        _check_cloth(first_name, first, name, run)
    lattice = min((run.lattice for _, run in runs), key=lambda each: each.spacing_u * each.spacing_v)
    moves = find_moves(runs)
    known = [_read(lattice, run) for _, run in runs]
    columns = []
    for (name, run), (gap, tension) in zip(runs, known, strict=True):
        with np.errstate(invalid="ignore"):
            change = gap - known[0][0]
        areas = add_areas(run, tolerance)
        columns.append(RunColumn(name, run, label_run(run), gap, np.where(np.isfinite(change), change, np.nan),
                                 tension, areas))  # fmt: skip
    named = list(dict.fromkeys(region for column in columns for region in column.areas))
    regions = tuple(
        sorted(named, key=lambda region: (region == ELSEWHERE, -max(c.areas.get(region, 0.0) for c in columns)))
    )
    notes, left_out = _note(runs, moves)
    return Comparison(
        columns=tuple(columns),
        lattice=lattice,
        tolerance=tolerance,
        notes=notes,
        marks=_compare_marks(runs, left_out),
        shifts=(*_shift_landmarks(runs), *(() if moves is None else _shift_marks(runs, left_out, moves))),
        regions=regions,
        meetings=_compare_meetings(runs, left_out),
    )


def label_run(run: Run) -> tuple[str, ...]:
    """What limits the run's answers: not settled, too coarse."""
    labels = []
    if not run.certificate.settled:
        labels.append("UNSETTLED: decides nothing")
    ratio = run.certificate.spacing_over_c
    if not ratio <= 0.5 * (1 + 1e-9):
        labels.append("coarse: to try out only" if np.isfinite(ratio) else "resolution unknown")
    elif ratio > 0.25:
        labels.append("draft")
    return tuple(labels)


def _check_cloth(first_name: str, first: Run, name: str, run: Run) -> None:
    sizes = [np.array(r.lattice.cell.shape) * (r.lattice.spacing_u, r.lattice.spacing_v) for r in (first, run)]
    if np.abs(sizes[1] / sizes[0] - 1.0).max() > SAME_SIZE:
        one, other = (" x ".join(f"{1e3 * edge:.5g}" for edge in size) for size in sizes)
        problem = (
            f"its cloth is {other} mm and that of {first_name} is {one} mm, so their flat maps have no places in common"
        )
        raise InputError(name, "", problem, "compare runs of one cloth")
    if first.lattice.inner_sign != run.lattice.inner_sign:
        problem = f"its flat map is seen from the other side than that of {first_name}"
        raise InputError(name, "", problem, "compare runs of one cloth")


def find_moves(runs: Sequence[tuple[str, Run]]) -> Array | None:
    """(runs, 3) m: how far each run's figure stands from where the first run's does; None if they are not one figure.

    Supports may differ. A figure that is turned counts as another one.
    """
    figures = [_figure_of(run) for _, run in runs]
    first_vertices, first_faces = figures[0]
    moves = np.zeros((len(runs), 3))
    for k, (vertices, faces) in enumerate(figures):
        if vertices.shape != first_vertices.shape or not np.array_equal(faces, first_faces):
            return None
        away = vertices - first_vertices
        moves[k] = away.mean(axis=0) if len(away) else 0.0
        if np.abs(away - moves[k]).max(initial=0.0) > SAME_BODY:
            return None
    return moves


def _figure_of(run: Run) -> tuple[Array, Array]:
    """Vertices (k, 3) m and faces (m, 3) of what is not support."""
    is_support = np.array([part.is_support for part in run.body.parts], dtype=bool)
    used, faces = np.unique(run.body.faces[~is_support[run.body.part]], return_inverse=True)
    return run.body.vertices[used], faces.reshape(-1, 3)


def _note(runs: Sequence[tuple[str, Run]], moves: Array | None) -> tuple[tuple[str, ...], set[str]]:
    """Sentences on what differs, and the names of marks that are not the same in all runs that have them."""
    (first_name, first), notes = runs[0], []
    if moves is not None:
        for (name, _), move in zip(runs, moves, strict=True):
            away = 1e3 * float(np.linalg.norm(move))
            if away > 1e3 * SAME_BODY:
                notes.append(
                    f"The body stands {away:.2g} mm elsewhere in {name} than in {first_name}; "
                    "places in space are taken from the body."
                )
    else:
        notes.append(
            "The bodies differ, so each gap is to its own body, regions are matched by their names, "
            "and where marks lie in space is left out."
        )
    for name, run in runs[1:]:
        if run.fabric.name != first.fabric.name:
            notes.append(f"{name} has another fabric ({run.fabric.name}) than {first_name} ({first.fabric.name}).")
        elif not _is_same_card(first, run):
            notes.append(f"{name} has other figures in its fabric card than {first_name}.")
    spacings = {f"{1e3 * run.lattice.spacing_u:.4g}" for _, run in runs}
    if len(spacings) > 1:
        notes.append(
            f"The node spacings differ ({', '.join(sorted(spacings, key=float))} mm): part of each change is theirs, "
            "and sheets of one scene at two spacings may end in other folds."
        )
    moved = {
        mark.name
        for name, run in runs[1:]
        for mark in run.marks
        for same in first.marks
        if same.name == mark.name and not _is_same_mark(same, mark)
    }
    if moved:
        notes.append(f"Drawn or claimed otherwise in some run, so not compared: {', '.join(sorted(moved))}.")
    return tuple(notes), moved


def _is_same_card(first: Run, run: Run) -> bool:
    a, b = first.fabric, run.fabric
    plain = ("areal_density", "thickness", "shear_rigidity", "locking_angle", "bend_warp", "bend_weft", "bend_bias")
    same = all(getattr(a, name) == getattr(b, name) for name in plain) and dict(a.friction) == dict(b.friction)
    return same and all(np.array_equal(getattr(a, name), getattr(b, name)) for name in ("warp_curve", "weft_curve"))


def _is_same_mark(one: Mark, other: Mark) -> bool:
    same = one.samples.shape == other.samples.shape and np.allclose(one.samples, other.samples, atol=1e-6, rtol=0)
    return same and one.claim == other.claim


def _read(lattice: Lattice, run: Run) -> tuple[Array, Array]:
    """Gap (m) and tension (N/m) of ``run`` at the nodes of ``lattice``; a gap is nan where there is no body."""
    gap = np.where(np.isfinite(run.contact.gap), run.contact.gap, np.nan)
    tension = np.maximum(run.contact.tension_warp, run.contact.tension_weft)
    # the same cloth may be a rounding larger on one lattice than on the other
    size = np.array(run.lattice.cell.shape) * (run.lattice.spacing_u, run.lattice.spacing_v)
    uv = np.minimum(lattice.uv, size)
    return sample_nodes(run.lattice, gap, uv), sample_nodes(run.lattice, tension, uv)


def add_areas(run: Run, tolerance: float) -> dict[str, float]:
    """Region -> area (m2) of the cloth whose inner face lies within ``tolerance`` (m) of it, no other layer between.

    The largest first. Measured as marks are, on exact triangles, at places `GRID` apart; on small cloths 40 to a side.
    """
    figure = part_field(prepare_body(run.body), False)
    if figure is None or not np.isfinite(run.x).all():
        return {}
    size = np.array(run.lattice.cell.shape) * (run.lattice.spacing_u, run.lattice.spacing_v)
    count = np.ceil(size / min(GRID, float(size.min()) / 40.0)).astype(int)
    step = size / count
    uv = (np.argwhere(np.ones(count, dtype=bool)) + 0.5) * step
    # the gap between nodes may be less than what is linear between theirs: by the sag of a chord, at the most
    near = (
        sample_nodes(run.lattice, np.where(np.isfinite(run.contact.gap), run.contact.gap, FAR), uv) < tolerance + ROOM
    )
    uv = uv[near]
    points, normals = sample_sheet(run.lattice, run.x, uv)
    found = measure_gap(points, normals, figure, 0.5 * run.fabric.thickness)
    touching = (found.gap <= tolerance) & (found.facing > 0.0)
    layers = read_layers(prepare_layers(run.lattice, run.x, run.fabric.thickness), uv)
    touching &= ~is_covered(found.gap, found.facing, layers.gap, run.fabric.thickness)
    names = [*run.body.region_names, ELSEWHERE]
    region = run.body.region[found.face[touching]]
    total = np.bincount(np.where(region >= 0, region, len(names) - 1), minlength=len(names)) * float(step.prod())
    return {names[k]: float(total[k]) for k in np.argsort(-total, kind="stable") if total[k] > 0.0}


def _compare_marks(runs: Sequence[tuple[str, Run]], left_out: set[str]) -> tuple[MarkRow, ...]:
    given = [{verdict.mark: verdict for verdict in run.verdicts} for _, run in runs]
    rows = []
    for name in dict.fromkeys(verdict.mark for _, run in runs for verdict in run.verdicts):
        if name in left_out:
            continue
        found = [verdicts.get(name) for verdicts in given]
        rows.append(MarkRow(
            name, next(v.claim for v in found if v is not None),
            tuple(v.verdict if v is not None else "" for v in found),
            tuple(v.gap_median if v is not None else np.nan for v in found),
            tuple(v.contact_share_measured if v is not None else np.nan for v in found),
        ))  # fmt: skip
    return tuple(rows)


def _compare_meetings(runs: Sequence[tuple[str, Run]], left_out: set[str]) -> tuple[MeetingRow, ...]:
    pairs = dict.fromkeys(
        (m.mark, m.other)
        for _, run in runs
        for m in run.meetings
        if m.meets is not False and not left_out & {m.mark, m.other}
    )
    rows = []
    for pair in pairs:
        found = [[m for m in run.meetings if (m.mark, m.other) == pair] for _, run in runs]
        answers = [{m.meets for m in meetings} for meetings in found]
        meets = tuple(True if True in told else None if None in told else False for told in answers)
        rows.append(MeetingRow(*pair, meets, tuple(sum(m.area for m in meetings) for meetings in found)))
    return tuple(rows)


def _shift_landmarks(runs: Sequence[tuple[str, Run]]) -> list[ShiftRow]:
    """Of each landmark that all bodies have: the nearest point of each sheet, on the flat map."""
    names = [name for name in runs[0][1].body.landmarks if all(name in run.body.landmarks for _, run in runs)]
    if not names or not all(np.isfinite(run.x).all() for _, run in runs):
        return []
    places, off = np.empty((len(names), len(runs), 2)), np.empty((len(names), len(runs)))
    for k, (_, run) in enumerate(runs):
        triangles = run.lattice.triangles
        points = np.array([run.body.landmarks[name] for name in names])
        off[:, k], nearest, face = find_on_mesh(points, run.x, triangles)
        places[:, k] = _carry(nearest, run.x[triangles[face]], run.lattice.uv[triangles[face]])
    shifts = np.linalg.norm(places - places[:, :1], axis=2)
    return [ShiftRow(name, "landmark", places[k], shifts[k], off[k]) for k, name in enumerate(names)]


def _carry(points: Array, corners: Array, values: Array) -> Array:
    """(k, d): what the corners' ``values`` (k, 3, d) make at ``points`` (k, 3) that lie in triangles (k, 3, 3)."""
    u, v, r = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0], points - corners[:, 0]
    uu, uv, vv = (np.einsum("kd,kd->k", a, b) for a, b in ((u, u), (u, v), (v, v)))
    ru, rv = (np.einsum("kd,kd->k", r, a) for a in (u, v))
    det = uu * vv - uv**2
    s, t = (ru * vv - rv * uv) / det, (rv * uu - ru * uv) / det
    weight = np.stack([1.0 - s - t, s, t], axis=1)
    return np.einsum("kc,kcd->kd", weight, values)


def _shift_marks(runs: Sequence[tuple[str, Run]], left_out: set[str], moves: Array) -> list[ShiftRow]:
    """Of each mark that all runs have: where its middle lies in space, seen from the body (see `find_moves`)."""
    rows = []
    for mark in runs[0][1].marks:
        if mark.name in left_out or not all(any(m.name == mark.name for m in run.marks) for _, run in runs):
            continue
        centre = mark.weights @ mark.samples / mark.weights.sum()
        near = mark.samples[np.argmin(np.linalg.norm(mark.samples - centre, axis=1))]
        places = np.array([sample_sheet(run.lattice, run.x, near[None])[0][0] for _, run in runs]) - moves
        shifts = np.linalg.norm(places - places[0], axis=1)
        rows.append(ShiftRow(mark.name, "mark", places, shifts, np.full(len(runs), np.nan)))
    return rows


def sum_changes(comparison: Comparison) -> list[dict[str, float]]:
    """Of each run against the first, over the cloth's area: shares whose gap grew or shrank by more than `CHANGED`, the
    median and 95 % quantile of the change's size (m); and of each run the 95 % quantile of the tension (N/m)."""
    area = comparison.lattice.node_area
    rows = []
    for column in comparison.columns:
        there = np.isfinite(column.change)
        row = {"grew": np.nan, "shrank": np.nan, "median": np.nan, "most": np.nan, "tension": np.nan}
        if there.any():
            weight, change = area[there] / area[there].sum(), column.change[there]
            row |= {
                "grew": float(weight[change > CHANGED].sum()), "shrank": float(weight[change < -CHANGED].sum()),
                "median": weighted_quantile(np.abs(change), weight, 0.5),
                "most": weighted_quantile(np.abs(change), weight, 0.95),
            }  # fmt: skip
        pulled = np.isfinite(column.tension)
        if pulled.any():
            row["tension"] = weighted_quantile(column.tension[pulled], area[pulled] / area[pulled].sum(), 0.95)
        rows.append(row)
    return rows
