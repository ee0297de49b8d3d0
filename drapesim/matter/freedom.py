"""Freedom: which numbers of a scene a search may vary, and between what limits; and a scene with them varied.

A scene states them in `[search]`, one `[[search.free]]` table each: the key as the scene's own messages spell it, such
as "lay[1].place_mm", with the least and greatest value of each of its numbers, in the unit that the key says.
"""

from __future__ import annotations

import copy
import math
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.ground.files import Document, Keys, hash_bytes, parse_toml, read_toml, spell_keys, spell_toml, write_text
from drapesim.ground.outcome import InputError, gather_faults

if TYPE_CHECKING:
    from drapesim.matter.scene_schema import FreeTable, SearchTable

Array = np.ndarray

UNITS = {"mm": "mm", "deg": "degrees", "N": "N", "g": "g", "mm_s": "mm/s", "": ""}
FORM = "form"  # what the keys of a figure form begin with
WHAT = 'keys of lay steps, such as "lay[1].place_mm", angles of body.figure, or "form.angles_deg.NAME" of a figure form'


@dataclass(frozen=True)
class Axis:
    """One number that may vary from ``low`` to ``high``; ``start``: the scene's own. All in the ``unit`` of its key.

    ``keys``: where it stands in the scene (after "form": in the figure form); the last one may be a place in a list.
    """

    keys: Keys
    low: float
    high: float
    start: float

    @property
    def name(self) -> str:
        """The key, and which of its numbers: "lay[1].place_mm[2]"."""
        return spell_keys(self.keys)

    @property
    def words(self) -> str:
        """The same for readers: "place y", of further steps "step 2, by z", "knee bend", "left hip flexion"."""
        named = [str(key) for key in self.keys if isinstance(key, str)][-1]
        said = re.sub(r"_(mm_s|mm|deg|N|g)$", "", named).replace("_", " ")
        places = [key for key in self.keys[self.keys.index(named) + 1 :] if isinstance(key, int)]
        letters = "uv" if re.search(r"point|edge|line|stroke", named) else "xyz"
        if places:
            said += "".join(f" {place + 1}" for place in places[:-1]) + f" {letters[places[-1]]}"
        step = self.keys[1]
        return f"step {step + 1}, {said}" if isinstance(step, int) and step else said

    @property
    def unit(self) -> str:
        key = next(str(key) for key in reversed(self.keys) if isinstance(key, str))
        if self.keys[:2] == (FORM, "angles_deg"):
            return "degrees"
        found = re.search(r"_(mm_s|mm|deg|N|g)$", key)
        return UNITS[found[1] if found else ""]


@dataclass(frozen=True)
class Freedom:
    """What a scene leaves free. ``scene`` and ``form`` (if a figure's form is varied) are the files as they stand.

    ``spacing_mm`` of the search, ``most_lays`` to settle in it, ``confirm``: how many to settle at the scene's own.
    """

    scene: Document
    form: Document | None
    axes: tuple[Axis, ...]
    spacing_mm: float
    most_lays: int
    confirm: int

    @property
    def start(self) -> tuple[float, ...]:
        """The scene's own values."""
        return tuple(axis.start for axis in self.axes)

    def body_values(self, values: Sequence[float] | Array) -> tuple[float, ...]:
        """Those of ``values`` that the body is made by; the others only lay the cloth."""
        return tuple(
            tidy(float(v)) for axis, v in zip(self.axes, values, strict=True) if axis.keys[0] != "lay"
        )  # fmt: skip


def read_freedom(path: str | Path) -> Freedom:
    """The `[search]` of a scene's file, which is otherwise read by `plan.read_scene`.

    Raises `InputError` where there is none, for a scene that is against its schema, or for a key that is not there, is
    no number, or may not be varied.
    """
    from drapesim.matter.door import check
    from drapesim.matter.plan import check_file
    from drapesim.matter.scene_schema import SearchTable

    document = read_toml(path, "scene")
    if not isinstance(document.data.get("search"), dict):
        remedy = "add [search] with one [[search.free]] for each key that may vary"
        raise document.error(("search",), "the scene does not say what a search may vary", remedy)
    check_file(document)  # what follows takes the scene's own tables at their word
    table = check(SearchTable, document, document.data["search"], ("search",))
    data = copy.deepcopy(document.data)
    if isinstance(data.get("lay_plan"), str):  # its steps become the scene's own, so that they can be varied
        source = document.path.parent / data.pop("lay_plan")
        data["lay"] = copy.deepcopy(read_toml(source, "lay plan", document.place(("lay_plan",))).data.get("lay", []))
    form = _find_form(document) if any(free.key.startswith(f"{FORM}.") for free in table.free) else None
    axes = _find_axes(document, data, form, table)
    data.pop("search")
    scene = Document(document.path, document.text, document.sha256, data, document.lines)
    spacing = table.coarse_spacing_mm or 2.0 * float(data["sheet"]["spacing_mm"])
    return Freedom(scene, form, axes, spacing, table.most_lays, table.confirm)


def _find_form(document: Document) -> Document | None:
    body = document.data.get("body")
    adult = body.get("adult") if isinstance(body, dict) else None
    if not isinstance(adult, dict) or not isinstance(adult.get("form"), str):
        return None
    return read_toml(document.path.parent / adult["form"], "figure form", document.place(("body", "adult", "form")))


def _find_axes(document: Document, data: dict[str, Any], form: Document | None, table: SearchTable) -> tuple[Axis, ...]:
    axes: list[Axis] = []
    faults: list[InputError] = []
    for number, free in enumerate(table.free):
        at: Keys = ("search", "free", number)
        try:
            found = _read_free(document, at, data, form, free)
        except InputError as fault:
            faults.append(fault)
            continue
        if {axis.keys for axis in found} & {axis.keys for axis in axes}:
            faults.append(document.error((*at, "key"), f"{free.key} is given twice", "give it once"))
        axes += found
    if not faults and not axes:
        faults.append(document.error(("search", "free"), "every low equals its high", "leave something free"))
    if faults:
        raise gather_faults(faults)
    return tuple(axes)


def _read_free(
    document: Document, at: Keys, data: dict[str, Any], form: Document | None, free: FreeTable
) -> list[Axis]:
    key: Keys = (*at, "key")
    keys = parse_keys(free.key)
    is_angle = keys[:2] == ("body", "figure") and str(keys[-1]).endswith("_deg")
    is_step = len(keys) == 3 and keys[0] == "lay" and isinstance(keys[1], int)
    is_form = len(keys) == 3 and keys[:2] == (FORM, "angles_deg")
    if not (is_angle or is_step or is_form):
        raise document.error(key, f"{free.key!r} cannot be searched over", f"name {WHAT}")
    if is_form and form is None:
        remedy = 'give body.adult = { form = "..." }'
        raise document.error(key, "the scene's body is not made from a figure form", remedy)
    value: Any = data if form is None or not is_form else form.data
    for step in keys[1:] if is_form else keys:
        inside = isinstance(value, list) and isinstance(step, int) and 0 <= step < len(value)
        if not inside and not (isinstance(value, dict) and step in value):
            where = "the figure form" if is_form else "the scene"
            raise document.error(key, f"{where} has no {free.key}", "write it there, with the value to begin from")
        value = value[step]
    lows, highs = _flatten(free.low), _flatten(free.high)
    values = _flatten(value)
    if not values or not all(isinstance(n, int | float) and not isinstance(n, bool) for _, n in values):
        raise document.error(key, f"{free.key} holds no numbers", "name a key of numbers")
    for word, ends in (("low", lows), ("high", highs)):
        if [place for place, _ in ends] != [place for place, _ in values]:
            problem = f"{word} has not the form of {free.key}, which is {value}"
            raise document.error((*at, word), problem, "give one number for each of its numbers")
    axes = []
    for (place, start), (_, low), (_, high) in zip(values, lows, highs, strict=True):
        if not low <= start <= high:
            problem = f"the scene's own {start:g} does not lie from {low:g} to {high:g}"
            raise document.error((*at, "low" if start < low else "high"), problem, "give limits on both sides of it")
        if low < high:
            axes.append(Axis((*keys, *place), float(low), float(high), float(start)))
    return axes


def parse_keys(text: str) -> Keys:
    """("lay", 0, "place_mm") for "lay[1].place_mm"; the inverse of `spell_keys`."""
    keys: list[str | int] = []
    for part in text.split("."):
        name, *places = re.split(r"\[(\d+)\]", part)
        keys += [name, *(int(place) - 1 for place in places if place.isdigit())]
    return tuple(keys)


def _flatten(value: Any, place: Keys = ()) -> list[tuple[Keys, Any]]:
    """Every entry of nested lists with its place in them; a bare value has the place ()."""
    if not isinstance(value, list):
        return [(place, value)]
    return [found for number, each in enumerate(value) for found in _flatten(each, (*place, number))]


def varied(freedom: Freedom, values: Sequence[float] | Array) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """The tables of the scene, and of its figure form if that is varied, with ``values`` on the axes."""
    data = copy.deepcopy(freedom.scene.data)
    form = None if freedom.form is None else copy.deepcopy(freedom.form.data)
    for axis, value in zip(freedom.axes, values, strict=True):
        is_form = axis.keys[0] == FORM
        inner: Any = form if is_form else data
        *way, last = axis.keys[1:] if is_form else axis.keys
        for key in way:
            inner = inner[key]
        inner[last] = tidy(float(value))
    return data, form


def vary(freedom: Freedom, values: Sequence[float] | Array, forms: Path) -> Document:
    """The scene with ``values`` on its axes, as a file of the same path would have it.

    Where a figure form is varied, it is written to the folder ``forms`` under a name from its content.
    """
    data, form = varied(freedom, values)
    if form is not None:
        text = spell_toml(form)
        path = forms / f"form-{hash_bytes(text.encode())[:12]}.toml"
        if not path.is_file():
            forms.mkdir(parents=True, exist_ok=True)
            write_text(path, text)
        data["body"]["adult"]["form"] = os.path.relpath(path, freedom.scene.path.parent)
    return parse_toml(freedom.scene.path, spell_toml(data), "scene")


def tidy(value: float) -> float:
    """``value`` to nine places, without a minus before zero: what is written is then what is computed with."""
    return round(value, 9) + 0.0 if math.isfinite(value) else value


def move_paths(document: Document, names: Sequence[str], folder: Path) -> str:
    """The scene's text for a file in ``folder``: the files ``names`` that it names are found from there."""

    def moved(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: moved(each) for key, each in value.items()}
        if isinstance(value, list):
            return [moved(each) for each in value]
        if isinstance(value, str) and value in names and not Path(value).is_absolute():
            return Path(os.path.relpath(document.path.parent / value, folder)).as_posix()
        return value

    return spell_toml(moved(document.data))
