"""The command `drapesim image`: what image the body would leave on the cloth, and an observed one held against it."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.outcome import InputError

if TYPE_CHECKING:
    from drapesim.jobs.image import ImageStudy

EPILOG = """\
ways (lengths in mm; --way may be given several times):
  contact:1              where the cloth lies within 1 mm of the body
  normal:LAW:20          along the cloth's normal to the body; LAW is cut-off, linear or exponential
  nearest:LAW:20         from the nearest point of the body
  down:LAW:20            straight down from the draped cloth
  view                   straight down to a cloth held flat, as a photograph from above
  relief:LAW:20:15       the same from a relief 15 mm deep
  The lengths are assumptions. Geometry says what each way would show, never that it took place.
  With --observed, or where the scene has a picture of the flat map, its density is held against the gap, and ways and
  lays are ranked by likeness. Exit code 3: one of the runs is unsettled, so nothing follows from its prints.
"""
SHOWN = 10  # rows on the terminal


def add_image_command(commands: Any) -> None:
    """Put `image` among ``commands``."""
    image = commands.add_parser(
        "image", help="print the body on the cloth under stated ways", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Print the body on the settled cloth of finished runs, measure how the flat map distorts it, and "
                    "rank ways and lays against an observed map. Writes image.html, pictures, CSV tables and arrays.",
    )  # fmt: skip
    image.add_argument(
        "runs", type=Path, nargs="+", metavar="RUN", help="run folders of one cloth, or the run.h5 in them"
    )
    image.add_argument("--way", action="append", metavar="WAY", help="how an image passes (seven to try out)")
    image.add_argument(
        "--observed", type=Path, metavar="FILE", help="a picture of the flat cloth, the warp to the right"
    )
    image.add_argument("--mm-per-pixel", type=float, metavar="M", help="the scale of that picture")
    image.add_argument("--texture", type=Path, metavar="FILE",
                       help="a picture of the body from above, or its coloured mesh, to carry over")  # fmt: skip
    image.add_argument("--out", type=Path, metavar="DIR", help="the folder (image/<names of the runs>)")
    image.add_argument("--seed", type=int, default=0, metavar="N", help="of the resampling (0)")
    image.add_argument("--force", action="store_true", help="replace what an earlier call left in the folder")
    image.add_argument("--no-pictures", action="store_true", help="write tables and arrays, but no page")
    image.add_argument("--quiet", action="store_true", help="show no progress")
    image.set_defaults(command=command_image)


def command_image(options: argparse.Namespace) -> int:
    """Print, measure, rank, and write the page."""
    from drapesim.front.image_photograph import read_texture
    from drapesim.front.image_sheet import PAGE_FILE, write_image
    from drapesim.front.terminal import open_console
    from drapesim.jobs.image import load_lays, read_observed, study_image
    from drapesim.jobs.run import make_folder, refuse_folder
    from drapesim.judging.transfer import read_way

    if (options.observed is None) != (options.mm_per_pixel is None):
        raise InputError("", "--observed", "a picture and its scale belong together", "give both, or neither")
    if options.mm_per_pixel is not None and not 0.005 <= options.mm_per_pixel <= 50.0:
        raise InputError("", "--mm-per-pixel", "it is no scale of a picture of a cloth", "give 0.005 to 50")
    if options.seed < 0:
        raise InputError("", "--seed", "it is below 0", "give 0 or a whole number above")
    ways = [read_way(text) for text in options.way or []]
    names = [way.name for way in ways]
    if len(set(names)) < len(names):
        raise InputError("", "--way", "the same way is named twice", "name each way once")
    if options.texture is not None and options.no_pictures:
        raise InputError("", "--texture", "it is drawn, and --no-pictures draws nothing", "leave one of them out")
    runs = load_lays(options.runs)
    out = options.out or Path("image") / "-".join(name.replace("/", "-") for name, _ in runs)
    refuse_folder(out, (PAGE_FILE, "regions.csv"), "an image's page", options.force)
    first = runs[0][1]
    observed = first.flat_map
    if options.observed is not None:
        observed = read_observed(options.observed, options.mm_per_pixel, first)

    def say(text: str) -> None:
        if not options.quiet:
            print(text, file=sys.stderr)

    study = study_image(runs, ways, observed, options.seed, say)
    if options.texture is not None:  # what is wrong with it is said before anything is written
        for lay in study.lays:
            read_texture(options.texture, lay)
    show_image(open_console(), study)
    make_folder(out)
    write_image(out, study, not options.no_pictures, say, options.texture)
    print(f"written: {out}")
    return 0 if all(run.certificate.settled for _, run in runs) else 3


def show_image(console: Any, study: ImageStudy) -> None:
    """Notes, what each way prints and how the flat map distorts it, and the ranking where there is one."""
    from rich.table import Table

    from drapesim.front.image_sheet import spell_doubt
    from drapesim.front.wording import spell_figure, spell_mm

    for note in study.notes:
        console.print(note, markup=False, soft_wrap=True)
    # narrow enough for 80 columns: what the heads mean stands above
    title = "What each way prints (wider, longer: than in a photograph from above, %; left: by its best fit)"
    table = Table(title=title, title_justify="left")
    table.add_column("lay", overflow="fold")
    table.add_column("way", no_wrap=True)
    for head in ("cm2", "wider", "longer", "landmarks", "left, mm"):
        table.add_column(head, justify="right")
    for lay in study.lays:
        for result in lay.results:
            whole = result.regions[-1] if result.regions else None
            printed = f"{sum(row.strength > 0.0 for row in result.landmarks)} of {len(result.landmarks)}"
            table.add_row(
                lay.name, result.way.name, "0" if whole is None else f"{1e4 * whole.flat:.0f}",
                "-" if whole is None else spell_figure(100 * whole.photo_widening, "+.0f"),
                "-" if whole is None else spell_figure(100 * whole.photo_lengthening, "+.0f"),
                printed if result.landmarks else "none", "-" if result.fit is None else spell_mm(result.fit.rms),
            )  # fmt: skip
    console.print(table)
    for lay in study.lays:
        if lay.studies:
            whole_study = lay.studies[0]
            words = f"{lay.name}: density against gap, rank correlation {spell_figure(whole_study.rank, '.2f')}"
            if whole_study.laws and whole_study.laws[0].full > 0.0:
                law = whole_study.laws[0]
                words += f"; best law {law.law}, cut-off gap {spell_mm(law.cut_off)} mm"
                if math.isfinite(law.least):
                    words += f" (reach {spell_mm(law.reach)}, 95 %: {spell_mm(law.least)} to {spell_mm(law.most)} mm)"
            console.print(words + ".", markup=False, soft_wrap=True)
    if not study.scores:
        return
    console.print(spell_doubt(study), markup=False, soft_wrap=True)
    title = "Likeness to the observed map (overlap of areas, first in resamples: %)"
    table = Table(title=title, title_justify="left")
    table.add_column("lay", overflow="fold")
    table.add_column("way", no_wrap=True)
    for head in ("correlation", "95 %", "overlap", "first"):
        table.add_column(head, justify="right")
    for score in study.scores[:SHOWN]:
        table.add_row(
            score.lay, score.way, spell_figure(score.correlation, ".3f"),
            f"{spell_figure(score.least, '.2f')} to {spell_figure(score.most, '.2f')}",
            spell_figure(100 * score.overlap, ".0f"), spell_figure(100 * score.first, ".0f"),
        )  # fmt: skip
    console.print(table)
