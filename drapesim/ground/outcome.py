"""How things end: the closed list of endings of a settle, and the one error we raise for bad input."""

from __future__ import annotations

from enum import Enum


class Ending(Enum):
    """Every way a settle can end; the value is the sentence shown to the user."""

    SETTLED = "Settled: every figure of the certificate is met."
    OUT_OF_STEPS = "Unsettled: the step limit was reached; raise settle.max_steps or use a coarser spacing."
    CERTIFICATE_FAILED = (
        "Unsettled: the residual was met but another figure of the certificate was not; see the certificate table."
    )
    INTERRUPTED = "Interrupted: a checkpoint was kept; run again with --resume to go on."
    NOT_FINITE = "Failed: a position became non-finite; check the fabric card and the starting height."


class InputError(Exception):
    """Bad input, said in one sentence: which file, which key or line, what is wrong, what would be right.

    The command line prints ``str(error)`` and leaves with exit code 2; nothing is written.

    Parameters
    ----------
    file: path of the file as the user named it ("" when there is none).
    where: key path, line, element id or column ("" when the whole file is meant).
    problem: what is wrong.
    remedy: what would be right.
    """

    def __init__(self, file: object, where: str, problem: str, remedy: str = "") -> None:
        self.file, self.where, self.problem, self.remedy = str(file), where, problem, remedy
        place = ": ".join(part for part in (self.file, where) if part)
        super().__init__(f"{place}: {problem}" + (f"; {remedy}" if remedy else "") if place else problem)
