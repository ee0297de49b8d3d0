"""The bench: which virtual tests a card calls for, and running them one after the other."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from drapesim.ground.outcome import InputError
from drapesim.ground.units import bending_length
from drapesim.jobs.lab.bias_extension import BiasAim, bias_extension_test
from drapesim.jobs.lab.cantilever import cantilever_test
from drapesim.jobs.lab.drape_meter import drape_meter_test
from drapesim.jobs.lab.heart_loop import heart_loop_test
from drapesim.jobs.lab.incline import incline_test
from drapesim.jobs.lab.record import FINE, LabResult, VirtualTest, Watch
from drapesim.jobs.lab.shear import shear_test
from drapesim.jobs.lab.tensile import tensile_test
from drapesim.matter.fabric import SIDES, Cloth, FabricCard
from drapesim.settling.level import Progress
from drapesim.settling.warm import compile_kernels, is_compiled

LEAST_SHARE, MOST_SHARE = 0.04, 1.0  # of the bending length: finer takes hours, coarser leaves two cells to bend


@dataclass(frozen=True)
class LabProgress:
    """What the lab says of itself.

    title and number of the test it is at, of ``count``; 0 while the inner loops are compiled, before the first. share
    (0..1) of the whole work that was done when that test began, at ``began`` seconds; seconds since the lab began.
    """

    title: str
    number: int
    count: int
    share: float
    began: float
    seconds: float

    @property
    def left(self) -> float:
        """Seconds left, from what the tests that are done have taken; NaN while too little is known."""
        if self.share <= 0.0:
            return float("nan")
        left = self.began / self.share * (1.0 - self.share) - (self.seconds - self.began)
        return left if left > 0.0 else float("nan")


@dataclass(frozen=True)
class Aims:
    """What was read of a cloth, to set up the tests by and compare with in place of the card's values.

    bending: bending length (m) by direction. pull: of a short piece on the bias.
    """

    bending: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    pull: BiasAim | None = None


def list_tests(cloth: Cloth, spacing: float, aims: Aims = Aims()) -> tuple[VirtualTest, ...]:
    """All virtual tests of a cloth at a node ``spacing`` (m), in the order of the sheet.

    A surface without friction has no incline.
    """
    origin = cloth.provenance.get("drape")
    bent = aims.bending.get
    return (
        *(cantilever_test(side, rub, bent(side)) for side, rub in zip(SIDES, cloth.card.bend_hysteresis, strict=True)),
        cantilever_test("bias", None, bent("bias")),
        *(heart_loop_test(side, bent(side)) for side in SIDES),
        *map(tensile_test, SIDES),
        bias_extension_test(aims.pull),
        shear_test(),
        drape_meter_test(spacing, cloth.drape, origin),
        *(incline_test(surface) for surface, mu in cloth.card.friction.items() if mu > 0.0),
    )


def usual_spacing(card: FabricCard) -> float:
    """Node spacing (m) at which a result counts as final: a quarter of the smaller bending length."""
    return FINE * min(bending_length(card.areal_density, rigidity) for rigidity in (card.bend_warp, card.bend_weft))


def check_spacing(card: FabricCard, spacing_mm: float | None) -> float:
    """The node spacing (m) asked for, or the usual one; `InputError` for one that no test can be done at."""
    if spacing_mm is None:
        return usual_spacing(card)
    c = 4.0 * usual_spacing(card)
    if not LEAST_SHARE * c <= 1e-3 * spacing_mm <= MOST_SHARE * c:
        problem = f"a spacing of {spacing_mm:g} mm does not suit a bending length of {1e3 * c:.3g} mm"
        remedy = f"give {1e3 * LEAST_SHARE * c:.2g} to {1e3 * MOST_SHARE * c:.3g}"
        raise InputError("", "--spacing-mm", problem, remedy)
    return 1e-3 * spacing_mm


def run_lab(
    cloth: Cloth,
    spacing: float,
    tests: Sequence[VirtualTest] | None = None,
    progress: Callable[[LabProgress], None] | None = None,
) -> tuple[LabResult, ...]:
    """Run ``tests`` (all by default) of a cloth on the lattice of ``spacing`` (m).

    Raises `settling.settle.Interrupted` when stopped by the keyboard; nothing is kept of a test that was not finished.
    """
    tests = list_tests(cloth, spacing) if tests is None else tuple(tests)
    if not is_compiled():
        if progress is not None:
            progress(LabProgress("compiling", 0, len(tests), 0.0, 0.0, 0.0))
        compile_kernels()
    begun, whole = time.monotonic(), sum(test.cost for test in tests)
    done, results = 0.0, []
    for number, test in enumerate(tests, start=1):
        began = time.monotonic() - begun
        now = LabProgress(name_test(test), number, len(tests), done / whole, began, began)
        watch = None if progress is None else _watch(progress, now, begun)
        if progress is not None:
            progress(now)
        results.append(test.run(cloth.card, spacing, watch))
        done += test.cost
    return tuple(results)


def name_test(test: VirtualTest) -> str:
    """Its title with the direction, such as "cantilever weft"."""
    return f"{test.title.lower()} {test.direction}".rstrip()


def _watch(progress: Callable[[LabProgress], None], now: LabProgress, begun: float) -> Watch:
    """Hands on, with the time, that the settling inside a test still goes on."""

    def tell(_: Progress) -> None:
        progress(replace(now, seconds=time.monotonic() - begun))

    return tell
