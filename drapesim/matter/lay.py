"""The lay plan: plain records of what hands do, in the order in which they do it. SI; points [u, v] of the flat map.

A plan begins with a start (`STARTS`: how the cloth is before anybody lets it down) and goes on with handling steps.
A patch is what one hand holds or presses: everything within half of ``across`` (m) of its points, which are one point,
or two for a line from one to the other.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from types import MappingProxyType
from typing import Any

Pair = tuple[float, float]
Triple = tuple[float, float, float]


@dataclass(frozen=True)
class LowerStep:
    """Lower the flat cloth from above: flat-map point ``point`` (u, v) comes to lie over ``place`` (x, y), metres.

    ``turn`` (rad) is the angle from world +x to the warp direction, seen from above. The inner side faces down.
    ``clearance`` (m) is the height of the flat sheet above the highest point under it.
    """

    point: Pair
    place: Pair
    turn: float = 0.0
    clearance: float = 0.01


@dataclass(frozen=True)
class SpreadStep:
    """Spread the cloth flat on the support, inner side up, and lay the body on it: ``point`` comes under ``place``.

    The body is lifted by the cloth's thickness. Cloth between body and support is pinned by the body's weight.
    """

    point: Pair
    place: Pair
    turn: float = 0.0


@dataclass(frozen=True)
class FoldStep:
    """Lower the cloth folded in half across ``along`` ("warp" or "weft") at ``fold`` (m from its start).

    The layer before the fold lies below, inner side down; ``apart`` (m) is the height between the layers.
    """

    point: Pair
    place: Pair
    turn: float = 0.0
    clearance: float = 0.01
    along: str = "warp"
    fold: float = 0.0
    apart: float = 0.03


@dataclass(frozen=True)
class RollStep:
    """Lower the cloth with all beyond ``begin`` (m along ``along``) rolled up on top of it, round a core."""

    point: Pair
    place: Pair
    turn: float = 0.0
    clearance: float = 0.01
    along: str = "warp"
    begin: float = 0.0
    core: float = 0.05  # m, radius of the innermost turn
    pitch: float = 0.012  # m from turn to turn


@dataclass(frozen=True)
class HangStep:
    """Bring the cloth in hanging over a level bar, inner side down: its line ``line`` (m along ``along``) is on top.

    ``place`` (x, y) lies under the bar's middle; ``height`` (m) of the lower end over the highest thing under it. Hands
    hold the bar (grip "bar") until they are told to let go of it.
    """

    place: Pair
    turn: float = 0.0
    along: str = "warp"
    line: float = 0.0
    radius: float = 0.03
    height: float = 0.01


@dataclass(frozen=True)
class PullStep:
    """Take a patch and bring it to ``to`` (world, m) or by ``by`` (m), by way of ``via``, with at most ``most_force``.

    A patch of two points is an edge: its middle goes the way and its direction stays. ``lift`` (m): first straight up
    by so much, and down again at the end. ``speed`` m/s. ``keep``: go on holding; the grip is called ``name``.
    """

    patch: tuple[Pair, ...]
    across: float
    most_force: float
    to: Triple | None = None
    by: Triple | None = None
    via: tuple[Triple, ...] = ()
    lift: float = 0.0
    speed: float = 0.1
    keep: bool = False
    name: str = ""
    who: str = ""
    settle: bool = True
    arc: float = 0.0  # m: the way goes over a half circle of this height instead of straight
    back: bool = False  # and then the same way back
    do: str = "pull"  # or "lift and drop", "roll back"


@dataclass(frozen=True)
class PressStep:
    """Press a patch with ``force`` (N) along ``along`` (unit; None: toward the nearest of the body), or weight it.

    Without ``keep`` the hand is taken away again at the end.
    """

    patch: tuple[Pair, ...]
    across: float
    force: float
    along: Triple | None = None
    keep: bool = False
    name: str = ""
    who: str = ""
    settle: bool = True
    do: str = "press"  # or "weight", "tuck"


@dataclass(frozen=True)
class SmoothStep:
    """Stroke along the flat-map line ``patch`` with a hand ``across`` (m): ``force`` (N) along the stroke, ``press``
    (N) inward, at ``speed`` (m/s)."""

    patch: tuple[Pair, ...]
    across: float
    force: float
    press: float
    speed: float = 0.1
    strokes: int = 1
    who: str = ""
    settle: bool = True
    do: str = "smooth"


@dataclass(frozen=True)
class BindStep:
    """Bind with a band of ``tension`` (N) and ``breadth`` (m) over the flat-map line ``patch``.

    ``ends``: "round" (closed round cloth and body) or "support" (tied down where the line's ends are).
    """

    patch: tuple[Pair, ...]
    tension: float
    breadth: float
    ends: str = "round"
    name: str = ""
    who: str = ""
    settle: bool = True
    do: str = "bind"


@dataclass(frozen=True)
class ReleaseStep:
    """Let go of the grips, presses, weights and bands named; of all if none is."""

    names: tuple[str, ...] = ()
    who: str = ""
    settle: bool = True
    do: str = "release"


@dataclass(frozen=True)
class RestStep:
    """Let the cloth come to rest before the next step."""

    do: str = "settle"


Start = LowerStep | SpreadStep | FoldStep | RollStep | HangStep
Handling = PullStep | PressStep | SmoothStep | BindStep | ReleaseStep | RestStep
LayStep = Start | Handling

STARTS = (LowerStep, SpreadStep, FoldStep, RollStep, HangStep)
KINDS: Mapping[str, type] = MappingProxyType({
    kind.__name__: kind
    for kind in (*STARTS, PullStep, PressStep, SmoothStep, BindStep, ReleaseStep, RestStep)
})  # fmt: skip


def spell_step(step: LayStep) -> str:
    """A step as one line of JSON, for files."""
    return json.dumps({"kind": type(step).__name__, **asdict(step)})


def parse_step(text: str) -> LayStep:
    """The inverse of `spell_step`."""
    values: dict[str, Any] = json.loads(text)
    kind = KINDS[values.pop("kind")]
    return kind(**{field.name: _tupled(values[field.name]) for field in fields(kind)})


def _tupled(value: Any) -> Any:
    return tuple(map(_tupled, value)) if isinstance(value, list) else value
