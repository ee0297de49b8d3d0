"""Claims as rows, for those who keep a spreadsheet: one mark a row, the columns named as the keys of the TOML table."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

from drapesim.ground.files import Document, Keys, hash_bytes, read_bytes
from drapesim.ground.outcome import InputError

NUMBERS = ("tolerance_mm", "wicking_mm", "share")
MARK = "name"  # the column with the mark's own id; "mark" is the other mark of the claim that two meet


def read_claims_csv(path: str | Path, named_in: str = "") -> Document:
    """A CSV claims table as the `Document` that a TOML one would be; empty cells are keys left out.

    Raises `InputError` with the line of the fault; keys and values are checked as those of TOML are.
    """
    content = read_bytes(path, "claims table", named_in)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(path, "", "the claims table is not UTF-8 text", "save it as CSV UTF-8") from None
    rows = csv.DictReader(io.StringIO(text))
    if MARK not in (rows.fieldnames or ()):
        apart = ", with commas and no semicolons" if ";" in text.partition("\n")[0] else ""
        raise InputError(path, "", f"there is no column '{MARK}'", f"its first line must name the columns{apart}")
    data: dict[str, Any] = {}
    lines: dict[Keys, int] = {}
    for row in rows:
        place = f"{path}:{rows.line_num}"
        if None in row:
            raise InputError(
                place, "", "the row has more cells than there are columns", "put texts with commas in quotes"
            )
        cells = {key.strip(): (value or "").strip() for key, value in row.items()}
        name = cells.pop(MARK)
        if not name and not any(cells.values()):
            continue
        if not name:
            raise InputError(place, MARK, "the row names no mark", "give the id of a mark in the drawing")
        if name in data:
            problem = f"the mark is named twice, first in line {lines[(name,)]}"
            raise InputError(place, name, problem, "a mark has one claim")
        entry: dict[str, Any] = {key: value for key, value in cells.items() if value}
        for key in NUMBERS:
            if key in entry:
                try:
                    entry[key] = float(entry[key])
                except ValueError:
                    problem = f"'{entry[key]}' is no number"
                    raise InputError(place, f"{name}.{key}", problem, "write it with a point, such as 0.8") from None
        data[name] = entry
        lines[(name,)] = rows.line_num
        lines |= {(name, key): rows.line_num for key in entry}
    return Document(Path(path), text, hash_bytes(content), data, lines)
