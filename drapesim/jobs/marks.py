"""The table of verdicts of a finished run, with contact at several thresholds, and proofs and chance on demand."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drapesim.ground.files import spell_csv, write_text
from drapesim.ground.outcome import InputError
from drapesim.jobs.press import load_presses
from drapesim.jobs.reach import SceneReach, name_claims, prove_marks, recall_proofs, write_proofs
from drapesim.judging.chance import (
    MEANING,
    Chance,
    judged_by_lay,
    list_ways,
    say_chance,
    say_support,
    score_marks,
    spread_ground,
    weigh_chance,
)
from drapesim.judging.contact_levels import LevelShare, share_levels
from drapesim.judging.pressing import PressTest, say_press
from drapesim.judging.reach import Reach
from drapesim.matter.answers import CLEAR, NATURAL, OUT, PRESSED, UNDECIDED, Verdict
from drapesim.matter.marks import MEETS
from drapesim.settling.archive import Run

CSV_FILE, JSON_FILE = "verdicts.csv", "verdicts.json"


@dataclass(frozen=True)
class MarkAnswer:
    """One row of the table: the ``verdict`` over all that is known, with its reason, and what this lay alone shows."""

    mark: str
    kind: str
    claim: str
    place: str
    verdict: str
    reason: str
    in_this_lay: str
    meets: bool | None
    here: Verdict
    levels: tuple[LevelShare, ...]


@dataclass(frozen=True)
class Support:
    """Two runs scored by the same claims: score and number met of each, by the marks in ``marks``."""

    names: tuple[str, str]
    marks: tuple[str, ...]
    scores: tuple[tuple[float, ...], tuple[float, ...]]
    meets: tuple[tuple[bool | None, ...], tuple[bool | None, ...]]
    said: str


def answer_marks(
    run: Run,
    reach: Reach | None = None,
    presses: Sequence[PressTest] = (),
    kept: Mapping[str, str] | None = None,
) -> list[MarkAnswer]:
    """The table. Out of reach is said by proof alone, of marks that do not meet their claim in this very lay.

    The verdict is one of "touches naturally", "touches if pressed or pulled", "out of reach", "undecided", and of a
    mark claimed to lie clear that does so, "clear of the body". Touching if pressed takes ``presses``, tests of this
    very sheet (`drapesim.jobs.press`); a mark that none was made of, or that none brought to the body, is "undecided".
    ``kept``: sentences of proofs from before (`recall_proofs`), where there is no ``reach``.
    """
    proofs = (kept or {}) if reach is None else reach.reasons()
    pressed = {test.mark: test for test in presses}
    levels = share_levels(run.marks, run.verdicts, run.lattice, run.x, run.body, run.fabric, run.contact_levels)
    rows = []
    for mark, here, shares in zip(run.marks, run.verdicts, levels, strict=True):
        verdict, reason = UNDECIDED, here.reason
        if here.verdict == NATURAL or (here.verdict == CLEAR and here.claim == "lies_clear"):
            verdict = here.verdict
        elif mark.name in pressed:
            verdict = PRESSED if pressed[mark.name].touches else UNDECIDED
            reason = f"{here.reason} {say_press(pressed[mark.name])}"
        elif here.verdict != UNDECIDED:
            reason = f"{here.reason} No press test was made, so touching under pressure is open."
        if mark.name in proofs and here.meets is not True:
            verdict, reason = OUT, f"Not together with the others: {proofs[mark.name]}"
        place = mark.claim.place
        rows.append(MarkAnswer(mark.name, mark.kind, mark.claim.kind, place, verdict, reason, here.verdict, here.meets,
                               here, shares))  # fmt: skip
    return rows


def recall_presses(run: Run, folder: Path) -> list[PressTest]:
    """The press tests that are kept beside a run; see `drapesim.jobs.press.load_presses`."""
    return load_presses(folder, run)


def recall_reach(run: Run, folder: Path) -> dict[str, str] | None:
    """The reach proofs that are kept beside a run; see `drapesim.jobs.reach.recall_proofs`."""
    return recall_proofs(folder, run.marks, run.body, run.fabric)


def prove_run(run: Run, where: str, say: Callable[[str], None]) -> SceneReach:
    """The reach proofs of a run's marks; see `drapesim.jobs.reach.prove_marks`."""
    return prove_marks(run.marks, run.body, run.fabric, where, say)


def draw_lots(run: Run, n: int, say: Callable[[str], None]) -> list[Chance]:
    """The chance test of a run in every way that can be drawn. Raises `InputError` for a run without marks."""
    marks = judged_by_lay(run.marks, run.layers is not None)
    if not marks:
        raise InputError("", "--chance", "the run has no marks with a claim on the body", "name a run with such marks")
    if len(marks) < len(run.marks):
        say("claims that marks meet are left out: the run has recorded no layers")
    ground = spread_ground(run.lattice, run.contact, run.body, run.fabric.thickness, run.layers)
    found = []
    for way in list_ways(marks):
        say(f"drawing {n} lots: {way}")
        found.append(weigh_chance(marks, ground, way, n, run.seed))
    return found


def compare_support(runs: tuple[Run, Run], names: tuple[str, str]) -> Support:
    """Score two runs by the claims of the marks that both have, claim and place alike.

    Raises `InputError` where they share none.
    """
    tables = [
        {(m.name, m.claim.kind, m.claim.place): (m, v) for m, v in zip(r.marks, r.verdicts, strict=True)} for r in runs
    ]
    has_layers = all(run.layers is not None for run in runs)
    shared = [key for key in tables[0] if key in tables[1] and (has_layers or key[1] != MEETS)]
    if not shared:
        problem = "the two runs have no claim in common"
        raise InputError("", "--against", problem, "name runs whose marks have the same names, claims and places")
    scores, meets = [], []
    for run, table in zip(runs, tables, strict=True):
        chosen = [table[key] for key in shared]
        ground = spread_ground(run.lattice, run.contact, run.body, run.fabric.thickness, run.layers)
        scores.append(tuple(float(s) for s in score_marks([mark for mark, _ in chosen], ground)))
        meets.append(tuple(verdict.meets for _, verdict in chosen))
    means = sum(scores[0]) / len(shared), sum(scores[1]) / len(shared)
    met = sum(m is True for m in meets[0]), sum(m is True for m in meets[1])
    said = say_support(means, names, met, len(shared))
    return Support(names, tuple(key[0] for key in shared), (scores[0], scores[1]), (meets[0], meets[1]), said)


WORDS = {True: "yes", False: "no", None: "undecided"}


def _number(value: float, factor: float = 1e3) -> float | None:
    return round(factor * value, 4) if math.isfinite(value) else None


def list_answers(rows: Sequence[MarkAnswer]) -> list[dict[str, Any]]:
    """One flat entry a mark, lengths in mm, shares in per cent; None where a number does not exist."""
    entries = []
    for row in rows:
        here = row.here
        entry: dict[str, Any] = {
            "mark": row.mark, "kind": row.kind, "claim": row.claim, "place": row.place, "verdict": row.verdict,
            "as_claimed_in_this_lay": WORDS[row.meets], "in_this_lay": row.in_this_lay, "reason": row.reason,
            "gap_min_mm": _number(here.gap_min), "gap_median_mm": _number(here.gap_median),
            "gap_max_mm": _number(here.gap_max), "uncertainty_mm": _number(here.uncertainty),
            "nearest_region": here.nearest_region,
            "belongs": "" if here.place is None else WORDS[here.place.belongs] if here.place.asked else "not asked",
        }  # fmt: skip
        for share in row.levels:
            name = f"{1e3 * share.level:g}".replace(".", "p")
            for word in ("sure", "measured", "possible"):
                entry[f"within_{name}_mm_{word}_percent"] = _number(getattr(share, word), 100.0)
        entries.append(entry)
    return entries


def write_answers(
    out: Path,
    run: Run,
    rows: Sequence[MarkAnswer],
    reach: Reach | None = None,
    chances: Sequence[Chance] = (),
    support: Support | None = None,
) -> None:
    """verdicts.csv and verdicts.json in the folder ``out``; reach.csv and reach.json if there are proofs."""
    entries = list_answers(rows)
    columns = list(dict.fromkeys(key for entry in entries for key in entry))
    write_text(out / CSV_FILE, spell_csv(columns, [[entry.get(name) for name in columns] for entry in entries]))
    whole: dict[str, Any] = {"marks": entries}
    if chances:
        whole["chance"] = {
            "meaning": MEANING,
            "lots": [{"way": c.way, "draws": c.n, "fit_as_well": c.k, "score": c.score, "median_score": c.typical,
                      "share_percent": 100 * c.share, "low_percent": 100 * c.low, "high_percent": 100 * c.high,
                      "said": say_chance(c)} for c in chances],
        }  # fmt: skip
    if support is not None:
        rows_of = zip(support.marks, zip(*support.scores, strict=True), zip(*support.meets, strict=True), strict=True)
        whole["support"] = {
            "runs": list(support.names), "said": support.said,
            "claims": [{"mark": m, "scores": list(s), "met": [WORDS[a] for a in met]} for m, s, met in rows_of],
        }  # fmt: skip
    write_text(out / JSON_FILE, json.dumps(whole, indent=1) + "\n")
    if reach is not None:
        write_proofs(out, reach, name_claims(run.marks, run.body, run.fabric))
