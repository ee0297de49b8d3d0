"""Cloth on cloth in run.h5: the layer record and the marks that meet. Files from before there were any have neither."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

from drapesim.matter.answers import Meeting
from drapesim.settling.archive_tables import put, put_table, take_table
from drapesim.settling.layer_record import LayerRecord

TEXTS = ("mark", "other", "face", "met")
NUMBERS = (
    "tolerance", "area_sure", "area", "area_possible", "share", "share_other", "across", "gap_min", "gap_median",
    "gap_max", "uncertainty",
)  # fmt: skip


def put_layers(file: Any, layers: LayerRecord | None, meetings: Sequence[Meeting]) -> None:
    """Write both into the open ``file``; the gap goes to the sheet's points too, so that viewers can colour by it.

    Column 0 is what lies over the inner face, column 1 over the outer one; met: 0 inner face, 1 outer face, -1 nothing.
    """
    if layers is None:
        return
    group = file.create_group("layers")
    for name, values in layers.fields().items():
        put(group, name, values, "m" if name in ("gap", "uv") else "1", compression="gzip", shuffle=True)
    for column, side in enumerate(("inner", "outer")):
        put(file["VTKHDF/PointData"], f"layer_gap_{side}", layers.gap[:, column], "m")
    put_table(group.create_group("meetings"), meetings, TEXTS, NUMBERS)


def take_layers(file: Any) -> dict[str, Any]:
    """``layers`` and ``meetings`` of the open ``file``, as `archive.Run` takes them."""
    if "layers" not in file:
        return {"layers": None, "meetings": ()}
    group = file["layers"]
    record = LayerRecord(**{field.name: group[field.name][()] for field in fields(LayerRecord)})
    return {
        "layers": record,
        "meetings": tuple(Meeting(**row) for row in take_table(group["meetings"], TEXTS, NUMBERS)),
    }
