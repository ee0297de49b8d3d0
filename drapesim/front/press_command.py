"""The command `drapesim press`: the force that brings marks of a finished run to the body."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from drapesim.ground.outcome import InputError

EPILOG = """\
what is tested:
  Each mark that claims contact and does not have it in this lay is pressed: a force spread over the mark, toward the
  nearest body point, grown as under a hand. Told is the least force, within 1 % (4 % where the settled sheet asks for
  more), that brings the claimed share of the mark to the body, as a sheet that is settled and certified under it shows,
  and how far the mark moves. The test ends without contact where yarns pass their safe extension, where another mark
  that touched no longer does, or at --most-force (10 N: common practice, no source). Another lay, or a pull
  elsewhere, may still do it.
  The verdicts then stand in `drapesim marks RUN` and in the run's report.html. Exit code 3: a test could not tell.
"""


def add_press_command(commands: Any) -> None:
    """Put `press` among ``commands``."""
    press = commands.add_parser(
        "press", help="find the force that brings marks to the body", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Press the marks of a settled run toward the body and find the least force that makes them touch. "
                    "Writes press.csv and press.json to the run's folder.",
    )  # fmt: skip
    press.add_argument("run", type=Path, metavar="RUN", help="a run folder, or its run.h5")
    press.add_argument(
        "--mark", action="append", default=[], metavar="ID", help="press this mark only (may be given several times)"
    )
    press.add_argument("--most-force", type=float, default=10.0, metavar="N", help="greatest force, N (10)")
    press.add_argument("--quiet", action="store_true", help="show no progress")
    press.set_defaults(command=command_press)


def command_press(options: argparse.Namespace) -> int:
    """Press, say what came of it, and keep it; each mark is kept as soon as it is done."""
    from drapesim.front.report import renew_report
    from drapesim.front.terminal import choose_display, open_console
    from drapesim.jobs.press import press_marks, write_presses
    from drapesim.jobs.run import make_folder
    from drapesim.judging.pressing import say_press
    from drapesim.settling.archive import load_run

    run = load_run(options.run)
    folder = options.run if options.run.is_dir() else options.run.parent
    if not run.marks:
        raise InputError(options.run, "", "the run has no marks", "give the scene a drawing, flat_map.marks")
    make_folder(folder)
    try:
        with choose_display(options.quiet) as display:
            tests = press_marks(
                run, options.mark, options.most_force, display, lambda done: write_presses(folder, run, done)
            )
    except KeyboardInterrupt:
        print(f"Interrupted. The marks that were done are kept in {folder}.", file=sys.stderr)
        return 130
    console = open_console()
    for test in tests:
        console.print(f"{test.mark}: {say_press(test)}", markup=False, soft_wrap=True)
    renew_report(folder, run)
    print(f"written: {folder}")
    return 3 if any(test.touches is None for test in tests) else 0
