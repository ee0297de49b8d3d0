"""The command `drapesim marks`: the table of verdicts of a finished run, with the reasons."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.outcome import InputError

if TYPE_CHECKING:
    from drapesim.jobs.marks import MarkAnswer

EPILOG = """\
verdicts:
  touches naturally  nothing presses, and the claimed share of the mark lies within its tolerance
  touches if pressed or pulled
                     by a press test on this sheet (drapesim press), with its force in N and shift in mm
  out of reach       by a proof over all lays (--reach): it cannot be had together with another claim
  clear of the body  of a mark that is claimed to lie clear, and does
  undecided          all else; "in this lay" tells what this lay shows
  Press tests and proofs that are kept beside the run count, and its report.html, if there is one, tells them too.
  Contact is also told at several thresholds (report.contact_levels_mm of the scene), since nature gives no single one.
  Exit code 3: the sheet did not settle.
"""


def add_marks_command(commands: Any) -> None:
    """Put `marks` among ``commands``."""
    marks = commands.add_parser(
        "marks", help="print and save the verdicts of a finished run", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Print the verdicts on a run's marks with their reasons, and save them as verdicts.csv and "
                    "verdicts.json in the run's folder.",
    )  # fmt: skip
    marks.add_argument("run", type=Path, metavar="RUN", help="a run folder, or its run.h5")
    marks.add_argument("--out", type=Path, metavar="DIR", help="the folder to save to (the run's)")
    marks.add_argument(
        "--reach", action="store_true", help="prove which claims no lay can meet (some 10 s, and 3 s a place)"
    )
    marks.add_argument(
        "--chance", type=int, metavar="N", help="draw N lots of marks in each of five ways (999 or more)"
    )
    marks.add_argument("--against", type=Path, metavar="RUN", help="a second run, scored by the same claims")
    marks.add_argument("--no-pictures", action="store_true", help="draw no proofs (with --reach)")
    marks.add_argument("--quiet", action="store_true", help="show no progress")
    marks.set_defaults(command=command_marks)


def command_marks(options: argparse.Namespace) -> int:
    """Print the table with its reasons and save it."""
    from drapesim.front.reach_sheet import FlatCloth, clear_proofs, draw_proofs
    from drapesim.front.report import renew_report
    from drapesim.front.terminal import open_console, show_reach
    from drapesim.jobs.marks import (
        answer_marks,
        compare_support,
        draw_lots,
        prove_run,
        recall_presses,
        recall_reach,
        write_answers,
    )
    from drapesim.jobs.run import make_folder
    from drapesim.judging.chance import LEAST_DRAWS, MEANING, say_chance
    from drapesim.settling.archive import load_run

    if options.chance is not None and options.chance < LEAST_DRAWS:
        problem = f"{options.chance} lots are too few for a share of a few per cent"
        raise InputError("", "--chance", problem, f"give {LEAST_DRAWS} or more")
    run = load_run(options.run)
    folder = options.run if options.run.is_dir() else options.run.parent
    if not run.marks:
        raise InputError(options.run, "", "the run has no marks", "give the scene a drawing, flat_map.marks")

    def say(text: str) -> None:
        if not options.quiet:
            print(text, file=sys.stderr)

    found = prove_run(run, str(options.run), say) if options.reach else None
    reach = None if found is None else found.reach
    rows = answer_marks(run, reach, recall_presses(run, folder), None if found else recall_reach(run, folder))
    chances = [] if options.chance is None else draw_lots(run, options.chance, say)
    support = None
    if options.against is not None:
        names = options.run.stem if options.run.is_file() else options.run.name, options.against.name
        support = compare_support((run, load_run(options.against)), names)
    console = open_console()
    show_answers(console, rows)
    if reach is not None:
        show_reach(console, reach)
    for chance in chances:
        console.print(f"- {say_chance(chance)}", markup=False, soft_wrap=True)
    if chances:
        console.print(MEANING, markup=False, soft_wrap=True)
    if support is not None:
        console.print(support.said, markup=False, soft_wrap=True)
    out = options.out or folder
    make_folder(out)
    write_answers(out, run, rows, reach, chances, support)
    if found is not None:
        clear_proofs(out)
    if found is not None and not options.no_pictures:
        nu, nv = run.lattice.cell.shape
        length, width = nu * run.lattice.spacing_u, nv * run.lattice.spacing_v
        draw_proofs(out, FlatCloth(run.marks, length, width, run.lattice.inner_sign), found.obstacle, found.reach)
    renew_report(folder, run)
    print(f"written: {out}")
    return 0 if run.certificate.settled else 3


def show_answers(console: Any, rows: Sequence[MarkAnswer]) -> None:
    """The table, and under it one line of reason a mark."""
    from rich.table import Table

    levels = [f"{1e3 * share.level:g}" for share in next((row.levels for row in rows if row.levels), ())]
    title = "Marks (contact: per cent of the area within so many mm, as measured)"
    table = Table(title=title, title_justify="left")
    for head in ("mark", "claim", "verdict", "in this lay"):
        table.add_column(head, overflow="fold")
    for level in levels:
        table.add_column(level, justify="right")
    for row in rows:
        claim = row.claim.replace("_", " ") + (f": {row.place}" if row.place else "")
        here = "" if row.in_this_lay == row.verdict else row.in_this_lay
        table.add_row(row.mark, claim, row.verdict, here, *(f"{100 * share.measured:.0f}" for share in row.levels))
    console.print(table)
    for row in rows:
        console.print(f"{row.mark}: {row.reason}", markup=False, soft_wrap=True)
