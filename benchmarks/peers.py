"""The same sheet in general-purpose physics engines and in ours, all judged by our certificate's figures.

`python -m benchmarks peers [ENGINE ...] [--cells N ...] [--limit S]`: a square sheet let down level on a ball that lies
on a plane, with friction, then a strip clamped level under its own weight. Needs `pip install '.[peers]'`; an engine
that is not there takes one line. Every run has a process and one thread of its own; a peer is stopped at the limit (s
of its own steps: measuring, building and compiling are not counted, for ours neither) or at the first residual of 1e-3.

Three residuals are told, all rms over nodes and over nodal weight:
- *own law*: the peer's own elastic force at its node positions, in float64, and weight, less the best admissible
  contact forces, found from the positions as our certificate finds them; cloth that hovers by up to 0.1 mm is still
  carried. It asks of each engine only that it solves the equations it has set itself. The times are of this one.
- *own account*: change of speed over one step, over the step and over g. What the engine itself takes for its net
  force; an unfinished inner solve hides in it, and so does all that damping holds up. Ours: the settle loop's own.
- *our law*: the first one with our elastic law of the same constants. It tells triangles from our lattice, not rest.

Columns: "to 0.1" and so on: s until the residual was first seen below, looks being a quarter apart (ours: by the
loop's own residual, which is no smaller); "best", "since s": the least seen, and from when on nothing was a tenth
better; "last", "max": rms and largest at the end; "next mm": the farthest a node moves in the next 0.25 s of the
sheet's time (ours: in a further tenth of its steps); "deep mm": cloth's face in ball or plane, at least half the
thickness where triangles cross them; "crossed", "body": triangle pairs of the cloth that cross, and with the ball or
plane, exact; "MB": what the process grew by (ours: to its peak, compiled kernels and all).
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks._peer_engines import ENGINES, Peer, is_installed, list_versions

Row = dict[str, Any]

LEVELS = (1e-1, 1e-2, 1e-3)
CELLS = (30, 50)  # along each side: 961 and 2,601 nodes
STRIP_CELLS = (10, 20, 40)
FIRST_LOOK, LOOK_GROWTH = 2.0, 1.25  # s of the engine's own time
CHUNK = 0.02  # s of the sheet's time between looks at the clock
QUARTER = 0.25  # s of the sheet's time over which it is asked whether it still moves
STILL = 1e-6  # m that a strip may still move in that when its tip is read
MINE = "drapesim"


def main(arguments: list[str]) -> int:
    """Print how each engine was tuned, the drape's table and the strip's."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks peers")
    parser.add_argument("engines", nargs="*", metavar="ENGINE", help=f"of {', '.join(ENGINES)}; all unless told")
    parser.add_argument("--cells", nargs="*", type=int, default=list(CELLS), help="along each side of the sheet")
    parser.add_argument("--strip-cells", nargs="*", type=int, default=list(STRIP_CELLS), help="along the strip")
    parser.add_argument("--limit", type=float, default=120.0, help="s that each engine may work on each sheet")
    parser.add_argument("--one", nargs=3, metavar=("ENGINE", "KIND", "CELLS"), help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.one:
        engine, kind, cells = options.one
        print(json.dumps((drape if kind == "drape" else bend)(engine, int(cells), options.limit)))
        return 0
    unknown = [name for name in options.engines if name not in ENGINES]
    if unknown:
        parser.error(f"no engine '{unknown[0]}'; there are {', '.join(ENGINES)}")
    runnable = []
    for name in options.engines or ENGINES:
        packages, kind = ENGINES[name]
        if not is_installed(name):
            print(f"{name}: not installed: pip install {' '.join(packages)}")
            continue
        runnable.append(name)
        print(f"{name} ({list_versions(name)}): {getattr(kind, 'tuned', '')}")
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(f"one thread each, one after the other; load of the machine at the start {load:.1f}")
    compare("drape", (*runnable, MINE), options.cells, options.limit, DRAPE_HEAD, drape_line)
    compare("strip", (*runnable, MINE), options.strip_cells, 0.25 * options.limit, STRIP_HEAD, strip_line)
    return 0


def compare(
    kind: str, engines: tuple[str, ...], sizes: list[int], limit: float, head: str, line: Callable[[Row], str]
) -> None:
    """Run every engine at every size, each in a process of its own, and print a line for each."""
    print(f"\n{head}")
    for cells in sizes:
        for engine in engines:
            row = run_alone(engine, kind, cells, limit)
            print(f"{engine:9}" + (row["fault"] if "fault" in row else line(row)), flush=True)


def run_alone(engine: str, kind: str, cells: int, limit: float) -> Row:
    """The row of one run, or its fault in a sentence."""
    words = [sys.executable, "-m", "benchmarks", "peers", "--limit", f"{limit:g}", "--one", engine, kind, str(cells)]
    one = dict.fromkeys(("OMP_NUM_THREADS", "NUMBA_NUM_THREADS", "MKL_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    done = subprocess.run(words, capture_output=True, text=True, check=False, env={**os.environ, **one})
    last = (done.stdout.strip() or done.stderr.strip() or "no word").splitlines()[-1]
    if done.returncode:
        return {"fault": f" {cells} cells: failed: {(done.stderr.strip() or 'no word').splitlines()[-1]}"}
    row: Row = json.loads(last)
    return row


DRAPE_HEAD = (
    "a sheet on a ball on a plane\n"
    f"{'engine':9}{'nodes':>6}{'steps':>8} {'iterations':>11}{'build s':>8}{'wall s':>8}{'s/sheet s':>10}"
    + "".join(f"{f'to {level:g}':>9}" for level in LEVELS)
    + f"{'best':>9}{'since s':>8}{'last':>9}{'max':>9}{'account':>9}{'our law':>9}{'next mm':>9}"
    f"{'deep mm':>8}{'crossed':>8}{'body':>6}{'MB':>6}  ending"
)
STRIP_HEAD = (
    "a strip clamped level: distance of its end from the heavy elastica's, over the free length\n"
    f"{'engine':9}{'nodes':>6}{'along':>6}{'tip error %':>12}{'wall s':>8}{'still':>6}"
)


def drape_line(row: Row) -> str:
    """One line of the first table, after the engine's name."""
    reached = "".join(f"{'-' if at is None else f'{at:.1f}':>9}" for at in row["reached"])
    pace = "-" if np.isnan(row["pace"]) else f"{row['pace']:.1f}"
    return (
        f"{row['nodes']:6d}{row['steps']:8d} {row['iterations']:>11}{row['build']:8.1f}{row['wall']:8.1f}"
        f"{pace:>10}{reached}{row['best']:9.1e}{row['since']:8.1f}{row['rms']:9.1e}{row['max']:9.1e}{row['account']:9.1e}"
        f"{row['our_law']:9.1e}{1e3 * row['next']:9.4f}{1e3 * row['penetration']:8.3f}{row['crossings']:8.0f}"
        f"{row['body_crossings']:6.0f}{row['mb']:6.0f}  {row['ending']}"
    )


def strip_line(row: Row) -> str:
    """One line of the second table, after the engine's name."""
    still = "yes" if row["still"] else "no"
    return f"{row['nodes']:6d}{row['along']:6d}{100.0 * row['error']:12.3f}{row['wall']:8.1f}{still:>6}"


def drape(engine: str, cells: int, limit: float) -> Row:
    """Let the sheet down in one engine and measure it on the way."""
    from benchmarks import _peer_scene as scene

    task = scene.lay_on_ball(cells)
    if engine == MINE:
        return drape_ours(task, limit)
    before = read_resident()
    peer: Peer = ENGINES[engine][1](task)
    peer.advance(2)  # what it compiles on its first steps
    begun = time.perf_counter()
    peer = ENGINES[engine][1](task)
    build = time.perf_counter() - begun
    loose, strict = scene.pose(task, scene.HOVER), scene.pose(task)
    stride = max(1, round(CHUNK / peer.time_step))
    steps, wall, look, megabytes = 0, 0.0, FIRST_LOOK, 0.0
    seen: list[tuple[float, float, float]] = []
    while wall < limit and not (seen and seen[-1][1] <= LEVELS[-1]):
        begun = time.perf_counter()
        peer.advance(stride)
        wall += time.perf_counter() - begun
        steps += stride
        if wall >= min(look, limit):
            megabytes = megabytes or read_resident() - before
            look = wall * LOOK_GROWTH
            x = peer.positions()
            seen.append((wall, *scene.rest_over_weight(loose, x, peer.elastic(x))))
    x = peer.positions()
    _, account = peer.motion()
    pace = wall / peer.clock
    peer.advance(round(QUARTER / peer.time_step))
    return {
        **sum_up(seen),
        "nodes": len(x),
        "steps": steps,
        "iterations": peer.iterations,
        "build": build,
        "wall": wall,
        "pace": pace,
        "account": account,
        "our_law": scene.rest_over_weight(loose, x)[0],
        "ending": f"below {LEVELS[-1]:g}" if seen[-1][1] <= LEVELS[-1] else "limit",
        "next": float(np.linalg.norm(peer.positions() - x, axis=1).max()),
        "mb": megabytes,
        **scene.measure_shape(strict, x),
    }


def sum_up(seen: list[tuple[float, float, float]]) -> Row:
    """What (wall s, rms, max) seen on the way say: when each level was reached, the best, and since when.

    "since": from when on nothing more than a tenth better was seen; to the end of the run it was stuck there.
    """
    best = min(rms for _, rms, _ in seen)
    return {
        "reached": [next((at for at, rms, _ in seen if rms <= level), None) for level in LEVELS],
        "best": best,
        "since": next(at for at, rms, _ in seen if rms <= 1.1 * best),
        "rms": seen[-1][1],
        "max": seen[-1][2],
    }


def drape_ours(task: Any, limit: float) -> Row:
    """The same in ours: from the same start to its certificate, compiled beforehand."""
    from benchmarks import _peer_scene as scene
    from drapesim.matter.plan import SettleSettings
    from drapesim.mechanics.body_contact import prepare_body
    from drapesim.settling.level import Progress
    from drapesim.settling.settle import Interrupted, settle
    from drapesim.settling.warm import compile_kernels

    before = read_resident()
    compile_kernels()
    body, card, first = scene.make_body(), scene.make_card(), scene.lay_on_ball(8)
    settle(first.lattice, card, first.start, body, settings=SettleSettings(max_steps=400))
    begun = time.perf_counter()
    prepare_body(body)
    build = time.perf_counter() - begun  # `settle` does it once more, so that much is taken off
    seen: list[tuple[float, float, float]] = []
    started = time.perf_counter() + build

    def watch(progress: Progress) -> None:
        wall = time.perf_counter() - started
        if progress.level == progress.levels - 1:
            seen.append((wall, progress.residual_rms, progress.residual_max))
        if wall > limit:
            raise KeyboardInterrupt

    try:
        settled = settle(task.lattice, card, task.start, body, progress=watch)
        x, steps, stay = settled.x, settled.certificate.steps, settled.certificate.stay_max
        ending = settled.ending.name
    except Interrupted as stopped:
        x, steps, stay = stopped.checkpoint.x, stopped.checkpoint.steps, float("nan")
        ending = "limit"
    wall = time.perf_counter() - started
    megabytes = read_peak() - before
    problem = scene.pose(task)
    rms, top = scene.rest_over_weight(problem, x)
    return {
        **sum_up(seen),
        "rms": rms,
        "max": top,
        "nodes": len(x),
        "steps": steps,
        "iterations": "1 a step",
        "build": build,
        "wall": wall,
        "pace": float("nan"),
        "account": seen[-1][1],
        "our_law": rms,
        "ending": ending,
        "next": stay,
        "mb": megabytes,
        **scene.measure_shape(problem, x),
    }


def bend(engine: str, cells: int, limit: float) -> Row:
    """Let the strip hang in one engine until it is still; the error of its tip."""
    from benchmarks import _peer_scene as scene

    task = scene.clamp_strip(cells, half_cell=engine != MINE)
    row: Row = {"nodes": len(task.start), "along": cells}
    if engine == MINE:
        from drapesim.matter.plan import SettleSettings
        from drapesim.settling.settle import settle
        from drapesim.settling.warm import compile_kernels

        compile_kernels()
        settings = SettleSettings(residual_rms=1e-4, residual_max=1e-3, levels=0)
        started = time.perf_counter()
        settled = settle(task.lattice, scene.make_card(), task.start, held=task.held, settings=settings)
        wall = time.perf_counter() - started
        return row | {
            "error": scene.tip_error(task, settled.x),
            "wall": wall,
            "still": settled.certificate.settled,
        }
    ENGINES[engine][1](task).advance(2)
    peer: Peer = ENGINES[engine][1](task)
    wall, moved, x = 0.0, np.inf, peer.positions()
    while wall < limit and moved > STILL:
        begun = time.perf_counter()
        peer.advance(round(QUARTER / peer.time_step))
        wall += time.perf_counter() - begun
        before, x = x, peer.positions()
        moved = float(np.linalg.norm(x - before, axis=1).max())
    return row | {"error": scene.tip_error(task, x), "wall": wall, "still": moved <= STILL}


def read_resident() -> float:
    """MB of memory that this process holds now; nan where the system does not tell."""
    status = Path("/proc/self/statm")
    if not status.exists():
        return float("nan")
    return int(status.read_text(encoding="utf-8").split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2.0**20


def read_peak() -> float:
    """MB of memory that this process has held at most."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0  # KiB on Linux
