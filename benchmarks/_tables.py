"""The tables of the benchmark `settle`, as text: rows of sizes, growth exponents, and stages against their limits."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from benchmarks._ceilings import Ceilings
from benchmarks._counts import CONTACT_LIST, LATTICE, Counts, Work, near_size, work_of

QUIET = 0.5  # load above which seconds are not worth keeping
Row = Mapping[str, Any]  # what the process of one row hands back, see benchmarks.settle.measure

SIZES = (
    ("scene", 7), ("nodes", 8), ("h mm", 6), ("ending", 18), ("time s", 8), ("work s", 8),
    ("steps, coarsest lattice first", 31), ("ms/step", 8), ("M node-steps/s", 15), ("peak MB", 8),
)  # fmt: skip
STAGES = (
    ("stage", 37), ("share", 6), ("us/step", 8), ("at work", 8), ("Gop/s", 7), ("of max", 8), ("divider", 8),
    ("near GB/s", 10), ("of copy", 8), ("far GB/s", 9), ("of copy", 8), ("nearest limit", 19),
)  # fmt: skip
SIZES_LEGEND = """\
time: by the clock, certificate in, compiling left out; work: of all processors together; ms/step: on the finest
lattice, certificate left out; node-steps: over all lattices; peak: of the row's own process, libraries in."""
LABELS = {
    "press_contacts": "contacts: press",
    "collect_touch + forces_of_block_into + kick_rows": "nodes: contacts, elements, kick",
    "carry_ballast": "nodes: own inertia, once a call",
    "tighten_columns": "yarns across the rows: solve",
    "finish_rows": "yarns along the rows: solve and move",
    "note_gaps": "contacts: gaps noted, once a call",
}
"""Parallel loops of the step loop in plain words; one that is not listed is shown by its kernels' names."""
LEGEND = """\
How to read the stages. They are those of the finest lattice; shares are of the row's whole time, steps and us/step of
that lattice. "At work": how busy all threads were in that time; the rest they waited, for each other or for other
programs. The system books other threads' work a little late: of a stage that takes less than about a millisecond a step
some may show in the next one, even above 100%. Rates and limits hold for the time at work. The limits are what this
machine was measured to do, see the top:
  Gop/s     sums, products, comparisons; of as many in independent pairs of a product and a sum, fused where it can
  divider   the share of the time that the quotients and square roots alone would take
  near      bytes of array elements, read and written; of a copy as large as the rows at hand, beside the core
  far       bytes of whole arrays of the lattice, read and written; of a copy as large as those arrays together
A stage that is far from all of them waits for scattered reads or for its own results. "-": not counted, or no rate."""


class Limits(NamedTuple):
    """Shares (0..1) of what the machine can do."""

    arithmetic: float
    divider: float
    near: float
    far: float

    def nearest(self) -> tuple[str, float]:
        """The limit that is closest, and how close."""
        names = ("products and sums", "divider", "near copy", "far copy")
        at = int(np.argmax(self))
        return names[at], self[at]


def header(columns: Sequence[tuple[str, int]]) -> str:
    """The heads of a table, the first column to the left."""
    (first, width), *others = columns
    return f"{first:<{width}}" + "".join(f"{name:>{room}}" for name, room in others)


def line(columns: Sequence[tuple[str, int]], words: Iterable[str]) -> str:
    """One line of a table."""
    (first, *others) = words
    return f"{first:<{columns[0][1]}}" + "".join(
        f"{word:>{room}}" for word, (_, room) in zip(others, columns[1:], strict=True)
    )


def size_line(row: Row) -> str:
    """The main table's line of one row; a row without sections has only its ending."""
    sections = row["sections"]
    if not sections:
        return line(SIZES, [row["scene"], f"{row['nodes']:,}", "-", row["ending"], *["-"] * 6])
    last = sections[-1]
    per_step = loop_seconds(last) / last["steps"] if last["steps"] else math.nan
    node_steps = sum(section["nodes"] * section["steps"] for section in sections)
    words = [
        row["scene"],
        f"{row['nodes']:,}",
        f"{row['spacing_mm']:.1f}",
        row["ending"],
        f"{row['seconds']:.1f}",
        f"{row['work']:.1f}",
        " + ".join(f"{section['steps']:,}" for section in sections),
        f"{1e3 * per_step:.3f}",
        f"{1e-6 * node_steps / row['seconds']:.1f}",
        f"{row['peak_mb']:.0f}",
    ]
    return line(SIZES, words)


def loop_seconds(section: Row) -> float:
    """Seconds spent on one lattice, its certificate left out."""
    certificate = sum(spent[0] for stage, spent in section["stages"].items() if stage.startswith("certificate"))
    return float(section["ended"] - section["began"] - certificate)


def fit_exponent(sizes: Sequence[float], values: Sequence[float]) -> float:
    """The power p of ``values`` ~ ``sizes``**p by least squares on logarithms; nan for fewer than two sizes."""
    if len(set(sizes)) < 2:
        return math.nan
    return float(np.polyfit(np.log(sizes), np.log(values), 1)[0])


def tell_growth(rows: Sequence[Row], scenes: Iterable[str]) -> list[str]:
    """A sentence for each scene on how time and steps grow, and one for each size on what two layers cost."""
    told = []
    for scene in scenes:
        done = [row for row in rows if row["scene"] == scene and row["ending"] == "SETTLED"]
        nodes = [row["nodes"] for row in done]
        if len(set(nodes)) < 2:
            told.append(f"{scene}: no growth exponent; it takes two sizes that settled, {len(done)} did.")
            continue
        time = fit_exponent(nodes, [row["seconds"] for row in done])
        work = fit_exponent(nodes, [row["work"] for row in done])
        steps = fit_exponent(nodes, [row["sections"][-1]["steps"] for row in done])
        told.append(
            f"{scene}: time grows as nodes^{time:.2f}, work as nodes^{work:.2f}, steps on the finest lattice as "
            f"nodes^{steps:.2f} ({len(done)} sizes, {min(nodes):,} to {max(nodes):,} nodes)."
        )
    single = {row["wanted"]: row for row in rows if row["scene"] == "loose" and row["ending"] == "SETTLED"}
    for row in rows:
        if row["scene"] == "folded" and row["ending"] == "SETTLED" and row["wanted"] in single:
            ratio = row["seconds"] / single[row["wanted"]]["seconds"]
            work = row["work"] / single[row["wanted"]]["work"]
            size = f"{row['nodes']:,} nodes"
            told.append(f"Two layers take {ratio:.2f} times as long as one, and {work:.2f} times the work ({size}).")
    return told


def tell_limits(work: Work, seconds: float, ceilings: Ceilings, near_size: float, far_size: float) -> Limits:
    """How near to each limit ``work`` comes that took ``seconds``; sizes in bytes of what it goes through."""
    return Limits(
        work.ops / ceilings.multiply_add / seconds,
        (work.divides / ceilings.divide + work.roots / ceilings.root) / seconds,
        work.near / ceilings.copy(near_size) / seconds,
        work.far / ceilings.copy(far_size) / seconds,
    )


def mean_counts(section: Row) -> Counts:
    """What one step on a lattice had, on average."""
    steps, looked = max(section["steps"], 1), max(section["sampled"], 1)
    contacts = section["contact_steps"] / steps
    return Counts(
        nodes=section["nodes"],
        blocks=section["threads"],  # one each
        contacts=contacts,
        open_runs=contacts * section["sampled_runs"] / looked,
        beside=contacts * section["sampled_beside"] / looked,
        awake=contacts * section["sampled_awake"] / looked,
        four=contacts * section["sampled_four"] / looked,
        pushing=contacts * section["sampled_pushing"] / looked,
        touched=section["touched_steps"] / steps,
        acting=contacts * section["sampled_acting"] / looked,
    )


def stage_lines(row: Row, ceilings: Ceilings) -> list[str]:
    """The table of where one row's time went, largest first."""
    section, total = row["sections"][-1], row["seconds"]
    counts, steps = mean_counts(section), max(section["steps"], 1)
    own = section["ended"] - section["began"]
    timed = [spent[0] for part in (section["loops"], section["stages"]) for spent in part.values()]
    found: list[tuple[float, list[str]]] = []

    def note(label: str, wall: float, work: float | None, per_step: bool, limits: list[str]) -> None:
        busy = "-" if work is None or wall <= 0.0 else f"{100.0 * work / wall / section['threads']:.0f}%"
        each = f"{1e6 * wall / steps:.1f}" if per_step else "-"
        found.append((wall, [label, f"{100.0 * wall / total:.1f}%", each, busy, *(limits or ["-"] * 8)]))

    for name, (wall, work) in section["loops"].items():
        limits = limit_words(name, work / section["threads"] / steps, section, counts, ceilings)
        note(LABELS.get(name, name), wall, work, True, limits)
    for name, (wall, work) in section["stages"].items():
        note(name, wall, work, not name.startswith("certificate"), [])
    note("the rest", own - sum(timed), None, True, [])
    coarse = sum(other["ended"] - other["began"] for other in row["sections"][:-1])
    note("coarser lattices, all in all", coarse, None, False, [])
    note("before the first step", total - coarse - own, None, False, [])
    contacts = f"contacts {counts.contacts:,.0f}, looked at {counts.awake:,.0f}, pushing {counts.pushing:,.0f} a step"
    title = f"{row['scene']}, {row['nodes']:,} nodes, {row['ending']}: {section['steps']:,} steps, {contacts}"
    ordered = sorted(found, key=lambda pair: -pair[0])
    return [f"{title}, threads: {section['threads']}", header(STAGES), *(line(STAGES, words) for _, words in ordered)]


def limit_words(name: str, seconds: float, section: Row, counts: Counts, ceilings: Ceilings) -> list[str]:
    """Rates and shares of the limits for one step of a loop that took ``seconds``; empty where none can be told."""
    work = work_of(name, counts)
    if work is None or seconds <= 0.0 or section["threads"] != ceilings.threads:
        return []
    at_hand = near_size(name, section["row"], section["threads"])
    far_size = LATTICE * section["nodes"] + CONTACT_LIST * counts.contacts
    share = tell_limits(work, seconds, ceilings, at_hand, far_size)
    limit, close = share.nearest()
    words = [f"{1e-9 * work.ops / seconds:.1f}", f"{100 * share.arithmetic:.0f}%", f"{100 * share.divider:.0f}%"]
    for amount, part in ((work.near, share.near), (work.far, share.far)):
        words += [f"{1e-9 * amount / seconds:.1f}", f"{100 * part:.0f}%"]
    return [*words, f"{limit} {100 * close:.0f}%"]


def ceiling_lines(ceilings: Ceilings) -> list[str]:
    """What the machine was measured to do."""
    sizes = ", ".join(f"{spell_bytes(size)} {1e-9 * rate:.0f}" for size, rate in ceilings.copies)
    biggest = ceilings.copies[-1][0]
    sums, quotients, roots = (1e-9 * rate for rate in (ceilings.multiply_add, ceilings.divide, ceilings.root))
    lines = [
        f"At most, on {ceilings.threads} threads: {sums:.1f} Gop/s products and sums (in pairs), {quotients:.2f} G "
        f"quotients/s, {roots:.2f} G roots/s.",
        f"Copying, read and written, GB/s: {sizes}.",
    ]
    if biggest < 2 * ceilings.largest_cache:
        lines.append(f"The largest cache holds {spell_bytes(ceilings.largest_cache)}: the largest copy may lie in it.")
    return lines


def spell_bytes(size: float) -> str:
    """A size to the nearest unit of 1024."""
    for unit in ("B", "KiB", "MiB"):
        if size < 1024:
            return f"{size:.0f} {unit}"
        size /= 1024
    return f"{size:.1f} GiB"


def record_line(row: Row, machine: str, versions: str, date: str) -> str:
    """A row for RESULTS.md."""
    remarks = f"settle {row['seconds']:.1f} s, work {row['work']:.1f} s; steps " + " + ".join(
        f"{section['steps']:,}" for section in row["sections"]
    )
    if row["load"] > QUIET:
        remarks = f"beside other work (load {row['load']:.1f}), so too long; {remarks}"
    return (
        f"| {date} | {machine} | {versions} | `python -m benchmarks settle`, {row['scene']} | {row['nodes']:,} "
        f"| {row['ending']} | {row['seconds']:.0f} warm | {row['peak_mb']:,.0f} | {remarks} |"
    )
