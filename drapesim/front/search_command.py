"""The command `drapesim search`: over what a scene leaves free, the best lay found among those tried."""

from __future__ import annotations

import argparse
import json
import shlex
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.outcome import InputError

if TYPE_CHECKING:
    from drapesim.jobs.search import Found
    from drapesim.jobs.tried import TriedLay
    from drapesim.matter.freedom import Freedom

EPILOG = """\
what may vary:
  The scene says so, in [search]: one [[search.free]] table with key, low and high for each key of a lay step
  ("lay[1].place_mm"), angle of body.figure, or joint angle of a figure form ("form.angles_deg.left hip_flexion").
what is written:
  search.html, lays.csv (all lays tried), search.json, best-1.toml and so on (scenes of the best lays, ready to run),
  and each lay's own run in lays/, to look at with show and compare (some MB each).
"""


def add_search_command(commands: Any) -> None:
    """Add the command to the others."""
    search = commands.add_parser(
        "search", help="find the best lay among those tried", epilog=EPILOG, description=command_search.__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    search.add_argument("scene", type=Path, metavar="SCENE", help="the scene's TOML file, with a [search] table")
    search.add_argument("--out", type=Path, metavar="DIR", help="the folder (searches/<name of the scene>)")
    search.add_argument("--resume", action="store_true", help="go on with an interrupted search")
    search.add_argument("--reach", action="store_true", help="prove besides which claims no lay of any kind can meet")
    search.add_argument("--force", action="store_true", help="replace the search in the folder")
    search.add_argument("--no-pictures", action="store_true", help="write the tables, but no page")
    search.add_argument("--quiet", action="store_true", help="show no progress")
    search.set_defaults(command=command_search)


def command_search(options: argparse.Namespace) -> int:
    """Settle lay after lay over what the scene leaves free; tell which of them meets most claims and what conflicts."""
    from drapesim.front.search_words import (
        head_proofs,
        say_conflict,
        say_lay,
        say_looked,
        say_meaning,
        say_no_conflict,
        say_outcome,
        say_pointed,
        say_proofs,
        say_unmet,
    )
    from drapesim.front.terminal import open_console
    from drapesim.jobs.reach import prove_scene
    from drapesim.jobs.search import search_scene
    from drapesim.matter.freedom import read_freedom
    from drapesim.settling.settle import Interrupted

    out = options.out or Path("searches") / options.scene.stem
    watch = _Watch(read_freedom(options.scene), options.quiet)
    try:
        found = search_scene(options.scene, out, options.resume, options.force, watch.step, watch.lay, watch.expect)
    except (Interrupted, KeyboardInterrupt):
        again = ["drapesim", "search", str(options.scene), "--out", str(out), "--resume"]
        again += ["--reach"] * options.reach + ["--no-pictures"] * options.no_pictures
        print(f"Interrupted: all lays tried are kept. To go on:\n{shlex.join(again)}", file=sys.stderr)
        return 130
    reach, no_proofs = None, ""
    if options.reach:
        watch.say("running strings round the body")
        try:
            reach = prove_scene(found.scene).reach
        except InputError as fault:  # fewer than two places are claimed
            no_proofs = fault.problem
    console = open_console()
    lines = [say_outcome(found)]
    lines += [f"Also confirmed: {say_lay(found, lay)}." for lay in found.best[1 : found.freedom.confirm]]
    if found.pointed is not None:
        lines.append(say_pointed(found))
    if found.unmet:
        lines += ["", "What the best lay does not meet, and the slightest change that would:"]
        lines += [f"- {say_unmet(found, each)}" for each in found.unmet]
    if found.conflicts:
        lines += ["", "Conflicts among the lays tried (claims that none meets; then the smallest sets):"]
        lines += [f"- {say_conflict(each)}" for each in found.conflicts]
        lines.append(f"{say_looked(found)} {say_meaning(found)}".strip())
    else:
        lines += ["", f"Conflicts among the lays tried: {say_no_conflict(found)}"]
    if reach is not None:
        proofs = say_proofs(reach)
        lines += ["", f"{head_proofs(found)}:{'' if proofs else ' nothing is out of reach.'}"]
        lines += [f"- {proof}" for proof in proofs]
    elif no_proofs:
        lines += ["", f"No proofs: {no_proofs}."]
    console.print("\n".join(lines), markup=False, soft_wrap=True)
    write_found(out, found, reach)
    if not options.no_pictures:
        from drapesim.front.search_sheet import write_search_sheet

        watch.say("drawing the page")
        write_search_sheet(out, found, reach)
    print(f"written: {out}")
    return 0 if found.best else 3


def write_found(out: Path, found: Found, reach: Any) -> None:
    """lays.csv, search.json, and the scenes of the best lays."""
    from drapesim.front.search_words import list_found, say_lay, table_lays
    from drapesim.ground.files import write_text
    from drapesim.jobs.tried import FORMS
    from drapesim.matter.freedom import move_paths, vary

    write_text(out / "lays.csv", table_lays(found))
    for number, lay in enumerate(found.best[: found.freedom.confirm], start=1):
        document = vary(found.freedom, lay.values, out / FORMS)
        names = [*found.scene.inputs, *(str(p) for p in [document.data["body"].get("adult", {}).get("form")] if p)]
        text = move_paths(document, names, out)
        write_text(out / f"best-{number}.toml", f"# {say_lay(found, lay)}\n{text}")
    write_text(out / "search.json", json.dumps(list_found(found, reach), indent=1) + "\n")


class _Watch:
    """Tells on stderr how the search gets on: a line a lay, and every half minute while one settles."""

    EVERY = 30.0  # s

    def __init__(self, freedom: Freedom, is_quiet: bool) -> None:
        self.freedom, self.is_quiet = freedom, is_quiet
        self.seconds: dict[float, list[float]] = {}
        self.count, self.most_coarse = 0, freedom.most_lays
        self.begun = self.spoken = time.monotonic()
        self.words = ""

    def say(self, text: str) -> None:
        if not self.is_quiet:
            print(text, file=sys.stderr, flush=True)

    def expect(self, most_coarse: int) -> None:
        """How many lays there will be at the coarse spacing at most."""
        self.most_coarse = most_coarse

    def lay(self, lay: TriedLay | None, stage: str, spacing_mm: float) -> None:
        """Before a lay and after it."""
        from drapesim.front.search_words import count_claims

        now = time.monotonic()
        if lay is None:
            self.begun = self.spoken = now
            self.words = f"{stage}, {spacing_mm:g} mm nodes"
            return
        self.seconds.setdefault(spacing_mm, []).append(now - self.begun)
        self.count += spacing_mm == self.freedom.spacing_mm
        state = count_claims(lay) if lay.settled else "unsettled" if lay.steps else "cannot be begun"
        left = self.spell_left()
        self.say(f"lay {lay.number} ({self.words}): {state}; misses {lay.score:.3f}" + (f"; {left}" if left else ""))

    def step(self, step: Any) -> None:
        """While a lay settles."""
        from drapesim.front.terminal import COMPILING

        now = time.monotonic()
        if step.stage == "compiling":
            self.say(COMPILING)
        if now - self.spoken > self.EVERY:
            self.spoken = now
            self.say(f"  {self.words}: {step.stage}, lattice {step.level + 1} of {step.levels}, {step.steps} steps")

    def spell_left(self) -> str:
        """The most that is left, from how long lays have taken so far; the search may end sooner."""
        from drapesim.front.terminal import spell_seconds
        from drapesim.jobs.search import FINE_MOVES

        coarse = self.seconds.get(self.freedom.spacing_mm, [])
        fine = [each for spacing, each in self.seconds.items() if spacing != self.freedom.spacing_mm]
        if not coarse:
            return ""
        each = sum(coarse) / len(coarse)
        ratio = self.freedom.spacing_mm / float(self.freedom.scene.data["sheet"]["spacing_mm"])
        slow = sum(fine[0]) / len(fine[0]) if fine else each * ratio**3  # nodes by the square, steps by the rest
        confirmed = len(fine[0]) if fine else 0
        left = each * max(0, self.most_coarse - self.count) * (not fine)
        left += slow * max(0, self.freedom.confirm + FINE_MOVES - confirmed)
        return f"{spell_seconds(left)} left at most"
