"""The door: a TOML document against its schema, every fault in one sentence with its line.

The only room that imports pydantic, and it does so when something is read; what it hands on is checked and plain.
"""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Iterable, Sequence
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from drapesim.ground.files import Document, Keys
from drapesim.ground.outcome import InputError, gather_faults

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Angle = Annotated[float, Field(ge=-360, le=360)]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
Triple = Annotated[list[float], Field(min_length=3, max_length=3)]
Sizes = Annotated[list[Positive], Field(min_length=3, max_length=3)]
Name = Annotated[str, Field(min_length=1)]


class Table(BaseModel):
    """A TOML table: unknown keys, wrong types and non-finite numbers are faults; nothing is converted silently."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


T = TypeVar("T", bound=Table)


def check(model: type[T], document: Document, data: Any = None, at: Keys = ()) -> T:
    """``document`` (or its part ``data`` at key path ``at``) as a checked ``model``; `InputError` with all faults."""
    try:
        return model.model_validate(document.data if data is None else data)
    except ValidationError as fault:
        raise gather_faults([_explain(model, document, at, each) for each in _drop_echoes(model, fault)]) from None


def _drop_echoes(model: type[Table], fault: ValidationError) -> list[Any]:
    """The faults without those that only repeat another: a misspelt key also leaves the right one missing."""
    meant = {
        (*each["loc"][:-1], *_nearest(str(each["loc"][-1]), _known_keys(model, each["loc"][:-1])))
        for each in fault.errors()
        if each["type"] == "extra_forbidden"
    }
    return [each for each in fault.errors() if each["type"] != "missing" or tuple(each["loc"]) not in meant]


def suggest(word: str, known: Iterable[str]) -> str:
    """Remedy for a name that is not known: the nearest known one, or the list of them."""
    known = sorted(known)
    near = _nearest(word, known)
    if near:
        return f"did you mean '{near[0]}'?"
    return "known here: " + ", ".join(known) if known else "none is known here"


def _nearest(word: str, known: Sequence[str]) -> list[str]:
    """The known name most like ``word``, or one with the same first word (length_mm for length_inch), or none."""
    alike = difflib.get_close_matches(word, sorted(known), n=1, cutoff=0.5)
    return alike or [key for key in sorted(known) if key.split("_")[0] == word.split("_")[0]][:1]


def _explain(model: type[Table], document: Document, at: Keys, fault: Any) -> InputError:
    """One pydantic fault as our sentence."""
    kind, loc, context = fault["type"], tuple(fault["loc"]), fault.get("ctx", {})
    keys = _held(document.data, (*at, *loc))
    given = _spell(fault["input"])
    if kind == "extra_forbidden":
        known = _known_keys(model, loc[:-1])
        with_unit = [key for key in known if key.startswith(f"{loc[-1]}_")]
        if with_unit:
            return document.error(keys, "this key lacks its unit", f"write {' or '.join(with_unit)}")
        return document.error(keys, "unknown key", suggest(str(loc[-1]), known))
    if kind == "missing":
        return document.error(keys, "this key is missing", _wanted(model, loc))
    if kind == "value_error":
        problem, _, remedy = str(context["error"]).partition("; ")
        return document.error(keys, problem, remedy)

    def bound(name: str) -> str:
        return f"{context[name]:g}" if name in context else ""

    sentences = {
        "greater_than": f"must be greater than {bound('gt')}",
        "greater_than_equal": f"must be at least {bound('ge')}",
        "less_than": f"must be less than {bound('lt')}",
        "less_than_equal": f"must be at most {bound('le')}",
        "float_type": "must be a number",
        "int_type": "must be a whole number",
        "string_type": "must be a text in quotes",
        "bool_type": "must be true or false",
        "list_type": "must be a list in square brackets",
        "model_type": "must be a table",
        "dict_type": "must be a table",
        "finite_number": "must be a finite number",
        "literal_error": f"must be {context.get('expected')}",
    }
    if kind == "string_too_short":
        return document.error(keys, "must not be empty")
    if kind in ("too_short", "too_long"):
        count = context.get("min_length", context.get("max_length"))
        least = "at least" if kind == "too_short" else "at most"
        if count == 1 and context.get("actual_length") == 0:
            return document.error(keys, "nothing is filled in", "give at least one entry, or leave it out")
        return document.error(keys, f"must hold {least} {count} entries, not {context.get('actual_length')}")
    if kind == "literal_error" and isinstance(fault["input"], str):
        given = repr(fault["input"])
    return document.error(keys, f"{sentences.get(kind, fault['msg'].lower())}, not {given}")


def _held(data: Any, keys: Keys) -> Keys:
    """``keys`` as far as the file has them: a schema may take a bare number for a table of one value."""
    for depth, key in enumerate(keys):
        if isinstance(data, dict):
            data = data.get(key, {})
        elif isinstance(data, list) and isinstance(key, int):
            data = data[key] if key < len(data) else {}
        else:
            return keys[:depth]
    return keys


def _spell(value: Any) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, bool):
        return "true" if value else "false"
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _model_at(model: Any, loc: Sequence[str | int]) -> Any:
    """The type the schema puts at a key path: a `Table`, a list, or a plain type."""
    for step in loc:
        model = _plain(model)
        if isinstance(step, int):
            model = (typing.get_args(model) or (None,))[0]
        elif isinstance(model, type) and issubclass(model, Table):
            model = model.model_fields[step].annotation if step in model.model_fields else None
        elif typing.get_origin(model) is dict:
            model = typing.get_args(model)[1]
        else:
            return None
    return _plain(model)


def _plain(annotation: Any) -> Any:
    """Without Annotated and without ``| None``."""
    while typing.get_origin(annotation) is Annotated:
        annotation = typing.get_args(annotation)[0]
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        kept = [part for part in typing.get_args(annotation) if part is not type(None)]
        return _plain(kept[0])
    return annotation


def _known_keys(model: type[Table], loc: Sequence[str | int]) -> list[str]:
    found = _model_at(model, loc)
    return list(found.model_fields) if isinstance(found, type) and issubclass(found, Table) else []


def _wanted(model: type[Table], loc: Sequence[str | int]) -> str:
    """What a missing key would say, from the schema's description."""
    parent = _model_at(model, loc[:-1])
    if isinstance(parent, type) and issubclass(parent, Table) and loc[-1] in parent.model_fields:
        described = parent.model_fields[str(loc[-1])].description
        if described:
            return f"give {described}"
    return "add it"
