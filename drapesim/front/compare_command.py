"""The command `drapesim compare`: runs side by side on the terminal, as a page, as pictures and as tables."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.outcome import InputError

if TYPE_CHECKING:
    from drapesim.jobs.compare import Comparison

EPILOG = """\
what is compared:
  The runs must be of one cloth: the same size, seen from the same side. The first run is what the others are measured
  against. Gaps are compared place by place on the flat map; where node spacings differ, the wider sheet is read between
  its nodes. Other bodies, fabrics and drawings of marks are allowed and told, and what they forbid is left out.
  Exit code 3: one of the runs is unsettled, so nothing follows from differences to it.
"""
NEAR = 0.02  # m: landmarks farther from the cloth than this are left to the page, as the nearest point may jump
SHOWN = 12  # rows of a table on the terminal; the page and the tables hold all


def add_compare_command(commands: Any) -> None:
    """Put `compare` among ``commands``."""
    compare = commands.add_parser(
        "compare", help="set finished runs side by side", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Compare finished runs: gaps and their change, contact by region, tension, marks that change their "
                    "verdict, what moved where. Writes compare.html, pictures, and CSV tables.",
    )  # fmt: skip
    compare.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="run folders, or the run.h5 in them")
    compare.add_argument("--out", type=Path, metavar="DIR", help="the folder (compared/<names of the runs>)")
    compare.add_argument("--tolerance-mm", type=float, default=1.0, metavar="T",
                         help="the largest gap that counts as contact in areas (1)")  # fmt: skip
    compare.add_argument("--force", action="store_true", help="replace what an earlier comparison left in the folder")
    compare.add_argument("--no-pictures", action="store_true", help="write the tables, but no page")
    compare.set_defaults(command=command_compare)


def command_compare(options: argparse.Namespace) -> int:
    """Compare finished runs and write a page with pictures and tables."""
    from drapesim.front.compare_sheet import PAGE_FILE, write_comparison
    from drapesim.front.terminal import open_console
    from drapesim.jobs.compare import compare_runs, load_runs
    from drapesim.jobs.run import make_folder, refuse_folder

    if not 0.0 < options.tolerance_mm <= 100.0:
        raise InputError("", "--tolerance-mm", "it is no gap that could count as contact", "give 0.1 to 100")
    runs = load_runs(options.runs)
    out = options.out or Path("compared") / "-".join(name.replace("/", "-") for name, _ in runs)
    refuse_folder(out, (PAGE_FILE, "marks.csv"), "a comparison", options.force)
    comparison = compare_runs(runs, 1e-3 * options.tolerance_mm)
    show_comparison(open_console(), comparison)
    make_folder(out)
    if not options.no_pictures:
        print("drawing the page", file=sys.stderr)
    write_comparison(out, comparison, with_pictures=not options.no_pictures)
    print(f"written: {out}")
    return 0 if all(run.certificate.settled for _, run in runs) else 3


def show_comparison(console: Any, comparison: Comparison) -> None:
    """Notes, the runs, the marks that change their verdict, contact by region, what moved farthest."""
    from rich.table import Table

    from drapesim.front.compare_sheet import MEET, list_regions, list_runs
    from drapesim.front.wording import spell_mm

    names = [column.name for column in comparison.columns]
    for note in comparison.notes:
        console.print(note, markup=False, soft_wrap=True)
    table = Table(title=f"Runs (changes against {names[0]})", title_justify="left")
    table.add_column("run", overflow="fold")
    table.add_column("state")
    for head in ("nodes, mm", "contact, cm2", "gap change, mm", "95 % below", "closer %", "farther %", "tension, N/m"):
        table.add_column(head, justify="right")
    for row in list_runs(comparison):
        table.add_row(
            *(row[k] for k in ("name", "labels", "spacing", "area", "median", "most", "shrank", "grew", "tension"))
        )
    console.print(table)
    changed = [row for row in comparison.marks if row.is_changed]
    if comparison.marks and not changed:
        console.print(f"All {len(comparison.marks)} marks have the same verdict in all runs.")
    if changed:
        title = f"{len(changed)} of {len(comparison.marks)} marks change their verdict (middle gap, mm)"
        table = Table(title=title, title_justify="left")
        for head in ("mark", *names):
            table.add_column(head, overflow="fold")
        for mark in changed:
            cells = (
                f"{verdict or '-'} ({spell_mm(gap)})" for verdict, gap in zip(mark.verdicts, mark.gaps, strict=True)
            )
            table.add_row(mark.mark, *cells)
        console.print(table)
    for pair in comparison.meetings:
        told = ", ".join(f"{MEET[meets]} in {name}" for name, meets in zip(names, pair.meets, strict=True))
        console.print(f"{pair.mark} and {pair.other} {told}", markup=False, soft_wrap=True)
    table = Table(title=f"Contact within {1e3 * comparison.tolerance:g} mm, cm2", title_justify="left")
    table.add_column("region")
    for name in names:
        table.add_column(name, justify="right", overflow="fold")
    regions = list_regions(comparison)
    for region, areas in [*regions[: min(SHOWN, len(regions) - 1)], regions[-1]]:
        table.add_row(region, *areas)
    console.print(table)
    near = [row for row in comparison.shifts if row.kind == "mark" or float(row.off.max()) <= NEAR]
    farthest = sorted(near, key=lambda row: -float(max(row.shifts)))[:SHOWN]
    if farthest:
        table = Table(
            title="Moved farthest, mm (landmarks near the cloth: on the cloth; marks: in space)", title_justify="left"
        )
        table.add_column("what")
        for name in names[1:]:
            table.add_column(name, justify="right", overflow="fold")
        for shift in farthest:
            table.add_row(f"{shift.kind} {shift.name}", *(spell_mm(far) for far in shift.shifts[1:]))
        console.print(table)
