"""Making a body file: from slices to a closed, light mesh of the skin, with every change measured."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drapesim import __version__
from drapesim.ground.files import write_bytes
from drapesim.ground.outcome import InputError
from drapesim.jobs.places import carry_held, hold_places, place_file, write_places
from drapesim.jobs.run import make_folder
from drapesim.jobs.thinning import as_body, thin_out_within
from drapesim.matter.body import Body, enclosed_volume
from drapesim.matter.landmarks import follow
from drapesim.matter.regions import Places
from drapesim.matter.slices import FROM_PATIENT, Slices, need
from drapesim.matter.slices_files import Ending, read_slices
from drapesim.matter.slices_mesh import MOST_VOLUME_CHANGE, keep_largest, smooth_skin, spell_ply
from drapesim.matter.slices_skin import Skin, cut_skin, find_skin, find_threshold

Array = np.ndarray
Say = Callable[[str], None]


@dataclass(frozen=True)
class SliceSettings:
    """How slices are made into a body; lengths m. ``spacing`` is for pictures only, see `read_slices`."""

    spacing: tuple[float, float, float] | None = None
    first: Ending = "feet"
    threshold: float | None = None
    opening: float = 6e-3
    pocket: float = 1e-2
    error: float = 5e-4

    def __post_init__(self) -> None:
        for name, value, low, high in (("--opening-mm", self.opening, 0.0, 0.1), ("--pocket-mm", self.pocket, 0.0, 0.1),
                                       ("--error-mm", self.error, 1e-5, 0.02)):  # fmt: skip
            if not low <= value <= high:
                remedy = f"give {1e3 * low:g} to {1e3 * high:g}"
                raise InputError("", name, f"{1e3 * value:g} is out of range", remedy)
        if self.spacing is not None and not all(0.0 < h < np.inf for h in self.spacing):
            raise InputError("", "--spacing-mm", "a spacing is not above zero", "give three lengths above zero")


@dataclass(frozen=True)
class SliceBody:
    """The ``body`` and what was done on the way; lengths m, volumes m3.

    ``volume_change`` (relative) by smoothing; ``faces_before`` the thinning out, whose largest distance, either way,
    is ``error``; ``crossings`` pairs of triangles that cross.
    """

    slices: Slices
    skin: Skin
    body: Body
    volume: float
    volume_change: float
    moved: float  # m, the largest move of a vertex by smoothing
    specks: int  # small shells beside the body that were left out
    faces_before: int
    error: float
    crossings: int
    places: tuple[str, ...] = ()  # one line on what each step did to the landmarks and regions that were given


def make_body(
    source: Path, settings: SliceSettings, say: Say = lambda _: None, places: Places | None = None
) -> SliceBody:
    """The skin in the slices at ``source``, with ``places`` if given; their landmarks are held to the surface as it is
    first cut and carried through smoothing and thinning out.

    Raises InputError where the slices cannot be read or hold no closed body, or a landmark lies off the skin.
    """
    need("fast_simplification", source, "thinning out")
    say("reading the slices")
    slices = read_slices(source, settings.spacing, settings.first)
    say("parting the body from table and air")
    try:
        threshold = find_threshold(slices, settings.threshold)
        skin = find_skin(slices, threshold, settings.opening, settings.pocket)
        say("cutting the surface")
        vertices, faces, specks = keep_largest(*cut_skin(slices, skin))
    except InputError as fault:  # say which volume it was
        raise InputError(source, fault.where, fault.problem, fault.remedy) from fault
    turn = FROM_PATIENT.T if places is not None and places.in_patient else np.eye(3)
    held = None if places is None else hold_places(places, turn, vertices, faces)
    smooth, change = smooth_skin(vertices, faces)
    if abs(change) > MOST_VOLUME_CHANGE:
        problem = f"smoothing changes the volume by {100 * change:.2f} %, more than {100 * MOST_VOLUME_CHANGE:g} %"
        raise InputError(source, "", problem, "the body is too small for its voxels; use a finer series")
    moved = float(np.sqrt(((smooth - vertices) ** 2).sum(axis=1).max()))
    whole = as_body(smooth, faces, source)
    say(f"thinning out {len(whole.faces)} triangles")
    thinned = thin_out_within(whole, settings.error, source)
    body, error = thinned.body, thinned.error
    told: tuple[str, ...] = ()
    if places is not None and held is not None:
        first, then = (follow(held, corners, faces) for corners in (vertices, smooth))
        by_smoothing = max((float(np.linalg.norm(then[name] - first[name])) for name in held.names), default=0.0)
        body, notes = carry_held(places, turn, held, then, body, max(2.0 * error, 1e-3), source)
        told = (f"moved by at most {1e3 * by_smoothing:.2f} mm in smoothing", *notes)
    return SliceBody(
        slices=slices,
        skin=skin,
        body=body,
        volume=enclosed_volume(body.vertices, body.faces),
        volume_change=change,
        moved=moved,
        specks=specks,
        faces_before=len(faces),
        error=error,
        crossings=thinned.crossings,
        places=told,
    )


def check_out(out: Path, force: bool, with_picture: bool = True) -> None:
    """`InputError` where the body file ``out``, or the picture beside it, may not be written."""
    if out.suffix.lower() != ".ply":
        raise InputError(out, "--out", "the body is written as PLY", "give a name that ends in .ply")
    taken = [path for path in (out, out.with_suffix(".png"))[: 1 + with_picture] if path.exists()]
    if taken and not force:
        raise InputError(taken[0], "--out", "the file is there already", "name another, or give --force to replace it")


def write_body(out: Path, made: SliceBody) -> None:
    """Write the body as PLY in metres, whole or not at all; nothing of the scan's header goes into it."""
    make_folder(out.parent)
    comments = (
        f"drapesim {__version__}: skin of a {made.slices.source}",
        "unit metre; head +x, left -y, front +z; nothing that names a person is kept, but a face can be known",
    )
    write_bytes(out, spell_ply(made.body.vertices, made.body.faces, comments))
    if made.places:
        write_places(place_file(out), made.body, out)
