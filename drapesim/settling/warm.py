"""First run only: compile the kernels, in two processes at once, since one after the other takes twice as long.

Compiled kernels are kept on disk (kernels.jit); a stamp beside them says that all of them are there.
"""

from __future__ import annotations

import subprocess
import sys
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType

import numpy as np

from drapesim.kernels.jit import CACHE_FOLDER
from drapesim.matter.body import box
from drapesim.matter.fabric import FabricCard
from drapesim.matter.sheet import Lattice
from drapesim.mechanics.body_contact import BodyField, prepare_body
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.energies import padded
from drapesim.mechanics.search import aimed, find_touching
from drapesim.mechanics.solve import Problem, Slopes, advance, choose_pace, pose_problem, start_motion, steepest_slopes
from drapesim.settling.cover import cover_anew, find_strayed
from drapesim.settling.exact import count_self_crossings, penetration
from drapesim.settling.layer_record import prepare_layers, record_layers

# numba keeps what it has compiled under the path of the source: the same sources elsewhere are compiled anew
STAMP = CACHE_FOLDER / f"all-compiled-{sha256(str(Path(__file__).resolve()).encode()).hexdigest()[:16]}"
ROOT = str(Path(__file__).resolve().parents[2])  # of these very sources: a checkout in the working folder is another
SECOND = "from drapesim.settling.warm import compile_share; compile_share(1)"


def is_compiled() -> bool:
    """True if an earlier run has compiled every kernel of these sources."""
    return STAMP.exists()


def compile_kernels() -> None:
    """Compile what is missing; a second process takes half of it. Safe to call at any time."""
    if is_compiled():
        return
    child = subprocess.Popen(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, {ROOT!r}); {SECOND}"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        compile_share(0)
    finally:
        failed = child.wait()
    if failed:
        compile_share(1)
    STAMP.touch()


def compile_share(share: int) -> None:
    """Call one half of the kernels on a sheet of a few cells over a box, with the very types of a real run."""
    problem, field, x = pose_small()
    if share == 0:
        motion = start_motion(problem, x)
        advance(problem, motion, no_contacts(), choose_pace(problem, Slopes(1e3, 400.0), 1.0), 1)
        steepest_slopes(problem, motion)
        pleats = x + np.outer(problem.lattice.ij[:, 0] % 2, [0.0, 0.0, 0.02])
        find_touching(
            problem, pleats, None, 1e-3, no_contacts(), due=np.ones(16, dtype=bool)
        )  # a smooth sheet is not searched for layers
    else:
        found, _ = find_touching(problem, x, 1e-3, None, no_contacts())
        found.contacts.force[:] = 1.0
        aimed(problem, padded(problem.lattice, x), found)
        find_touching(problem, x, 1e-3, None, found)
        all_of_it = np.ones(len(problem.weave.triangles), dtype=bool)
        cover = cover_anew(cover_anew(None, x, problem.weave, 1e-3, None), x, problem.weave, 1e-3, all_of_it)
        find_strayed(cover, x, problem.weave, 0.0, 1e-3, 1.0)
        count_self_crossings(x, problem.lattice.triangles)
        penetration(x, problem.lattice.triangles, field, 1e-4)
        record_layers(prepare_layers(problem.lattice, x, 1e-4))


def pose_small() -> tuple[Problem, BodyField, np.ndarray]:
    """A 4 x 4 cell sheet 0.5 mm above a box, that box, and the positions (n, 3) m of the sheet."""
    line = np.array([[0.0, 0.0], [0.01, 10.0]])
    card = FabricCard("warm-up", 0.2, 4e-4, line, line, 40.0, 0.6, 2e-5, 2e-5, 2e-5, MappingProxyType({}))
    lattice = Lattice(0.01, 0.01, np.ones((4, 4), dtype=bool))
    x = np.column_stack([lattice.uv, np.full(len(lattice.uv), 5e-4)])
    field = prepare_body(box((-0.05, -0.05, -0.05), (0.05, 0.05, 0.0), surface="any"))
    return pose_problem(lattice, card, field, np.array([0.3]), None, np.array([0.0, 0.0, -9.80665]), 4), field, x
