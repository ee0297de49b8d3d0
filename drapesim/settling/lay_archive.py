"""The lay in run.h5: its steps, what hands did and left on the cloth. Files from before have no such record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.ground.files import reading_hdf5, write_hdf5
from drapesim.ground.outcome import InputError
from drapesim.matter.lay import LayStep, LowerStep, parse_step, spell_step
from drapesim.settling.handling import LayState
from drapesim.settling.lay_record import LayDone, StepDone
from drapesim.settling.settle import Checkpoint

LOWER = {"point": "point_m", "place": "place_m", "turn": "turn_rad", "clearance": "clearance_m"}
NUMBERS = {"shortfall": "m", "force": "N", "work": "J", "strain": "1", "steps": "1"}
TEXTS = ("words", "outcome")


LAY_FILE = "lay.h5"  # of an interrupted run: the lay as it was after the last finished step
LAY_LAYOUT = 2


def save_lay_state(folder: str | Path, kept: LayState, fingerprint: str) -> Path:
    """Write a lay between two steps to a folder, as lay.h5; ``fingerprint`` names the input it belongs to."""
    path = Path(folder) / LAY_FILE

    def fill(file: Any) -> None:
        file.attrs["fingerprint"], file.attrs["layout"] = fingerprint, LAY_LAYOUT
        file.create_dataset("hands", data=kept.hands.encode())
        for name, value in vars(kept.sheet).items():
            file.create_dataset(f"sheet/{name}", data=value)

    write_hdf5(path, fill)
    return path


def load_lay_state(folder: str | Path, fingerprint: str) -> LayState:
    """The lay in a run folder. Raises `InputError` if there is none or it is of another input."""
    path = Path(folder) / LAY_FILE
    with reading_hdf5(path, "lay") as file:
        if file.attrs.get("layout") != LAY_LAYOUT or file.attrs.get("fingerprint") != fingerprint:
            problem = "the lay kept here is of another input: the scene, a file it names or the spacing has changed"
            raise InputError(path, "", problem, "put the input back as it was, or start anew without --resume")
        values = {name: each[()] for name, each in file["sheet"].items()}
        plain: dict[str, Any] = {
            name: value if isinstance(value, np.ndarray) else value.item() for name, value in values.items()
        }
        return LayState(Checkpoint(**plain), file["hands"][()].decode())


def put_lay(file: Any, lay: Sequence[LayStep], hands: LayDone | None) -> None:
    """Write the plan and what became of it into the open ``file``; loads go to the sheet's points."""
    for number, step in enumerate(lay, start=1):
        group = file.create_group(f"lay/{number}")
        if isinstance(step, LowerStep):
            for name, key in LOWER.items():
                group.attrs[key] = getattr(step, name)
        else:
            group.attrs["step"] = spell_step(step)
    if hands is None:
        return
    group = file.create_group("hands")
    group.attrs["spacing_m"] = hands.spacing
    text = file["scene/text"].dtype
    for name, words in (("told", hands.told), *((name, [getattr(s, name) for s in hands.steps]) for name in TEXTS)):
        group.create_dataset(name, data=np.array(list(words), dtype=object), dtype=text).attrs["unit"] = ""
    for name, unit in NUMBERS.items():
        values = np.array([getattr(step, name) for step in hands.steps], dtype=np.float64)
        group.create_dataset(name, data=values).attrs["unit"] = unit
    points = file["VTKHDF/PointData"]
    points.create_dataset("hands_load", data=hands.load).attrs["unit"] = "N"
    points.create_dataset("hands_hold", data=hands.held.astype(np.int8)).attrs["unit"] = "1"


def take_lay(file: Any) -> dict[str, Any]:
    """``lay`` and ``hands`` of the open ``file``, as `archive.Run` takes them."""
    steps = [file[f"lay/{k}"].attrs for k in range(1, len(file.get("lay", ())) + 1)]
    lay = tuple(parse_step(attrs["step"]) if "step" in attrs else _take_lower(attrs) for attrs in steps)
    if "hands" not in file:
        return {"lay": lay, "hands": None}
    group, points = file["hands"], file["VTKHDF/PointData"]
    columns = {name: list(group[name].asstr()[()]) for name in TEXTS}
    columns |= {name: group[name][()].tolist() for name in NUMBERS}
    columns["steps"] = [int(count) for count in columns["steps"]]
    names = [field.name for field in fields(StepDone)]
    rows = zip(*(columns[name] for name in names), strict=True)
    done = tuple(StepDone(**dict(zip(names, row, strict=True))) for row in rows)
    told = tuple(group["told"].asstr()[()])
    held = points["hands_hold"][()].astype(bool)
    return {"lay": lay, "hands": LayDone(float(group.attrs["spacing_m"]), done, told, points["hands_load"][()], held)}


def _take_lower(attrs: Any) -> LowerStep:
    point, place = (tuple(attrs[LOWER[name]].tolist()) for name in ("point", "place"))
    return LowerStep(point, place, float(attrs[LOWER["turn"]]), float(attrs[LOWER["clearance"]]))
