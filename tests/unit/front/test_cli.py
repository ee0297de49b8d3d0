"""The command line without a computation: exit codes, what is said where, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest

from drapesim import __version__
from drapesim.front.cli import main
from drapesim.ground.outcome import Ending, InputError
from drapesim.settling.archive import save_run
from drapesim.settling.settle import Interrupted
from tests.unit.made_run import ROOT, make_checkpoint, make_run

STRIP = str(ROOT / "scenes/strip-on-cylinder.toml")
SETTLED = replace(make_run().certificate, settled=True, failures=())


@pytest.fixture
def in_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def instead_of_a_run(monkeypatch, outcome):
    """Let the job return or raise ``outcome``; returns the list of its calls."""
    calls = []

    def run_scene(scene, out, progress=None, resume=False, spacing_mm=None, force=False):
        calls.append((scene.title, str(out), resume, spacing_mm, force))
        if isinstance(outcome, BaseException):
            raise outcome
        return outcome

    monkeypatch.setattr("drapesim.jobs.run.run_scene", run_scene)
    return calls


def test_version(capsys):
    with pytest.raises(SystemExit) as left:
        main(["--version"])
    assert left.value.code == 0
    assert capsys.readouterr().out == f"drapesim {__version__}\n"


@pytest.mark.parametrize("words", [[], ["drape"], ["run"], ["run", STRIP, "--spacing-mm", "wide"]])
def test_wrong_words_leave_with_2(words, capsys):
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 2
    assert "usage: drapesim" in capsys.readouterr().err


def test_settled_run_leaves_with_0(in_folder, monkeypatch, capsys):
    calls = instead_of_a_run(monkeypatch, make_run(certificate=SETTLED, ending=Ending.SETTLED))
    assert main(["run", STRIP, "--no-pictures", "--quiet", "--spacing-mm", "12"]) == 0
    out, err = capsys.readouterr()
    assert out.splitlines()[0] == Ending.SETTLED.value
    assert out.splitlines()[-1] == "written: runs/strip-on-cylinder"
    assert err == ""
    assert calls == [("Strip on a cylinder", "runs/strip-on-cylinder", False, 12.0, False)]


def test_unsettled_run_says_so_first_and_leaves_with_3(in_folder, monkeypatch, capsys):
    instead_of_a_run(monkeypatch, make_run())
    assert main(["run", STRIP, "--no-pictures", "--quiet"]) == 3
    first = capsys.readouterr().out.splitlines()[0]
    assert first.startswith("UNSETTLED. The rms residual is 0.002. There are 3 crossings. ")
    assert "raise settle.max_steps" in first


def test_interrupted_run_says_how_to_go_on(in_folder, monkeypatch, capsys):
    state = make_checkpoint()
    instead_of_a_run(monkeypatch, Interrupted(state))
    assert main(["run", STRIP, "--out", "a b", "--spacing-mm", "9", "--quiet"]) == 130
    sentence, command = capsys.readouterr().err.splitlines()
    assert sentence == Ending.INTERRUPTED.value
    assert command == f"drapesim run {STRIP} --out 'a b' --resume --spacing-mm 9"


def test_interrupted_elsewhere(in_folder, monkeypatch, capsys):
    instead_of_a_run(monkeypatch, KeyboardInterrupt())
    assert main(["run", STRIP, "--quiet"]) == 130
    assert "no checkpoint" in capsys.readouterr().err


def test_interrupted_while_drawing_keeps_the_run(in_folder, monkeypatch, capsys):
    def write_report(folder, run):
        raise KeyboardInterrupt

    instead_of_a_run(monkeypatch, make_run())
    monkeypatch.setattr("drapesim.front.report.write_report", write_report)
    assert main(["run", STRIP, "--quiet"]) == 130
    assert capsys.readouterr().err == (
        "Interrupted while drawing. The run is kept in runs/strip-on-cylinder, without its report.\n"
    )


def test_bad_input_is_one_sentence(in_folder, monkeypatch, capsys):
    instead_of_a_run(monkeypatch, InputError("a.toml", "lay[1]", "is wrong", "make it right"))
    assert main(["run", STRIP, "--quiet"]) == 2
    assert capsys.readouterr() == ("", "a.toml: lay[1]: is wrong; make it right\n")


def test_a_finished_run_is_not_overwritten_unasked(in_folder, monkeypatch, capsys):
    calls = instead_of_a_run(monkeypatch, make_run())
    save_run(in_folder, make_run())
    words = ["run", STRIP, "--out", str(in_folder), "--no-pictures", "--quiet"]
    assert main(words) == 2
    assert "the folder holds a finished run; name another folder, or replace it with --force" in capsys.readouterr().err
    assert main([*words, "--resume"]) == 2
    assert "there is no checkpoint to go on from; the run in it has ended" in capsys.readouterr().err
    assert calls == []
    assert main([*words, "--force"]) == 3
    assert calls == [("Strip on a cylinder", str(in_folder), False, None, True)]


def test_check_says_what_was_understood_and_writes_nothing(in_folder, capsys):
    assert main(["check", STRIP, "--spacing-mm", "15"]) == 0
    said = capsys.readouterr().out
    for part in ("Strip on a cylinder", "900 mm along the warp", "305 nodes 15 x 15 mm apart", "z = 605.2 mm",
                 "0.45 mm thick", "estimated by rule, not measured: bend_bias",
                 "invented for demonstration: areal_density", "limewood, 6144 triangles",
                 "200 x 200 x 200 mm", "friction 0.5", "wax-top", "lies clear"):  # fmt: skip
        assert part in said
    assert list(in_folder.iterdir()) == []


def test_check_shows_repairs_and_places(capsys, monkeypatch):
    from drapesim.matter.plan import read_scene

    made = make_run()
    scene = replace(read_scene(STRIP), body=replace(made.body, landmarks={"nose": np.zeros(3)}))
    monkeypatch.setattr("drapesim.matter.plan.read_scene", lambda _: scene)
    assert main(["check", STRIP]) == 0
    said = capsys.readouterr().out
    for part in ("2 doubled faces were dropped.", "regions: front, back", "landmarks: nose", "support: slate"):
        assert part in said


@pytest.mark.parametrize("spacing", ["0", "-3", "31", "0.01", "nan", "inf"])
def test_a_spacing_that_cannot_be_is_refused(in_folder, capsys, spacing):
    assert main(["check", STRIP, f"--spacing-mm={spacing}"]) == 2
    assert "spacing_mm: a spacing of" in capsys.readouterr().err


def test_show_prints_the_answers_of_a_run(tmp_path, capsys):
    save_run(tmp_path, make_run())
    assert main(["show", str(tmp_path)]) == 3
    said = capsys.readouterr().out
    assert said.startswith("UNSETTLED. ")
    for part in ("Node spacing 12 mm instead", "residual force over node weight, rms", "0.002", "cloth-body crossings",
                 "not computed", "4000; 12", "wax", "undecided", "0.20", "front: undecided", "seam"):  # fmt: skip
        assert part in said
    row = next(line for line in said.splitlines() if "seam" in line)
    assert "100.00" in row  # least gap in mm
    assert "not measured" in row  # a gap that is not there


def test_show_refuses_a_folder_without_a_run(tmp_path, capsys):
    assert main(["show", str(tmp_path)]) == 2
    assert "there is no run file" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "times"), [([STRIP, "--refine"], 1), ([STRIP, "--refine", "2"], 2), (["--refine", STRIP], 1),
                         (["--refine", "2", STRIP], 2), (["--refine=2", STRIP], 2), (["--refine", "--", STRIP], 1)],
)  # fmt: skip
@pytest.mark.parametrize("is_coarse_settled", [True, False])
def test_refined_run(in_folder, monkeypatch, capsys, words, times, is_coarse_settled):
    """The finest is shown; the exit code says whether all have settled."""
    fine = make_run(certificate=SETTLED, ending=Ending.SETTLED)
    coarse = replace(fine, certificate=replace(SETTLED, settled=is_coarse_settled), title="the coarse one")
    asked = []

    def refine_scene(scene, out, times, progress, resume, spacing_mm, force):
        asked.append((times, resume, spacing_mm, force))
        return coarse, fine

    monkeypatch.setattr("drapesim.jobs.refine.refine_scene", refine_scene)
    assert main(["run", "--no-pictures", "--quiet", "--spacing-mm", "30", *words]) == (0 if is_coarse_settled else 3)
    assert asked == [(times, False, 30.0, False)]
    assert "measured, 20 against 10 mm" in capsys.readouterr().out


def test_interrupted_refined_run_says_how_to_go_on(in_folder, monkeypatch, capsys):
    def refine_scene(*_):
        raise Interrupted(make_checkpoint())

    monkeypatch.setattr("drapesim.jobs.refine.refine_scene", refine_scene)
    assert main(["run", STRIP, "--refine", "2", "--no-pictures", "--quiet", "--force"]) == 130
    again = f"drapesim run {STRIP} --out runs/strip-on-cylinder --resume --refine 2 --force"
    assert capsys.readouterr().err.splitlines()[-1] == again


@pytest.mark.parametrize("times", ["0", "3", "half"])
def test_only_one_or_two_halvings(times):
    with pytest.raises(SystemExit) as left:
        main(["run", STRIP, "--refine", times])
    assert left.value.code == 2
