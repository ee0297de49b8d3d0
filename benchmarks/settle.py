"""Time to certificate over scenes and sizes, with steps, memory and growth, and what limits each stage.

`python -m benchmarks settle [--nodes 3k,12k] [--scenes sphere,loose,folded] [--limit-s 1800] [--record]`

Each row runs in a process of its own, so that its peak memory is its own; kernels are compiled beforehand in another.
A row that takes longer than `--limit-s` ends there and says how far it was. Ctrl-C ends the row at work and prints what
the rows before it gave. Progress goes to stderr. Measure on a quiet machine.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import subprocess
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchmarks._stages import Profile

ALL_NODES = "3k,12k,50k,200k"
ALL_SCENES = {
    "sphere": "a sheet of 1 x 1 m let down on a sphere of 0.2 m radius",
    "loose": "the demo cover laid loosely on the figure, one layer",
    "folded": "the same cover folded over before it is let go, two layers all over the figure",
}
"""What benchmarks._scenes makes."""
GRACE = 300.0  # s after the limit, for a certificate that has been begun
TELL_EVERY = 10.0  # s
OVER_LIMIT, KILLED, BROKEN = "over the limit", "killed", "broken"


def main(arguments: list[str]) -> int:
    """Print the table of sizes as its rows come, then growth, then the stages; 130 if stopped by Ctrl-C."""
    options = parse(arguments)
    if options.child:
        return run_child(options)
    from benchmarks._ceilings import Ceilings
    from benchmarks._tables import (
        LEGEND,
        QUIET,
        SIZES,
        SIZES_LEGEND,
        ceiling_lines,
        header,
        size_line,
        stage_lines,
        tell_growth,
    )

    warn_if_busy(QUIET)
    say("compiling, measuring the machine")
    rows: list[dict[str, Any]] = []
    stopped = False
    try:
        spent = ask_child(["--child", "machine"], 3600.0)
        if spent is None:
            return 1
        ceilings = Ceilings(**spent)
        scenes = [f"{name}: {ALL_SCENES[name]}." for name in options.scenes]
        print(*ceiling_lines(ceilings), "", *scenes, "", header(SIZES), sep="\n", flush=True)
        for scene in options.scenes:
            for nodes in options.nodes:
                rows.append(measure_row(scene, nodes, options.limit_s))
                print(size_line(rows[-1]), flush=True)
    except KeyboardInterrupt:
        say("stopped; rows that were done follow")
        stopped = True
    if not rows:
        return 130 if stopped else 1
    print(SIZES_LEGEND, *endings(rows), *tell_growth(rows, dict.fromkeys(row["scene"] for row in rows)), sep="\n")
    for row in rows:
        if row["sections"]:
            print("", *stage_lines(row, ceilings), sep="\n")
    print("", LEGEND, *missing(rows), sep="\n")
    if options.record:
        print("", *records(rows), sep="\n")
    return 130 if stopped else 0


def parse(arguments: list[str]) -> argparse.Namespace:
    """The options; `nodes` as numbers, `scenes` as names."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks settle", description=__doc__.partition("\n")[0])
    parser.add_argument("--nodes", type=read_sizes, default=read_sizes(ALL_NODES), help=f"default: {ALL_NODES}")
    parser.add_argument(
        "--scenes", type=read_scenes, default=tuple(ALL_SCENES), help=f"default: {','.join(ALL_SCENES)}"
    )
    parser.add_argument("--limit-s", type=float, default=1800.0, help="seconds for one row, default: 1800")
    parser.add_argument("--record", action="store_true", help="also print rows for RESULTS.md")
    parser.add_argument("--child", choices=("machine", "row"), help=argparse.SUPPRESS)
    return parser.parse_args(arguments)


def read_sizes(text: str) -> list[int]:
    """Numbers of nodes from a list such as "3k,12k"."""
    sizes = []
    for word in text.split(","):
        number, thousand = word.strip().removesuffix("k"), word.strip().endswith("k")
        try:
            sizes.append(round(float(number) * (1000 if thousand else 1)))
        except ValueError:
            raise argparse.ArgumentTypeError(f"'{word}' is no number of nodes; give such as 3k,12k") from None
        if not 100 <= sizes[-1] <= 4_000_000:
            raise argparse.ArgumentTypeError(f"'{word}' is out of bounds; give 100 to 4000k nodes")
    return sizes


def read_scenes(text: str) -> tuple[str, ...]:
    """Names of scenes from a list with commas."""
    names = tuple(word.strip() for word in text.split(","))
    for name in names:
        if name not in ALL_SCENES:
            raise argparse.ArgumentTypeError(f"there is no scene '{name}'; give of {','.join(ALL_SCENES)}")
    return names


def say(text: str) -> None:
    """Progress, apart from the table."""
    print(text, file=sys.stderr, flush=True)


def read_load() -> float:
    """How many programs wanted a processor in the last minute, 0 where the system does not tell."""
    return os.getloadavg()[0] if hasattr(os, "getloadavg") else 0.0


def warn_if_busy(quiet: float) -> None:
    """Say so if other programs are at work."""
    load = read_load()
    if load > quiet:
        print(
            f"This machine is not quiet (load {load:.1f}): steps are right, seconds are not worth keeping.", flush=True
        )


def measure_row(scene: str, nodes: int, limit: float) -> dict[str, Any]:
    """What the child found, or a row that says why there is nothing."""
    begun, load = time.monotonic(), read_load()
    words = ["--child", "row", "--scenes", scene, "--nodes", str(nodes), "--limit-s", f"{limit:g}"]
    found = ask_child(words, limit + GRACE)
    if found is not None:
        return found | {"load": load}
    spent = time.monotonic() - begun
    ending = KILLED if spent > limit else BROKEN
    nothing = {
        "seconds": spent,
        "work": 0.0,
        "load": load,
        "sections": [],
        "why": [],
        "missing": [],
        "peak_mb": 0.0,
        "spacing_mm": 0.0,
    }
    return {"scene": scene, "wanted": nodes, "nodes": nodes, "ending": ending, **nothing}


def ask_child(words: list[str], limit: float) -> dict[str, Any] | None:
    """The JSON of a fresh process of this benchmark, None if it failed or took longer than ``limit`` s."""
    command = [sys.executable, "-m", "benchmarks", "settle", *words]
    environment = dict(os.environ)  # this checkout's benchmarks, wherever we were called from
    root = str(Path(__file__).parents[1])
    environment["PYTHONPATH"] = os.pathsep.join([root, *filter(None, [environment.get("PYTHONPATH")])])
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    try:
        output, _ = child.communicate(timeout=limit)
    except subprocess.TimeoutExpired:
        return None
    finally:
        if child.poll() is None:
            child.kill()
            child.wait()
    if child.returncode:
        return None
    found: dict[str, Any] = json.loads(output.splitlines()[-1])
    return found


def endings(rows: list[dict[str, Any]]) -> list[str]:
    """For each row that is no certificate, why."""
    lines = [f"{row['scene']}, {row['nodes']:,} nodes: {' '.join(row['why'])}" for row in rows if row["why"]]
    return ["", *lines, ""] if lines else [""]


def missing(rows: list[dict[str, Any]]) -> list[str]:
    """A sentence on functions that were to be timed and are not there."""
    names = dict.fromkeys(name for row in rows for name in row["missing"])
    return [f"Not there any more, so not timed by itself: {name} (see benchmarks/_stages.py)." for name in names]


def records(rows: list[dict[str, Any]]) -> list[str]:
    """Rows for RESULTS.md."""
    from benchmarks.__main__ import describe_machine
    from benchmarks._tables import record_line

    machine, _, versions = describe_machine().partition(", Python")
    today = datetime.date.today().isoformat()
    return [record_line(row, machine, "Python" + versions, today) for row in rows if row["sections"]]


def run_child(options: argparse.Namespace) -> int:
    """Measure in this process and print one line of JSON."""
    from drapesim.settling.warm import compile_kernels

    try:
        if options.child == "machine":
            compile_kernels()
            warm_loop()
            print(json.dumps(measure_machine()))
        else:
            print(json.dumps(measure(options.scenes[0], options.nodes[0], options.limit_s)))
    except KeyboardInterrupt:
        return 130
    return 0


def measure_machine() -> dict[str, Any]:
    """The ceilings, on as many threads as a settle takes."""
    from benchmarks._ceilings import measure_ceilings
    from drapesim.kernels.jit import use_threads
    from drapesim.settling.settle import MOST_THREADS

    return measure_ceilings(use_threads(MOST_THREADS))._asdict()


def warm_loop() -> Profile:
    """Put the clocks in place and compile the step loop with them, once for all rows; returns an empty profile."""
    from benchmarks import _stages
    from drapesim.mechanics import solve
    from drapesim.mechanics.contact_list import no_contacts
    from drapesim.settling.warm import pose_small

    profile = _stages.put_in_place()
    problem, _, x = pose_small()
    pace = solve.choose_pace(problem, solve.Slopes(1e3, 400.0), 1.0)
    solve.advance(problem, solve.start_motion(problem, x), no_contacts(), pace, 1)
    profile.clear()
    return profile


def measure(scene: str, nodes: int, limit: float) -> dict[str, Any]:
    """Settle one scene at one size and tell all of it."""
    from benchmarks._scenes import POSES
    from drapesim.settling import settle as settling
    from drapesim.settling.level import Progress

    posed = POSES[scene](nodes)
    profile = warm_loop()
    count = len(posed.lattice.ij)
    say(f"{scene}, {count:,} nodes")
    last: list[Progress] = []
    told = begun = time.perf_counter()
    worked = time.process_time()

    def follow(now: Progress) -> None:
        nonlocal told
        last[:] = [now]
        seconds = time.perf_counter()
        if seconds - told > TELL_EVERY:
            told = seconds
            where = f"lattice {now.level + 1} of {now.levels}, {now.steps:,} steps, {now.stage}"
            left = f"residual rms {now.residual_rms:.2g} max {now.residual_max:.2g}"
            say(f"  {seconds - begun:5.0f} s: {where}, {left}")
        if seconds - begun > limit:
            raise KeyboardInterrupt

    row: dict[str, Any] = {"scene": scene, "wanted": nodes, "nodes": count, "spacing_mm": 1e3 * posed.lattice.spacing_u}
    try:
        settled = settling.settle(
            posed.lattice, posed.card, posed.x, posed.body, settings=posed.settings, progress=follow
        )
        row |= {"ending": settled.ending.name, "why": list(settled.certificate.failures)}
        if settled.ending.name != "SETTLED" and not row["why"]:
            row["why"] = [settled.ending.value]
    except settling.Interrupted:
        if time.perf_counter() - begun <= limit:
            raise KeyboardInterrupt from None  # it was the keyboard
        now = last[-1]
        state = f"residual rms {now.residual_rms:.2g}, max {now.residual_max:.2g} of the weight"
        where = f"lattice {now.level + 1} of {now.levels} after {now.steps:,} steps on it"
        row |= {"ending": OVER_LIMIT, "why": [f"Stopped after {limit:g} s on {where}: {state}."]}
    profile.end()
    for section, level in zip(
        profile.sections, settling.pile_levels(posed.lattice, posed.settings.levels), strict=False
    ):
        section.nodes = len(level.ij)
    return row | {
        "seconds": time.perf_counter() - begun,
        "work": time.process_time() - worked,
        "peak_mb": peak_memory() / 1e6,
        "sections": [asdict(section) for section in profile.sections],
        "missing": profile.missing,
    }


def peak_memory() -> float:
    """Bytes. From the system's own account of this program: the usual call also knows of the parent's before it."""
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text(encoding="utf-8").splitlines():
            if line.startswith("VmHWM:"):
                return 1024.0 * int(line.split()[1])
    import resource

    peak = float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    return peak if sys.platform == "darwin" else 1024.0 * peak
