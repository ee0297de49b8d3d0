"""Updates a second while one node of the demo cover at 25 mm is dragged by hand, contact and friction in.

`python -m benchmarks drag [SPACING_MM] [--scene FILE]`. An update is one chunk of steps (settling.level.CHUNK) with its
searches: what a picture on a screen would follow. The cover is first let down for a moment, then its middle is lifted
and moved to and fro at 0.1 m for each second of the sheet's own time, which runs slower than the clock.
"""

import argparse
import time
from pathlib import Path

import numpy as np

UPDATES = 150
HAND = 0.1  # m/s


def main(arguments: list[str]) -> int:
    """Print the updates a second, the share of the sheet's time to the clock's, and whether the sheet stayed whole."""
    from drapesim.jobs.run import prepare
    from drapesim.kernels.jit import use_threads
    from drapesim.kernels.layers import SELF
    from drapesim.matter.plan import read_scene
    from drapesim.mechanics.body_contact import prepare_body
    from drapesim.mechanics.energies import grid_place
    from drapesim.mechanics.solve import pose_problem, positions, start_motion
    from drapesim.settling.exact import count_self_crossings
    from drapesim.settling.level import CHUNK, LevelState, take_chunk
    from drapesim.settling.settle import MOST_THREADS, share_out
    from drapesim.settling.warm import compile_kernels

    parser = argparse.ArgumentParser(prog="python -m benchmarks drag")
    parser.add_argument("spacing", nargs="?", type=float, default=25.0, metavar="SPACING_MM")
    parser.add_argument("--scene", type=Path, default=Path("scenes/cover-loose.toml"))
    options = parser.parse_args(arguments)
    compile_kernels()
    plan = prepare(read_scene(options.scene), options.spacing)
    lattice, card, body = plan.lattice, plan.scene.fabric, plan.scene.body
    held = np.zeros(len(lattice.ij), dtype=bool)
    handle = int(np.argmin(np.linalg.norm(lattice.uv - 0.5 * lattice.uv.max(axis=0), axis=1)))
    held[handle] = True
    friction = np.array([card.friction[part.surface] for part in body.parts])
    threads = use_threads(MOST_THREADS)
    gravity, blocks = np.array([0.0, 0.0, -9.80665]), share_out(lattice, threads)
    problem = pose_problem(lattice, card, prepare_body(body), friction, held, gravity, blocks)
    state = LevelState(problem, start_motion(problem, plan.x), damping=15.0, least_damping=15.0)
    row, column = (int(place[handle]) for place in grid_place(lattice))
    for _ in range(100):
        take_chunk(state)
    own_time, times = 0.0, []
    for _ in range(UPDATES):
        begun = time.perf_counter()
        passed = CHUNK * take_chunk(state).dt
        times.append(time.perf_counter() - begun)
        state.motion.x[:, row, column] += HAND * passed * np.array([np.sign(np.sin(own_time * 6.0)), 0.0, 0.3])
        own_time += passed
    layers = int(np.count_nonzero(state.found.found.part == SELF))
    crossings, _ = count_self_crossings(positions(state.problem, state.motion), lattice.triangles)
    rates = 1.0 / np.sort(times)
    print(f"{len(lattice.ij)} nodes, {threads} threads, {len(state.found.found.gap)} contacts, {layers} between layers")
    print(f"updates a second: {1.0 / np.mean(times):.1f} on average, {rates[len(rates) // 20 * 19]:.1f} in 19 of 20")
    print(f"one second of the sheet takes {np.sum(times) / own_time:.1f} s; crossings at the end: {crossings}")
    return 0
