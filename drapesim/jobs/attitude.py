"""From a form of landmarks on flat maps to the attitudes that explain them, and to a figure's file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from drapesim import __version__
from drapesim.ground.files import Document, read_toml, write_text
from drapesim.ground.outcome import InputError, gather_faults
from drapesim.jobs.run import make_folder
from drapesim.judging.attitude import (
    DETERMINED,
    OPEN,
    SHAPED,
    UNSEEN,
    Attitude,
    Question,
    check_question,
    find_attitude,
    try_fit,
)
from drapesim.judging.lay_models import Lay, MapView, pick_hand
from drapesim.matter.anatomy import find_standard, resolve, suggest_places
from drapesim.matter.measures import find_measures
from drapesim.matter.skeleton import ANGLE_NAMES, JointAngles, Lie, Skeleton, place_skeleton

Array = np.ndarray
Show = Callable[[str, int, int], None]

POOR = 3.0  # root mean square of misfit over sd, from which a map is tried the other way round
MUCH_BETTER = 0.25  # of the sum of squares


@dataclass(frozen=True)
class Form:
    """A form as read: the ``question``, the lay models to try, each map's picture (path, m per pixel) or None."""

    document: Document
    title: str
    question: Question
    lays: tuple[Lay, ...]
    pictures: tuple[tuple[Path, float] | None, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Answer:
    """The attitudes under each lay model, and sentences on what looks wrong."""

    form: Form
    attitudes: tuple[Attitude, ...]
    notes: tuple[str, ...]


def read_form(path: str | Path) -> Form:
    """Read a form. Raises `InputError` with all faults: keys, names that are no landmarks, too few of them."""
    from drapesim.matter.attitude_schema import AttitudeForm
    from drapesim.matter.door import check

    document = read_toml(path, "attitude form")
    file = check(AttitudeForm, document)
    known = list_landmarks(file.lie)
    faults: list[InputError] = []
    views, notes, pictures = [], [], []
    for number, table in enumerate(file.map):
        keys = ("map", number, "landmarks_mm")
        found: dict[str, str] = {}
        for name in table.landmarks_mm:
            meant = resolve(name, known)
            if meant is None and find_standard(name) is not None:
                notes.append(f"The figure has no '{name}'; set aside.")
            elif meant is None:
                faults.append(document.error((*keys, name), f"'{name}' is no landmark", suggest_places(name, known)))
            elif meant in found:
                faults.append(document.error((*keys, name), f"it is the same as '{found[meant]}'", "give one of them"))
            else:
                found[meant] = name
        points = np.array([table.landmarks_mm[name] for name in found.values()]).reshape(-1, 2) / 1e3
        sd = np.array([table.uncertain_mm.get(name, file.uncertain_mm) for name in found.values()]) / 1e3
        stretch = np.array([table.stretch_u, table.stretch_v])
        if len(found):
            hand = pick_hand(file.lie, table.shows, table.seen_from)
            views.append(MapView(tuple(found), points * stretch, sd, hand, table.shows))
            has_picture = table.picture is not None and table.mm_per_pixel is not None
            pictures.append((document.path.parent / str(table.picture), float(table.mm_per_pixel or 0) / 1e3)
                            if has_picture else None)  # fmt: skip
    if faults:
        raise gather_faults(faults)
    if not views:
        raise document.error(("map", 0, "landmarks_mm"), "the figure has none of these landmarks", _list(known))
    question = Question(tuple(views), file.lie, file.sex, (file.stature_mm / 1e3, file.stature_sd_mm / 1e3),
                        file.proportions_sd, file.at_rest)  # fmt: skip
    check_question(question, document.place(("map", 0, "landmarks_mm")))
    return Form(document, file.title, question, tuple(file.lays), tuple(pictures), tuple(notes))


def list_landmarks(lie: Lie = "supine") -> tuple[str, ...]:
    """The landmarks that the figure's skeleton places."""
    return place_skeleton(find_measures(), JointAngles(), lie).landmark_names


def _list(names: tuple[str, ...]) -> str:
    return "give some of " + ", ".join(names)


def answer_form(form: Form, show: Show = lambda _lay, _done, _all: None) -> Answer:
    """The attitudes under each of the form's lay models."""
    attitudes, notes = [], list(form.notes)
    for lay in form.lays:
        found = find_attitude(form.question, lay, show=partial(show, lay))
        attitudes.append(found)
        if np.isfinite(found.chi) and found.chi > POOR:
            notes += _look_for_slips(form.question, lay)
    return Answer(form, tuple(attitudes), tuple(dict.fromkeys(notes)))


def _look_for_slips(question: Question, lay: Lay) -> list[str]:
    """Sentences on maps that fit much better the other way round."""
    notes = []
    _, before = try_fit(question, lay)
    for number, view in enumerate(question.views):
        turned = replace(view, hand=-view.hand)
        views = (*question.views[:number], turned, *question.views[number + 1 :])
        if try_fit(replace(question, views=views), lay)[1] < MUCH_BETTER * before:
            notes.append(f"Map {number + 1} fits much better mirrored: are left and right the body's own, and are "
                         "seen_from and shows right?")  # fmt: skip
    return notes


SEGMENTS = (  # name, from joint, to joint or landmark, does it run towards the head
    ("trunk", "lumbar", "neck", True), ("head", "skull", "crown", True),
    *((f"{side} {name}", f"{side} {a}", f"{side} {b}", False) for side in ("left", "right") for name, a, b in (
        ("upper arm", "shoulder", "elbow"), ("forearm", "elbow", "wrist"), ("hand", "wrist", "middle fingertip"),
        ("thigh", "hip", "knee"), ("shin", "knee", "ankle"), ("foot", "ankle", "toe tip"))),
)  # fmt: skip


@dataclass(frozen=True)
class Lying:
    """How a segment lies: (best, low, high) rad of its bearing in plan and of its tilt out of it.

    The bearing is from where the pelvis's long axis lies on the first map in the best fit, outward for a limb, to the
    body's right for trunk and head; the tilt is positive where the end farther from the pelvis is the higher one.
    """

    name: str
    bearing: tuple[float, float, float]
    tilt: tuple[float, float, float]


def tell_segments(attitude: Attitude) -> list[Lying]:
    """How each segment lies in the best fit, and within what was found to be allowed."""
    moved, view = _moved_segments(attitude), attitude.question.views[0]
    rows = []
    for name, start, end, is_up in SEGMENTS:
        if name not in moved:
            continue
        course = np.array([_point(s, end) - s.joint(start) for s in (attitude.skeleton, *attitude.others)])
        outward = -1.0 if name.startswith("left") else 1.0
        if attitude.question.lie == "prone":
            outward = -outward
        along = np.arctan2(course[:, 1], course[:, 0]) + view.hand * (attitude.turns - attitude.turns[0])
        bearing = np.arctan2(outward * np.sin(along), np.cos(along) * (1.0 if is_up else -1.0))
        tilt = np.arcsin(np.clip(course[:, 2] / np.linalg.norm(course, axis=1), -1.0, 1.0))
        rows.append(Lying(name, _span(bearing), _span(tilt)))
    return rows


def _span(angle: Array) -> tuple[float, float, float]:
    away = (angle - angle[0] + np.pi) % (2.0 * np.pi) - np.pi
    return float(angle[0]), float(angle[0] + away.min()), float(angle[0] + away.max())


def _point(skeleton: Skeleton, name: str) -> Array:
    return skeleton.joint(name) if name in skeleton.joint_names else skeleton.landmark(name)


def _moved_segments(attitude: Attitude) -> set[str]:
    """Segments that some seen angle turns."""
    words = {"trunk": "trunk", "head": "head", "shoulder": "upper arm", "elbow": "forearm", "forearm": "hand",
             "wrist": "hand", "finger": "hand", "hip": "thigh", "knee": "shin", "ankle": "foot"}  # fmt: skip
    found = set()
    for name, known in zip(ANGLE_NAMES, attitude.known, strict=True):
        side, _, plain = name.rpartition(" ")
        if known != UNSEEN:
            found.add(f"{side} {words[plain.partition('_')[0]]}".strip())
    return found


def spell_attitude(answer: Answer, attitude: Attitude) -> str:
    """The attitude as a figure's file (TOML), with what is known of each angle beside it."""
    low, high = np.degrees(attitude.low), np.degrees(attitude.high)
    best, least, most = (1e3 * s for s in attitude.stature)
    usual = find_measures(attitude.stature[0], sex=attitude.question.sex)
    lines = [
        f"# drapesim {__version__}: attitude from {answer.form.document.path.name}, lay model: {attitude.lay}",
        "# What the landmarks imply under that model; it says nothing of who lay there, nor whether anybody did.",
        f'lie = "{attitude.question.lie}"',
        f"sex = {attitude.question.sex:g}",
        f"stature_mm = {best:.1f} # {attitude.stature_known}: {least:.0f} to {most:.0f}",
        "",
        "[measures_mm] # as the fit has them; the handbook's for this stature stand behind",
    ]
    lines += [
        f"{name} = {1e3 * getattr(attitude.measures, name):.1f} # {1e3 * getattr(usual, name):.1f}" for name in SHAPED
    ]
    lines += ["", "[angles_deg]"]
    for name, value, lo, hi, known in zip(
        ANGLE_NAMES, np.degrees(attitude.angles.as_vector()), low, high, attitude.known, strict=True
    ):
        said = f"{known}: {lo:.0f} to {hi:.0f}" if known not in (OPEN, UNSEEN) else (
            f"ASSUMED, the map does not determine it: {lo:.0f} to {hi:.0f}" if known == OPEN
            else "ASSUMED, no landmark depends on it"
        )  # fmt: skip
        lines.append(f'"{name}" = {round(float(value), 1) + 0.0:.1f} # {said}')
    return "\n".join(lines) + "\n"


def name_file(folder: Path, lay: Lay) -> Path:
    """The figure's file of one lay model."""
    return folder / f"{lay.replace(' ', '-')}.toml"


def write_answer(folder: Path, answer: Answer) -> list[Path]:
    """Write a figure's file for each lay model."""
    make_folder(folder)
    written = []
    for attitude in answer.attitudes:
        written.append(name_file(folder, attitude.lay))
        write_text(written[-1], spell_attitude(answer, attitude))
    return written


def count_known(attitude: Attitude) -> tuple[int, int, int]:
    """How many angles are determined, loosely so, and left open or not seen."""
    known = list(attitude.known)
    n = known.count(DETERMINED)
    rest = known.count(OPEN) + known.count(UNSEEN)
    return n, len(known) - n - rest, rest


EMPTY_FORM = """\
# Landmarks on a flat map of cloth, for drapesim body attitude. Lengths in mm, left and right are the body's own.
title = "..."
lie = "supine"          # or "prone"
sex = 0.5               # proportions: 0 of women, 1 of men
stature_mm = 1714       # what is expected, and how surely; a large sd leaves it to the map
stature_sd_mm = 150
at_rest = true          # hands, head and heels lie on the body or the support; false for stiff limbs in the air
uncertain_mm = 20       # standard deviation of a landmark each way: how well it can be read on the map, and how far a
                        # real lay departs from a model (demonstration cover: 18 mm along the surface, 35 straight down)

[[map]]
shows = "front"         # the side of the body that lay against this part of the cloth, or "back"
seen_from = "inner"     # the side of the cloth that faced the body is seen, or "outer"
# picture = "map.png"   # drawn under the figure; its top left corner is u = 0, v = 0
# mm_per_pixel = 1.0

[map.landmarks_mm]      # [u, v]: to the right and downward; leave out what cannot be seen, and guess nothing
"""


def spell_form() -> str:
    """An empty form with all landmarks that may be given."""
    rows = [f'# "{name}" = [0, 0]' for name in list_landmarks()]
    return EMPTY_FORM + "\n".join(rows) + '\n\n# [map.uncertain_mm]\n# "nose tip" = 20\n'
