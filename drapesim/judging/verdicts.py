"""Verdicts: what one settled lay says about each mark."""

from __future__ import annotations

from drapesim.matter.answers import CLEAR, NATURAL, OUT, PRESSED, UNDECIDED, PlaceCheck, Verdict

__all__ = ["CLEAR", "NATURAL", "OUT", "PRESSED", "UNDECIDED", "PlaceCheck", "Verdict"]
