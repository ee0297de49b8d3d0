"""Refinement: the same scene settled at h, h/2 and perhaps h/4, so that the uncertainty of each gap is measured.

Each finer lattice is the coarser one with every cell cut in four, and starts from the scene's own start: the sheets go
their own ways and may end in different folds, and that shows in the change between them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from drapesim import __version__
from drapesim.ground.outcome import InputError
from drapesim.jobs.run import Prepared, check_folder, prepare, run_scene
from drapesim.matter.plan import Scene
from drapesim.settling.archive import CHECKPOINT_FILE, RUN_FILE, Run, load_run
from drapesim.settling.lay_archive import LAY_FILE
from drapesim.settling.level import Progress

MOST = 2  # times that the spacing is halved: h/8 would take a thousand times as long as h


def refine_scene(
    scene: Scene,
    out: str | Path,
    times: int = 1,
    progress: Callable[[Progress], None] | None = None,
    resume: bool = False,
    spacing_mm: float | None = None,
    force: bool = False,
) -> tuple[Run, ...]:
    """Run ``scene`` at its spacing and at that halved ``times`` times; returns the runs, the widest spacing first.

    The finest is written to the folder ``out``, judged by the change from the next wider one; each wider one to a
    folder of its own in there (`coarser_folder`). ``resume`` takes over the runs that have ended and goes on with the
    one that was interrupted. The other arguments and what is raised: see `drapesim.jobs.run.run_scene`.
    """
    if not 1 <= times <= MOST:
        raise InputError("", "refine", f"the spacing cannot be halved {times} times", f"give 1 to {MOST}")
    out = Path(out)
    plans = [prepare(scene, spacing_mm, k) for k in range(times + 1)]  # refuses what cannot be before any is settled
    folders = [out / coarser_folder(plan) for plan in plans[:-1]] + [out]
    begun = [resume and is_begun(folder) for folder in folders]
    if resume and not any(begun):
        raise InputError(out, "", "there is nothing to go on from", "start without --resume")
    for folder in folders:
        if not resume:
            check_folder(folder, force=force)
    runs: list[Run] = []
    for k, (plan, folder) in enumerate(zip(plans, folders, strict=True)):
        if resume and k < times and (folder / RUN_FILE).is_file() and not (folder / CHECKPOINT_FILE).is_file():
            runs.append(take_over(folder, plan))
        else:
            goes_on = resume and any((folder / name).is_file() for name in (CHECKPOINT_FILE, LAY_FILE))
            runs.append(run_scene(scene, folder, progress, goes_on, spacing_mm, force, k, tuple(runs)))
    return tuple(runs)


def coarser_folder(plan: Prepared) -> str:
    """Name of the folder of a run at a wider spacing, such as ``at-30mm``."""
    return f"at-{1e3 * plan.scene.sheet.spacing:.6g}mm"


def is_begun(folder: Path) -> bool:
    """Does ``folder`` hold a finished run or a checkpoint?"""
    return any((folder / name).is_file() for name in (RUN_FILE, CHECKPOINT_FILE, LAY_FILE))


def take_over(folder: Path, plan: Prepared) -> Run:
    """The finished run in ``folder``, if it is of the same input as ``plan``; raises `InputError` if not."""
    run = load_run(folder)
    same = (
        dict(run.inputs) == dict(plan.scene.inputs)
        and run.seed == plan.scene.seed
        and run.versions.get("drapesim") == __version__
        and run.lattice.cell.shape == plan.lattice.cell.shape
        and (run.lattice.spacing_u, run.lattice.spacing_v) == (plan.lattice.spacing_u, plan.lattice.spacing_v)
    )
    if not same:
        problem = "the run is of another input: the scene, a file it names or the spacing has changed"
        raise InputError(folder, "", problem, "put the input back as it was, or start anew without --resume")
    return run
