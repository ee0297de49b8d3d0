"""Search words: what a search found, as sentences and tables, alike in the terminal, the files and the page."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

from drapesim.front.wording import WORDS
from drapesim.ground.files import spell_csv
from drapesim.jobs.search import Conflict, Found, Unmet
from drapesim.jobs.tried import REFUSED, TriedLay
from drapesim.judging.reach import Reach, say_chain, say_pair
from drapesim.judging.shortfall import FARTHEST
from drapesim.matter.freedom import Axis

ELSE = "for no want of millimetres: another layer lies between, or what touches lies elsewhere"
STATES = {True: "met", None: "undecided", False: "not met"}


def spell_value(axis: Axis, value: float, signed: bool = False) -> str:
    """A value of an axis with its unit."""
    text = f"{value:+.2f}" if signed else f"{value:.2f}"
    return f"{text} {axis.unit}".strip()


def spell_values(axes: Sequence[Axis], values: Sequence[float]) -> str:
    """``place x 12.00 mm, turn 3.10 degrees``."""
    return ", ".join(f"{axis.words} {spell_value(axis, value)}" for axis, value in zip(axes, values, strict=True))


def count_claims(lay: TriedLay) -> str:
    """How many claims a lay meets, and of how many that is open."""
    said = f"{lay.met} of {len(lay.meets)} claims met"
    failed = len(lay.meets) - lay.met - lay.undecided
    return said + f", {failed} not met" * bool(failed) + f", {lay.undecided} undecided" * bool(lay.undecided)


def say_lay(found: Found, lay: TriedLay) -> str:
    """One lay in a line."""
    state = "settled" if lay.settled else "could not be begun" if lay.ending == REFUSED else "UNSETTLED"
    values = spell_values(found.freedom.axes, lay.values)
    return f"lay {lay.number} ({lay.spacing_mm:g} mm nodes, {state}): {count_claims(lay)}; {values}"


def say_outcome(found: Found) -> str:
    """The first line: what the best lay does."""
    tried = f"{len(found.tried)} lays tried"
    if not found.best:
        return f"No lay settled at the scene's own spacing, so nothing is found ({tried})."
    return f"The best of {tried} is {say_lay(found, found.best[0])}."


def say_pointed(found: Found) -> str:
    """What the best lays point to together; "" where they do not."""
    if found.pointed is None:
        return ""
    pointed = found.pointed
    values = ", ".join(
        f"{axis.words} {spell_value(axis, value)} (each alone within {spread:.2f})"
        for axis, value, spread in zip(found.freedom.axes, pointed.values, pointed.spread, strict=True)
    )
    names = " and ".join([", ".join(map(str, pointed.lays[:-1])), str(pointed.lays[-1])])
    return f"Lays {names} together point to {values}: a guess from their contact, moved over the cloth, no settled lay."


def spell_short(short_mm: float) -> str:
    """A shortfall in mm, as far as it is measured."""
    if not math.isfinite(short_mm):
        return "by an amount that is not measured"
    if short_mm < 0.05:
        return "by less than 0.05 mm"
    return f"by more than {1e3 * FARTHEST:g} mm" if short_mm >= 1e3 * FARTHEST else f"by {short_mm:.1f} mm"


def say_unmet(found: Found, unmet: Unmet) -> str:
    """A claim that the best lay fails, and the least that would resolve it."""
    said = f"{unmet.mark}: the best lay falls short {spell_short(unmet.short_mm)}"
    if unmet.short_mm == 0.0:
        said = f"{unmet.mark}: the best lay does not meet it, {ELSE}"
    if unmet.nearest is None:
        return f"{said}; no lay tried meets it."
    near = unmet.nearest
    moved = [
        f"{axis.words} {spell_value(axis, change, signed=True)}"
        for axis, change in zip(found.freedom.axes, near.changes, strict=True)
        if abs(change) > 5e-3
    ]
    how = f"with {', '.join(moved)}" if moved else "with the same values at the other spacing"
    is_open = "may meet it" if near.lay.meets.get(unmet.mark) is not True else "meets it"
    lost = f"it gives up {', '.join(near.gives_up)}" if near.gives_up else "it gives up no other claim"
    if near.leaves_open:
        lost += f" and leaves {len(near.leaves_open)} open that the best lay meets"
    return f"{said}; the nearest lay that {is_open} is lay {near.lay.number}, {how}; {lost}."


def say_conflict(conflict: Conflict) -> str:
    """A set of claims that no tried lay meets together, and which lay comes nearest."""
    names = ", ".join(conflict.marks)
    many = len(conflict.marks) > 1
    said = f"{names}: no lay tried meets {'all of these' if many else 'this one'}"
    if conflict.closest is None:
        return f"{said}."
    closest, shorts = conflict.closest, dict(zip(conflict.marks, conflict.short_mm, strict=True))
    short = ", ".join(f"{mark} {spell_short(short)}" for mark, short in shorts.items() if short != 0.0)
    level = [mark for mark, short in shorts.items() if short == 0.0 and closest.meets.get(mark) is False]
    parts = [f"short in {short}"] * bool(short) + [f"which does not meet {', '.join(level)} {ELSE}"] * bool(level)
    return f"{said}; lay {closest.number} comes nearest, {'; '.join(parts)}."


def say_no_conflict(found: Found) -> str:
    """Why no conflict is told."""
    if not any(lay.settled for lay in found.tried):
        return "No lay settled, so nothing can be said."
    if found.cut_at:
        return f"None of fewer than {found.cut_at} claims. {say_looked(found)}"
    return "None: as far as its spacing tells, one of the lays fails no claim."


def say_looked(found: Found) -> str:
    """Which conflicts are not told; "" where none can be missing."""
    most = max((len(each.marks) for each in found.conflicts), default=0)
    told = sum(len(each.marks) == most for each in found.conflicts)
    said = [f"Of the sets of {most} the first {told} of {told + found.untold} found are told."] * bool(found.untold)
    if found.cut_at > most:
        said.append(f"Sets of {found.cut_at} claims or more are too many to look through, and none is told.")
    elif found.cut_at:
        said.append(f"There are too many sets of {most} to look through all; larger sets were not looked for.")
    elif most > 1:
        said.append("Larger sets were not looked for.")
    return " ".join(said)


MEANING = (
    "Conflicts are told among the lays tried, and say nothing of others: another lay may meet what none of these does. "
    "What is proven over all lays {posture}is named apart, and only `drapesim reach` or --reach proves it. Lays at the "
    "search's wide spacing are judged as measured, granted what that spacing alone falls short by in the lays settled "
    "at both, {allowance:.1f} mm at most, and their uncertainty where a verdict is open."
)


def say_meaning(found: Found) -> str:
    """What the conflicts mean and do not mean."""
    posture = "of the scene's own posture " if frees_posture(found) else ""
    return MEANING.format(allowance=max(found.allowances_mm.values(), default=0.0), posture=posture)


def frees_posture(found: Found) -> bool:
    """Is anything free that the body is made by? Proofs then hold for the scene's own body alone."""
    return any(axis.keys[0] != "lay" for axis in found.freedom.axes)


def head_proofs(found: Found) -> str:
    """What stands over the proofs."""
    return "Proven over all lays" + ", for the scene's own posture only" * frees_posture(found)


def say_proofs(reach: Reach) -> list[str]:
    """Sets of claims that are proven impossible over all lays."""
    pairs = [pair for pair in reach.pairs if pair.is_impossible]
    return [say_pair(pair, reach.limits) for pair in pairs] + [say_chain(chain) for chain in reach.chains]


def list_lays(found: Found) -> tuple[list[str], list[list[str]]]:
    """(header, rows) of the table of all lays tried, in the order in which they were."""
    axes, marks = found.freedom.axes, [mark.name for mark in found.scene.marks]
    header = ["lay", "tried_as", "spacing_mm", *(axis.name for axis in axes), "settled", "met", "undecided", "not_met"]
    header += ["score", "steps", *(f"{word} {mark}" for mark in marks for word in ("met", "short_mm")), "reason"]
    rows = []
    for lay in found.tried:
        row = [str(lay.number), lay.stage, f"{lay.spacing_mm:g}", *(f"{value:.4f}" for value in lay.values)]
        row += ["yes" if lay.settled else "no", str(lay.met), str(lay.undecided)]
        row += [str(len(lay.meets) - lay.met - lay.undecided), f"{lay.score:.6f}", str(lay.steps)]
        for mark in marks:
            short = lay.short_mm.get(mark, math.nan)
            row += [WORDS[lay.meets.get(mark)], f"{short:.3f}" if math.isfinite(short) else ""]
        rows.append([*row, lay.reason])
    return header, rows


def table_lays(found: Found) -> str:
    """CSV text of all lays tried."""
    return spell_csv(*list_lays(found))


def list_found(found: Found, reach: Reach | None) -> dict[str, Any]:
    """All that was found, for JSON; values by axis in the axis's unit."""
    axes = found.freedom.axes

    def entry(lay: TriedLay) -> dict[str, Any]:
        return {
            "lay": lay.number, "run": lay.folder, "spacing_mm": lay.spacing_mm, "settled": lay.settled,
            "values": {axis.name: value for axis, value in zip(axes, lay.values, strict=True)},
            "met": lay.met, "undecided": lay.undecided, "not_met": len(lay.meets) - lay.met - lay.undecided,
            "score": lay.score,
            "claims": {mark: {"state": STATES[meets], "short_mm": _known(lay.short_mm.get(mark, math.nan))}
                       for mark, meets in lay.meets.items()},
        }  # fmt: skip

    return {
        "outcome": say_outcome(found),
        "free": [{"key": axis.name, "unit": axis.unit, "low": axis.low, "high": axis.high, "scene": axis.start}
                 for axis in axes],
        "lays_tried": len(found.tried),
        "pointed_to": None if found.pointed is None else {
            "lays": list(found.pointed.lays), "said": say_pointed(found),
            "values": {axis.name: round(v, 4) for axis, v in zip(axes, found.pointed.values, strict=True)},
            "spread": {axis.name: round(v, 4) for axis, v in zip(axes, found.pointed.spread, strict=True)},
        },
        "best": [entry(lay) for lay in found.best],
        "not_met_by_the_best": [
            {"claim": each.mark, "short_mm": _known(each.short_mm), "said": say_unmet(found, each),
             "nearest_lay": None if each.nearest is None else each.nearest.lay.number}
            for each in found.unmet
        ],
        "conflicts_among_the_lays_tried": [
            {"claims": list(each.marks), "said": say_conflict(each), "worst_mm": _known(each.worst_mm)}
            for each in found.conflicts
        ],
        "granted_to_coarse_lays_mm": {mark: _known(granted) for mark, granted in found.allowances_mm.items()},
        "conflicts_not_told": say_looked(found), "meaning": say_meaning(found),
        _key(head_proofs(found)): None if reach is None else say_proofs(reach),
    }  # fmt: skip


def _key(words: str) -> str:
    return re.sub(r"[^a-z]+", "_", words.lower().replace("'", ""))


def _known(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None
