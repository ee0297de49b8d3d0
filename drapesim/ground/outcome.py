"""How things end: the closed list of endings of a settle, and the one error we raise for bad input."""

from __future__ import annotations

from enum import Enum


class Ending(Enum):
    """Every way a settle can end; the value is the sentence shown to the user."""

    SETTLED = "Settled: every figure of the certificate is met."
    OUT_OF_STEPS = "Unsettled: the step limit was reached; raise settle.max_steps or use a coarser spacing."
    CERTIFICATE_FAILED = (
        "Unsettled: the solver reached its goal, but not every figure of the certificate is met; its table says which."
    )
    STUCK = (
        "Unsettled: the sheet could move on only through itself; start it with its layers farther apart, "
        "or use a finer spacing."
    )
    FELL_OFF = (
        "Unsettled: the sheet slid off and fell below everything it could lie on; lay more of it over the body, "
        "pull it less far, or put a support under it."
    )
    INTERRUPTED = "Interrupted: a checkpoint was kept; run again with --resume to go on."
    NOT_FINITE = "Failed: a position became non-finite; check the fabric card and the starting height."


NOT_MEASURED = "not measured"
"""What is shown in place of a figure that is not finite: the run ended before it could be taken."""


class InputError(Exception):
    """Bad input, said in one sentence: which file, which key or line, what is wrong, what would be right.

    The command line prints ``str(error)`` and leaves with exit code 2; nothing is written.

    Parameters
    ----------
    file: path of the file as the user named it ("" when there is none).
    where: key path, line, element id or column ("" when the whole file is meant).
    problem: what is wrong.
    remedy: what would be right.
    further: other faults found in the same reading, each of which prints as a line of its own after this one.
    """

    def __init__(
        self, file: object, where: str, problem: str, remedy: str = "", further: tuple[InputError, ...] = ()
    ) -> None:
        self.file, self.where, self.problem, self.remedy = str(file), where, problem, remedy
        self.further = further
        place = ": ".join(part for part in (self.file, where) if part)
        sentence = f"{problem}; {remedy}" if remedy else problem
        first = f"{place}: {sentence}" if place else sentence
        super().__init__("\n".join([first, *map(str, further)]))


def gather_faults(faults: list[InputError]) -> InputError:
    """One error that says all of ``faults`` (at least one), the first of them as the main line."""
    first, *others = faults
    return InputError(first.file, first.where, first.problem, first.remedy, (*first.further, *others))
