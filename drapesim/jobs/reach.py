"""Reach proofs of a scene: which of its claims no lay of any kind can meet."""

from __future__ import annotations

import itertools
import json
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drapesim import __version__
from drapesim.ground.files import hash_bytes, spell_csv, write_text
from drapesim.ground.outcome import InputError
from drapesim.judging.obstacle import Obstacle, build_obstacle
from drapesim.judging.reach import Reach, find_places, prove_reach, say_chain, say_pair
from drapesim.judging.taut import raise_level
from drapesim.judging.threads import bind, find_limits, granted_to
from drapesim.kernels.jit import use_threads
from drapesim.matter.body import Body
from drapesim.matter.fabric import FabricCard
from drapesim.matter.marks import Mark
from drapesim.matter.plan import Scene
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.exact import part_field
from drapesim.settling.settle import MOST_THREADS

REACH_FILE = "reach.csv"
REACH_JSON = "reach.json"


TELL_EVERY = 3.0  # s between lines of progress


@dataclass(frozen=True)
class SceneReach:
    """The proofs of a scene, and the surface that strings were run round."""

    reach: Reach
    obstacle: Obstacle


def prove_scene(scene: Scene, say: Callable[[str], None] = lambda _: None) -> SceneReach:
    """The proofs of a scene; needs neither lay nor settling. Raises as `prove_marks`."""
    return prove_marks(scene.marks, scene.body, scene.fabric, str(scene.path), say)


def prove_marks(
    marks: Sequence[Mark], body: Body, card: FabricCard, where: str, say: Callable[[str], None] = lambda _: None
) -> SceneReach:
    """Run the taut-string bound over all pairs of ``marks`` that are claimed on a place of ``body``.

    Raises `InputError`, which names the file ``where``, if fewer than two marks claim a place.
    """
    places = find_places(marks, body)
    placed = [mark for mark in marks if mark.name in places]
    if len(placed) < 2:
        problem = "fewer than two marks claim a place on the body, and a proof needs two"
        raise InputError(where, "flat_map.claims", problem, 'claim "touches_place" or "shows_feature"')
    field = part_field(prepare_body(body), False)
    if field is None:
        raise InputError(where, "body", "there is no body to run a string round", "give one")
    limits = find_limits(card)
    most = max(
        bind(a, b, limits)[1] + granted_to(a, card) + granted_to(b, card) for a, b in itertools.combinations(placed, 2)
    )
    tell = _Pace(say)
    tell("finding how deep the body is", 0, 0)
    use_threads(MOST_THREADS)
    by_name = {place.name: place for place in places.values()}
    obstacle = build_obstacle(field, list(by_name.values()))
    levels = {}
    for number, (name, place) in enumerate(by_name.items()):
        tell(f"ways from the {name}", number, len(by_name))
        levels[name] = raise_level(obstacle, place, 1.1 * most + 0.02)
    return SceneReach(prove_reach(marks, obstacle, levels, card, tell=tell), obstacle)


class _Pace:
    """Progress in lines: each stage once, then how far it is and how long it may take, every few seconds."""

    def __init__(self, say: Callable[[str], None], clock: Callable[[], float] = time.monotonic) -> None:
        self.say, self.clock = say, clock
        self.total, self.began, self.told = 0, 0.0, -math.inf

    def __call__(self, words: str, done: int, of: int) -> None:
        """``done`` things ``of`` so many, of which those of one stage come in a row."""
        now = self.clock()
        is_new = of != self.total or done == 0
        if is_new:
            self.total, self.began = of, now
        elif now - self.told < TELL_EVERY:
            return
        self.told = now
        left = f", about {max(1.0, (now - self.began) * (of - done) / done):.0f} s left" if done else ""
        self.say(f"{words}, {done + 1} of {of}{left}" if of else words)


COLUMNS = (
    "marks", "places", "impossible", "on_cloth_mm", "longest_on_cloth_mm", "granted_mm", "way_found_mm",
    "way_at_least_mm", "string_mm", "stretch_needed_percent", "stretch_allowed_percent", "least_fold_mm", "spare_mm",
    "over_marks_that_meet", "reason",
)  # fmt: skip


def list_proofs(reach: Reach) -> list[dict[str, object]]:
    """One entry a pair, the impossible and the tightest first, then the chains; lengths in mm."""
    from drapesim.judging.taut import measure_string

    rows: list[dict[str, object]] = []
    for pair in sorted(reach.pairs, key=lambda p: p.allowed - p.needed):
        rows.append({
            "marks": list(pair.marks), "places": list(pair.places), "impossible": pair.is_impossible,
            "on_cloth_mm": 1e3 * pair.flat, "longest_on_cloth_mm": 1e3 * pair.longest, "granted_mm": 1e3 * pair.granted,
            "way_found_mm": 1e3 * pair.found, "way_at_least_mm": 1e3 * pair.way, "spare_mm": 1e3 * pair.spare,
            "over_marks_that_meet": list(pair.over),
            "string_mm": 1e3 * measure_string(pair.string) if len(pair.string) else None,
            "stretch_needed_percent": 100 * pair.needed, "stretch_allowed_percent": 100 * pair.allowed,
            "least_fold_mm": 1e3 * pair.fold, "reason": say_pair(pair, reach.limits),
        })  # fmt: skip
    rows += [{"marks": list(chain.marks), "places": list(chain.places), "impossible": True,
              "over_marks_that_meet": list(chain.over), "reason": say_chain(chain)}
             for chain in reach.chains]  # fmt: skip
    return rows


def name_claims(marks: Sequence[Mark], body: Body, card: FabricCard) -> str:
    """A name of what proofs stand on: this version, marks and claims, the body with its places, the card's limits."""
    of_marks = [
        (mark.name, mark.claim, [ring.tolist() for ring in mark.rings], mark.samples.tolist()) for mark in marks
    ]
    places = {name: list(map(float, at)) for name, at in sorted(body.landmarks.items())}
    told = [
        __version__,
        repr(of_marks),
        repr(body.region_names),
        repr(places),
        repr(find_limits(card)),
        repr(card.thickness),
    ]
    arrays = (body.vertices, body.faces, body.region)
    return hash_bytes(b"".join([*(np.ascontiguousarray(a).tobytes() for a in arrays), *(t.encode() for t in told)]))


def write_proofs(out: Path, reach: Reach, of: str = "") -> None:
    """reach.csv and reach.json in the folder ``out``; ``of``: see `name_claims`."""
    rows = list_proofs(reach)
    lines = []
    for row in rows:
        cells = []
        for name in COLUMNS:
            value = row.get(name)
            if isinstance(value, bool):
                value = "yes" if value else "no"
            elif isinstance(value, list):
                value = " / ".join(value)
            elif isinstance(value, float):
                value = f"{value:.3f}"
            cells.append("" if value is None else str(value))
        lines.append(cells)
    write_text(out / REACH_FILE, spell_csv(COLUMNS, lines))
    limits = {"warp_percent": 100 * reach.limits.warp, "weft_percent": 100 * reach.limits.weft,
              "locking_rad": reach.limits.angle}  # fmt: skip
    whole = {"of": of, "limits": limits, "out_of_reach": reach.reasons(), "proofs": rows}
    write_text(out / REACH_JSON, json.dumps(whole, indent=1) + "\n")


def recall_proofs(folder: Path, marks: Sequence[Mark], body: Body, card: FabricCard) -> dict[str, str] | None:
    """Sentence by mark that is out of reach, of the proofs kept in ``folder``; None if there are none of these claims.

    A file of another version of drapesim, or not ours, holds none: a proof counts only as this version makes it.
    """
    path = folder / REACH_JSON
    if not path.is_file():
        return None
    try:
        whole = json.loads(path.read_text())
        reasons = {str(mark): str(said) for mark, said in whole["out_of_reach"].items()}
        is_same = whole["of"] == name_claims(marks, body, card)
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    return reasons if is_same else None
