"""The command `drapesim reach`: proofs that no lay brings marks to where they are claimed to touch."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from drapesim.ground.outcome import InputError

EPILOG = """\
what is proven:
  For each two marks that claim a place on the body (touches_place, shows_feature): the shortest way round the
  body's outside between the places is held against the longest that the cloth between the marks can be made, with
  its yarns at their safe extension and its weave sheared to the locking angle. If the way is longer, no lay of any
  kind meets both claims. Of three marks of which any two may go, it is looked for where the middle one could touch.
  Marks that are claimed to meet count as ways from layer to layer: cloth that lies on itself binds others closer.
  Nothing is settled, and the lay of the scene does not count. No proof does not mean that a lay exists. The proven
  way may be up to some 2 % shorter than the true one, never longer.
"""


def add_reach_command(commands: Any) -> None:
    """Put `reach` among ``commands``."""
    reach = commands.add_parser(
        "reach", help="prove which claims no lay can meet", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Prove which claims of a scene's marks no lay of any kind can meet together. Writes reach.csv, "
                    "reach.json and a picture for each proof.",
    )  # fmt: skip
    reach.add_argument("scene", type=Path, metavar="SCENE", help="the scene's TOML file")
    reach.add_argument("--out", type=Path, metavar="DIR", help="the folder (reach/<name of the scene>)")
    reach.add_argument("--no-pictures", action="store_true", help="write the tables, but no pictures")
    reach.add_argument("--quiet", action="store_true", help="show no progress")
    reach.set_defaults(command=command_reach)


def command_reach(options: argparse.Namespace) -> int:
    """Prove, print the sentences and write the tables and pictures."""
    from drapesim.front.reach_sheet import FlatCloth, clear_proofs, draw_proofs
    from drapesim.front.terminal import open_console, show_reach
    from drapesim.jobs.reach import name_claims, prove_scene, write_proofs
    from drapesim.jobs.run import make_folder
    from drapesim.matter.plan import read_scene

    out = options.out or Path("reach") / options.scene.stem
    if out.exists() and not out.is_dir():
        raise InputError(out, "--out", "this is a file, not a folder", "name a folder")
    scene = read_scene(options.scene)

    def say(text: str) -> None:
        if not options.quiet:
            print(text, file=sys.stderr, flush=True)

    found = prove_scene(scene, say)
    show_reach(open_console(), found.reach)
    reach = found.reach
    make_folder(out)
    write_proofs(out, reach, name_claims(scene.marks, scene.body, scene.fabric))
    clear_proofs(out)
    if not options.no_pictures:
        sheet = scene.sheet
        flat = FlatCloth(scene.marks, sheet.length, sheet.width, sheet.inner_sign)
        draw_proofs(out, flat, found.obstacle, reach)
    print(f"written: {out}")
    return 0
