"""Numbers and arrays that count what is done with them: kernels run on these as plain Python."""

from __future__ import annotations

import math
from collections import Counter
from types import SimpleNamespace
from typing import Any

import numpy as np


class Number:
    """A float whose arithmetic and comparisons are counted."""

    def __init__(self, value: float, tally: Counter[str]) -> None:
        self.value, self.tally = float(value), tally

    def _with(self, what: str, value: float) -> Number:
        self.tally[what] += 1
        return Number(value, self.tally)

    def __add__(self, other: Any) -> Number:
        return self._with("ops", self.value + plain(other))

    def __sub__(self, other: Any) -> Number:
        return self._with("ops", self.value - plain(other))

    def __rsub__(self, other: Any) -> Number:
        return self._with("ops", plain(other) - self.value)

    def __mul__(self, other: Any) -> Number:
        return self._with("ops", self.value * plain(other))

    __radd__, __rmul__ = __add__, __mul__

    def __truediv__(self, other: Any) -> Number:
        return self._with("divides", self.value / plain(other))

    def __rtruediv__(self, other: Any) -> Number:
        return self._with("divides", plain(other) / self.value)

    def __neg__(self) -> Number:
        return Number(-self.value, self.tally)  # a sign bit: folded into the operation that follows

    def __abs__(self) -> Number:
        return Number(abs(self.value), self.tally)  # the same

    def _compared(self, truth: bool) -> bool:
        self.tally["ops"] += 1
        return truth

    def __gt__(self, other: Any) -> bool:
        return self._compared(self.value > plain(other))

    def __lt__(self, other: Any) -> bool:
        return self._compared(self.value < plain(other))

    def __le__(self, other: Any) -> bool:
        return self._compared(self.value <= plain(other))

    def __eq__(self, other: object) -> bool:
        return self._compared(self.value == plain(other))

    def __ne__(self, other: object) -> bool:
        return self._compared(self.value != plain(other))

    __hash__ = None  # type: ignore[assignment]


class Whole(int):
    """An index, which may be compared: that is counted."""

    tally: Counter[str]

    def __lt__(self, other: int) -> bool:
        self.tally["ops"] += 1
        return int(self) < other

    def __ge__(self, other: int) -> bool:
        self.tally["ops"] += 1
        return int(self) >= other


def plain(value: Any) -> float:
    """The float of a counting number or of a float."""
    return value.value if isinstance(value, Number) else float(value)


class Elements:
    """An array whose elements, read or written one by one, are counted; a slice of it counts too."""

    def __init__(self, values: np.ndarray, tally: Counter[str]) -> None:
        self.values, self.tally = values, tally

    @property
    def shape(self) -> tuple[int, ...]:
        return self.values.shape

    def __getitem__(self, at: Any) -> Any:
        found = self.values[at]
        if isinstance(found, np.ndarray):
            return Elements(found, self.tally)
        self.tally["near"] += 8
        if not np.issubdtype(self.values.dtype, np.integer):
            return Number(found, self.tally)
        whole = Whole(found)
        whole.tally = self.tally
        return whole

    def __setitem__(self, at: Any, value: Any) -> None:
        self.tally["near"] += 8
        self.values[at] = plain(value)


def counting_math(tally: Counter[str]) -> SimpleNamespace:
    """Stands in for the module `math` of a kernel's file."""

    def sqrt(value: Any) -> Number:
        tally["roots"] += 1
        return Number(math.sqrt(plain(value)), tally)

    return SimpleNamespace(sqrt=sqrt)
