"""The command `drapesim reach`: proofs that no lay brings marks to where they are claimed to touch."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.outcome import InputError

if TYPE_CHECKING:
    from drapesim.judging.reach import Reach

TIGHTEST = 3  # pairs told of those that may go

EPILOG = """\
what is proven:
  For each two marks that claim a place on the body (touches_place, shows_feature): the shortest way round the
  body's outside between the places is held against the longest that the cloth between the marks can be made, with
  its yarns at their safe extension and its weave sheared to the locking angle. If the way is longer, no lay of any
  kind meets both claims. Of three marks of which any two may go, it is looked for where the middle one could touch.
  Marks that are claimed to meet count as ways from layer to layer: cloth that lies on itself binds others closer.
  Nothing is settled, and the lay of the scene does not count. No proof does not mean that a lay exists. The proven
  way may be up to some 3 % shorter than the true one, never longer.
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
    from drapesim.front.terminal import open_console
    from drapesim.jobs.reach import prove_scene, write_proofs
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
    write_proofs(out, reach)
    if not options.no_pictures:
        from drapesim.front.reach_sheet import draw_proofs

        draw_proofs(out, scene, found.obstacle, reach)
    print(f"written: {out}")
    return 0


def show_reach(console: Any, reach: Reach) -> None:
    """What was proven in sentences; then the tightest pairs that may go, and the folds that must stand."""
    from drapesim.judging.reach import say_chain, say_pair

    def say(text: str) -> None:
        console.print(text, markup=False, soft_wrap=True)

    ranked = sorted(reach.pairs, key=lambda p: (not p.is_impossible, p.spare))
    impossible = [pair for pair in ranked if pair.is_impossible]
    pairs = f"{len(ranked)} pair{'s' * (len(ranked) != 1)} of marks"
    chains = f"{len(reach.chains) or 'no'} chain{'s' * (len(reach.chains) != 1)} of three"
    say(f"Of {pairs}, {len(impossible) or 'none'} {'are' if len(impossible) > 1 else 'is'} proven out of reach of "
        f"every lay; besides, {chains}.")  # fmt: skip
    for pair in impossible:
        say(f"- {say_pair(pair, reach.limits)}")
    for chain in reach.chains:
        say(f"- {say_chain(chain)}")
    possible = [pair for pair in ranked if not pair.is_impossible and pair.found > 0.0 and pair.fold == 0.0]
    if possible:
        say("Of the others nothing is proven, which does not mean that a lay exists. The tightest:")
    for pair in possible[:TIGHTEST]:
        say(f"- {say_pair(pair, reach.limits)}")
    for pair in ranked:
        if pair.fold > 0.0:
            say(f"- {say_pair(pair, reach.limits)}")
    if reach.meets:
        say(f"Counted in: {'; '.join(f'{a} meets {b}' for a, b in reach.meets)}. On a free sheet any two marks can be "
            "brought onto each other, so such a claim forbids something only by what it does to others.")  # fmt: skip
