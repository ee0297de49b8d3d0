"""The command `drapesim body show`: measures a body and draws its sheet."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from drapesim.ground.outcome import InputError

EPILOG = """\
how it is measured:
  Thickness: from points of the surface (middles of up to 10,000 faces and 5,000 points spread evenly by area) straight
  inward to the wall that faces back, its normal turned by at least 120 degrees. The sides of an edge or corner do not
  count. Mass: volume times one density, as if the body were solid. Volume: exact for the triangles.
"""


def add_show_command(kinds: Any) -> None:
    """Put `show` among the commands of `body`."""
    show = kinds.add_parser(
        "show", help="measure a body and draw it on one sheet", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Tell a body's size, volume, mass, soundness and thinnest part, and draw it to scale with its "
                    "sections on one sheet (PNG).",
    )  # fmt: skip
    show.add_argument("source", type=Path, metavar="FILE|SCENE", help="PLY, STL, OBJ or GLB, or a scene (.toml)")
    show.add_argument("--out", type=Path, metavar="PNG", help="the sheet (bodies/<name of the source>-sheet.png)")
    show.add_argument("--unit", metavar="U", help="of a mesh file's numbers: m, cm, mm, um, in, ft (guessed)")
    show.add_argument("--up", metavar="AXIS", help="a mesh file's axis that points up: y, --up=-z ... (z; GLB: y)")
    show.add_argument("--stations-mm", type=float, nargs="+", metavar="X",
                      help="where to cut, from the end with the least x (at 10, 30, 50, 70 and 90 %%)")  # fmt: skip
    show.add_argument("--spacing-mm", type=float, metavar="H", help="the sheet's spacing (the scene's, or 15)")
    show.add_argument("--material", metavar="NAME", help="flesh, limewood or plaster (the scene's surface, or flesh)")
    show.add_argument("--density-kg-m3", type=float, metavar="D", help="in place of a material's")
    show.add_argument("--force", action="store_true", help="replace the sheet")
    show.add_argument("--no-pictures", action="store_true", help="print only")
    show.set_defaults(command=command_show_body)


def command_show_body(options: argparse.Namespace) -> int:
    """Measure, tell, draw."""
    from drapesim.jobs.show import look_at, tell_body

    source = options.source
    out = options.out or Path("bodies") / f"{source.stem}-sheet.png"
    if not options.no_pictures:
        if out.suffix.lower() != ".png":
            raise InputError(out, "--out", "the sheet is written as PNG", "give a name that ends in .png")
        if out.exists() and not options.force:
            raise InputError(out, "--out", "the file is there already", "name another, or give --force to replace it")
    stations = None if options.stations_mm is None else tuple(1e-3 * place for place in options.stations_mm)
    spacing = None if options.spacing_mm is None else 1e-3 * options.spacing_mm
    shown = look_at(source, options.unit, options.up, options.density_kg_m3, options.material, spacing, stations)
    lines = tell_body(shown)
    print("\n".join(lines))
    if not options.no_pictures:
        from drapesim.front.show_sheet import draw_show
        from drapesim.jobs.run import make_folder

        make_folder(out.parent)
        draw_show(shown, lines, out)
        print(f"written: {out}")
    return 0
