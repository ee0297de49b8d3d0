"""Readings as rows: the same form as `drapesim.matter.readings` reads from TOML, for those who keep a spreadsheet.

Columns: test, which, reading, unit, at, at_unit. One reading a row; "which" is the direction (and face) or the surface;
"at" is what the reading was taken at: a load, an angle, a number of layers. Rows of one test keep their order; repeats
are further rows with the same "at".
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

from drapesim.ground.files import Document, Keys, hash_bytes, read_bytes
from drapesim.ground.outcome import InputError

COLUMNS = ("test", "which", "reading", "unit", "at", "at_unit")
WORDS = ("name", "description", "fibre", "source", "surface")
SWITCHES = ("invented", "single_reading_accepted")
# test -> unit of the reading -> key of the form
UNITS = {
    "weight": {"g": "masses_g"},
    "thickness": {"mm": "heights_mm"},
    "overhang": {"mm": "face_up_mm"},
    "heart_loop": {"mm": "heights_mm"},
    "extension": {"percent": "extensions_percent", "mm": "lengths_mm"},
    "bias_extension": {"percent": "extensions_percent", "mm": "lengths_mm"},
    "incline": {"deg": "angles_deg", "mm": "rises_mm"},
    "drape": {"cm2": "shadow_areas_cm2"},
}
# test -> unit of "at" -> key of the form
PLACES = {
    "weight": {"mm": "side_mm"},
    "thickness": {"layers": "layers"},
    "overhang": {"deg": "angle_deg"},
    "heart_loop": {"mm": "loop_mm"},
    "extension": {"N_m": "tensions_N_m", "gf_cm": "tensions_gf_cm", "g": "hung_g"},
    "bias_extension": {"N_m": "tensions_N_m", "gf_cm": "tensions_gf_cm", "g": "hung_g"},
    "incline": {"mm": "base_mm"},
}
# sizes that stand on rows of their own: test -> (table, key)
SIZES = {
    "width": "width_mm", "gauge": "gauge_mm", "drape_support": "support_mm", "drape_specimen": "specimen_mm",
}  # fmt: skip
FACES = {"": "face_up_mm", "up": "face_up_mm", "down": "face_down_mm"}


def read_csv(path: str | Path) -> Document:
    """A CSV form as the `Document` that a TOML form would be. Raises `InputError` with the line of the fault."""
    content = read_bytes(path, "readings form")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(path, "", "the readings form is not UTF-8 text", "save it as CSV UTF-8") from None
    rows = list(csv.DictReader(io.StringIO(text)))
    if not rows or any(column not in rows[0] for column in COLUMNS[:4]):
        apart = ", with commas and no semicolons" if ";" in text.partition("\n")[0] else ""
        raise InputError(path, "", "this is no readings form", f"its first line must read {','.join(COLUMNS)}{apart}")
    form = _Form(Path(path))
    for number, row in enumerate(rows, start=2):
        cells = {column: (row.get(column) or "").strip() for column in COLUMNS}
        if any(cells.values()):
            form.take(number, cells)
    return Document(Path(path), text, hash_bytes(content), form.data, form.lines)


class _Form:
    """The form as it grows row by row: ``data`` as TOML would give it, ``lines`` of each key."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.data: dict[str, Any] = {}
        self.lines: dict[Keys, int] = {}

    def take(self, line: int, cells: dict[str, str]) -> None:
        test, which = cells["test"], cells["which"]
        if test in WORDS:
            if test == "surface":
                self._note(("surfaces",), line)
                self.data.setdefault("surfaces", []).append(cells["reading"])
            else:
                self._put((), test, cells["reading"], line)
            return
        if test in SWITCHES:
            self._put((), test, cells["reading"].lower() in ("true", "yes", "1"), line)
            return
        if test in SIZES:
            self._unit(line, test, cells["unit"], {"mm": ""})
            table = ("drape",) if test.startswith("drape") else self._table(line, which)
            self._put(table, SIZES[test], self._number(line, cells["reading"]), line)
            return
        if test not in UNITS:
            known = ", ".join((*UNITS, *SIZES, *WORDS, *SWITCHES))
            raise InputError(f"{self.path}:{line}", "test", f"there is no test '{test}'", f"known here: {known}")
        key, number = self._unit(line, test, cells["unit"], UNITS[test]), self._number(line, cells["reading"])
        direction, _, face = which.partition(" ")
        path = (test, direction) if direction else (test,)
        if test == "overhang":
            if face.removeprefix("face ") not in FACES:
                raise InputError(f"{self.path}:{line}", "which", f"there is no face '{face}'", "write up or down")
            key = FACES[face.removeprefix("face ")]
        at_key, at = "", 0.0
        if cells["at"]:
            at_key = self._unit(line, f"the 'at' of {test}", cells["at_unit"], PLACES.get(test, {}))
            at = self._number(line, cells["at"])
        if test in ("extension", "bias_extension"):
            self._pull(line, path, key, number, at_key, at)
            return
        if at_key:
            self._put(path, at_key, int(at) if at_key == "layers" else at, line)
        self._note((*path, key), line)
        self._at(path).setdefault(key, []).append(number)

    def _pull(self, line: int, path: Keys, key: str, number: float, at_key: str, at: float) -> None:
        """Repeats are rows with the same load: the k-th reading at a load belongs to the k-th strip."""
        if not at_key:
            raise InputError(f"{self.path}:{line}", "at", "an extension needs its load", "give at and at_unit")
        table = self._at(path)
        self._note((*path, key), line)
        loads, strips = table.setdefault(at_key, []), table.setdefault(key, [])
        if at not in loads:
            loads.append(at)
        place = loads.index(at)
        strip = next((row for row in strips if len(row) == place), None)
        if strip is None:
            if place:
                problem = "this strip has more readings at this load than at the one before"
                raise InputError(f"{self.path}:{line}", "at", problem, "give as many readings for each load")
            strips.append(strip := [])
        strip.append(number)

    def _table(self, line: int, which: str) -> Keys:
        test, _, direction = which.partition(" ")
        if test not in ("extension", "bias_extension"):
            remedy = "write extension warp, extension weft or bias_extension"
            raise InputError(f"{self.path}:{line}", "which", "a width or gauge belongs to a pull", remedy)
        return (test, direction) if direction else (test,)

    def _unit(self, line: int, what: str, unit: str, known: dict[str, str]) -> str:
        """The form's key for ``unit``."""
        if unit in known:
            return known[unit]
        problem = f"the unit '{unit}' does not suit {what}" if unit else f"{what} lacks its unit"
        raise InputError(f"{self.path}:{line}", "unit", problem, f"write {' or '.join(known) or 'none'}")

    def _number(self, line: int, text: str) -> float:
        try:
            return float(text)
        except ValueError:
            raise InputError(f"{self.path}:{line}", "reading", f"'{text}' is no number", "write it as 12.3") from None

    def _at(self, path: Keys) -> dict[str, Any]:
        table = self.data
        for step in path:
            table = table.setdefault(str(step), {})
        return table

    def _put(self, path: Keys, key: str, value: Any, line: int) -> None:
        self._note((*path, key), line)
        self._at(path)[key] = value

    def _note(self, keys: Keys, line: int) -> None:
        for end in range(1, len(keys) + 1):
            self.lines.setdefault(keys[:end], line)
