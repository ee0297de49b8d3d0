"""Promise: `drapesim body slices` makes a closed body near to the true one, or says in one sentence why not."""

import os
import subprocess
import sys

import numpy as np
import pytest

from drapesim.front.cli import main
from drapesim.jobs.body import SliceSettings, make_body
from drapesim.matter.body import load_body
from drapesim.matter.slices import FROM_PATIENT
from tests.unit.made_slices import SLANT, distances, turn, voxelise, write_series


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A series as a scanner writes it: noise, a table, a lung full of air, names in no order, rescaled values."""
    folder = tmp_path_factory.mktemp("scan") / "series"
    slices = voxelise((1.5e-3, 1.5e-3, 2e-3), FROM_PATIENT, noise=30.0, with_table=True, with_lung=True)
    write_series(folder, slices)
    return folder


def test_series_comes_back_through_the_whole_path(folder, tmp_path, capsys):
    out = tmp_path / "new/body.ply"
    assert main(["body", "slices", str(folder), "--out", str(out), "--quiet"]) == 0
    told, errors = capsys.readouterr()
    assert errors == ""
    for words in ("voxels of 1.5 x 1.5 x 2 mm", "by Otsu's method", "taken away", "air filled   27.", "litres, closed"):
        assert words in told
    assert "Nobody" not in told + str(out.read_bytes())
    assert sorted(path.name for path in out.parent.iterdir()) == ["body.ply", "body.png"]
    body = load_body(out, unit="m", up="z")  # as a scene loads it
    assert body.repairs == ()
    off = np.abs(distances(body.vertices, body.faces))
    assert np.sqrt((off**2).mean()) < 0.5 * 1.5e-3
    assert np.percentile(off, 99) < 1.5e-3


def test_slanting_series_comes_back_in_its_place(tmp_path):
    slices = voxelise((1.5e-3, 1.5e-3, 2e-3), turn(SLANT), noise=30.0)
    write_series(tmp_path, slices)
    made = make_body(tmp_path, SliceSettings(error=3e-4))
    off = np.abs(distances(made.body.vertices, made.body.faces))
    assert np.sqrt((off**2).mean()) < 0.5 * 1.5e-3
    assert np.percentile(off, 99) < 1.5e-3
    assert made.error <= 3e-4
    assert made.crossings == 0
    assert len(made.body.faces) < 0.3 * made.faces_before


def test_measured_error_of_the_light_mesh_is_the_largest_distance(tmp_path):
    """By another path: brute force over all triangles, at corners of the light mesh."""
    write_series(tmp_path, voxelise((3e-3,) * 3))
    whole, light = (make_body(tmp_path, SliceSettings(error=e)) for e in (1e-5, 1e-3))
    assert whole.error <= 1e-5
    import igl

    reach = np.sqrt(igl.point_mesh_squared_distance(light.body.vertices, whole.body.vertices, whole.body.faces)[0])
    back = np.sqrt(igl.point_mesh_squared_distance(whole.body.vertices, light.body.vertices, light.body.faces)[0])
    assert max(reach.max(), back.max()) <= light.error + 2e-5 <= 1.02e-3
    assert max(reach.max(), back.max()) > 0.5 * light.error


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere"], "there is no such file or folder"),
        (["{series}", "--spacing-mm", "1", "1", "1"], "states its own spacing"),
        (["{series}", "--threshold", "9000"], "does not part the values"),
        (["{series}", "--threshold", "nan"], "does not part the values"),
        (["{series}", "--opening-mm", "90"], "nothing above"),
        (["{series}", "--error-mm", "0"], "--error-mm: 0 is out of range; give 0.01 to 20"),
        (["{series}", "--out", "body.stl"], "written as PLY"),
        (["{series}", "--out", "there.ply"], "is there already"),
        (["{pictures}", "--spacing-mm", "1", "0", "1"], "not above zero"),
    ],
)
def test_bad_input_is_one_sentence_and_writes_nothing(folder, tmp_path, monkeypatch, capsys, words, said):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.ply").write_text("mine")
    before = sorted(tmp_path.rglob("*"))
    filled = [word.format(series=folder, pictures=tmp_path) for word in words]
    assert main(["body", "slices", *filled, "--quiet"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert err.count("\n") == 1
    assert sorted(tmp_path.rglob("*")) == before
    assert (tmp_path / "there.ply").read_text() == "mine"


def test_help_holds_the_cautions():
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join(sys.path), COLUMNS="120")
    done = subprocess.run([sys.executable, "-m", "drapesim", "body", "slices", "--help"], env=environment,
                          capture_output=True, text=True, check=True)  # fmt: skip
    for words in ("consent", "dignity", "personal data", "no medical device"):
        assert words in done.stdout
