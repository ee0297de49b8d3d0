"""The lay plan at the door: from a scene's [[lay]] tables to plain records, with names turned into places."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.ground.files import Document, Keys
from drapesim.ground.outcome import InputError, gather_faults
from drapesim.ground.units import GRAVITY
from drapesim.matter.body import Body
from drapesim.matter.lay import (
    BindStep,
    FoldStep,
    Handling,
    HangStep,
    LayStep,
    LowerStep,
    PressStep,
    PullStep,
    ReleaseStep,
    RestStep,
    RollStep,
    SmoothStep,
    SpreadStep,
)
from drapesim.matter.marks import Mark
from drapesim.matter.sheet import Sheet

if TYPE_CHECKING:
    from drapesim.matter.door import Table


@dataclass(frozen=True)
class CheckedLay:
    """The [[lay]] tables as the schema lets them in, each with its `do`."""

    tables: tuple[tuple[str, Any], ...]


def check_lay(document: Document, data: object) -> CheckedLay:
    """Every table of ``data`` against its schema; `InputError` with all faults, and for a plan without a start."""
    from drapesim.matter.door import check, suggest
    from drapesim.matter.lay_schema import HANDLING, STARTS

    assert isinstance(data, list)
    tables, faults = [], []
    known: Mapping[str, type[Table]] = {**STARTS, **HANDLING}
    for number, entry in enumerate(data):
        at: Keys = ("lay", number)
        word = entry.get("do")
        if not isinstance(word, str) or word not in known:
            problem = "this key is missing" if word is None else f"{word!r} is no step of a lay"
            remedy = suggest(word, known) if isinstance(word, str) else "say what is done: " + ", ".join(known)
            faults.append(document.error((*at, "do"), problem, remedy))
            continue
        if number == 0 and word not in STARTS:
            starts = ", ".join(f'"{each}"' for each in STARTS)
            faults.append(document.error((*at, "do"), "a lay begins with where the cloth is", f"begin with {starts}"))
        if number > 0 and word in STARTS:
            problem = "the sheet has been lowered already"
            faults.append(document.error((*at, "do"), problem, "go on with " + ", ".join(HANDLING)))
        try:
            tables.append((word, check(known[word], document, entry, at)))
        except InputError as fault:
            faults.append(fault)
    if faults:
        raise gather_faults(faults)
    return CheckedLay(tuple(tables))


def build_lay(
    document: Document, lay: CheckedLay, sheet: Sheet, marks: Sequence[Mark], body: Body | None
) -> tuple[LayStep, ...]:
    """The plan's records; `InputError` for a point off the cloth, an unknown mark, landmark or name.

    Without a ``body`` all else is checked, and landmarks stand for the origin: a body takes seconds to make.
    """
    door = _Door(document, sheet, {mark.name: mark for mark in marks}, body)
    return tuple(door.build(number, word, table) for number, (word, table) in enumerate(lay.tables))


class _Door:
    def __init__(self, document: Document, sheet: Sheet, marks: Mapping[str, Mark], body: Body | None) -> None:
        self.document, self.sheet, self.marks, self.body = document, sheet, marks, body
        self.names: set[str] = set()

    def build(self, number: int, word: str, table: Any) -> LayStep:
        at: Keys = ("lay", number)
        if word in ("lower", "spread", "lower folded", "lower rolled", "hang"):
            return self._start(at, word, table)
        return self._handling(at, word, table)

    def _start(self, at: Keys, word: str, table: Any) -> LayStep:
        turn = math.radians(table.turn_deg)
        place = _pair(table.place_mm)
        if word == "hang":
            self.names.add("bar")
            line = self._within(at, "line_mm", table.line_mm, table.along)
            sizes = table.radius_mm / 1e3, table.height_mm / 1e3
            return HangStep(place, turn, table.along, line, *sizes)
        placed = (self._point((*at, "point_mm"), table.point_mm), place, turn)
        if word == "spread":
            return SpreadStep(*placed)
        clearance = table.clearance_mm / 1e3
        if word == "lower":
            return LowerStep(*placed, clearance)
        if word == "lower folded":
            fold = self._within(at, "fold_mm", table.fold_mm, table.along)
            return FoldStep(*placed, clearance, table.along, fold, table.apart_mm / 1e3)
        begin = self._within(at, "begin_mm", table.begin_mm, table.along)
        return RollStep(*placed, clearance, table.along, begin, table.core_mm / 1e3, table.pitch_mm / 1e3)

    def _handling(self, at: Keys, word: str, table: Any) -> Handling:
        if word == "settle":
            return RestStep()
        if word == "release":
            for k, name in enumerate(table.what):
                if name not in self.names:
                    from drapesim.matter.door import suggest

                    raise self.document.error((*at, "what", k), f"nothing called '{name}' is held, pressed, laid on or "
                                              "bound by then", suggest(name, self.names))  # fmt: skip
            self.names -= set(table.what) or self.names
            return ReleaseStep(tuple(table.what), table.who or "", table.settle)
        if word == "smooth":
            patch = self._line((*at, "stroke_mm"), table.stroke_mm)
            sizes = table.across_mm / 1e3, table.force_N, table.press_N, table.speed_mm_s / 1e3, table.strokes
            return SmoothStep(patch, *sizes, table.who or "", table.settle)
        if word == "bind":
            patch = self._line((*at, "line_mm"), table.line_mm)
            breadth, name = table.breadth_mm / 1e3, self._name(at, table)
            return BindStep(patch, table.tension_N, breadth, table.ends, name, table.who or "", table.settle)
        patch = self._patch(at, table)
        # hands pinch an edge, so that it can turn between their fingers
        usual = 10.0 if len(patch) == 2 and word in ("pull", "lift and drop", "roll back") else 60.0
        across = (usual if table.across_mm is None else table.across_mm) / 1e3
        told = {"who": table.who or "", "settle": table.settle, "do": word}
        if word in ("press", "tuck", "weight"):
            along: tuple[float, float, float] | None
            if word == "weight":
                force, along, keep = table.mass_g * GRAVITY / 1e3, (0.0, 0.0, -1.0), True
            else:
                force, along, keep = table.force_N, self._direction(at, table.along), table.keep
            name = self._name(at, table) if keep else ""
            return PressStep(patch, across, force, along, keep, name, **told)
        move = {"speed": table.speed_mm_s / 1e3, "most_force": table.most_force_N}
        if word == "lift and drop":
            return PullStep(patch, across, by=(0.0, 0.0, table.height_mm / 1e3), **move, **told)
        if word == "roll back":
            over, height = _triple(table.by_mm), table.height_mm / 1e3
            return PullStep(patch, across, by=over, arc=height, back=table.again, **move, **told)
        to = None if table.to_mm is None else _triple(table.to_mm)
        if table.to is not None:
            to = self._landmark((*at, "to"), table.to)
        by = None if table.by_mm is None else _triple(table.by_mm)
        name = self._name(at, table) if table.keep else ""
        via = tuple(_triple(each) for each in table.via_mm)
        return PullStep(patch, across, to=to, by=by, via=via, lift=table.lift_mm / 1e3, keep=table.keep, name=name,
                        **move, **told)  # fmt: skip

    def _name(self, at: Keys, table: Any) -> str:
        usual = f"step {int(at[1]) + 1}"
        name = table.name or usual
        if name != usual and name.removeprefix("step ").isdecimal() and name.startswith("step "):
            problem = f"'{name}' is what that step would be called by itself"
            raise self.document.error((*at, "name"), problem, "give another name, such as who holds it")
        if name in self.names:
            raise self.document.error((*at, "name"), f"'{name}' is held already", "give another name, or release it")
        self.names.add(name)
        return name

    def _landmark(self, keys: Keys, name: str) -> tuple[float, float, float]:
        from drapesim.matter.anatomy import resolve, suggest_places

        if self.body is None:
            return 0.0, 0.0, 0.0
        found = resolve(name, self.body.landmarks)
        if found is None:
            remedy = suggest_places(name, self.body.landmarks)
            raise self.document.error(keys, f"the body has no landmark '{name}'", remedy)
        x, y, z = (float(value) for value in self.body.landmarks[found])
        return x, y, z

    def _direction(self, at: Keys, given: list[float] | None) -> tuple[float, float, float] | None:
        if given is None:
            return None
        size = math.hypot(*given)
        if size == 0.0:
            raise self.document.error((*at, "along"), "this is no direction", "give a vector that is not zero")
        x, y, z = (value / size for value in given)
        return x, y, z

    def _patch(self, at: Keys, table: Any) -> tuple[tuple[float, float], ...]:
        if table.edge_mm is not None:
            return self._line((*at, "edge_mm"), table.edge_mm)
        if table.point_mm is not None:
            return (self._point((*at, "point_mm"), table.point_mm),)
        mark = self.marks.get(table.mark)
        if mark is None:
            from drapesim.matter.door import suggest

            raise self.document.error(
                (*at, "mark"), f"there is no mark '{table.mark}'", suggest(table.mark, self.marks)
            )
        u, v = np.average(mark.samples, axis=0, weights=mark.weights)
        return ((float(u), float(v)),)

    def _line(self, keys: Keys, points: list[list[float]]) -> tuple[tuple[float, float], ...]:
        a, b = (self._point((*keys, k), point) for k, point in enumerate(points))
        if a == b:
            raise self.document.error(keys, "its two ends are one point", "give two")
        return a, b

    def _point(self, keys: Keys, millimetres: list[float]) -> tuple[float, float]:
        u, v = _pair(millimetres)
        if not (0 <= u <= self.sheet.length and 0 <= v <= self.sheet.width):
            length, width = 1e3 * self.sheet.length, 1e3 * self.sheet.width
            problem = f"[{millimetres[0]:g}, {millimetres[1]:g}] is no point of the cloth"
            remedy = f"give 0 to {length:g} along the warp and 0 to {width:g} along the weft"
            raise self.document.error(keys, problem, remedy)
        return u, v

    def _within(self, at: Keys, key: str, millimetres: float, along: str) -> float:
        most = 1e3 * (self.sheet.length if along == "warp" else self.sheet.width)
        if not 0.0 < millimetres < most:
            problem = f"{millimetres:g} mm lies not on the cloth"
            raise self.document.error((*at, key), problem, f"give more than 0 and less than {most:g}")
        return millimetres / 1e3


def _pair(millimetres: list[float]) -> tuple[float, float]:
    x, y = millimetres
    return x / 1000.0, y / 1000.0


def _triple(millimetres: list[float]) -> tuple[float, float, float]:
    x, y, z = millimetres
    return x / 1000.0, y / 1000.0, z / 1000.0
