"""The form of a figure from measures: a TOML file to measures, joint angles and lie, checked at the door."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.files import Document, read_toml
from drapesim.ground.outcome import InputError
from drapesim.matter.adult import Adult, build_adult
from drapesim.matter.attitudes import name_attitude
from drapesim.matter.measures import MEASURES, BodyMeasures, find_measures
from drapesim.matter.skeleton import ANGLE_NAMES, MIDDLE, OF_SIDE, SIDES, JointAngles, Lie

if TYPE_CHECKING:
    from drapesim.matter.figure_schema import FigureFile

LENGTHS = tuple(name for name in MEASURES if name not in ("stature", "mass"))


@dataclass(frozen=True)
class FigureForm:
    """A form that was read: SI inside. ``document`` is the file; ``edge`` and ``fine_edge`` m."""

    document: Document
    measures: BodyMeasures
    angles: JointAngles
    lie: Lie
    edge: float
    fine_edge: float


def figure_schema() -> dict[str, Any]:
    """JSON Schema of the form, for editors that check while one types."""
    from drapesim.matter.figure_schema import FigureFile

    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **FigureFile.model_json_schema(),
        "title": "drapesim figure",
    }


def read_figure(path: str | Path, place: str = "") -> FigureForm:
    """Read a form; ``place`` is what names it, such as a scene's key. Raises InputError with file, key and remedy."""
    from drapesim.matter.door import check, suggest
    from drapesim.matter.figure_schema import FigureFile

    document = read_toml(path, "figure form", place)
    file = check(FigureFile, document)
    if file.fine_edge_mm > file.edge_mm:
        raise document.error(("fine_edge_mm",), f"{file.fine_edge_mm:g} is more than edge_mm", "give no more than that")
    for name in file.measures_mm:
        if name not in LENGTHS:
            raise document.error(("measures_mm", name), "unknown measure", suggest(name, LENGTHS))
    given = _spread(document, file.angles_deg)
    lengths = {name: 1e-3 * value for name, value in file.measures_mm.items()}
    stature = None if file.stature_mm is None else 1e-3 * file.stature_mm
    try:
        measures = find_measures(stature, file.mass_kg, file.sex, **lengths)
        angles = name_attitude(measures, file.lie, file.ease, file.arms, file.legs, given)
    except InputError as fault:
        raise _at_key(document, file, fault) from fault
    return FigureForm(document, measures, angles, file.lie, 1e-3 * file.edge_mm, 1e-3 * file.fine_edge_mm)


def build_figure(form: FigureForm, surface: str = "skin") -> Adult:
    """The body of a form. Raises InputError about its file where the measures cannot be met."""
    try:
        return build_adult(form.measures, form.angles, form.lie, form.edge, form.fine_edge, surface)
    except InputError as fault:
        raise _at_key(form.document, None, fault) from fault


def _spread(document: Document, angles: dict[str, float]) -> dict[str, float]:
    """Angles by their full names; one without a side stands for both, one with it above it."""
    from drapesim.matter.door import suggest

    both: dict[str, float] = {}
    own: dict[str, float] = {}
    for name, value in angles.items():
        if name in ANGLE_NAMES:
            own[name] = value
        elif name in OF_SIDE:
            both |= {f"{word} {name}": value for _, word in SIDES}
        else:
            raise document.error(("angles_deg", name), "unknown joint angle", suggest(name, (*ANGLE_NAMES, *OF_SIDE)))
    return {**both, **own}


def _at_key(document: Document, file: FigureFile | None, fault: InputError) -> InputError:
    """The fault at the key of the form that it is about."""
    where = fault.where
    keys = {"stature": ("stature_mm",), "mass": ("mass_kg",), "arms": ("arms",), "sex": ("sex",)}
    if where in keys:
        return document.error(keys[where], fault.problem, fault.remedy)
    if where in LENGTHS:
        return document.error(("measures_mm", where), f"{where}: {fault.problem}", fault.remedy)
    if where in ANGLE_NAMES:
        name = where if file is None or where in file.angles_deg or where in MIDDLE else where.split(" ", 1)[1]
        return document.error(("angles_deg", name), fault.problem, fault.remedy)
    return InputError(document.path, where, fault.problem, fault.remedy)
