"""The table of verdicts: the verdict over all that is known, its files, two runs side by side."""

import csv
import json
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from drapesim.front.cli import main
from drapesim.ground.outcome import InputError
from drapesim.jobs.marks import (
    answer_marks,
    compare_support,
    draw_lots,
    list_answers,
    recall_reach,
    write_answers,
)
from drapesim.judging.reach import PairProof, Reach
from drapesim.judging.threads import Limits
from drapesim.matter.answers import CLEAR, NATURAL, NOT_HERE, OUT, UNDECIDED
from drapesim.matter.marks import Claim
from drapesim.settling.archive import Run, save_run
from tests.unit.made_run import make_run


def made(**changes: Any) -> Run:
    run = make_run()
    low, high = run.lattice.uv.min(axis=0), run.lattice.uv.max(axis=0)
    rng = np.random.default_rng(1)
    marks = tuple(
        replace(mark, samples=low + rng.random(mark.samples.shape) * (high - low), rings=()) for mark in run.marks
    )
    return replace(run, marks=marks, **changes)


def with_verdicts(run: Run, *words: str) -> Run:
    verdicts = tuple(replace(v, verdict=word, place=None) for v, word in zip(run.verdicts, words, strict=True))
    return replace(run, verdicts=verdicts)


def impossible(names: tuple[str, str]) -> Reach:
    legs = np.array([[[0.0, 0.0], [0.2, 0.0]]])
    pair = PairProof(names, ("front", "back"), (), legs, 0.2, 0.21, 0.002, 0.3, 0.3, np.zeros((2, 3)))
    return Reach((pair,), (), Limits(0.03, 0.03, 0.6))


def test_verdicts_come_from_the_lay_alone_without_a_proof() -> None:
    rows = answer_marks(with_verdicts(made(), NATURAL, CLEAR))
    assert [row.verdict for row in rows] == [NATURAL, CLEAR]
    rows = answer_marks(with_verdicts(made(), NOT_HERE, NATURAL))
    assert [row.verdict for row in rows] == [UNDECIDED, NATURAL]
    assert rows[0].in_this_lay == NOT_HERE
    assert "No press test was made" in rows[0].reason


def test_out_of_reach_is_said_by_proof_alone_and_not_of_a_mark_that_is_there() -> None:
    proof = impossible(("wax", "other"))
    (wax, _) = answer_marks(with_verdicts(made(), NOT_HERE, CLEAR), proof)
    assert wax.verdict == OUT
    assert "wax and other are 200 mm apart on the cloth" in wax.reason
    (wax, _) = answer_marks(with_verdicts(made(), NATURAL, CLEAR), proof)
    assert wax.verdict == NATURAL


def test_shares_rise_with_the_threshold_and_bracket_the_measured_one() -> None:
    for row in answer_marks(made()):
        measured = [share.measured for share in row.levels]
        assert measured == sorted(measured)
        assert all(share.sure <= share.measured <= share.possible for share in row.levels)


def test_the_files_hold_the_same(tmp_path: Path) -> None:
    run = made()
    rows = answer_marks(run)
    chances = draw_lots(run, 999, lambda _: None)
    support = compare_support((run, run), ("one", "two"))
    write_answers(tmp_path, run, rows, impossible(("wax", "other")), chances, support)
    table = list(csv.DictReader((tmp_path / "verdicts.csv").read_text().splitlines()))
    whole = json.loads((tmp_path / "verdicts.json").read_text())
    assert [row["mark"] for row in table] == ["wax", "seam"]
    assert list(table[0]) == list(list_answers(rows)[0])
    assert [entry["verdict"] for entry in whole["marks"]] == [row["verdict"] for row in table]
    assert {lot["way"] for lot in whole["chance"]["lots"]} == {"shifted", "turned", "mirrored", "redrawn", "places"}
    assert all(lot["draws"] == 999 for lot in whole["chance"]["lots"])
    assert whole["support"]["claims"][0]["scores"][0] == whole["support"]["claims"][0]["scores"][1]
    assert "yes" in (tmp_path / "reach.csv").read_text()


def test_runs_without_a_claim_in_common_are_refused() -> None:
    run = made()
    others = tuple(replace(mark, claim=Claim("touches")) for mark in run.marks)
    with pytest.raises(InputError, match="no claim in common"):
        compare_support((run, replace(run, marks=others)), ("one", "two"))


def test_the_command_prints_and_saves(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    save_run(tmp_path, made(inputs=MappingProxyType({})))
    assert main(["marks", str(tmp_path), "--quiet"]) == 3  # this run did not settle
    assert "wax" in capsys.readouterr().out
    assert (tmp_path / "verdicts.csv").is_file()
    assert main(["marks", str(tmp_path), "--chance", "5"]) == 2
    assert "give 999 or more" in capsys.readouterr().err


def test_proofs_that_are_kept_count_for_the_same_claims_only(tmp_path: Path) -> None:
    run = with_verdicts(made(), NOT_HERE, NATURAL)
    assert recall_reach(run, tmp_path) is None
    write_answers(tmp_path, run, answer_marks(run), impossible(("wax", "other")))
    kept = recall_reach(run, tmp_path)
    assert kept is not None
    assert set(kept) == {"wax", "other"}
    row = answer_marks(run, kept=kept)[0]
    assert row.verdict == OUT
    assert "200 mm apart on the cloth" in row.reason
    moved = replace(run.marks[0], claim=replace(run.marks[0].claim, tolerance=0.1))
    assert recall_reach(replace(run, marks=(moved, run.marks[1])), tmp_path) is None
    for other in ("[]", '{"limits": {}, "proofs": []}', "no table"):  # the second: of the version before
        (tmp_path / "reach.json").write_text(other)
        assert recall_reach(run, tmp_path) is None
