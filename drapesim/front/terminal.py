"""What the terminal shows: how a run gets on, its certificate, its verdicts, and what was understood of a scene."""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn
from rich.table import Table

from drapesim.front.wording import (
    WORDS,
    spell_belonging,
    spell_card_doubts,
    spell_change,
    spell_contact,
    spell_count,
    spell_figure,
    spell_mm,
    spell_source,
)
from drapesim.ground.outcome import NOT_MEASURED
from drapesim.matter.lay import FoldStep, HangStep, LowerStep, RollStep, SpreadStep

if TYPE_CHECKING:
    from drapesim.judging.reach import Reach
    from drapesim.matter.answers import Meeting, Verdict
    from drapesim.matter.plan import Scene
    from drapesim.matter.sheet import Lattice
    from drapesim.settling.archive import Run
    from drapesim.settling.level import Progress as Step

PLAIN_EVERY = 10.0  # s between lines where there is no terminal to redraw
WINDOW = 15.0  # s of the past from which the time left is reckoned
WIDTH = 150  # columns of tables that go to a file
START_WORDS: dict[type, str] = {
    LowerStep: "laid flat, inner side down,", SpreadStep: "spread under the body, inner side up,",
    FoldStep: "folded over, its lower layer with the inner side down,",
    RollStep: "rolled up at one end, inner side down,", HangStep: "hung over a bar, its first corner",
}  # fmt: skip
BELONGS = {"yes": "belongs", "no": "does not belong"}
TIGHTEST = 3  # pairs told of those that no proof forbids
COMPILING = "compiling the inner loops for this processor, once; this takes half a minute or so"


def open_console(to_errors: bool = False) -> Console:
    """A console on stdout or stderr that keeps tables readable when they go to a file."""
    console = Console(stderr=to_errors, highlight=False)
    return console if console.is_terminal else Console(stderr=to_errors, highlight=False, width=WIDTH)


class Forecast:
    """Time left on one lattice, from how fast the logarithm of the residual has been falling."""

    def __init__(self) -> None:
        self.looks: deque[tuple[float, float]] = deque()
        self.level = -1

    def left(self, step: Step) -> float | None:
        """Seconds, or None while too little is known or the residual does not fall."""
        if not step.steps or step.share >= 1.0:
            return None
        if step.level != self.level:
            self.level = step.level
            self.looks.clear()
        self.looks.append((step.seconds, step.share))
        while self.looks[-1][0] - self.looks[0][0] > WINDOW:
            self.looks.popleft()
        if len(self.looks) < 4 or self.looks[-1][0] - self.looks[0][0] < 1.0:
            return None
        n = len(self.looks)
        middle = (sum(t for t, _ in self.looks) / n, sum(s for _, s in self.looks) / n)
        rise = sum((t - middle[0]) * (s - middle[1]) for t, s in self.looks)
        run = sum((t - middle[0]) ** 2 for t, _ in self.looks)
        return (1.0 - step.share) * run / rise if rise > 0.0 else None


def spell_seconds(seconds: float | None) -> str:
    """``about 40 s``, ``about 3 min``, ``about 2 h``; empty where it is not known."""
    if seconds is None or not math.isfinite(seconds):
        return ""
    if seconds < 90.0:
        return f"about {max(1, round(seconds))} s"
    return f"about {seconds / 60.0:.0f} min" if seconds < 5400.0 else f"about {seconds / 3600.0:.0f} h"


def spell_left(step: Step, forecast: Forecast) -> str:
    """Time left; before the last lattice nothing is known of those to come, and the words say so."""
    left = spell_seconds(forecast.left(step))
    if not left:
        return ""
    return f"{left} left" if step.level + 1 == step.levels else f"{left} left on this lattice"


def spell_place(step: Step) -> str:
    """Stage; while the sheet moves also node spacing and which lattice of how many."""
    if step.stage == "compiling":
        return COMPILING
    if not step.steps:
        return step.stage
    return f"{step.stage}, {1e3 * step.spacing:.3g} mm nodes (lattice {step.level + 1} of {step.levels})"


def spell_residual(step: Step) -> str:
    """Both residuals in node weights; empty before the first step."""
    if not math.isfinite(step.residual_rms):
        return ""
    return f"residual {step.residual_rms:.2g} rms, {spell_figure(step.residual_max)} max node weights"


class Silent:
    """Shows nothing."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        pass

    def __call__(self, step: Step) -> None:
        pass


class Plain(Silent):
    """One line on stderr for each stage, and every ten seconds."""

    def __init__(self, console: Console) -> None:
        self.console, self.forecast = console, Forecast()
        self.spoken_at, self.stage = -math.inf, ""

    def __call__(self, step: Step) -> None:
        left = spell_left(step, self.forecast)
        now = time.monotonic()
        if step.stage == self.stage and now - self.spoken_at < PLAIN_EVERY:
            return
        self.spoken_at, self.stage = now, step.stage
        place = spell_place(step)
        words = [place, spell_residual(step), left]
        self.console.print("; ".join(word for word in words if word), markup=False, soft_wrap=True)


class Bars(Silent):
    """A bar for each lattice that fills as the logarithm of the residual falls."""

    def __init__(self, console: Console) -> None:
        self.forecast = Forecast()
        self.bars = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=20),
            TextColumn("{task.fields[residual]}", markup=False),
            TextColumn("{task.fields[left]}", markup=False),
            console=console,
            refresh_per_second=4,
        )
        self.tasks: dict[int, TaskID] = {}

    def __enter__(self) -> Self:
        self.bars.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.bars.stop()

    def __call__(self, step: Step) -> None:
        description = spell_place(step)
        if step.stage == "preparing":  # the first, or the next of several runs
            self.tasks.clear()
        if step.level not in self.tasks:
            task = self.bars.add_task(description, total=1.0, residual="", left="")
            self.tasks[step.level] = task
            for level, earlier in self.tasks.items():
                if level < step.level:
                    self.bars.update(earlier, completed=1.0, left="handed on")
        self.bars.update(
            self.tasks[step.level],
            description=description,
            completed=step.share,
            residual=spell_residual(step),
            left=spell_left(step, self.forecast),
        )


def choose_display(is_quiet: bool) -> Silent:
    """Bars on a terminal, lines elsewhere, nothing if quiet; all on stderr."""
    if is_quiet:
        return Silent()
    console = open_console(to_errors=True)
    return Bars(console) if console.is_terminal else Plain(console)


def spell_outcome(run: Run) -> str:
    """The first line about a run: settled or not, and why not."""
    if run.certificate.settled:
        return run.ending.value
    reasons = " ".join(run.certificate.failures)
    return f"UNSETTLED. {reasons} {run.ending.value.partition(': ')[2].capitalize()}"


def certificate_table(run: Run) -> Table:
    """Each figure of the certificate beside its limit."""
    c, limit = run.certificate, run.settle
    table = Table(title="Certificate", title_justify="left")
    table.add_column("figure")
    for head in ("value", "limit"):
        table.add_column(head, justify="right")

    def percent(value: float) -> str:
        return spell_figure(100 * value)

    def mm(value: float) -> str:
        return spell_figure(1e3 * value)

    rows = (
        ("residual force over node weight, rms", spell_figure(c.residual_rms), f"{limit.residual_rms:.2g}"),
        ("residual force over node weight, largest", spell_figure(c.residual_max), f"{limit.residual_max:.2g}"),
        ("largest move in a further tenth of the steps, mm", mm(c.stay_max), mm(limit.stay)),
        ("depth of the cloth in the body, mm", mm(c.penetration_max), mm(limit.penetration)),
        ("cloth-cloth crossings", spell_count(c.crossings), "0"),
        ("cloth-body crossings", spell_count(c.body_crossings), "0"),
        ("energy not accounted for, %", percent(c.energy_closure), percent(limit.energy_closure)),
        ("largest strain, warp and weft, %", " and ".join(percent(e) for e in c.strain_max), "reported"),
        ("links beyond the safe extension, warp or weft, %", percent(c.strain_over_safe), "reported"),
        ("stable if no contact slips", {**WORDS, None: "not computed"}[c.stable], "reported"),
        ("and with those near slipping free", {**WORDS, None: "not computed"}[c.stable_slipping], "reported"),
        ("contacts about to slip, %", percent(c.mobilised), "reported"),
        ("spacing over bending length", spell_figure(c.spacing_over_c), "0.25 final, 0.5 draft"),
        ("steps on the last lattice; seconds", f"{c.steps}; {c.seconds:.0f}", ""),
    )
    for row in rows:
        table.add_row(*row)
    return table


def verdict_table(verdicts: Sequence[Verdict]) -> Table:
    """One row a mark; lengths in mm."""
    title = "Marks (gaps and their numerical error in mm; in brackets the contact for sure and at most)"
    table = Table(title=title, title_justify="left")
    table.add_column("mark", no_wrap=True)
    table.add_column("verdict")
    table.add_column("as claimed")
    for head in ("gap min", "median", "max", "contact %", "error"):
        table.add_column(head, justify="right")
    table.add_column("place claimed", overflow="fold")
    for v in verdicts:
        gaps = (spell_mm(gap, 2) for gap in (v.gap_min, v.gap_median, v.gap_max))
        row = (v.mark, v.verdict, WORDS[v.meets], *gaps, _contact(v), _error(v), _place(v))
        table.add_row(*row)
    return table


def verdict_lines(verdicts: Sequence[Verdict]) -> list[str]:
    """What `verdict_table` tells, as text, for a terminal that is too narrow for the table."""
    lines = ["Marks (gaps with their numerical error; in brackets the contact for sure and at most)"]
    for v in verdicts:
        least, middle, most = (spell_mm(d, 2) for d in (v.gap_min, v.gap_median, v.gap_max))
        lines.append(f"{v.mark}: {v.verdict}; as claimed: {WORDS[v.meets]}")
        if NOT_MEASURED in (least, middle, most):
            lines.append(f"  gap {NOT_MEASURED}")
        else:
            lines.append(f"  gap {least} to {most} mm, median {middle}, error {_error(v)}; contact {_contact(v)} %")
        if v.place is not None:
            lines.append(f"  place claimed: {_place(v)}")
    return lines


def change_lines(verdicts: Sequence[Verdict]) -> list[str]:
    """Where the numerical error comes from, and how each mark's figures change with the node spacing where measured."""
    measured = [v for v in verdicts if v.change is not None]
    lines = [f"Numerical error of the gaps: {'; '.join(dict.fromkeys(spell_source(v) for v in verdicts))}."]
    if any(math.isfinite(v.hysteresis) for v in verdicts):
        lines.append(
            "With a plus: how far the cloth's bending hysteresis (2HB) may hold it off, by analogy with a free strip; "
            "it counts in the verdicts."
        )
    if measured:
        lines.append("Change from the wider spacing (gap min, median, max in mm; contact in points of per cent)")
    for v in measured:
        assert v.change is not None
        *gaps, contact, order = spell_change(v.change)
        tail = f"; observed order {order}" if order else ""
        lines.append(f"  {v.mark}: gap {', '.join(gaps)}; contact {contact}{tail}")
    return lines


def meeting_lines(meetings: Sequence[Meeting]) -> list[str]:
    """The pairs of marks that lie across from each other where the cloth lies on itself."""
    told = {True: "meet", None: "may meet: undecided", False: "face each other, too far apart"}
    lines = ["Marks on marks (layer on layer):"] if meetings else []
    for m in meetings:
        other = "itself" if m.mark == m.other else m.other
        lines.append(
            f"  {m.mark} and {other} {told[m.meets]}: {m.face} face on {m.met} face, {1e4 * m.area:.1f} cm2 within "
            f"{1e3 * m.tolerance:g} mm, gap {spell_mm(m.gap_min, 2)} to {spell_mm(m.gap_max, 2)} mm, "
            f"error {spell_mm(m.uncertainty, 2)}"
        )
    return lines


def _contact(verdict: Verdict) -> str:
    measured, span = spell_contact(verdict)
    return f"{measured} ({span})" if span else measured


def _error(verdict: Verdict) -> str:
    numerical = spell_mm(verdict.uncertainty, 2)
    return f"{numerical} + {spell_mm(verdict.hysteresis, 2)}" if math.isfinite(verdict.hysteresis) else numerical


def _place(verdict: Verdict) -> str:
    if verdict.place is None:
        return ""
    answer = spell_belonging(verdict.place)
    return f"{verdict.place.place}: {BELONGS.get(answer, answer)}"


def show_run(console: Console, run: Run) -> None:
    """Outcome first, then departures from the scene, certificate and verdicts."""
    console.print(spell_outcome(run), markup=False, soft_wrap=True)
    for change in (*run.changes, *(() if run.hands is None else run.hands.tell())):
        console.print(change, markup=False, soft_wrap=True)
    console.print(certificate_table(run))
    if run.verdicts:
        table = verdict_table(run.verdicts)
        if console.measure(table, options=console.options.update(max_width=WIDTH)).maximum <= console.width:
            console.print(table)
        else:
            for line in verdict_lines(run.verdicts):
                console.print(line, markup=False)
        for line in change_lines(run.verdicts):
            console.print(line, markup=False, soft_wrap=True)
    else:
        console.print("The scene has no marks.")
    for line in meeting_lines(run.meetings):
        console.print(line, markup=False, soft_wrap=True)
    for doubt in spell_card_doubts(run.fabric):
        console.print(doubt, markup=False)


def show_scene(console: Console, scene: Scene, lattice: Lattice, height: float) -> None:
    """What was understood of a scene; ``height`` (m) at which the flat sheet starts."""
    from drapesim.matter.lay_words import describe

    card, body, sheet = scene.fabric, scene.body, scene.sheet
    size = sheet.length, sheet.width

    def say(text: str) -> None:
        console.print(text, markup=False, soft_wrap=True)

    say(f"{scene.path}: {scene.title}")
    say(
        f"sheet: {1e3 * sheet.length:g} mm along the warp, {1e3 * sheet.width:g} mm along the weft; "
        f"{len(lattice.ij)} nodes {1e3 * lattice.spacing_u:.4g} x {1e3 * lattice.spacing_v:.4g} mm apart; "
        f"{START_WORDS[type(scene.lay[0])]} at z = {1e3 * height:.1f} mm"
    )
    for number, step in enumerate(scene.lay[1:], start=2):
        told = describe(step, size, landmarks=body.landmarks)
        say(f"lay, step {number}: {told}{'; then it comes to rest' if getattr(step, 'settle', False) else ''}")
    say(f"fabric: {card.name}, {1e3 * card.areal_density:g} g/m2, {1e3 * card.thickness:g} mm thick")
    guessed = [name for name, entry in card.provenance.items() if entry.estimated]
    if guessed:
        say(f"  estimated by rule, not measured: {', '.join(guessed)}")
    invented = [name for name, entry in card.provenance.items() if entry.invented]
    if invented:
        say(f"  invented for demonstration: {', '.join(invented)}")
    for number, part in enumerate(body.parts):
        faces = body.faces[body.part == number]
        low, high = body.vertices[faces].min(axis=(0, 1)), body.vertices[faces].max(axis=(0, 1))
        extent = " x ".join(f"{1e3 * length:.0f}" for length in high - low)
        say(f"{part.name}: {part.surface}, {len(faces)} triangles, {extent} mm, top at {1e3 * high[2]:.0f} mm; "
            f"friction {card.friction[part.surface]:g}")  # fmt: skip
    for repair in body.repairs:
        say(f"  {repair}")
    if body.region_names:
        say(f"regions: {', '.join(body.region_names)}")
    if body.landmarks:
        say(f"landmarks: {', '.join(body.landmarks)}")
    if scene.flat_map is not None and scene.flat_map.note:
        say(scene.flat_map.note)
    for mark in scene.marks:
        if mark.claim.wicking is not None:
            say(f"{mark.name}: a margin of {1e3 * mark.claim.wicking:g} mm is left out as wicked")
    table = Table(title=f"{len(scene.marks)} marks", title_justify="left")
    for head in ("mark", "kind", "claim", "place"):
        table.add_column(head, overflow="fold")
    table.add_column("area cm2", justify="right")
    for mark in scene.marks:
        area = f"{1e4 * float(mark.weights.sum()):.1f}" if mark.rings else "-"
        table.add_row(mark.name, mark.kind, mark.claim.kind.replace("_", " "), mark.claim.place, area)
    console.print(table)


def show_reach(console: Console, reach: Reach) -> None:
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
