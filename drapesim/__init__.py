"""Lay a measured cloth on a body by computation, and judge which of its marks can touch where.

Importing the package loads nothing heavy; each public name is fetched on first use.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drapesim.jobs.run import run_scene as run_scene
    from drapesim.matter.plan import read_scene as read_scene
    from drapesim.settling.archive import load_run as load_run
    from drapesim.settling.settle import settle as settle

__version__ = "0.1.0"

_HOMES = {
    "load_run": "drapesim.settling.archive",
    "read_scene": "drapesim.matter.plan",
    "run_scene": "drapesim.jobs.run",
    "settle": "drapesim.settling.settle",
}

__all__ = ["__version__", "load_run", "read_scene", "run_scene", "settle"]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
