"""Time to certificate over scenes and node spacings, with steps, time a step and peak memory.

`python -m benchmarks settle [SPACING_MM ...] [--scene FILE]`: the demo cover at 30, 20 and 15 mm unless told otherwise.
Each size runs in a process of its own, so that its peak memory is its own; kernels are compiled beforehand.
"""

import argparse
import json
import math
import subprocess
import sys
import time
from pathlib import Path

SCENE = Path("scenes/cover-loose.toml")
SPACINGS = (30.0, 20.0, 15.0)


def main(arguments: list[str]) -> int:
    """Print one row a spacing and the fitted growth of time with the number of nodes."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks settle")
    parser.add_argument("spacings", nargs="*", type=float, default=list(SPACINGS), metavar="SPACING_MM")
    parser.add_argument("--scene", type=Path, default=SCENE)
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.one:
        print(json.dumps(measure_one(options.scene, options.spacings[0])))
        return 0
    print(f"{options.scene}")
    heads = f"{'mm':>6} {'nodes':>7} {'ending':>12} {'settle s':>9} {'last steps':>10} {'ms/step':>8}"
    print(heads, f"{'peak MB':>8} {'h/c':>5}")
    rows = []
    for spacing in options.spacings:
        words = [sys.executable, "-m", "benchmarks", "settle", f"{spacing:g}", "--scene", str(options.scene), "--one"]
        row = json.loads(subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()[-1])
        rows.append(row)
        print(
            f"{spacing:6g} {row['nodes']:7d} {row['ending']:>12} {row['seconds']:9.1f} {row['steps']:10d} "
            f"{1e3 * row['seconds'] / row['steps']:8.3f} {row['peak_mb']:8.0f} {row['spacing_over_c']:5.2f}",
            flush=True,
        )
    if len(rows) > 1:
        first, last = min(rows, key=lambda r: r["nodes"]), max(rows, key=lambda r: r["nodes"])
        growth = math.log(last["seconds"] / first["seconds"]) / math.log(last["nodes"] / first["nodes"])
        print(f"time grows as nodes to the power {growth:.2f}, coarsest to finest")
    return 0


def measure_one(scene_file: Path, spacing_mm: float) -> dict[str, float | int | str]:
    """Settle one scene at one spacing, no files written."""
    import resource

    from drapesim.jobs.run import prepare
    from drapesim.matter.plan import read_scene
    from drapesim.settling.settle import settle
    from drapesim.settling.warm import compile_kernels

    compile_kernels()
    plan = prepare(read_scene(scene_file), spacing_mm)
    started = time.perf_counter()
    settled = settle(plan.lattice, plan.scene.fabric, plan.x, plan.scene.body, settings=plan.scene.settle)
    seconds = time.perf_counter() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0  # KiB on Linux
    certificate = settled.certificate
    return {
        "nodes": len(plan.lattice.ij),
        "ending": settled.ending.name,
        "seconds": seconds,
        "steps": certificate.steps,
        "peak_mb": peak,
        "spacing_over_c": certificate.spacing_over_c,
    }
