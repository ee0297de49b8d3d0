"""Files: TOML with positions, hashes, and writing that is either whole or absent.

Everything is written under a temporary name in the same folder, flushed to the disk, and renamed; a reader never
sees half a file, and a run that is refused leaves nothing behind.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.outcome import InputError

if TYPE_CHECKING:
    import h5py

PART = ".part"  # ending of a file that is still being written

Keys = tuple[str | int, ...]


@dataclass(frozen=True)
class Document:
    """A TOML file that has been read: ``path`` as the user named it, its ``text``, ``sha256`` and ``data``.

    ``lines`` maps a key path, such as ("lay", 0, "turn_deg"), to its line number (from 1).
    """

    path: Path
    text: str
    sha256: str
    data: dict[str, Any]
    lines: Mapping[Keys, int]

    def place(self, keys: Keys) -> str:
        """``file:line`` of the key, or of the nearest table above it that the file does hold."""
        for end in range(len(keys), 0, -1):
            if keys[:end] in self.lines:
                return f"{self.path}:{self.lines[keys[:end]]}"
        return str(self.path)

    def error(self, keys: Keys, problem: str, remedy: str = "") -> InputError:
        """The `InputError` for one key of this file."""
        return InputError(self.place(keys), spell_keys(keys), problem, remedy)


def spell_keys(keys: Keys) -> str:
    """``lay[1].turn_deg`` for ("lay", 0, "turn_deg"): people count from one."""
    text = ""
    for key in keys:
        text += f"[{key + 1}]" if isinstance(key, int) else f".{key}" if text else key
    return text


def read_bytes(path: str | Path, what: str = "file", named_in: str = "") -> bytes:
    """Bytes of ``path``; `InputError` where it is missing or cannot be read.

    ``what`` says in words what the file is for; ``named_in`` is the place (``file:line``) that asks for it.
    """
    path = Path(path)
    where = named_in or str(path)
    try:
        return path.read_bytes()
    except FileNotFoundError:
        remedy = "paths are read relative to the file that names them" if named_in else "check the path"
        raise InputError(where, "", f"there is no {what} {path}", remedy) from None
    except IsADirectoryError:
        raise InputError(where, "", f"{path} is a folder, not a {what}", "name a file") from None
    except OSError as fault:
        reason = fault.strerror or str(fault)
        raise InputError(where, "", f"the {what} {path} cannot be read ({reason})", "check its permissions") from None


def hash_bytes(content: bytes) -> str:
    """sha256 of ``content`` in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def read_toml(path: str | Path, what: str = "file", named_in: str = "") -> Document:
    """Read a TOML file with the line of every key; `InputError` where it is missing or is not TOML."""
    path = Path(path)
    content = read_bytes(path, what, named_in)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = content.count(b"\n", 0, fault.start) + 1
        raise InputError(f"{path}:{line}", "", f"the {what} is not UTF-8 text", "save it as UTF-8 TOML") from None
    return parse_toml(path, text, what, hash_bytes(content))


def parse_toml(path: str | Path, text: str, what: str = "file", sha256: str = "") -> Document:
    """A TOML ``text`` as if it had been read from ``path``; `InputError` where it is not TOML."""
    path = Path(path)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        found = re.search(r"\(at line (\d+), column (\d+)\)", str(fault))
        place = f"{path}:{found[1]}" if found else f"{path}:{text.count(chr(10)) + 1}"
        reason = re.sub(r"\s*\(at .*\)$", "", str(fault))
        reason = reason[:1].lower() + reason[1:]
        raise InputError(
            place, "", f"the {what} is not valid TOML ({reason})", "lines must read key = value or [table]"
        ) from None
    return Document(path, text, sha256 or hash_bytes(text.encode("utf-8")), data, _locate_keys(text))


def spell_toml(data: Mapping[str, Any]) -> str:
    """``data`` (tables, lists of tables, lists, texts, numbers, truth) as TOML text; reading it gives ``data`` back."""
    lines: list[str] = []
    _spell_table((), data, lines)
    return "\n".join(lines).strip("\n") + "\n"


def _spell_table(path: tuple[str, ...], table: Mapping[str, Any], lines: list[str]) -> None:
    """Append the table's own keys, then the tables and lists of tables inside it under headers of their own."""
    for key, value in table.items():
        if not isinstance(value, Mapping) and not _is_list_of_tables(value):
            lines.append(f"{_spell_key(key)} = {_spell_value(value)}")
    for key, value in table.items():
        inner = (*path, _spell_key(key))
        if isinstance(value, Mapping):
            lines += ["", f"[{'.'.join(inner)}]"]
            _spell_table(inner, value, lines)
        elif _is_list_of_tables(value):
            for each in value:
                lines += ["", f"[[{'.'.join(inner)}]]"]
                _spell_table(inner, each, lines)


def _is_list_of_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(each, Mapping) for each in value)


def _spell_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _spell_value(key)


def _spell_value(value: Any) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_spell_value, value))}]"
    if isinstance(value, Mapping):  # inside a list of other things
        return "{ " + ", ".join(f"{_spell_key(k)} = {_spell_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value).lower() if isinstance(value, bool) else repr(value)


_HEADER = re.compile(r"\s*(\[\[|\[)\s*(.+?)\s*(\]\]|\])\s*(#.*)?$")
_BARE_OR_QUOTED = re.compile(r"\s*(?:\"((?:[^\"\\]|\\.)*)\"|'([^']*)'|([A-Za-z0-9_-]+))\s*(\.|=|$)")
# Strings and comments, longest quotes first, so that brackets and hashes inside them are not counted.
_QUIET = re.compile(r"\"\"\".*?\"\"\"(?!\")|'''.*?'''(?!')|\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'|#[^\n]*", re.DOTALL)


def _locate_keys(text: str) -> dict[Keys, int]:
    """Line number of each key and table header of a valid TOML text."""
    # Blank the inside of strings and comments, keeping line ends, so that depth can be counted line by line;
    # headers and keys are read from the raw line, since their names may be quoted.
    blank = _QUIET.sub(lambda m: '"' + re.sub(r"[^\n]", "_", m[0][2:]) + '"' if m[0][0] != "#" else "", text)
    lines: dict[Keys, int] = {}
    counts: dict[Keys, int] = {}
    table: Keys = ()
    depth = 0
    in_string = False
    for number, (raw, bare) in enumerate(zip(text.split("\n"), blank.split("\n"), strict=True), start=1):
        if depth == 0 and not in_string:
            header = _HEADER.match(raw)
            if header:
                table = _resolve(_split_name(header[2]), counts)
                if header[1] == "[[":
                    counts[table] = counts.get(table, -1) + 1
                    table = (*table, counts[table])
                _note(lines, table, number)
                continue
            if "=" in bare:
                _note(lines, table + _split_name(raw), number)
                _note_inline(lines, table + _split_name(raw), raw, number)
        in_string ^= bare.count('"') % 2 == 1
        depth += len(re.findall(r"[\[{]", bare)) - len(re.findall(r"[\]}]", bare))
    return lines


def _split_name(text: str) -> Keys:
    """Parts of a dotted TOML key, up to ``=`` or the end."""
    parts: list[str] = []
    at = 0
    while found := _BARE_OR_QUOTED.match(text, at):
        parts.append(next(group for group in found.groups()[:3] if group is not None))
        at = found.end()
        if found[4] != ".":
            break
    return tuple(parts)


def _resolve(name: Keys, counts: Mapping[Keys, int]) -> Keys:
    """Put the current number of each array of tables into a header's name: [lay.pull] is in the last [[lay]]."""
    path: Keys = ()
    for part in name[:-1]:
        path = (*path, part)
        if path in counts:
            path = (*path, counts[path])
    return path + name[-1:]


def _note(lines: dict[Keys, int], keys: Keys, number: int) -> None:
    for end in range(1, len(keys) + 1):
        lines.setdefault(keys[:end], number)


def _note_inline(lines: dict[Keys, int], keys: Keys, raw: str, number: int) -> None:
    """Give the keys of a one-line inline table ``a = { b = 1 }`` the line they stand on."""
    value = raw.partition("=")[2].strip()
    if value.startswith("{"):
        for found in re.finditer(r"[{,]\s*([A-Za-z0-9_-]+)\s*=", value):
            lines.setdefault((*keys, found[1]), number)


@contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """Yield a temporary name beside ``path``; on leaving, flush it to the disk and rename it to ``path``.

    An exception inside leaves ``path`` as it was and removes the temporary file.
    """
    path = Path(path)
    part = path.with_name(f".{path.name}.{os.getpid()}{PART}")
    try:
        yield part
        _flush(part)
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _flush_folder(path.parent)


def write_bytes(path: str | Path, content: bytes) -> None:
    """Write ``content`` to ``path``, whole or not at all."""
    with replacing(path) as part:
        part.write_bytes(content)


def write_text(path: str | Path, text: str) -> None:
    """Write ``text`` as UTF-8 with unix line ends to ``path``, whole or not at all."""
    write_bytes(path, text.encode("utf-8"))


def spell_csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as CSV text, one line a row."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()


def write_hdf5(path: str | Path, fill: Callable[[h5py.File], None]) -> None:
    """Write an HDF5 file, whole or not at all: ``fill`` puts the content into the open file.

    The root attribute ``complete`` is set last. The file format is held to HDF5 1.10, which older viewers read.
    """
    import h5py

    with replacing(path) as part, h5py.File(part, "w", libver=("earliest", "v110")) as file:
        fill(file)
        file.attrs["complete"] = True


@contextmanager
def reading_hdf5(path: str | Path, what: str = "run file") -> Iterator[h5py.File]:
    """Open a complete HDF5 file for reading; `InputError` where it is missing, foreign, or was never finished."""
    import h5py

    path = Path(path)
    if not path.is_file():
        raise InputError(path, "", f"there is no {what} {path}", "check the path")
    try:
        file = h5py.File(path, "r")
    except BlockingIOError:
        raise InputError(path, "", f"the {what} is still being written", "wait until the run has ended") from None
    except OSError:
        raise InputError(path, "", f"this is not a readable HDF5 {what}", "name a run.h5 of a run folder") from None
    with file:
        if not file.attrs.get("complete", False):
            raise InputError(path, "", f"the {what} was not written to its end", "run the scene again")
        yield file


def remove_parts(folder: str | Path) -> None:
    """Delete what an interrupted write left in ``folder``. Only for a folder that no other run writes to."""
    for part in Path(folder).glob(f".*{PART}"):
        part.unlink(missing_ok=True)


def _flush(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _flush_folder(folder: Path) -> None:
    if os.name == "posix":  # folders cannot be flushed elsewhere, and the rename is atomic there without it
        _flush(folder)
