"""Promise: every fabric card that is shipped can be used, and tells of each value where it comes from."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from drapesim.ground.files import read_toml
from drapesim.matter.card_text import drop_estimates, fill_gaps
from drapesim.matter.estimates import RULES, estimate_density
from drapesim.matter.fabric import read_cloth

FABRICS = Path(__file__).parents[2] / "scenes/fabrics"
DEMO = "cover-linen.toml"
CARDS = sorted(path.name for path in FABRICS.glob("*.toml"))
LIBRARY = [name for name in CARDS if name != DEMO]
SURFACES = ("itself", "limewood", "slate")


def entries(
    tables: Mapping[str, Any], path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], Mapping[str, Any]]]:
    """(path, table) of every value of a card."""
    for key, table in tables.items():
        if isinstance(table, Mapping):
            if "status" in table:
                yield (*path, key), table
            else:
                yield from entries(table, (*path, key))


@pytest.mark.parametrize("name", CARDS)
def test_every_card_can_be_used_and_every_value_has_its_source(name):
    cloth = read_cloth(FABRICS / name)
    assert set(SURFACES) <= set(cloth.card.friction)
    assert all(origin.source for origin in cloth.card.provenance.values())
    statuses = {origin.status for origin in cloth.card.provenance.values()}
    assert statuses <= ({"invented", "estimated"} if name == DEMO else {"published", "estimated"})
    if name != DEMO:
        for path, table in entries(read_toml(FABRICS / name).data):
            read = "(read)" in table["source"] or "abstract read" in table["source"] or "as quoted" in table["source"]
            assert read if table["status"] == "published" else table["rule"] in RULES, path


@pytest.mark.parametrize("name", LIBRARY)
def test_what_is_estimated_is_what_the_named_rule_gives(name):
    """A rule that changes must not leave the cards behind: they say what it gives, to the digits written."""
    told = read_toml(FABRICS / name).data
    again = fill_gaps(drop_estimates(told), SURFACES[1:])
    assert dict(entries(again)).keys() == dict(entries(told)).keys()
    for path, table in entries(told):
        made = dict(entries(again))[path]
        for key, value in table.items():
            if isinstance(value, (Mapping, float)):
                assert value == pytest.approx(made[key], rel=1e-4), (path, key)
            else:
                assert value == made[key], (path, key)


def test_a_weight_by_thread_count_is_what_its_rule_gives():
    card = read_cloth(FABRICS / "linen-lining-close.toml")
    made = estimate_density(sum(card.threads))
    origin = card.card.provenance["areal_density"]
    assert origin.rule == made.rule.name
    assert (card.card.areal_density, origin.low, origin.high) == pytest.approx(
        (made.value, made.low, made.high), rel=1e-3
    )


def test_linens_and_cottons():
    fibres = [read_cloth(FABRICS / name).fibre for name in LIBRARY]
    assert fibres.count("linen") == 4
    assert fibres.count("cotton") == 5


def test_the_published_figures():
    """Read in the sources that the cards name: weights, and a modulus of 2 and 26 MPa on 0.7 mm of canvas."""
    weights = {"linen-lining-open": 170, "linen-lining-old": 310, "linen-batiste": 100, "cotton-canvas-aged": 341,
               "cotton-calico-light": 85.1, "cotton-calico-heavy": 224.6, "cotton-plain": 150.3,
               "cotton-broadcloth": 123.8}  # fmt: skip
    for name, grams in weights.items():
        card = read_cloth(FABRICS / f"{name}.toml").card
        assert card.areal_density == pytest.approx(1e-3 * grams)
        assert card.provenance["areal_density"].status == "published"
    canvas = read_cloth(FABRICS / "cotton-canvas-aged.toml").card
    assert canvas.thickness == pytest.approx(0.7e-3)
    assert canvas.warp_curve[-1] == pytest.approx([0.02, 0.02 * 2e6 * 0.7e-3])
    assert canvas.weft_curve[-1] == pytest.approx([0.04, 0.04 * 26e6 * 0.7e-3])
    for name in ("linen-lining-open", "linen-lining-old", "linen-lining-close", "linen-batiste", "cotton-canvas-aged"):
        assert read_cloth(FABRICS / f"{name}.toml").card.friction["pine"] == 0.63


def test_the_one_card_with_published_bending():
    """0.118 gf cm2/cm, 2HB 0.124 gf cm/cm, drape coefficient 82.9 %, as quoted."""
    cloth = read_cloth(FABRICS / "cotton-broadcloth.toml")
    assert cloth.card.bend_warp == cloth.card.bend_weft == pytest.approx(0.118 * 9.80665e-5)
    assert cloth.card.bend_hysteresis == pytest.approx((0.124 * 9.80665e-3,) * 2)
    assert cloth.drape.coefficient == pytest.approx(0.829)
    for key in ("bend_warp", "bend_weft", "bend_hysteresis_warp", "bend_hysteresis_weft"):
        assert cloth.card.provenance[key].status == "published"
    assert cloth.card.provenance["bend_bias"].status == "estimated"
