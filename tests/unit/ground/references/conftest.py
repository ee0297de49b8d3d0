"""How printed table digits are compared."""

from __future__ import annotations

from collections.abc import Callable

import pytest


@pytest.fixture
def matches() -> Callable[[float, str], bool]:
    """matches(value, "0.640"): does the value agree with the printed digits?

    To 0.6 of a unit of the last place, not 0.5: three of the printed figures (chord at gamma 1000, catenary tension at
    1.01, tent arc at 0.1) sit on a rounding boundary and were rounded up; two solvers here agree on the other side.
    """

    def agree(value: float, printed: str) -> bool:
        places = len(printed.split(".")[1]) if "." in printed else 0
        return abs(value - float(printed)) <= 0.6 * 10.0**-places

    assert agree(0.6405, "0.640")
    assert not agree(0.6407, "0.640")
    return agree
