"""The command `drapesim body`: its options, and what it tells on the terminal."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.front.attitude_command import add_attitude_command
from drapesim.front.figure_command import add_figure_command
from drapesim.front.places_command import add_places_command
from drapesim.front.scan_command import add_scan_command
from drapesim.front.show_command import add_show_command

if TYPE_CHECKING:
    from drapesim.jobs.body import SliceBody

CAUTIONS = """\
cautions:
  Scans of people, living or dead, are personal data, and a face can be known from its surface. Have the consent or the
  permission that your law, your ethics board and, for human remains, the communities concerned ask for; keep the files
  safe; treat remains with dignity, together with licensed practitioners. The body file and its picture hold nothing of
  the scan's header, but they show the shape, and the picture shows slices. What the body proves is for experts to say.
  This is no medical device.
"""


def add_body_command(commands: Any) -> None:
    """Put `body` with its own commands among ``commands``."""
    body = commands.add_parser("body", help="make a body file", description="Make a body file that scenes can load.")
    kinds = body.add_subparsers(title="commands", required=True, metavar="COMMAND")
    slices = kinds.add_parser(
        "slices", help="from a series of slices: DICOM, NIfTI, PNG, TIFF, traced outlines", epilog=CAUTIONS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Find the skin in a series of slices and write it as a closed mesh (PLY, metres), with a picture.",
    )  # fmt: skip
    slices.add_argument(
        "source", type=Path, metavar="FOLDER|FILE",
        help="a folder of DICOM slices or of numbered PNG or TIFF pictures, a TIFF of several pages, a NIfTI file, "
             "or traced outlines: a CSV with the columns slice_mm, outline, x_mm, y_mm, or an SVG to scale, each slice "
             "a layer, group or outline called z and its height in mm, such as z120.5",
    )  # fmt: skip
    slices.add_argument("--out", type=Path, metavar="FILE", help="the body file (bodies/<name of the source>.ply)")
    slices.add_argument("--spacing-mm", type=float, nargs=3, metavar=("X", "Y", "Z"),
                        help="of pictures: distance of the columns, of the rows and of the slices")  # fmt: skip
    slices.add_argument("--first-slice", choices=("feet", "head"), default="feet",
                        help="of pictures: the end of the body at which the first one lies (feet)")  # fmt: skip
    slices.add_argument("--threshold", type=float, metavar="V", help="grey value between air and body (Otsu's method)")
    slices.add_argument("--opening-mm", type=float, default=6.0, metavar="D",
                        help="what is thinner holds nothing together: parts the body from its table (6)")  # fmt: skip
    slices.add_argument("--pocket-mm", type=float, default=10.0, metavar="D",
                        help="air behind a narrower way in is filled if it widens there (10)")  # fmt: skip
    slices.add_argument("--error-mm", type=float, default=0.5, metavar="D",
                        help="how far the light mesh may lie from the full one (0.5)")  # fmt: skip
    slices.add_argument("--places", type=Path, metavar="FILE",
                        help="landmarks and regions (see body places) to put on the skin and carry along")  # fmt: skip
    slices.add_argument("--force", action="store_true", help="replace the body file")
    slices.add_argument("--no-pictures", action="store_true", help="write the body file only")
    slices.add_argument("--quiet", action="store_true", help="show no progress")
    slices.set_defaults(command=command_slices)
    add_scan_command(kinds)
    add_figure_command(kinds)
    add_places_command(kinds)
    add_attitude_command(kinds)
    add_show_command(kinds)


def command_slices(options: argparse.Namespace) -> int:
    """Make the body, tell what was done, write it and its picture."""
    from drapesim.jobs.body import SliceSettings, check_out, make_body, write_body
    from drapesim.jobs.places import place_file, read_given

    source = options.source
    out = options.out or Path("bodies") / f"{source.resolve().name.split('.')[0] or 'body'}.ply"
    check_out(out, options.force, not options.no_pictures)
    spacing = None if options.spacing_mm is None else tuple(1e-3 * h for h in options.spacing_mm)
    settings = SliceSettings(
        spacing=spacing, first=options.first_slice, threshold=options.threshold,
        opening=1e-3 * options.opening_mm, pocket=1e-3 * options.pocket_mm, error=1e-3 * options.error_mm,
    )  # fmt: skip
    places = read_given(options.places, out, options.force)
    made = make_body(source, settings, lambda words: None if options.quiet else print(words, file=sys.stderr), places)
    print("\n".join(tell_body(made, settings.error)))
    write_body(out, made)
    written = [str(out)]
    if not options.no_pictures:
        from drapesim.front.body_sheet import draw_body_sheet

        draw_body_sheet(made, out.with_suffix(".png"))
        written.append(str(out.with_suffix(".png")))
    if made.places:
        written.append(str(place_file(out)))
    print(f"written: {', '.join(written)}")
    print(f'in a scene: [body] mesh = {{ file = "{out.name}", unit = "m", up = "z" }}')
    if made.places:
        print(f'            places = "{place_file(out).name}"')
    return 0


def tell_body(made: SliceBody, allowed: float) -> list[str]:
    """The short report, a line for each thing that was found or done."""
    slices, skin = made.slices, made.skin
    nz, ny, nx = slices.values.shape
    size = 1e3 * (made.body.vertices.max(axis=0) - made.body.vertices.min(axis=0))
    voxel = " x ".join(f"{1e3 * h:.4g}" for h in slices.spacing)
    t = skin.threshold
    rows = [
        ("read", f"{slices.source}: {nz} slices of {ny} x {nx}, voxels of {voxel} mm"),
        ("threshold", f"{t.level:.5g}, {t.method}; mean {t.air:.5g} below and {t.flesh:.5g} above it"),
        ("taken away", _taken(made)),
        ("air filled", f"{1e6 * skin.filled_volume:.1f} cm3"),
        ("smoothed", f"volume {100 * made.volume_change:+.3f} %, vertices moved by at most {1e3 * made.moved:.2f} mm"),
        ("thinned out", f"{made.faces_before} to {len(made.body.faces)} triangles, the largest distance either way "
                        f"{1e3 * made.error:.3f} mm ({1e3 * allowed:g} allowed)"),
        ("body", f"{size[0]:.1f} mm from feet to head, {size[1]:.1f} broad, {size[2]:.1f} deep, "
                 f"{1e3 * made.volume:.3f} litres, closed"),
    ]  # fmt: skip
    if made.specks:
        rows.append(("left out", f"{made.specks} small shell{'' if made.specks == 1 else 's'} beside the body"))
    if made.crossings:
        rows.append(("NOTE", f"{made.crossings} pairs of triangles cross each other; try a smaller --error-mm"))
    rows += [("places", words) for words in made.places]
    rows += [("note", words) for words in (*slices.notes, *skin.notes, *made.body.repairs)]
    return [f"{name:<12} {words}" for name, words in rows]


def _taken(made: SliceBody) -> str:
    skin = made.skin
    if skin.removed_volume == 0.0:
        return "nothing"
    return (
        f"{1e6 * skin.removed_volume:.1f} cm3 that is not the largest part (table, covers, noise), "
        f"the largest piece {1e6 * skin.removed_largest:.1f} cm3"
    )
