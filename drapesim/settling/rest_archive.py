"""What contacts carry at rest, in run.h5: taken up with it a sheet stays. Files of before have none."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from drapesim.settling.archive_tables import CHECKPOINT_UNITS, put
from drapesim.settling.settle import Checkpoint

PLAIN = ("lent", "caution", "patience", "steps", "damping")
NAMES = {"lent": "lent_J", "damping": "damping_per_s"}
GROUP = "rest"
WHOLE = ("slopes", "inertia")  # one of the lattice, one a node; the other arrays have a row a contact


def put_rest(file: Any, rest: Checkpoint | None) -> None:
    """Write ``rest`` into the open ``file``, but for the positions, which are those of the sheet."""
    if rest is None:
        return
    group = file.create_group(GROUP)
    for name in list_arrays():
        put(group, name, getattr(rest, name), CHECKPOINT_UNITS[name])
    for name in PLAIN:
        group.attrs[NAMES.get(name, name)] = getattr(rest, name)


def take_rest(file: Any) -> Checkpoint | None:
    """What `put_rest` has written, None where it has written nothing."""
    if GROUP not in file:
        return None
    group, x = file[GROUP], file["VTKHDF/Points"][()]
    arrays = {name: group[name][()] for name in list_arrays()}
    plain = {name: group.attrs[NAMES.get(name, name)].item() for name in PLAIN}
    return Checkpoint(
        level=0, x=x, v=np.zeros_like(x), spent=np.zeros((2, 1)), opening=0.0, seconds=0.0,
        history=np.zeros((0, 4)), **arrays, **plain,
    )  # fmt: skip


def list_arrays() -> list[str]:
    """Names of the arrays that are kept."""
    kept = ("preload", "anchor", "push", *WHOLE)
    return [field.name for field in fields(Checkpoint) if field.name.startswith("found_") or field.name in kept]
