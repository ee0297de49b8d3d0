"""Runs compared: a strip over a roller, laid again a known way along, on other nodes, on another body."""

import csv
from dataclasses import replace

import numpy as np
import pytest

from drapesim.front import compare_sheet
from drapesim.front.cli import main
from drapesim.front.compare_sheet import PAGE_FILE, write_comparison
from drapesim.ground.outcome import InputError
from drapesim.jobs.compare import add_areas, compare_runs, load_runs, sum_changes
from drapesim.judging.meetings import find_meetings
from drapesim.judging.verdicts import chord_error, judge_marks
from drapesim.matter.body import box, cylinder, join, slab
from drapesim.matter.marks import Claim
from drapesim.matter.sheet import Sheet, cut_lattice
from drapesim.settling.archive import save_run
from drapesim.settling.contact_record import record_contact
from drapesim.settling.layer_record import prepare_layers, record_layers
from tests.unit.folded_sheet import fold_at
from tests.unit.front.conftest import LENGTH, RADIUS, THICK, WIDTH


def lay_again(finished, shift=0.0, spacing=0.01):
    """The finished strip laid anew, its cloth moved by ``shift`` (m) along the warp, on nodes ``spacing`` apart."""
    lattice = cut_lattice(Sheet(LENGTH, WIDTH, spacing))
    arc = lattice.uv[:, 0] - 0.5 * LENGTH + shift
    r = RADIUS + 0.5 * THICK + 1e-5
    angle = np.clip(arc / r, -0.5 * np.pi, 0.5 * np.pi)
    x = np.c_[r * np.sin(angle), lattice.uv[:, 1] - 0.5 * WIDTH, 0.5 + r * np.cos(angle)]
    x[:, 2] -= np.abs(arc) - np.abs(angle) * r
    record = record_contact(lattice, finished.fabric, x, np.zeros_like(x), finished.body)
    verdicts = judge_marks(finished.marks, lattice, x, finished.body, finished.fabric, finished.certificate)
    none = np.zeros_like(x)
    return replace(
        finished, lattice=lattice, x=x, contact=record, verdicts=verdicts, contact_force=none, layer_force=none,
        reaction=none, layers=None, meetings=(),
    )  # fmt: skip


@pytest.fixture(scope="module")
def strip(finished):
    return lay_again(finished)


@pytest.fixture
def no_screen(monkeypatch):
    monkeypatch.setattr(compare_sheet, "draw_alike", lambda *_: None)


def test_a_run_and_itself_differ_in_nothing(strip):
    told = compare_runs([("a", strip), ("b", strip)])
    assert np.nanmax(np.abs(told.columns[1].change)) == 0.0
    assert not any(row.is_changed for row in told.marks)
    assert told.notes == ()
    assert all(row.shifts.max() == 0.0 for row in told.shifts)
    assert sum_changes(told)[1]["grew"] == sum_changes(told)[1]["shrank"] == 0.0
    assert told.columns[0].areas == told.columns[1].areas


def test_cloth_moved_along_by_a_known_way(strip, finished):
    told = compare_runs([("a", strip), ("b", lay_again(finished, 0.02))])
    shift = {(row.name, row.kind): row for row in told.shifts}
    top = shift["top", "landmark"]
    # moved on by 20 mm, so the point over the landmark is one 20 mm back
    assert 1e3 * (top.places[1] - top.places[0]) == pytest.approx([-20.0, 0.0], abs=0.3)
    assert top.shifts[1] == pytest.approx(0.02, abs=3e-4)
    # a mark that hangs straight down goes down or up by it
    hanging = shift["hanging", "mark"]
    assert 1e3 * (hanging.places[1] - hanging.places[0]) == pytest.approx([0.0, 0.0, 20.0], abs=0.1)
    grew, shrank = sum_changes(told)[1]["grew"], sum_changes(told)[1]["shrank"]
    assert grew > 0.1
    assert shrank > 0.1


def test_other_nodes_are_read_between(strip, finished):
    told = compare_runs([("wide", strip), ("fine", lay_again(finished, spacing=0.004))])
    assert len(told.lattice.ij) == len(lay_again(finished, spacing=0.004).lattice.ij)
    # of the wide sheet the sag of a chord at the most, h^2 / 8 r, and where it leaves the roller the kink between nodes
    assert np.nanquantile(np.abs(told.columns[1].change), 0.9) < 0.01**2 / (8 * RADIUS)
    assert any("node spacings differ" in note for note in told.notes)


def test_area_in_contact_is_the_wrapped_one(finished):
    fine = lay_again(finished, spacing=0.004)
    area = sum(add_areas(fine, 1e-3).values())
    # half round the roller, and the ends that hang straight down beside it until they are 1 mm off: s^2 / 2 r
    wrapped = np.pi * (RADIUS + 0.5 * THICK) + 2.0 * np.sqrt(2.0 * RADIUS * 1e-3)
    assert area == pytest.approx(wrapped * WIDTH, rel=0.01)


def test_a_changed_verdict_is_told(strip):
    other = replace(strip, verdicts=tuple(replace(v, verdict="undecided") if v.mark == "on-top" else v
                                          for v in strip.verdicts))  # fmt: skip
    told = compare_runs([("a", strip), ("b", other)])
    assert [row.mark for row in told.marks if row.is_changed] == ["on-top"]


def test_marks_drawn_otherwise_are_left_out(strip):
    first = replace(strip.marks[0], claim=Claim(tolerance=3e-3))
    told = compare_runs([("a", strip), ("b", replace(strip, marks=(first, *strip.marks[1:])))])
    assert first.name not in {row.mark for row in told.marks}
    assert any(first.name in note for note in told.notes)


def test_another_body_is_told_and_places_in_space_left_out(strip):
    told = compare_runs([("a", strip), ("b", replace(strip, body=cylinder(RADIUS, 0.3, (0.0, 0.0, 0.5))))])
    assert any("bodies differ" in note for note in told.notes)
    assert not any(row.kind == "mark" for row in told.shifts)


def test_a_body_that_stands_elsewhere_is_the_same_body(strip):
    """All moved by 30 mm, and on another support: seen from the body no mark has moved."""
    move = np.array([0.03, 0.0, 0.0])
    body = join(cylinder(RADIUS, 0.2, tuple(np.array([0.0, 0.0, 0.5]) + move)), slab(2.0, 0.5, 0.1))
    moved = replace(strip, body=body, x=strip.x + move)
    told = compare_runs([("a", strip), ("b", moved)])
    assert any("stands 30 mm elsewhere in b" in note for note in told.notes)
    shifts = [row.shifts[1] for row in told.shifts if row.kind == "mark"]
    assert len(shifts) == len(strip.marks)
    assert max(shifts) < 1e-9


def test_another_fabric_is_told(strip):
    told = compare_runs([("a", strip), ("b", replace(strip, fabric=replace(strip.fabric, shear_rigidity=77.0)))])
    assert any("other figures in its fabric card" in note for note in told.notes)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda r: replace(r, lattice=replace(r.lattice, spacing_u=1.01 * r.lattice.spacing_u)), "no places in common"),
        (lambda r: replace(r, lattice=replace(r.lattice, inner_sign=-r.lattice.inner_sign)), "from the other side"),
    ],
)
def test_another_cloth_is_refused(strip, change, words):
    with pytest.raises(InputError, match=words):
        compare_runs([("a", strip), ("b", change(strip))])


def test_unsettled_and_coarse_runs_are_labelled(strip):
    bad = replace(strip, certificate=replace(strip.certificate, settled=False, spacing_over_c=0.9))
    assert compare_runs([("a", strip), ("b", bad)]).columns[1].labels == (
        "UNSETTLED: decides nothing", "coarse: to try out only",
    )  # fmt: skip


@pytest.mark.usefixtures("no_screen")
def test_page_and_tables(strip, finished, tmp_path):
    bad = replace(lay_again(finished, 0.02), certificate=replace(strip.certificate, settled=False))
    told = compare_runs([("first", strip), ("second <b>", bad)])
    page = write_comparison(tmp_path, told).read_text(encoding="utf-8")
    assert "UNSETTLED: second &lt;b&gt; decides nothing" in page
    assert "libegl1" in page
    assert "second <b>" not in page
    assert {path.name for path in (tmp_path / "pictures").iterdir()} == {"gaps.png", "changes.png", "tension.png"}
    rows = list(csv.DictReader((tmp_path / "gaps.csv").read_text().splitlines()))
    assert len(rows) == len(told.lattice.ij)
    numbers = [row["change_mm second <b>"] for row in rows]
    assert float(numbers[7]) == pytest.approx(1e3 * told.columns[1].change[7], abs=1e-3)
    shifts = list(csv.DictReader((tmp_path / "shifts.csv").read_text().splitlines()))
    assert {row["kind"] for row in shifts} == {"landmark", "mark"}
    assert len(list(csv.DictReader((tmp_path / "marks.csv").read_text().splitlines()))) == len(strip.verdicts)
    assert sum(float(row["area_cm2 first"]) for row in csv.DictReader((tmp_path / "areas.csv").read_text().splitlines())
               ) == pytest.approx(1e4 * told.columns[0].area, abs=0.01)  # fmt: skip


def fold_over(strip):
    """The strip folded on itself at u = 0.55 m, in the air: the mark at 0.4 m lies on the one at 0.7 m."""
    x = fold_at(strip.lattice, 0.55, 0.0005)
    layers = prepare_layers(strip.lattice, x, strip.fabric.thickness)
    sag = chord_error(strip.lattice, x)
    meetings = find_meetings(strip.marks, layers, strip.certificate, sag)
    return replace(strip, x=x, layers=record_layers(layers), meetings=meetings)


def test_marks_that_meet_in_one_run_only(strip, tmp_path):
    told = compare_runs([("flat", strip), ("folded", fold_over(strip))])
    (row,) = told.meetings
    assert (row.mark, row.other, row.meets) == ("on-top", "a<b & c", (False, True))
    assert row.areas[0] == 0.0
    assert row.areas[1] == pytest.approx(0.03**2, rel=0.2)  # as large as the smaller one, by samples 4 mm apart
    write_comparison(tmp_path, told, with_pictures=False)
    (line,) = csv.DictReader((tmp_path / "meetings.csv").read_text().splitlines())
    assert (line["answer flat"], line["answer folded"]) == ("do not meet", "meet")


def test_cloth_under_another_layer_is_not_in_contact(strip):
    """Folded on a block, only the under half touches it; the over half is as near but for the cloth between."""
    x = fold_at(strip.lattice, 0.5 * LENGTH, 0.5 * THICK + 1e-5)
    x = np.c_[x[:, 0], -x[:, 1], -x[:, 2]]  # turned over: now the inner faces look at each other still
    top = float(x[:, 2].min()) - 0.5 * THICK - 1e-5
    block = box((-0.2, -0.3, top - 0.1), (LENGTH, 0.3, top), surface="limewood")
    record = record_contact(strip.lattice, strip.fabric, x, np.zeros_like(x), block)
    run = replace(strip, x=x, body=block, contact=record, layers=None)
    # the face that looks at the block is the outer one of the under half, and the inner one of the half above it
    assert sum(add_areas(run, 2e-3).values()) < 0.05 * LENGTH * WIDTH


def test_names_are_as_long_as_it_takes(strip, tmp_path):
    for folder in ("x/run", "y/run", "y/other"):
        (tmp_path / folder).mkdir(parents=True)
        save_run(tmp_path / folder, strip)
    names = [name for name, _ in load_runs([tmp_path / "x/run", tmp_path / "y/run/run.h5"])]
    assert names == ["x/run", "y/run"]
    assert [name for name, _ in load_runs([tmp_path / "x/run", tmp_path / "y/other"])] == ["run", "other"]
    with pytest.raises(InputError, match="named twice"):
        load_runs([tmp_path / "x/run", tmp_path / "x/run/run.h5"])
    with pytest.raises(InputError, match="one run alone"):
        load_runs([tmp_path / "x/run"])


def test_command(strip, finished, tmp_path, capsys):
    for folder, run in (("a", strip), ("b", lay_again(finished, 0.02))):
        (tmp_path / folder).mkdir()
        save_run(tmp_path / folder, run)
    out = tmp_path / "out"
    call = ["compare", str(tmp_path / "a"), str(tmp_path / "b"), "--out", str(out), "--no-pictures"]
    assert main(call) == 0
    assert "Moved farthest" in capsys.readouterr().out
    assert not (out / PAGE_FILE).exists()
    assert main(call) == 2
    assert "holds a comparison" in capsys.readouterr().err
    assert main([*call, "--force", "--tolerance-mm", "0"]) == 2
    assert main(["compare", str(tmp_path / "a"), str(tmp_path / "b"), "--out", str(tmp_path / "a")]) == 2
