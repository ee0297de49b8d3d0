"""The command `drapesim body attitude`: from landmarks on flat maps to the attitude that explains them."""

from __future__ import annotations

import argparse
import math
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.files import write_text
from drapesim.ground.outcome import InputError

if TYPE_CHECKING:
    from drapesim.jobs.attitude import Answer
    from drapesim.judging.attitude import Attitude

EPILOG = """\
what it shows and what not:
  The attitude under one stated lay model, of a figure with a handbook's proportions. Another model, or another body,
  gives another one. A flat map leaves much open, above all bends out of its plane; the table says what. A good fit
  shows that such a body could lie so under such a rule. It does not show that one did, nor who, nor how old a cloth is.
"""


def add_attitude_command(kinds: Any) -> None:
    """Put `attitude` among the commands of `body`."""
    attitude = kinds.add_parser(
        "attitude", help="joint angles and stature from landmarks on a flat map", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Find the stature and joint angles that best explain where landmarks lie on a flat map, under "
                    "stated lay models, tell what the map does not determine, and write a file for each model.",
    )  # fmt: skip
    attitude.add_argument("form", type=Path, nargs="?", metavar="FORM", help="the filled form (TOML)")
    attitude.add_argument("--form", dest="empty", type=Path, metavar="FILE", help="write an empty form")
    attitude.add_argument("--out", type=Path, metavar="DIR", help="folder (attitudes/<name of the form>)")
    attitude.add_argument("--force", action="store_true", help="replace files")
    attitude.add_argument("--no-pictures", action="store_true", help="draw nothing")
    attitude.add_argument("--quiet", action="store_true", help="show no progress")
    attitude.set_defaults(command=command_attitude)


def command_attitude(options: argparse.Namespace) -> int:
    """Fit, tell, write and draw."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the matrices are small: more threads take thrice the time
    from drapesim.jobs.attitude import answer_form, name_file, read_form, spell_form, write_answer

    if (options.form is None) == (options.empty is None):
        raise InputError("", "body attitude", "one thing to do is wanted", "give a filled form, or --form FILE")
    if options.empty is not None:
        _refuse(options.empty, options.force)
        write_text(options.empty, spell_form())
        print(f"written: {options.empty}")
        return 0
    form = read_form(options.form)
    out = options.out or Path("attitudes") / options.form.stem
    picture = out / "attitude.png"
    for path in [*(name_file(out, lay) for lay in form.lays), *([] if options.no_pictures else [picture])]:
        _refuse(path, options.force)

    def show(lay: str, done: int, of: int) -> None:
        if not options.quiet and done % 10 == 0:
            print(f"{lay}: {done} of {of} steps", file=sys.stderr)

    answer = answer_form(form, show)
    print("\n".join(tell_answer(answer)))
    written = write_answer(out, answer)
    if not options.no_pictures:
        from drapesim.front.attitude_sheet import draw_attitudes

        draw_attitudes(answer, picture)
        written.append(picture)
    print(f"written: {', '.join(map(str, written))}")
    return 0


def _refuse(path: Path, force: bool) -> None:
    if path.exists() and not force:
        raise InputError(path, "--out", "the file is there already", "name another, or give --force to replace it")


def tell_answer(answer: Answer) -> list[str]:
    """The tables of all lay models, and what to make of them."""
    rows = [answer.form.title]
    for attitude in answer.attitudes:
        rows += ["", *tell_attitude(attitude)]
    if len(answer.attitudes) > 1:
        rms = ", ".join(f"{a.lay} {1e3 * a.rms:.1f} mm" for a in answer.attitudes)
        rows += ["", f"Misfit by lay model: {rms}. The smaller one is no proof that the cloth lay so: a real lay "
                     "follows neither rule."]  # fmt: skip
    rows += [f"note: {words}" for words in answer.notes]
    rows.append("A figure can lie so under the stated rule; whether any body did, or whose, no map tells.")
    return rows


def tell_attitude(attitude: Attitude) -> list[str]:
    """One lay model: how well it fits, the stature, how the segments lie, the angles, the misfit of each landmark."""
    import numpy as np

    from drapesim.jobs.attitude import tell_segments
    from drapesim.judging.attitude import OPEN, UNSEEN
    from drapesim.matter.skeleton import ANGLE_NAMES

    rows = [f"LAY MODEL {attitude.lay}", f"misfit       {1e3 * attitude.rms:.1f} mm (root mean square)"]
    rows.append(_tell_test(attitude))
    best, least, most = (1e3 * s for s in attitude.stature)
    expected, sd = (1e3 * s for s in attitude.question.stature)
    rows.append(f"stature      {best:.0f} mm, allowed {least:.0f} to {most:.0f}: {attitude.stature_known} "
                f"(expected {expected:.0f}, sd {sd:.0f})")  # fmt: skip
    rows.append(f"{'segment':<18}{'in the map, degrees':>24}{'out of it, degrees':>24}")
    for row in tell_segments(attitude):
        rows.append(f"{row.name:<18}{_span(row.bearing):>24}{_span(row.tilt):>24}")
    rows.append(f"{'angle, degrees':<28}{'best':>6}{'allowed':>14}")
    for name, value, low, high, known in zip(
        ANGLE_NAMES, np.degrees(attitude.angles.as_vector()), np.degrees(attitude.low), np.degrees(attitude.high),
        attitude.known, strict=True,
    ):  # fmt: skip
        if known not in (OPEN, UNSEEN):
            rows.append(f"{name:<28}{round(value) + 0:>6}{f'{low:.0f} to {high:.0f}':>14}  {known}")
    left = ((OPEN, "NOT DETERMINED by the map (allowed, degrees)"), (UNSEEN, "NOT SEEN, no landmark depends on them"))
    for kind, words in left:
        named = [
            name + (f" ({np.degrees(low):.0f} to {np.degrees(high):.0f})" if kind == OPEN else "")
            for name, low, high, known in zip(ANGLE_NAMES, attitude.low, attitude.high, attitude.known, strict=True)
            if known == kind
        ]
        if named:
            rows.append(f"{words}: {', '.join(named)}")
    rows.append(f"{'landmark':<26}{'map less figure, u, v, mm':>28}{'in sd':>8}")
    for number, (view, misfit) in enumerate(zip(attitude.question.views, attitude.misfit, strict=True), start=1):
        if len(attitude.question.views) > 1:
            rows.append(f"map {number}, the body's {view.side}")
        for name, (u, v), sd in zip(view.names, misfit, view.sd, strict=True):
            place = f"{1e3 * u:+.1f}, {1e3 * v:+.1f}"
            rows.append(f"{name:<26}{place:>28}{np.hypot(u, v) / sd:>8.1f}")
    return rows


def _span(angle: tuple[float, float, float]) -> str:
    best, low, high = (math.degrees(value) for value in angle)
    return f"{round(best) + 0} ({low:.0f} to {high:.0f})"


def _tell_test(attitude: Attitude) -> str:
    """What the misfit can test at all."""
    views = attitude.question.views
    n = 2 * sum(len(view.names) for view in views)
    parts = f"{n} numbers of the map, {3 * len(views)} place it, {attitude.used:.1f} shape the figure"
    if attitude.free < 1.0:
        return f"test         {parts}: none is left to test the model, so a small misfit shows nothing"
    said = f"{attitude.free:.1f} are left to test the model: misfit {attitude.chi:.1f} times the stated uncertainty"
    if attitude.chi > 2.0:
        said += "; the body under this model does not explain the map, and what is allowed was widened as much"
    return f"test         {parts}, {said}"
