"""The command `drapesim film`: the lay of a finished run as moving pictures."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from drapesim.ground.outcome import InputError

EPILOG = """\
what is shown:
  The frames that the run kept while hands handled the cloth (frames.h5), chosen by how far the cloth moves, and the
  sheet at rest. Where the cloth was only lowered and let go, its way down is computed again on a wide lattice. One
  camera, a scale bar, the step in hand in words. The film is of a computation: it shows how the sheet came to lie as it
  does, and not that any cloth was laid so. A GIF is kept under 8 MB. MP4 and WebM need PyAV (extra "film").
"""


def add_film_command(commands: Any) -> None:
    """Put `film` among ``commands``."""
    film = commands.add_parser(
        "film", help="show the lay of a finished run as a film", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Draw the lay of a finished run as a film (GIF, MP4 or WebM).",
    )  # fmt: skip
    film.add_argument("run", type=Path, metavar="RUN", help="a run folder")
    film.add_argument("--out", type=Path, metavar="FILE", help="the film (film.gif in the run folder)")
    film.add_argument("--pixels", type=int, default=800, metavar="N", help="breadth of the picture, 320 to 1920 (800)")
    film.add_argument("--quiet", action="store_true", help="show no progress")
    film.add_argument("--force", action="store_true", help="replace the film")
    film.set_defaults(command=command_film)


def command_film(options: argparse.Namespace) -> int:
    """Draw the film of a run's lay."""
    from drapesim.front.film import check_kind, write_film
    from drapesim.front.terminal import choose_display
    from drapesim.jobs.film import find_film
    from drapesim.jobs.run import make_folder
    from drapesim.settling.archive import load_run

    folder = options.run.parent if options.run.suffix == ".h5" else options.run
    out = options.out or folder / "film.gif"
    check_kind(out)
    if not 320 <= options.pixels <= 1920:
        raise InputError("", "--pixels", f"{options.pixels} is no breadth for a film", "give 320 to 1920")
    if out.exists() and not options.force:
        raise InputError(out, "--out", "the file is there already", "name another, or give --force to replace it")
    run = load_run(folder)
    make_folder(out.parent)
    with choose_display(options.quiet) as display:
        film, note = find_film(folder, run, display)
    if note:
        print(f"No hands handled the cloth: {note}.")
    if not options.quiet:
        print("drawing the film", file=sys.stderr)
    path, told = write_film(out, film, run, options.pixels, note)
    print(f"written: {path} ({told})")
    return 0
