"""Cloth on cloth as it is told: a strip folded by exact geometry, its prints read back as marks."""

import csv
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from drapesim.front.layer_sheet import (
    draw_layers,
    draw_prints,
    find_prints,
    has_layers,
    list_meetings,
    spell_layers,
    table_meetings,
)
from drapesim.judging.meetings import find_meetings
from drapesim.judging.verdicts import chord_error
from drapesim.matter.marks import read_marks
from drapesim.settling.layer_record import prepare_layers, record_layers
from tests.unit.folded_sheet import fold_at

FOLD, RADIUS = 0.55, 0.0005


@pytest.fixture(scope="module")
def folded(finished):
    """The finished strip's cloth and marks, folded back on itself at u = 0.55 m: inner faces 0.6 mm apart."""
    x = fold_at(finished.lattice, FOLD, RADIUS)
    field = prepare_layers(finished.lattice, x, finished.fabric.thickness)
    sag = chord_error(finished.lattice, x)
    meetings = find_meetings(finished.marks, field, finished.certificate, sag)
    return replace(finished, x=x, layers=record_layers(field), meetings=meetings)


def test_prints_come_back_as_marks(folded, tmp_path):
    prints = find_prints(folded)
    assert prints
    path = tmp_path / "prints.svg"
    path.write_text(draw_prints(folded, prints), encoding="utf-8")
    size = tuple(np.array(folded.lattice.cell.shape) * (folded.lattice.spacing_u, folded.lattice.spacing_v))
    back = read_marks(path, size)
    assert len(back) == len(prints)
    for mark, each in zip(back, prints, strict=True):
        assert mark.kind == "stain"
        assert mark.weights.sum() == pytest.approx(each.area, rel=1e-2)
        assert each.mark in mark.name
    # the first mark's print is its mirror image at the fold
    source = next(mark for mark in folded.marks if mark.name == prints[0].mark)
    middle = source.weights @ source.samples / source.weights.sum()
    found = back[0].weights @ back[0].samples / back[0].weights.sum()
    assert found == pytest.approx([2 * FOLD - middle[0], middle[1]], abs=1e-3)


def test_picture_and_words(folded, tmp_path):
    assert has_layers(folded)
    with Image.open(draw_layers(folded, tmp_path / "layers.png", 1e-3, find_prints(folded))) as picture:
        assert picture.width > 2000
        colours = np.asarray(picture)
    assert len(np.unique(colours.reshape(-1, 3), axis=0)) > 50
    assert "has another layer of it within 20 mm" in spell_layers(folded)


def test_no_layers_are_told(finished):
    field = prepare_layers(finished.lattice, finished.x, finished.fabric.thickness)
    alone = replace(finished, layers=record_layers(field))
    assert not has_layers(alone)
    assert find_prints(alone) == ()
    assert spell_layers(alone).startswith("Nowhere does the cloth lie within 20 mm")
    assert spell_layers(replace(finished, layers=None)).endswith("was not measured.")


def test_table_has_a_row_a_pair(folded):
    rows = list(csv.DictReader(table_meetings(folded.meetings).splitlines()))
    assert [(m.mark, m.other, m.meets) for m in folded.meetings] == [("on-top", "a<b & c", True)]
    assert len(rows) == len(list_meetings(folded.meetings)) == 1
    for row, meeting in zip(rows, folded.meetings, strict=True):
        assert float(row["area_cm2"]) == pytest.approx(1e4 * meeting.area, abs=1e-4)
        assert row["answer"] in ("meet", "undecided", "too far apart")
