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

if TYPE_CHECKING:
    from drapesim.matter.answers import Verdict
    from drapesim.matter.plan import Scene
    from drapesim.matter.sheet import Lattice
    from drapesim.settling.archive import Run
    from drapesim.settling.level import Progress as Step

PLAIN_EVERY = 10.0  # s between lines where there is no terminal to redraw
WINDOW = 15.0  # s of the past from which the time left is reckoned
WIDTH = 150  # columns of tables that go to a file
WORDS = {True: "yes", False: "no", None: "undecided"}
PREPARING = "preparing"  # the stage before the first step
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
    if not step.steps:
        return step.stage
    return f"{step.stage}, {1e3 * step.spacing:.3g} mm nodes (lattice {step.level + 1} of {step.levels})"


def spell_residual(step: Step) -> str:
    """Both residuals in node weights; empty before the first step."""
    if not math.isfinite(step.residual_rms):
        return ""
    return f"residual {step.residual_rms:.2g} rms, {step.residual_max:.2g} max node weights"


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
        if step.stage == PREPARING and is_first_run():
            place += f"; {COMPILING}"
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
        if step.stage == PREPARING and is_first_run():
            self.bars.console.print(COMPILING.capitalize() + ".")
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


def is_first_run() -> bool:
    """True while no kernel has been compiled and kept for these sources."""
    from drapesim.kernels.jit import CACHE_FOLDER

    return not any(CACHE_FOLDER.rglob("*.nbi"))


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
    rows = (
        ("residual force over node weight, rms", f"{c.residual_rms:.2g}", f"{limit.residual_rms:.2g}"),
        ("residual force over node weight, largest", f"{c.residual_max:.2g}", f"{limit.residual_max:.2g}"),
        ("largest move in a further tenth of the steps, mm", f"{1e3 * c.stay_max:.2g}", f"{1e3 * limit.stay:.2g}"),
        ("depth of the cloth in the body, mm", f"{1e3 * c.penetration_max:.2g}", f"{1e3 * limit.penetration:.2g}"),
        ("cloth-cloth crossings", str(c.crossings), "0"),
        ("cloth-body crossings", str(c.body_crossings), "0"),
        ("energy not accounted for, %", f"{100 * c.energy_closure:.2g}", f"{100 * limit.energy_closure:.2g}"),
        ("largest strain, warp and weft, %", " and ".join(f"{100 * e:.2g}" for e in c.strain_max), "reported"),
        ("area beyond the safe extension, %", f"{100 * c.strain_over_safe:.2g}", "reported"),
        ("stable if no contact slips", {True: "yes", False: "no", None: "not computed"}[c.stable], "reported"),
        ("contacts about to slip, %", f"{100 * c.mobilised:.2g}", "reported"),
        ("spacing over bending length", f"{c.spacing_over_c:.2g}", "0.25 final, 0.5 draft"),
        ("steps on the last lattice; seconds", f"{c.steps}; {c.seconds:.0f}", ""),
    )
    for row in rows:
        table.add_row(*row)
    return table


def verdict_table(verdicts: Sequence[Verdict]) -> Table:
    """One row a mark; lengths in mm."""
    table = Table(title="Marks (gaps and their numerical error in mm)", title_justify="left")
    table.add_column("mark", no_wrap=True)
    table.add_column("verdict")
    table.add_column("as claimed")
    for head in ("gap min", "median", "max", "contact %", "error"):
        table.add_column(head, justify="right")
    table.add_column("place claimed", overflow="fold")
    for v in verdicts:
        place = ""
        if v.place is not None:
            words = {True: "belongs", False: "does not belong", None: "undecided" if v.place.asked else "not asked"}
            place = f"{v.place.place}: {words[v.place.belongs]}"
        gaps = (spell_mm(gap) for gap in (v.gap_min, v.gap_median, v.gap_max))
        share = f"{100 * v.contact_share_measured:.0f}" if math.isfinite(v.contact_share_measured) else "-"
        table.add_row(v.mark, v.verdict, WORDS[v.meets], *gaps, share, spell_mm(v.uncertainty), place)
    return table


def spell_mm(length: float) -> str:
    """``length`` (m) in mm with two decimals, a dash where there is none."""
    return f"{1e3 * length:.2f}" if math.isfinite(length) else "-"


def show_run(console: Console, run: Run) -> None:
    """Outcome first, then departures from the scene, certificate and verdicts."""
    console.print(spell_outcome(run), markup=False, soft_wrap=True)
    for change in run.changes:
        console.print(change, markup=False, soft_wrap=True)
    console.print(certificate_table(run))
    if run.verdicts:
        console.print(verdict_table(run.verdicts))
    else:
        console.print("The scene has no marks.")


def show_scene(console: Console, scene: Scene, lattice: Lattice, height: float) -> None:
    """What was understood of a scene; ``height`` (m) at which the flat sheet starts."""
    card, body, sheet = scene.fabric, scene.body, scene.sheet

    def say(text: str) -> None:
        console.print(text, markup=False, soft_wrap=True)

    say(f"{scene.path}: {scene.title}")
    say(
        f"sheet: {1e3 * sheet.length:g} mm along the warp, {1e3 * sheet.width:g} mm along the weft; "
        f"{len(lattice.ij)} nodes {1e3 * lattice.spacing_u:.4g} x {1e3 * lattice.spacing_v:.4g} mm apart; "
        f"laid flat at z = {1e3 * height:.1f} mm, inner side down"
    )
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
    table = Table(title=f"{len(scene.marks)} marks", title_justify="left")
    for head in ("mark", "kind", "claim", "place"):
        table.add_column(head, overflow="fold")
    table.add_column("area cm2", justify="right")
    for mark in scene.marks:
        area = f"{1e4 * float(mark.weights.sum()):.1f}" if mark.rings else "-"
        table.add_row(mark.name, mark.kind, mark.claim.kind.replace("_", " "), mark.claim.place, area)
    console.print(table)
