"""The command `drapesim body scan`: cleans a surface scan, and tells and keeps what was changed."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from drapesim.ground.outcome import InputError

EPILOG = """\
scale:
  --from 12.1 803.5 44 --to 14.0 -790.2 51.3 --distance-mm 1712
  gives two points of the scan in the file's own numbers and axes, as a mesh viewer shows them, and the distance that
  you measured between them on the thing itself. The farther apart they are, the better. Without them, state --unit.

cautions:
  Living people: ask for consent, tell what the scan is for, never shine a projector or laser into eyes, keep the scan
  safe; it is personal data, and a face can be known from its surface. Human remains: treat them with dignity, and scan
  only with the permission that law, your ethics board and descendant communities ask for. Fragile objects: nothing is
  worth a touch, a powder, a target or a lamp that its conservator has not allowed. Local codes go before this text.
  The body file and its report hold nothing of the scan's header, but they show the shape. This is no medical device.
"""


def add_scan_command(kinds: Any) -> None:
    """Put `scan` among the commands of `body`."""
    scan = kinds.add_parser(
        "scan", help="from a surface scan: PLY, STL, OBJ, GLB", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Clean a surface scan and write it as a closed mesh (PLY, metres, z up) without crossings, with a "
                    "report of every change and a sheet that shows it.",
    )  # fmt: skip
    scan.add_argument("source", type=Path, metavar="FILE", help="the scan: PLY, STL, OBJ or GLB")
    scan.add_argument("--out", type=Path, metavar="FILE", help="the body file (bodies/<name of the scan>.ply)")
    scan.add_argument("--unit", metavar="U", help="of the file's numbers: m, cm, mm, um, in, ft (guessed)")
    scan.add_argument("--up", metavar="AXIS", help="the file's axis that points up: y, --up=-z ... (z; GLB: y)")
    for name, words in (("--from", "one landmark"), ("--to", "the other")):
        scan.add_argument(name, type=float, nargs=3, metavar=("X", "Y", "Z"), dest=name[2:] + "_point",
                          help=f"{words} of known distance, in the file's own numbers and axes")  # fmt: skip
    scan.add_argument("--distance-mm", type=float, metavar="D", help="the measured distance of --from and --to")
    scan.add_argument("--length-mm", type=float, metavar="L", help="the longest extent by another measurement, a check")
    scan.add_argument("--support-mm", type=float, metavar="Z",
                      help="height of the support in the scan turned upright: what is open is closed down to it, and "
                           "what lies lower is cut off (the scan's lowest point)")  # fmt: skip
    scan.add_argument("--hole-mm", type=float, default=50.0, metavar="D",
                      help="holes up to this far around are filled (50)")  # fmt: skip
    scan.add_argument("--cell-mm", type=float, default=1.5, metavar="H",
                      help="grid on which a new outside surface is made where one is needed (1.5)")  # fmt: skip
    scan.add_argument("--error-mm", type=float, default=0.5, metavar="D",
                      help="how far the light mesh may lie from the full one (0.5)")  # fmt: skip
    scan.add_argument("--places", type=Path, metavar="FILE",
                      help="landmarks and regions (see body places) to carry along")  # fmt: skip
    scan.add_argument("--rebuild", action="store_true", help="make a new outside surface in any case")
    scan.add_argument("--largest", action="store_true", help="keep the largest shell only")
    scan.add_argument("--force", action="store_true", help="replace the body file, its report and its sheet")
    scan.add_argument("--no-pictures", action="store_true", help="write the body file and its report only")
    scan.add_argument("--quiet", action="store_true", help="show no progress")
    scan.set_defaults(command=command_scan)


def command_scan(options: argparse.Namespace) -> int:
    """Clean the scan, tell what was done, write body, report and sheet."""
    from drapesim.jobs.places import place_file, read_given
    from drapesim.jobs.scan import ScanSettings, clean_scan, tell_scan, write_scan

    source = options.source
    out = options.out or Path("bodies") / f"{source.stem}.ply"
    _check_out(source, out, options.force, not options.no_pictures)
    settings = ScanSettings(
        unit=options.unit, up=options.up, mark=_read_mark(options), length=_metres(options.length_mm),
        floor=_metres(options.support_mm), hole=1e-3 * options.hole_mm, cell=1e-3 * options.cell_mm,
        error=1e-3 * options.error_mm, is_rebuilt=options.rebuild, largest_only=options.largest,
    )  # fmt: skip
    places = read_given(options.places, out, options.force)
    if places is not None and places.in_patient:
        raise places.document.error(("axes",), "a scan has no patient's axes", "give points in the scan's own")
    made = clean_scan(source, settings, lambda words: None if options.quiet else print(words, file=sys.stderr), places)
    print("\n".join(tell_scan(made, settings.error)))
    written = [str(out), str(write_scan(out, made, settings.error))]
    if not options.no_pictures:
        from drapesim.front.show_sheet import draw_show
        from drapesim.jobs.show import look_at, tell_body

        if not options.quiet:
            print("drawing the sheet", file=sys.stderr)
        shown = look_at(out, "m", "z")
        draw_show(shown, tell_body(shown), out.with_suffix(".png"))
        written.append(str(out.with_suffix(".png")))
    if made.places:
        written.append(str(place_file(out)))
    print(f"written: {', '.join(written)}")
    print(f'in a scene: [body] mesh = {{ file = "{out.name}", unit = "m", up = "z" }}')
    if made.places:
        print(f'            places = "{place_file(out).name}"')
    return 0


def _metres(millimetres: float | None) -> float | None:
    return None if millimetres is None else 1e-3 * millimetres


def _read_mark(options: argparse.Namespace) -> Any:
    """The two landmarks and their distance, or None; `InputError` where only some of the three are given."""
    from drapesim.matter.scan import ScaleMark

    given = {"--from": options.from_point, "--to": options.to_point, "--distance-mm": options.distance_mm}
    missing = [name for name, value in given.items() if value is None]
    if len(missing) == len(given):
        return None
    if missing:
        problem = f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing"
        raise InputError("", "scale", problem, "give --from, --to and --distance-mm together")
    return ScaleMark(tuple(options.from_point), tuple(options.to_point), 1e-3 * options.distance_mm)


def _check_out(source: Path, out: Path, force: bool, with_picture: bool) -> None:
    if out.suffix.lower() != ".ply":
        raise InputError(out, "--out", "the body is written as PLY", "give a name that ends in .ply")
    if out.exists() and source.exists() and out.samefile(source):
        raise InputError(out, "--out", "the body would replace the scan", "name another file")
    taken = [
        path for path in (out, out.with_suffix(".txt"), out.with_suffix(".png"))[: 2 + with_picture] if path.exists()
    ]
    if taken and not force:
        raise InputError(taken[0], "--out", "the file is there already", "name another, or give --force to replace it")
