"""The command line: the only place with exit codes and print. Heavy imports wait until a command needs them."""

from __future__ import annotations

import argparse
import contextlib
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path

from drapesim import __version__
from drapesim.front.body_command import add_body_command
from drapesim.front.compare_command import add_compare_command
from drapesim.front.film_command import add_film_command
from drapesim.front.image_command import add_image_command
from drapesim.front.marks_command import add_marks_command
from drapesim.front.press_command import add_press_command
from drapesim.front.reach_command import add_reach_command
from drapesim.front.search_command import add_search_command
from drapesim.ground.outcome import Ending, InputError

SETTLED, BAD_INPUT, UNSETTLED, INTERRUPTED = 0, 2, 3, 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code: 0 done, 2 bad input, 3 the sheet did not settle, 130 interrupted."""
    options = build_parser().parse_args(join_refine(sys.argv[1:] if arguments is None else arguments))
    try:
        return options.command(options)
    except InputError as fault:
        print(fault, file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print("Interrupted. The sheet was not settling, so there is no checkpoint.", file=sys.stderr)
        return INTERRUPTED


def join_refine(words: Sequence[str]) -> list[str]:
    """``words`` with `--refine` joined to its number, 1 where none follows: else the parser takes the scene for it."""
    joined: list[str] = []
    rest = iter(enumerate(words))
    for k, word in rest:
        if word == "--":
            return [*joined, *words[k:]]
        if word == "--refine":
            is_number = k + 1 < len(words) and words[k + 1].lstrip("+-").isdigit()
            word = f"--refine={next(rest)[1] if is_number else 1}"
        joined.append(word)
    return joined


def build_parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    parser = argparse.ArgumentParser(
        prog="drapesim",
        description="Lay a measured cloth on a body by computation and judge which of its marks can touch where.",
        epilog="Exit codes: 0 done, 2 the input is wrong, 3 the sheet did not settle, 130 interrupted.",
    )
    parser.add_argument("--version", action="version", version=f"drapesim {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    run = commands.add_parser("run", help="settle a scene and write its run folder", description=command_run.__doc__)
    run.add_argument("scene", type=Path, metavar="SCENE", help="the scene's TOML file")
    run.add_argument("--out", type=Path, metavar="DIR", help="the run folder (runs/<name of the scene> if left out)")
    run.add_argument("--resume", action="store_true", help="go on from the checkpoint of an interrupted run")
    run.add_argument("--spacing-mm", type=float, metavar="H", help="distance of the nodes in place of the scene's")
    run.add_argument(
        "--refine", type=int, nargs="?", const=1, default=0, choices=(1, 2), metavar="N",
        help="settle at half the spacing too (2: and at a quarter), which measures the uncertainty of each gap",
    )  # fmt: skip
    run.add_argument("--force", action="store_true", help="replace a finished run in the folder")
    run.add_argument("--no-pictures", action="store_true", help="write run.h5 and marks.csv, but no report")
    run.add_argument("--quiet", action="store_true", help="show no progress")
    run.set_defaults(command=command_run)

    check = commands.add_parser("check", help="say what was understood of a scene", description=command_check.__doc__)
    check.add_argument("scene", type=Path, metavar="SCENE", help="the scene's TOML file")
    check.add_argument("--spacing-mm", type=float, metavar="H", help="distance of the nodes in place of the scene's")
    check.set_defaults(command=command_check)

    show = commands.add_parser("show", help="print the answers of a finished run", description=command_show.__doc__)
    show.add_argument("run", type=Path, metavar="RUN", help="a run folder, or its run.h5")
    show.set_defaults(command=command_show)
    add_compare_command(commands)
    add_film_command(commands)
    add_marks_command(commands)
    add_press_command(commands)
    add_reach_command(commands)
    add_image_command(commands)
    add_search_command(commands)

    lab = commands.add_parser("lab", help="test a fabric card on the lattice", description=command_lab.__doc__)
    lab.add_argument("card", type=Path, nargs="?", metavar="CARD", help="the fabric card's TOML file")
    lab.add_argument("--fit", type=Path, metavar="READINGS", help="make a card from a filled form of lab readings")
    lab.add_argument("--form", type=Path, metavar="FILE", help="write an empty form and a picture that explains it")
    lab.add_argument("--out", type=Path, metavar="DIR", help="folder (lab/<name of the card or form> if left out)")
    lab.add_argument(
        "--spacing-mm", type=float, metavar="H", help="distance of the nodes (a quarter of the smaller bending length)"
    )
    lab.add_argument("--force", action="store_true", help="replace a finished sheet in the folder")
    lab.add_argument("--no-pictures", action="store_true", help="write lab.csv, but no sheet")
    lab.add_argument("--quiet", action="store_true", help="show no progress")
    lab.set_defaults(command=command_lab)
    add_body_command(commands)
    return parser


def command_run(options: argparse.Namespace) -> int:
    """Lay the scene's cloth on its body, settle it, judge its marks, and write run.h5, marks.csv and report.html."""
    from drapesim.front.report import start_loading, write_report
    from drapesim.front.terminal import choose_display, open_console, show_run
    from drapesim.jobs.refine import refine_scene
    from drapesim.jobs.run import check_folder, run_scene
    from drapesim.matter.plan import read_scene
    from drapesim.settling.settle import Interrupted

    out = options.out or Path("runs") / options.scene.stem
    if not options.refine:
        check_folder(out, options.resume, options.force)
    scene = read_scene(options.scene)
    loading = None if options.no_pictures else start_loading()  # while the sheet settles
    try:
        with choose_display(options.quiet) as display:
            rest = (display, options.resume, options.spacing_mm, options.force)
            runs = (
                refine_scene(scene, out, options.refine, *rest) if options.refine else (run_scene(scene, out, *rest),)
            )
    except Interrupted:
        again = ["drapesim", "run", str(options.scene), "--out", str(out), "--resume"]
        if options.spacing_mm is not None:
            again += ["--spacing-mm", f"{options.spacing_mm:g}"]
        if options.refine:
            again += ["--refine", str(options.refine), *(["--force"] if options.force else [])]
        print(f"{Ending.INTERRUPTED.value}\n{shlex.join(again)}", file=sys.stderr)
        return INTERRUPTED
    run = runs[-1]
    show_run(open_console(), run)
    if loading is not None:
        if not options.quiet:
            print("drawing the report", file=sys.stderr)
        try:
            loading.join()
            write_report(out, run)
        except KeyboardInterrupt:
            print(f"Interrupted while drawing. The run is kept in {out}, without its report.", file=sys.stderr)
            return INTERRUPTED
    print(f"written: {out}")
    return SETTLED if all(each.certificate.settled for each in runs) else UNSETTLED


def command_check(options: argparse.Namespace) -> int:
    """Read a scene and all that it names, say what was understood, and write nothing."""
    from drapesim.front.terminal import open_console, show_scene
    from drapesim.jobs.run import prepare
    from drapesim.matter.plan import read_scene

    plan = prepare(read_scene(options.scene), options.spacing_mm)
    show_scene(open_console(), plan.scene, plan.lattice, float(plan.x[0, 2]))
    return SETTLED


def command_show(options: argparse.Namespace) -> int:
    """Print the certificate and the verdicts of a finished run."""
    from drapesim.front.terminal import open_console, show_run
    from drapesim.settling.archive import load_run

    run = load_run(options.run)
    show_run(open_console(), run)
    return SETTLED if run.certificate.settled else UNSETTLED


def command_lab(options: argparse.Namespace) -> int:
    """Run the virtual versions of the standard fabric tests on a card, and show its values beside the lattice's.

    With --fit, make the card first, from lab readings; with --form, write the form for these.
    """
    if sum(given is not None for given in (options.card, options.fit, options.form)) != 1:
        raise InputError("", "lab", "one thing to do is wanted", "give a fabric card, --fit READINGS, or --form FILE")
    if options.form is not None:
        from drapesim.front.lab_form import write_form_and_picture

        print("written: " + ", ".join(map(str, write_form_and_picture(options.form))))
        return SETTLED
    from drapesim.front.lab_report import FITTED_FILE, check_lab_folder, tell_fit, write_fitted, write_lab
    from drapesim.front.lab_terminal import choose_lab_display, show_lab
    from drapesim.front.terminal import open_console
    from drapesim.jobs.lab.bench import check_spacing, list_tests, run_lab
    from drapesim.jobs.lab.fit import fit_card, fitted_cloth, read_cloth_of
    from drapesim.jobs.run import make_folder
    from drapesim.matter.fabric import read_cloth
    from drapesim.matter.readings import read_readings
    from drapesim.settling.settle import Interrupted

    out = options.out or Path("lab") / (options.card or options.fit).stem
    check_lab_folder(out, options.force)
    readings = None if options.fit is None else read_readings(options.fit)
    cloth = read_cloth(options.card) if readings is None else read_cloth_of(readings)
    spacing = check_spacing(cloth.card, options.spacing_mm)
    make_folder(out)
    fitted, told = None, []
    try:
        with choose_lab_display(options.quiet) as display:
            tests = list_tests(cloth, spacing)
            if readings is not None:
                fitted = fit_card(readings, cloth.card, spacing, display)
                cloth, told = fitted_cloth(fitted), tell_fit(fitted)
                tests = list_tests(cloth, spacing, fitted.aims)
            results = run_lab(cloth, spacing, tests, display)
    except (Interrupted, KeyboardInterrupt):
        with contextlib.suppress(OSError):  # it goes only if it is empty
            out.rmdir()
        print("Interrupted. Nothing was written.", file=sys.stderr)
        return INTERRUPTED
    show_lab(open_console(), results, cloth.card, spacing, told)
    if fitted is not None:
        write_fitted(out / FITTED_FILE, fitted)
    try:
        write_lab(out, results, cloth.card, spacing, told, with_pictures=not options.no_pictures)
    except KeyboardInterrupt:
        print(f"Interrupted while drawing. The readings are kept in {out}, without their sheet.", file=sys.stderr)
        return INTERRUPTED
    print(f"written: {out}")
    return UNSETTLED if any(result.failures for result in results) else SETTLED
