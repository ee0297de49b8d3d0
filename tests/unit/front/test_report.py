"""The report: outcome first, self-contained, nothing left unsaid."""

import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from drapesim.front import report
from drapesim.front.report import list_checks, list_fabric, spell_outcome, spell_quality, write_report
from drapesim.front.wording import spell_card_doubts, spell_origin
from drapesim.ground.outcome import Ending
from drapesim.jobs.press import write_presses
from drapesim.jobs.reach import name_claims, write_proofs
from drapesim.judging.pressing import DONE, PressTest
from drapesim.judging.reach import PairProof, Reach
from drapesim.judging.threads import Limits
from drapesim.matter.fabric import Provenance
from tests.unit.made_run import make_run


class Text(HTMLParser):
    """Words of the page's body in order, and every address in it."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.addresses: list[str] = []
        self.is_body = False

    def handle_starttag(self, tag, attrs):
        self.is_body |= tag == "body"
        self.addresses += [value for name, value in attrs if name in ("src", "href", "data", "action", "srcset")]

    def handle_data(self, data):
        if self.is_body and data.strip():
            self.words.append(" ".join(data.split()))


@pytest.fixture
def no_screen(monkeypatch):
    monkeypatch.setattr(report, "draw_views", lambda *_: None)


def read(path: Path) -> tuple[str, Text]:
    page = path.read_text(encoding="utf-8")
    text = Text()
    text.feed(page)
    return page, text


@pytest.mark.usefixtures("no_screen")
def test_first_line_says_settled(finished, tmp_path):
    page, text = read(write_report(tmp_path, finished))
    assert text.words[0] == "Settled: every figure of the certificate is met."
    assert {path.name for path in (tmp_path / "pictures").iterdir()} == {"flat.png", "sections.png", "history.png"}
    assert "libegl1" in page
    assert "libgl1" in page


@pytest.mark.usefixtures("no_screen")
def test_first_line_says_unsettled_and_why(unsettled, tmp_path):
    _, text = read(write_report(tmp_path, unsettled))
    assert text.words[0].startswith("UNSETTLED")
    assert text.words[1].startswith("The step limit was reached")
    assert text.words[2] == "Too much force is left."
    for name in ("touches naturally", "clear of the body"):
        assert name not in text.words


@pytest.mark.usefixtures("no_screen")
def test_page_needs_nothing_from_outside(finished, tmp_path):
    page, text = read(write_report(tmp_path, finished))
    assert text.addresses
    assert all(address.startswith("data:image/png;base64,") for address in text.addresses)
    bare = re.sub(r'"data:image/png;base64,[^"]*"', "", page)
    assert "http" not in bare
    assert "url(" not in bare
    assert "<script" not in bare


@pytest.mark.usefixtures("no_screen")
def test_names_are_escaped(finished, tmp_path):
    page, text = read(write_report(tmp_path, finished))
    assert "a<b & c" in text.words
    assert "a<b" not in page
    assert "Strip on a <roller>" in text.words


@pytest.mark.usefixtures("no_screen")
def test_every_verdict_is_written_out_with_its_reason(finished, tmp_path):
    _, text = read(write_report(tmp_path, finished))
    whole = " ".join(text.words)
    for verdict in finished.verdicts:
        assert verdict.verdict in text.words
        assert verdict.reason in whole
    assert "Resolution: draft." in whole


def test_pictures_in_3d_are_embedded(finished, tmp_path, monkeypatch):
    def draw(run, folder):
        (folder / "slant.png").write_bytes(b"picture")
        return {"slant": folder / "slant.png"}

    monkeypatch.setattr(report, "draw_views", draw)
    page, text = read(write_report(tmp_path, finished))
    assert "data:image/png;base64,cGljdHVyZQ==" in text.addresses
    assert "libegl1" not in page


def test_a_sheet_that_blew_up_still_reports(unsettled, tmp_path):
    lost = replace(unsettled, x=np.full_like(unsettled.x, np.nan), ending=Ending.NOT_FINITE,
                   contact=replace(unsettled.contact, gap=np.full(len(unsettled.x), np.nan)))  # fmt: skip
    _, text = read(write_report(tmp_path, lost))
    assert text.words[0].startswith("UNSETTLED")
    assert report.NOT_FINITE in text.words


def test_outcome_goes_by_the_certificate(finished, unsettled):
    assert spell_outcome(replace(finished, ending=Ending.SETTLED, certificate=unsettled.certificate))[0].startswith(
        "UNSETTLED"
    )


@pytest.mark.parametrize(("ratio", "word"), [(0.2, "final"), (0.25, "final"), (0.26, "draft"), (0.5, "draft"),
                                             (0.51, "coarse"), (float("nan"), "unknown")])  # fmt: skip
def test_resolution_words(ratio, word):
    assert spell_quality(ratio)[0] == word


def test_certificate_names_what_is_not_met(finished, unsettled):
    assert {met for *_, met in list_checks(finished)} == {"met", "reported"}
    failed = [name for name, _, _, met in list_checks(unsettled) if met == "NOT met"]
    assert failed == ["Force left unbalanced, over nodal weight: root mean square"]
    nan = replace(finished, certificate=replace(finished.certificate, stay_max=float("nan")))
    assert [met for *_, met in list_checks(nan)].count("NOT met") == 1


def test_fabric_flags(finished):
    flags = {name: (flag, source) for name, _, flag, source in list_fabric(finished.fabric)}
    assert flags["thickness"] == ("measured", "a gauge; a standard; standard uncertainty 2 %")
    assert flags["bending rigidity, bias"][0] == "estimated"
    assert flags["shear rigidity"][0] == "invented"
    assert flags["mass per area"][0] == "not stated"


def test_doubt_and_readings_are_told():
    origin = Provenance("own readings", "ASTM D1388", uncertainty=0.0212, spread=0.06, n=8, rule="a rule")
    told = "own readings; ASTM D1388; rule a rule; 8 readings; standard deviation 6 %; standard uncertainty 2.1 %"
    assert spell_origin(origin) == ("measured", told)
    assert spell_origin(replace(origin, uncertainty=1.347))[1].endswith("standard uncertainty 135 %")
    assert spell_origin(replace(origin, n=1, spread=None, uncertainty=None, rule=""))[1].endswith("D1388; 1 reading")


def test_the_report_says_below_the_verdicts_what_nobody_measured(finished):
    text = Text()
    text.feed(report.render(finished, {}, ""))
    estimated = "Of the fabric card, estimated by rule and not measured: bending rigidity, bias."
    invented = "Of the fabric card, invented for demonstration: shear rigidity."
    said = " ".join(text.words)
    assert invented in said
    assert said.index(estimated) < said.index("Fabric card: ")
    assert spell_card_doubts(replace(finished.fabric, provenance={})) == []
    starched = Provenance("a rule; times 2", status="estimated", rule="bias-by-peirce and condition-starch")
    said = spell_card_doubts(replace(finished.fabric, provenance={"bend_bias": starched}))
    assert said == [estimated, "Changed by the stated condition 'starch': bending rigidity, bias."]


def test_what_is_not_finite_is_called_not_measured():
    run = make_run()
    lost = replace(run.certificate, residual_rms=math.nan, stay_max=math.inf, strain_over_safe=math.nan)
    place = replace(run.verdicts[0].place, offset_body=math.inf)
    verdicts = (replace(run.verdicts[0], place=place), *run.verdicts[1:])
    page = report.render(replace(run, certificate=lost, verdicts=verdicts), {}, "")
    text = Text()
    text.feed(page)
    said = " ".join(text.words)
    assert said.count("not measured") >= 6  # three figures above, and the second mark's middle, most and uncertainty
    assert not re.search(r"\b(nan|inf)\b", said)


def test_contact_is_told_as_measured_with_what_the_uncertainty_allows():
    run = make_run()
    text = Text()
    text.feed(report.render(run, {}, ""))
    at = text.words.index("(45 to 55)")
    assert text.words[at - 1] == "50"
    assert "Does it belong to the front? Undecided. It may be moved." in " ".join(text.words)


def test_a_place_not_asked_for_is_not_called_undecided():
    run = make_run()
    place = replace(run.verdicts[0].place, asked=False, reason="Nothing of it touches.", offset_body=0.0)
    text = Text()
    text.feed(report.render(replace(run, verdicts=(replace(run.verdicts[0], place=place), run.verdicts[1])), {}, ""))
    assert "Does it belong to the front? Not asked. Nothing of it touches." in " ".join(text.words)


def test_the_report_says_how_pressure_is_shared_out(finished):
    words = Text()
    words.feed(report.render(finished, {}, ""))
    assert "a node may show pressure without touching" in " ".join(words.words)


def test_where_the_spacing_was_compared_the_report_says_so():
    run = make_run()
    text = Text()
    text.feed(report.render(run, {}, ""))
    said = " ".join(text.words)
    assert "how far each gap changes with the node spacing, measured" in said
    assert "-0.10 +0.20 +0.50 -12 - measured, 20 against 10 mm" in said
    plain = Text()
    plain.feed(report.render(replace(run, verdicts=tuple(replace(v, change=None) for v in run.verdicts)), {}, ""))
    said = " ".join(plain.words)
    assert "estimated from its curvature" in said
    assert "What the node spacing does" not in said


@pytest.mark.usefixtures("no_screen")
def test_a_report_is_renewed_with_what_was_found_since(finished, tmp_path):
    """Only where there is one; press tests and proofs stand in it with their figures, and the pictures stay."""
    assert report.renew_report(tmp_path, finished) is None
    _, first = read(write_report(tmp_path, finished))
    assert "This report knows one lay only." in " ".join(first.words)
    name = finished.marks[2].name
    test = PressTest(name, True, 0.5, 0.496, (0.0, 0.0, -1.0), 4e-3, 5e-3, 1e-5, 0.25, 5e-3, 9e-4, (), DONE, 10.0, 7, 9)
    write_presses(tmp_path, finished, [test])
    page, text = read(report.renew_report(tmp_path, finished))
    said = " ".join(text.words)
    assert "touches if pressed or pulled" in said
    assert "Pressed with 0.5 N it touches (0.496 N does not do it): the mark moved 4.0 mm" in said
    assert "No proofs over all lays were sought" in said
    assert page.count("data:image/png") == 3
    legs = np.array([[[0.0, 0.0], [0.2, 0.0]]])
    pair = PairProof((name, "drop"), ("top", "end"), (), legs, 0.2, 0.21, 0.002, 0.3, 0.3, np.zeros((2, 3)))
    proven = name_claims(finished.marks, finished.body, finished.fabric)
    write_proofs(tmp_path, Reach((pair,), (), Limits(0.03, 0.03, 0.6)), proven)
    said = " ".join(read(report.renew_report(tmp_path, finished))[1].words)
    assert "out of reach Not together with the others:" in said
    assert "200 mm apart on the cloth" in said
    assert "No proofs over all lays were sought" not in said
