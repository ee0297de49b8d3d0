"""The frames of a run's lay: those that it kept, or of a cloth that was only laid down its way down computed again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.matter.lay import SpreadStep
from drapesim.matter.plan import Scene
from drapesim.matter.sheet import Sheet
from drapesim.settling.archive import Run
from drapesim.settling.frames import FRAMES_FILE, Film, FrameKeeper, load_film
from drapesim.settling.handling import handle, working_pile
from drapesim.settling.level import Progress
from drapesim.settling.starts import begin

AGAIN = "way down computed again, nodes {:.0f} mm apart"


def find_film(folder: Path, run: Run, progress: Callable[[Progress], None] | None = None) -> tuple[Film, str]:
    """(frames of the lay, what is to be said of them or "") of the run in ``folder``.

    A run in which hands handled the cloth has kept them. Of one whose cloth was only laid down and let go, the way
    down is computed again, on the widest lattice that a sheet is settled on; it may end in other folds than the run.
    Raises `InputError` for a lay that can be shown in neither way.
    """
    if (folder / FRAMES_FILE).is_file():
        return load_film(folder), ""
    if len(run.lay) != 1 or isinstance(run.lay[0], SpreadStep):  # that one has moved the run's body already
        problem = f"the run has no {FRAMES_FILE}, which keeps the frames of its lay"
        raise InputError(folder, "", problem, "run the scene again")
    wide = working_pile(run.lattice)[0]
    keeper = FrameKeeper(wide)
    scene = _scene_of(run)
    handle(run.lattice, scene, begin(run.lattice, scene), progress, keeper)
    return keeper.film(), AGAIN.format(1e3 * wide.spacing_u)


def _scene_of(run: Run) -> Scene:
    """The run's input as a scene again, from what the run itself holds."""
    length, width = np.array(run.lattice.cell.shape) * (run.lattice.spacing_u, run.lattice.spacing_v)
    sheet = Sheet(float(length), float(width), run.lattice.spacing_u, run.lattice.inner_sign)
    return Scene(
        Path(run.title), run.scene_text, run.title, sheet, run.fabric, run.body, run.lay, run.marks, run.flat_map,
        run.settle, run.seed, run.contact_levels, dict(run.inputs),
    )  # fmt: skip
