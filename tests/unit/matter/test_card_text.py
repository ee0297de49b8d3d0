"""Card text: what is written reads back, gaps are filled as reading would have filled them, and are told."""

import tomllib

import pytest

from drapesim.ground.files import parse_toml
from drapesim.matter.card_text import PLACES, fill_gaps, spell_card, write_card
from drapesim.matter.fabric import parse_card, read_card

TOLD = {"source": "scale", "status": "measured"}
BARE = {
    "name": 'a "quoted" \\ name',
    "fibre": "linen",
    "areal_density": {"value_g_m2": {"value": 170, "sd": 2, "n": 5}, **TOLD},
    "friction": {"dry stone": {"coefficient": 0.5, **TOLD}, "itself": {"coefficient": 0.4, **TOLD}},
}


def test_toml_reads_back():
    tables = {**BARE, "flag": True, "rows": [[0, 0], [1.5, 2]], "inner": {"deeper": {"x_mm": 1e-7}}}
    text = spell_card(tables, "two lines\nof heading")
    assert text.startswith("# two lines\n# of heading\n\nname = ")
    assert tomllib.loads(text) == tables


def test_filled_gaps_are_what_reading_would_have_put_there():
    read = parse_card(parse_toml("card.toml", spell_card(BARE)))
    full = fill_gaps(BARE, ("slate",))
    again = parse_card(parse_toml("card.toml", spell_card(full)))
    assert set(again.friction) == {"dry stone", "itself", "slate"}
    for name in PLACES:
        before, after = read.provenance[name], again.provenance[name]
        assert (after.status, after.rule) == (before.status, before.rule) == ("estimated", after.rule)
        if name.endswith("_curve"):
            assert getattr(again, name) == pytest.approx(getattr(read, name), rel=1e-4)
            assert after.uncertainty == pytest.approx(before.uncertainty, rel=1e-3)
        elif not name.startswith("safe_strain"):
            assert getattr(again, name) == pytest.approx(getattr(read, name), rel=2e-4)
            assert (after.low, after.high) == pytest.approx((before.low, before.high), rel=4e-4)
    assert again.safe_strain == pytest.approx(read.safe_strain)


def test_what_is_given_is_left_alone():
    given = {**BARE, "bending": {"warp": {"rigidity_uN_m": 30, **TOLD}}}
    full = fill_gaps(given)
    assert full["bending"]["warp"] == {"rigidity_uN_m": 30, **TOLD}
    assert full["bending"]["weft"]["rule"] == "bending-as-the-other-side"
    assert full["friction"]["itself"] == BARE["friction"]["itself"]
    assert "bias" not in given["bending"]  # the caller's tables are not touched


def test_conditions_are_not_put_in_twice(tmp_path):
    path = tmp_path / "card.toml"
    write_card(path, {**BARE, "condition": [{"kind": "softened"}]})
    usual = parse_card(parse_toml("card.toml", spell_card(BARE)))
    assert read_card(path).bend_warp == pytest.approx(usual.bend_warp / 3.5, rel=1e-3)
