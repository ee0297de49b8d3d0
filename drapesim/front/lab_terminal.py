"""What the lab shows on the terminal: how far it is, and the table of readings."""

from __future__ import annotations

import time
from collections.abc import Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table

from drapesim.front.lab_words import (
    MET,
    origin_of,
    spacing_over_length,
    spell_bar,
    spell_error,
    spell_reading,
    spell_simulated,
    spell_spacing,
    spell_summary,
    spell_value,
)
from drapesim.front.terminal import COMPILING, PLAIN_EVERY, WIDTH, open_console, spell_seconds

if TYPE_CHECKING:
    from drapesim.jobs.lab.bench import LabProgress
    from drapesim.jobs.lab.record import LabResult
    from drapesim.matter.fabric import FabricCard


def spell_test(step: LabProgress) -> str:
    """Which test of how many."""
    return f"test {step.number} of {step.count}: {step.title}" if step.number else COMPILING


def spell_left(step: LabProgress) -> str:
    """Time left; empty where it is not known."""
    left = spell_seconds(step.left)
    return f"{left} left" if left else ""


class LabSilent:
    """Shows nothing."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        pass

    def __call__(self, step: LabProgress) -> None:
        pass


class LabPlain(LabSilent):
    """One line on stderr for each test, and every ten seconds."""

    def __init__(self, console: Console) -> None:
        self.console, self.spoken_at, self.number = console, 0.0, -1

    def __call__(self, step: LabProgress) -> None:
        now = time.monotonic()
        if step.number == self.number and now - self.spoken_at < PLAIN_EVERY:
            return
        self.spoken_at, self.number = now, step.number
        left = spell_left(step)
        words = spell_test(step)
        self.console.print(f"{words}; {left}" if left else words, markup=False, soft_wrap=True)


class LabBar(LabSilent):
    """One bar for the whole lab."""

    def __init__(self, console: Console) -> None:
        self.bars = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=20),
            TextColumn("{task.fields[left]}", markup=False),
            console=console,
            refresh_per_second=4,
        )
        self.task = self.bars.add_task("preparing", total=1.0, left="")

    def __enter__(self) -> Self:
        self.bars.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.bars.stop()

    def __call__(self, step: LabProgress) -> None:
        self.bars.update(self.task, description=spell_test(step), completed=step.share, left=spell_left(step))


def choose_lab_display(is_quiet: bool) -> LabSilent:
    """A bar on a terminal, lines elsewhere, nothing if quiet; all on stderr."""
    if is_quiet:
        return LabSilent()
    console = open_console(to_errors=True)
    return LabBar(console) if console.is_terminal else LabPlain(console)


def lab_table(results: Sequence[LabResult], card: FabricCard) -> Table:
    """One row a reading."""
    table = Table(title="Virtual tests: the card's value against the lattice's", title_justify="left")
    table.add_column("test", no_wrap=True)
    table.add_column("reading", no_wrap=True)
    for head in ("card", "simulated", "off by", "bar"):
        table.add_column(head, justify="right")
    table.add_column("")
    table.add_column("h/c", justify="right")
    table.add_column("card says", overflow="fold")
    for result in results:
        for k, reading in enumerate(result.readings):
            test = result.title if k == 0 else ""
            card_value, simulated = spell_value(reading.card, reading.unit), spell_simulated(reading)
            word = "UNSETTLED" if result.failures else MET[reading.met]
            table.add_row(
                test, reading.quantity, card_value, simulated, spell_error(reading), spell_bar(reading), word,
                spell_spacing(result), origin_of(card, reading),
            )  # fmt: skip
    return table


def show_lab(
    console: Console, results: Sequence[LabResult], card: FabricCard, spacing: float, told: Sequence[str] = ()
) -> None:
    """Summary, spacing, what was ``told`` of the card, table, why sheets did not settle, and remarks."""

    def say(text: str) -> None:
        console.print(text, markup=False, soft_wrap=True)

    say(spell_summary(results)[1])
    over_c = spacing_over_length(card, spacing)
    say(f"{card.name}; nodes {1e3 * spacing:.4g} mm apart, {over_c:.2f} of the smaller bending length")
    for line in told:
        say(line)
    table = lab_table(results, card)
    if console.measure(table, options=console.options.update(max_width=WIDTH)).maximum <= console.width:
        console.print(table)
    else:
        for result in results:
            for reading in result.readings:
                word = "UNSETTLED" if result.failures else MET[reading.met]
                say(f"{result.title}, {reading.quantity}: {word}")
                say(f"  {spell_reading(reading)}; bar {spell_bar(reading)}")
    for result in results:
        for reason in result.failures:
            say(f"{result.title} {result.direction}: {reason}")
        for remark in result.remarks:
            say(f"{result.title}: {remark}")
