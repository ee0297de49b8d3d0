"""The main job: one scene to one run folder."""

from __future__ import annotations

import json
import math
import os
import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import MappingProxyType

import numpy as np

from drapesim import __version__
from drapesim.ground.files import hash_bytes, remove_parts, spell_csv, write_text
from drapesim.ground.outcome import InputError
from drapesim.judging.hysteresis import carry
from drapesim.judging.meetings import find_meetings
from drapesim.judging.spacing import CoarserLay
from drapesim.judging.verdicts import chord_error, judge_marks
from drapesim.matter.answers import PlaceCheck, SpacingChange, Verdict
from drapesim.matter.plan import MOST_NODES, Scene
from drapesim.matter.sheet import Lattice, cut_lattice, halved
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.archive import CHECKPOINT_FILE, RUN_FILE, Run, load_checkpoint, save_checkpoint, save_run
from drapesim.settling.contact_record import ContactRecord, record_contact
from drapesim.settling.frames import FRAMES_FILE, FrameKeeper, load_film, save_film
from drapesim.settling.handling import Laid, check_targets, handle, has_handling, working_pile
from drapesim.settling.lay_archive import LAY_FILE, load_lay_state, save_lay_state
from drapesim.settling.lay_record import LayDone
from drapesim.settling.layer_record import prepare_layers, record_layers
from drapesim.settling.level import Progress
from drapesim.settling.settle import Interrupted, LayInterrupted, SettledSheet, settle
from drapesim.settling.starts import Begun, begin
from drapesim.settling.warm import compile_kernels, is_compiled

Array = np.ndarray

MARKS_FILE = "marks.csv"
LIBRARIES = ("numpy", "scipy", "numba", "h5py")  # those whose version can alter a number


def run_scene(
    scene: Scene,
    out: str | Path,
    progress: Callable[[Progress], None] | None = None,
    resume: bool = False,
    spacing_mm: float | None = None,
    force: bool = False,
    halvings: int = 0,
    coarser: Sequence[Run] = (),
) -> Run:
    """Lay, settle, measure and judge ``scene``; write run.h5 and marks.csv to the folder ``out`` and return the run.

    ``progress`` is called with what the run says of itself. ``resume`` goes on from the folder's checkpoint.
    ``spacing_mm``: node spacing in place of the scene's. ``force``: a finished run in the folder may be replaced.
    ``halvings``: how often that spacing is halved. ``coarser``: runs of the scene at wider spacings, the widest first,
    by which the uncertainty is measured (`drapesim.jobs.refine.refine_scene` makes them).

    Raises `InputError` before anything is written: for a folder that holds a finished run, a missing or foreign
    checkpoint, a sheet with nothing under it. Raises `Interrupted` when stopped by the keyboard; the checkpoint is
    in the folder then. A sheet that does not settle is no error: its certificate says so and every verdict is
    "undecided".
    """
    out = Path(out)
    check_folder(out, resume, force)
    plan = prepare(scene, spacing_mm, halvings)
    is_settling = resume and (out / CHECKPOINT_FILE).is_file()
    checkpoint = load_checkpoint(out / CHECKPOINT_FILE, plan.fingerprint) if is_settling else None
    make_folder(out)
    remove_parts(out)
    report = _Stages(progress, plan.lattice.spacing_u)
    report.tell("preparing")
    scene, lattice = plan.scene, plan.lattice
    if not is_compiled():
        report.tell("compiling")
        compile_kernels()
    laid = lay_by_hand(plan, out, report, resume)
    try:
        settled = settle(
            lattice,
            scene.fabric,
            laid.x,
            scene.body,
            held=laid.held if laid.held.any() else None,
            hands=laid.loads,
            settings=replace(scene.settle, levels=laid.levels),
            progress=report,
            resume=checkpoint,
            keep=lambda point: save_checkpoint(out / CHECKPOINT_FILE, point, plan.fingerprint),
        )
    except Interrupted as stop:
        save_checkpoint(out / CHECKPOINT_FILE, stop.checkpoint, plan.fingerprint)
        raise
    report.tell("measuring contact")
    field = prepare_body(scene.body)
    record = record_contact(lattice, scene.fabric, settled.x, settled.contact_force, field)
    resting = (settled.contact_force != 0.0).any(axis=1)
    record = replace(record, hysteresis=carry(lattice, scene.fabric, resting))
    report.tell("judging marks")
    wider = [CoarserLay(other.lattice, other.x, other.certificate.settled) for other in coarser]
    verdicts = judge_marks(
        scene.marks, lattice, settled.x, field, scene.fabric, settled.certificate, wider, record.hysteresis
    )
    run = gather_run(plan, settled, record, verdicts, spell_refined(plan.lattice, coarser))
    if laid.done.tell() or laid.held.any():
        run = replace(run, hands=laid.done)
    if np.isfinite(settled.x).all():
        layers = prepare_layers(lattice, settled.x, scene.fabric.thickness)
        meetings = find_meetings(scene.marks, layers, settled.certificate, chord_error(lattice, settled.x))
        run = replace(run, layers=record_layers(layers), meetings=meetings)
    report.tell("writing")
    write_text(out / MARKS_FILE, table_marks(run.verdicts))
    save_run(out / RUN_FILE, run)
    (out / CHECKPOINT_FILE).unlink(missing_ok=True)
    (out / LAY_FILE).unlink(missing_ok=True)
    return run


def lay_by_hand(plan: Prepared, out: Path, report: _Stages, resume: bool) -> Laid:
    """Do what hands do before the cloth is left to itself; a plan that is a start alone is passed through.

    Every finished step is kept in ``out``, and the frames of the lay are written there. Raises `Interrupted`.
    """
    begun = plan.begun
    assert begun is not None
    if not has_handling(plan.scene):
        held = begun.pinned.copy()
        for nodes in begun.grips.values():
            held |= nodes
        nothing = LayDone(plan.lattice.spacing_u, (), begun.told, np.zeros_like(begun.x), held)
        return Laid(begun.x, held, None, plan.scene.settle.levels, nothing)
    kept = load_lay_state(out, plan.fingerprint) if resume and (out / LAY_FILE).is_file() else None
    film = FrameKeeper(working_pile(plan.lattice)[0])
    if kept is not None and (out / FRAMES_FILE).is_file():
        film.take_up(load_film(out))
    try:
        laid = handle(
            plan.lattice,
            plan.scene,
            begun,
            report,
            film,
            keep=lambda state: save_lay_state(out, state, plan.fingerprint),
            resume=kept,
        )
    except KeyboardInterrupt:
        raise LayInterrupted from None
    finally:
        save_film(out, film.film())
    return laid


def check_folder(out: str | Path, resume: bool = False, force: bool = False) -> None:
    """Refuse (`InputError`) a folder ``out`` that this run must not write to."""
    out = Path(out)
    if out.exists() and not out.is_dir():
        raise InputError(out, "", "this is a file, not a folder", "name a folder for the run")
    if resume:
        if not (out / CHECKPOINT_FILE).is_file() and not (out / LAY_FILE).is_file():
            ended = "the run in it has ended" if (out / RUN_FILE).is_file() else "no run was interrupted in it"
            raise InputError(out, "", f"there is no checkpoint to go on from; {ended}", "start without --resume")
    elif (out / RUN_FILE).is_file() and not force:
        raise InputError(out, "", "the folder holds a finished run", "name another folder, or replace it with --force")


def refuse_folder(out: Path, names: Sequence[str], what: str, force: bool) -> None:
    """Raise `InputError` if ``out`` is a file, holds a run, or holds ``what`` (any of ``names``) without ``force``."""
    if out.exists() and not out.is_dir():
        raise InputError(out, "--out", "this is a file, not a folder", "name a folder")
    if (out / "run.h5").exists():
        raise InputError(out, "--out", "the folder holds a run", "name another folder")
    if not force and any((out / name).exists() for name in names):
        raise InputError(out, "--out", f"the folder holds {what}", "name another, or replace it with --force")


def make_folder(out: Path) -> None:
    """Make ``out`` and all above it; `InputError` now, rather than after the settling, where it cannot be written."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        problem = f"the folder cannot be made ({fault.strerror})"
        raise InputError(out, "", problem, "name another with --out") from None
    if not os.access(out, os.W_OK):
        raise InputError(out, "", "the folder may not be written to", "name another with --out, or change its rights")


@dataclass(frozen=True)
class Prepared:
    """A scene ready to settle: ``scene`` with all changes made, ``x`` (n, 3) m the sheet as it is laid.

    ``fingerprint`` is equal for equal input; ``changes`` says in what the run departs from the scene's text.
    """

    scene: Scene
    lattice: Lattice
    x: Array
    fingerprint: str
    changes: tuple[str, ...]
    begun: Begun | None = None


def prepare(scene: Scene, spacing_mm: float | None = None, halvings: int = 0) -> Prepared:
    """Cut the lattice, halve its cells ``halvings`` times, and lay the sheet.

    Raises `InputError` for a spacing or a lay that cannot be.
    """
    changes: tuple[str, ...] = ()
    usual, sheet = scene.sheet.spacing, scene.sheet
    if spacing_mm is not None:
        sheet = replace(sheet, spacing=check_spacing(spacing_mm, sheet.length, sheet.width))
    lattice = cut_lattice(sheet, multiple=2**scene.settle.levels)
    for _ in range(halvings):
        sheet = replace(sheet, spacing=0.5 * sheet.spacing)
        check_spacing(1e3 * sheet.spacing, sheet.length, sheet.width)
        lattice = halved(lattice)
    if sheet.spacing != usual:
        changes = (f"Node spacing {1e3 * sheet.spacing:.6g} mm instead of the scene's {1e3 * usual:g} mm.",)
    scene = replace(scene, sheet=sheet)
    begun = begin(lattice, scene)
    if has_handling(scene):
        check_targets(scene, prepare_body(begun.body))
    scene = replace(scene, body=begun.body)
    parts = [__version__, sorted(scene.inputs.items()), lattice.spacing_u, lattice.spacing_v, scene.seed]
    return Prepared(scene, lattice, begun.x, hash_bytes(json.dumps(parts).encode()), changes, begun)


def check_spacing(spacing_mm: float, length: float, width: float) -> float:
    """``spacing_mm`` in m, if a sheet of ``length`` x ``width`` (m) can be cut with it."""
    shorter = 1e3 * min(length, width)
    least = 1e3 * math.sqrt(length * width / MOST_NODES)
    if not least <= spacing_mm <= 0.5 * shorter:
        problem = f"a spacing of {spacing_mm:g} mm does not suit a cloth {1e3 * length:g} x {1e3 * width:g} mm"
        raise InputError("", "spacing_mm", problem, f"give {least:.2g} to {0.5 * shorter:g} mm")
    return spacing_mm / 1000.0


def spell_refined(lattice: Lattice, coarser: Sequence[Run]) -> tuple[str, ...]:
    """What is said of a run that was compared with ``coarser`` ones: at which spacings, and what that measures."""
    if not coarser:
        return ()
    widths = [f"{1e3 * spacing:.4g}" for spacing in (*(run.lattice.spacing_u for run in coarser), lattice.spacing_u)]
    failed = [width for run, width in zip(coarser, widths, strict=False) if not run.certificate.settled]
    said = f"Settled anew from the scene's start at {', '.join(widths[:-1])} and {widths[-1]} mm; this is the last."
    if failed:
        return (said, f"At {', '.join(failed)} mm the sheet did not settle, so no change with the spacing is known.")
    return (
        said,
        f"The uncertainty of a gap is its change from {widths[-2]} to {widths[-1]} mm. It holds the error of the "
        "spacing and the spread between roads that end in different folds, both in one, and is a measure, no bound.",
    )


def gather_run(
    plan: Prepared,
    settled: SettledSheet,
    record: ContactRecord,
    verdicts: tuple[Verdict, ...],
    changes: tuple[str, ...] = (),
) -> Run:
    """Everything that is kept of a run; ``changes``: said of it besides those of the plan."""
    scene = plan.scene
    return Run(
        scene_text=scene.text,
        title=scene.title,
        inputs=MappingProxyType(dict(scene.inputs)),
        versions=MappingProxyType(list_versions()),
        seed=scene.seed,
        lattice=plan.lattice,
        fabric=scene.fabric,
        body=scene.body,
        lay=scene.lay,
        settle=scene.settle,
        x=settled.x,
        contact_force=settled.contact_force,
        layer_force=settled.layer_force,
        reaction=settled.reaction,
        contact=record,
        certificate=settled.certificate,
        ending=settled.ending,
        history=settled.history,
        marks=scene.marks,
        verdicts=verdicts,
        flat_map=scene.flat_map,
        contact_levels=scene.contact_levels,
        changes=plan.changes + changes,
        rest=settled.rest,
    )


def list_versions() -> dict[str, str]:
    """Version of drapesim, of Python and of each library that can alter a number."""
    found = {"drapesim": __version__, "python": platform.python_version(), "machine": platform.machine()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:  # put on the path by hand, without its metadata
            found[name] = "unknown"
    return found


COLUMNS = (
    "mark", "kind", "claim", "verdict", "as_claimed", "reason", "gap_min_mm", "gap_median_mm", "gap_max_mm",
    "contact_share_sure_percent", "contact_share_measured_percent", "contact_share_possible_percent", "uncertainty_mm",
    "nearest_region", "place", "belongs", "share_on_place_sure_percent", "share_on_place_percent",
    "share_on_place_possible_percent", "offset_body_mm", "offset_cloth_mm", "place_reason", "uncertainty_source",
    "gap_min_change_mm", "gap_median_change_mm", "gap_max_change_mm", "contact_share_change_percent", "observed_order",
    "hysteresis_mm",
)  # fmt: skip
WORDS = {True: "yes", False: "no", None: "undecided"}


def table_marks(verdicts: Sequence[Verdict]) -> str:
    """CSV text, one row a mark; a number that does not exist is left empty."""
    rows = []
    for v in verdicts:
        row = [v.mark, v.kind, v.claim, v.verdict, WORDS[v.meets], v.reason]
        row += [_scaled(gap) for gap in (v.gap_min, v.gap_median, v.gap_max)]
        shares = v.contact_share_sure, v.contact_share_measured, v.contact_share_possible
        row += [*[_scaled(share, 100.0) for share in shares], _scaled(v.uncertainty), v.nearest_region]
        row += [""] * 8 if v.place is None else _row_of_place(v.place)
        row += ["estimated from curvature", *[""] * 5] if v.change is None else _row_of_change(v.change)
        rows.append([*row, _scaled(v.hysteresis)])
    return spell_csv(COLUMNS, rows)


def _row_of_place(place: PlaceCheck) -> list[str]:
    shares = place.share_on_place_sure, place.share_on_place, place.share_on_place_possible
    belongs = WORDS[place.belongs] if place.asked else "not asked"
    row = [place.place, belongs, *[_scaled(share, 100.0) for share in shares]]
    return [*row, _scaled(place.offset_body), _scaled(place.offset_cloth), place.reason]


def _row_of_change(change: SpacingChange) -> list[str]:
    source = f"measured: {1e3 * change.wider:.4g} mm against {1e3 * change.own:.4g} mm"
    gaps = (_scaled(gap) for gap in (change.gap_min, change.gap_median, change.gap_max))
    return [source, *gaps, _scaled(change.contact_share, 100.0), _scaled(change.order, 1.0)]


def _scaled(value: float, factor: float = 1e3) -> str:
    return f"{factor * value:.4f}" if np.isfinite(value) else ""


class _Stages:
    """Hands the settle's progress on, and tells the stages around it in the same form."""

    def __init__(self, progress: Callable[[Progress], None] | None, spacing: float) -> None:
        self.progress = progress
        self.last = Progress("preparing", spacing, 0, 1, 0, math.nan, math.nan, 0.0, 0.0)

    def __call__(self, now: Progress) -> None:
        self.last = now
        if self.progress is not None:
            self.progress(now)

    def tell(self, stage: str) -> None:
        self(replace(self.last, stage=stage, steps=0, residual_rms=math.nan, residual_max=math.nan))
