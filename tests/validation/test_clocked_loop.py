"""Claim: timing the step loop changes no bit of what it does.

`python -m benchmarks settle` times a copy of `kernels.relax.relax` with a clock round each parallel loop, made from its
source. Positions, contact forces and the energy account after the same steps are compared byte by byte, so there is no
tolerance; no formula or publication is behind it. It stands here because the copy takes a minute to compile.
"""

import numba
import numpy as np
import pytest

from benchmarks._stages import build_clocked
from drapesim.kernels.relax import relax
from drapesim.mechanics import solve
from drapesim.mechanics.contact_list import no_contacts
from drapesim.mechanics.search import find_touching
from drapesim.settling.warm import pose_small

pytestmark = [
    pytest.mark.validation,
    pytest.mark.skipif(bool(numba.config.DISABLE_JIT), reason="the clock is read by compiled code"),
]


def test_the_clocked_loop_takes_the_same_steps() -> None:
    problem, _, x = pose_small()
    problem.fields.load[2] *= 30.0  # hard down on the box below
    ends, counted = [], []
    clocked, names = build_clocked(relax)
    ticks, now = np.zeros((len(names), 2), np.int64), np.zeros(2, np.int64)
    for loop, further in ((relax, ()), (clocked, (ticks, now))):
        motion = solve.start_motion(problem, x)
        found = find_touching(problem, x, 1e-3, None, no_contacts())[0]
        contacts = found.contacts
        pace = solve.shortened(solve.choose_pace(problem, solve.Slopes(1e3, 400.0), 200.0), 0.25)
        for way in (1e-4, np.inf):  # the first call ends by itself
            taken = loop(
                200, way, 0.0, motion.x, motion.v, motion.force, motion.touch, motion.spent, motion.peak,
                motion.scratch, motion.inertia, problem.fields, problem.cloth, contacts, pace, *further,
            )  # fmt: skip
            counted.append(taken)
        assert contacts.force.any()
        ends.append(np.concatenate([motion.x.ravel(), motion.touch.ravel(), motion.spent.ravel()]).tobytes())
    assert ends[0] == ends[1]
    assert counted[:2] == counted[2:]
    assert 1 < counted[0] < counted[1] == 200
    assert (ticks > 0).all()
