"""A figure from measures: from its form to a body file with its places, and what the finished mesh measures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drapesim import __version__
from drapesim.ground.files import write_bytes
from drapesim.jobs.places import place_file, write_places
from drapesim.jobs.run import make_folder
from drapesim.matter.adult import Adult
from drapesim.matter.adult_readings import Reading, read_tapes
from drapesim.matter.body import Body, enclosed_volume
from drapesim.matter.figure_form import FigureForm, build_figure, read_figure
from drapesim.matter.slices_mesh import spell_ply
from drapesim.settling.exact import count_self_crossings

Say = Callable[[str], None]

TRUE = 0.01  # relative: a tape that reads farther off has something lying against its part


@dataclass(frozen=True)
class MadeFigure:
    """The built figure of a ``form``; ``readings`` of all girths on the mesh, ``volume`` m3, ``crossings`` counted."""

    form: FigureForm
    adult: Adult
    readings: tuple[Reading, ...]
    volume: float
    crossings: int


def make_figure(path: Path, say: Say = lambda _: None) -> MadeFigure:
    """Read the form and build the body. Raises InputError where the form is wrong or its measures cannot be met."""
    say("reading the form, fitting the girths")
    form = read_figure(path)
    say("building the surface")
    adult = build_figure(form)
    say("measuring it")
    body = adult.body
    return MadeFigure(
        form, adult, tuple(read_tapes(form.measures, adult)), enclosed_volume(body.vertices, body.faces),
        count_self_crossings(body.vertices, body.faces)[0],
    )  # fmt: skip


def write_figure(out: Path, made: MadeFigure) -> Path:
    """Write the body as PLY in metres, and its places beside it; each whole or not at all. The places' file."""
    return write_posed(out, made.adult.body, f"figure from measures, {made.form.document.path.name}", made.form.lie)


def write_posed(out: Path, body: Body, origin: str, lie: str) -> Path:
    """Write a posed body that way, with what it is made from (``origin``) and how it lies as comments in the PLY."""
    make_folder(out.parent)
    comments = (f"drapesim {__version__}: {origin}", f"unit metre; z up, head +x; {lie}")
    write_bytes(out, spell_ply(body.vertices, body.faces, comments))
    places = place_file(out)
    write_places(places, body, out)
    return places


FORM = """\
# A figure from measures, for drapesim body figure. What is left out follows from the rest.
lie = "supine"             # or "prone", "left side", "right side"
sex = 0.5                  # shape and proportions: 0 the mean woman's, 1 the mean man's, or between
stature_mm = 1700
# mass_kg = 72             # fills girths and breadths out; left out, what the stature lets expect
ease = "relaxed"           # or "stiff"
arms = "crossed low"       # or "at sides", "on belly", "crossed on chest"
legs = "bent"              # or "straight"; the heels come down to the support

[measures_mm]              # measures that are known, by the names that the command prints
# chest_girth = 960

[angles_deg]               # joint angles that are known; they stand above arms and legs
head_rotation = 10         # to the right
# knee_flexion = 30        # both sides
# "left ankle_flexion" = -20
"""
