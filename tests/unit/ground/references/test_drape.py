"""The drape floor against a table and its limits."""

from __future__ import annotations

import pytest

from drapesim.ground.references import predict_drape_floor

# Status: recomputed. c in mm; coefficient in per cent for discs of 24, 30 and 36 cm on 18 cm
FLOOR_TABLE = [("10", "33", "8", "4"), ("20", "91", "31", "12"), ("30", "99", "68", "29"), ("40", "100", "90", "54")]


@pytest.mark.parametrize(("length", "small", "usual", "large"), FLOOR_TABLE)
def test_floor_table(matches, length, small, usual, large):
    for diameter, share in ((0.24, small), (0.30, usual), (0.36, large)):
        assert matches(100.0 * predict_drape_floor(1e-3 * float(length), 0.09, 0.5 * diameter), share)


def test_floor_limits():
    assert predict_drape_floor(1.0, 0.09, 0.15) == pytest.approx(1.0, abs=1e-4)
    assert predict_drape_floor(0.005, 0.09, 0.15) < 0.05
    with pytest.raises(ValueError, match="support"):
        predict_drape_floor(0.02, 0.15, 0.09)
