"""The command `drapesim body figure`: its options, and what it tells on the terminal."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.outcome import InputError

if TYPE_CHECKING:
    from drapesim.jobs.figure import MadeFigure
    from drapesim.jobs.model_body import ModelBody

EPILOG = """\
about the figure:
  Its measures are means of a survey of 6068 soldiers, mixed and scaled by the form; what you measured goes above them.
  It is a shape made up from measures: nobody's portrait, and no evidence that anybody lay so.
"""


def add_figure_command(kinds: Any) -> None:
    """Put `figure` among the commands of `body`."""
    figure = kinds.add_parser(
        "figure", help="from measures: a posed adult", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Build a posed adult from the measures and joint angles of a form (TOML) and write it as a closed "
                    "mesh (PLY, metres) with its landmarks and regions, and a picture.",
    )  # fmt: skip
    figure.add_argument("form", type=Path, metavar="FORM", help="the form; written, empty, where there is none")
    figure.add_argument("--out", type=Path, metavar="FILE", help="the body file (bodies/<name of the form>.ply)")
    figure.add_argument(
        "--realistic",
        action="store_true",
        help="the skin of an open body model (extra body-model), in place of a shape of measures",
    )
    figure.add_argument("--force", action="store_true", help="replace the body file")
    figure.add_argument("--no-pictures", action="store_true", help="write the body file and its places only")
    figure.add_argument("--quiet", action="store_true", help="show no progress")
    figure.set_defaults(command=command_figure)


def command_figure(options: argparse.Namespace) -> int:
    """Build the figure, tell what it measures, write it with its places and its picture."""
    from drapesim.ground.files import write_text
    from drapesim.jobs.body import check_out
    from drapesim.jobs.figure import FORM, make_figure, write_figure
    from drapesim.jobs.places import place_file

    form = options.form
    if not form.exists() and form.suffix == ".toml" and form.parent.is_dir():
        write_text(form, FORM)
        print(f"written: {form}, a form to fill in; run the command again to build its figure")
        return 0
    out = options.out or Path("bodies") / f"{form.stem}.ply"
    check_out(out, options.force, not options.no_pictures)
    if place_file(out).exists() and not options.force:
        remedy = "name another, or give --force to replace it"
        raise InputError(place_file(out), "--out", "the file is there already", remedy)

    def say(words: str) -> None:
        if not options.quiet:
            print(words, file=sys.stderr)

    if options.realistic:
        from drapesim.jobs.model_body import make_model_body, write_model_body

        model = make_model_body(form, say)
        print("\n".join(tell_model(model)))
        written = [str(out), str(write_model_body(out, model))]
    else:
        made = make_figure(form, say)
        print("\n".join(tell_figure(made)))
        written = [str(out), str(write_figure(out, made))]
    if not options.no_pictures:
        from drapesim.front.show_sheet import draw_show
        from drapesim.jobs.show import look_at, tell_body

        shown = look_at(out, "m", "z")
        draw_show(shown, tell_body(shown), out.with_suffix(".png"))
        written.append(str(out.with_suffix(".png")))
    print(f"written: {', '.join(written)}")
    mesh = f'mesh = {{ file = "{out.name}", unit = "m", up = "z" }}'
    print(f'in a scene: [body] {mesh}, places = "{place_file(out).name}"' if options.realistic else
          f'in a scene: [body] adult = {{ form = "{form.name}" }}, or {mesh}')  # fmt: skip
    return 0


def tell_model(made: ModelBody) -> list[str]:
    """What the body model was made to meet and what not, and what was done to its surface."""
    from drapesim.jobs.model_body import FLESH, SETTINGS
    from drapesim.jobs.scan import tell_scan

    m = made.form.measures
    farthest = max(made.aside, key=lambda name: made.aside[name])
    rows = [
        ("model", "anny, an open parametric body model (code Apache-2.0, data CC0): nobody's body, and no evidence"),
        ("stature", f"{1e3 * made.stature:.0f} mm, asked {1e3 * m.stature:.0f}"),
        ("mass", f"{made.mass:.1f} kg at {FLESH:g} kg/m3, asked {m.mass:.1f}"),
        ("measures", "girths and other lengths are the model's own, not the form's"),
        ("attitude", f"the form's angles; joints lie up to {1e3 * made.aside[farthest]:.0f} mm ({farthest}) from where "
                     "the form's own measures put them, so hands may hover or sink in"),
        ("landmarks", f"{len(made.scan.body.landmarks)}; " + (
            f"under something: {', '.join(made.hidden)}" if made.hidden else "none lies under something")),
    ]  # fmt: skip
    return [f"{name:<12} {words}" for name, words in rows] + tell_scan(made.scan, SETTINGS.error)


def tell_figure(made: MadeFigure) -> list[str]:
    """The measures asked for and, of girths, what the mesh reads; then size, mass, soundness."""
    from drapesim.jobs.figure import TRUE
    from drapesim.matter.measures import MEASURES

    m, body = made.form.measures, made.adult.body
    read = {reading.name: reading for reading in made.readings}
    rows = [f"{'measure, mm':<22}{'asked':>8}{'on the mesh':>14}"]
    against = []
    for name in MEASURES:
        if name == "mass":
            continue
        row = f"{name:<22}{1e3 * getattr(m, name):>8.0f}"
        if name in read and abs(read[name].error) <= TRUE:
            row += f"{1e3 * read[name].read:>14.0f}"
        elif name.endswith("_girth"):
            against.append(name)
        rows.append(row)
    if against:
        rows.append(f"not to be taped in this attitude, as something lies against the part: {', '.join(against)}")
    size = 1e3 * (body.vertices.max(axis=0) - body.vertices.min(axis=0))
    rows.append(f"body: {size[0]:.0f} x {size[1]:.0f} x {size[2]:.0f} mm (x, y, z), {1e3 * made.volume:.1f} litres; "
                f"asked mass {m.mass:.1f} kg")  # fmt: skip
    rows.append(f"mesh: {len(body.faces)} triangles, closed, {made.crossings} pairs that cross; "
                f"{len(body.landmarks)} landmarks, {len(body.region_names)} regions")  # fmt: skip
    return rows
