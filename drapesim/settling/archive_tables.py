"""Tables in HDF5: one dataset, one list of words, one record of plain values, equal records; each with its unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from itertools import pairwise
from types import MappingProxyType
from typing import Any

import h5py
import numpy as np

Array = np.ndarray

UNITS: Mapping[str, str] = MappingProxyType({
    "gap": "m", "support_gap": "m", "body_point": "m", "body_face": "1", "region": "1", "landmark": "1",
    "facing": "1", "pressure": "Pa", "tension_warp": "N/m", "tension_weft": "N/m", "strain_warp": "1",
    "strain_weft": "1", "shear_angle": "rad", "slope": "rad", "hysteresis": "m",
    "gap_min": "m", "gap_median": "m", "gap_max": "m", "contact_share_sure": "1", "contact_share_measured": "1",
    "contact_share_possible": "1", "uncertainty": "m", "share_on_place_sure": "1", "share_on_place": "1",
    "share_on_place_possible": "1", "offset_body": "m", "offset_cloth": "m", "wider": "m", "own": "m",
    "tolerance": "m", "area_sure": "m2", "area": "m2", "area_possible": "m2",
})  # fmt: skip
"""Unit of each column of the contact record and of the tables; those that are not here have none."""

NAMES: Mapping[str, str] = MappingProxyType({
    "stay_max": "stay_max_m", "penetration_max": "penetration_max_m", "seconds": "seconds_s",
    "stay": "stay_m", "penetration": "penetration_m",
    "areal_density": "areal_density_kg_m2", "thickness": "thickness_m", "shear_rigidity": "shear_rigidity_N_m_rad",
    "locking_angle": "locking_angle_rad", "bend_warp": "bend_warp_N_m", "bend_weft": "bend_weft_N_m",
    "bend_bias": "bend_bias_N_m",
})  # fmt: skip
"""Names that attributes with a unit have in the file."""

CHECKPOINT_UNITS: Mapping[str, str] = MappingProxyType({
    "x": "m", "v": "m/s", "spent": "J", "history": "s, m, 1, 1", "found_node": "1", "found_weight": "1",
    "found_normal": "1", "found_point": "m", "found_gap": "m", "found_part": "1", "found_key": "1",
    "found_triangle": "1", "preload": "N", "anchor": "m", "push": "N", "slopes": "N/m",
    "inertia": "kg",
})  # fmt: skip
"""Unit of each array of a checkpoint."""


def put(group: h5py.Group, name: str, array: Array, unit: str, **options: object) -> h5py.Dataset:
    dataset = group.create_dataset(name, data=array, **options)
    dataset.attrs["unit"] = unit
    return dataset


def put_texts(group: h5py.Group, name: str, texts: Sequence[str]) -> None:
    dataset = group.create_dataset(name, data=np.array(texts, dtype=object), dtype=h5py.string_dtype())
    dataset.attrs["unit"] = ""


def take_texts(group: h5py.Group, name: str) -> list[str]:
    return list(group[name].asstr()[()])


def put_record(group: h5py.Group, record: Any) -> None:
    """Fields of a record of plain values as attributes; None is left out."""
    for field in fields(record):
        value = getattr(record, field.name)
        if value is None:
            continue
        if isinstance(value, tuple) and (not value or isinstance(value[0], str)):
            value = np.array(value, dtype=h5py.string_dtype())
        group.attrs[NAMES.get(field.name, field.name)] = value


def take_record(kind: type, group: h5py.Group) -> Any:
    values: dict[str, object] = {}
    for field in fields(kind):
        value = group.attrs.get(NAMES.get(field.name, field.name))
        if isinstance(value, np.ndarray):
            value = tuple(value.tolist())
        elif isinstance(value, np.generic):
            value = value.item()
        values[field.name] = value
    return kind(**values)


def put_table(group: h5py.Group, rows: Sequence[Any], texts: Sequence[str], numbers: Sequence[str]) -> None:
    for name in texts:
        put_texts(group, name, [getattr(row, name) for row in rows])
    for name in numbers:
        put(group, name, np.array([getattr(row, name) for row in rows], dtype=np.float64), UNITS.get(name, "1"))


def take_table(group: h5py.Group, texts: Sequence[str], numbers: Sequence[str]) -> list[dict[str, Any]]:
    columns = [take_texts(group, name) for name in texts] + [group[name][()].tolist() for name in numbers]
    return [dict(zip((*texts, *numbers), row, strict=True)) for row in zip(*columns, strict=True)]


def put_ragged(group: h5py.Group, name: str, pieces: Sequence[Array], unit: str) -> None:
    """Arrays of unequal length end to end in ``name``; piece k is the rows start[k] to start[k + 1]."""
    start = np.concatenate([[0], np.cumsum([len(piece) for piece in pieces], dtype=np.int64)]).astype(np.int64)
    put(group, name, np.concatenate(pieces) if pieces else np.empty((0, 2)), unit)
    put(group, f"{name}_start", start, "1")


def take_ragged(group: h5py.Group, name: str) -> list[Array]:
    start, rows = group[f"{name}_start"][()], group[name][()]
    return [rows[a:b].copy() for a, b in pairwise(start)]
