"""Promise: bad input gets one clear sentence, exit code 2, no traceback, and nothing is written.

Each case once through `read_scene` and once through the command line.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from drapesim.ground.outcome import InputError
from drapesim.matter.plan import read_scene

ROOT = Path(__file__).parents[2]

SCENE = """\
title = "bad input"
[sheet]
length_mm = 500
width_mm = 300
spacing_mm = 10
[fabric]
card = "card.toml"
[flat_map]
marks = "marks.svg"
[body]
surface = "limewood"
mesh = { file = "body.ply", unit = "m" }
[[lay]]
do = "lower"
point_mm = [250, 150]
place_mm = [0, 0]
"""
MARKS = """\
<svg xmlns="http://www.w3.org/2000/svg" width="500mm" height="300mm" viewBox="0 0 500 300">
<circle id="wax" cx="100" cy="100" r="10"/>
</svg>
"""
TETRAHEDRON = """\
ply
format ascii 1.0
element vertex 4
property float x
property float y
property float z
element face 4
property list uchar int vertex_indices
end_header
0 0 0
1.5 0 0
0 1.5 0
0 0 1.5
3 0 2 1
3 0 1 3
3 0 3 2
3 1 2 3
"""
CARD = (ROOT / "scenes/fabrics/cover-linen.toml").read_text()
GOOD = {"scene.toml": SCENE, "marks.svg": MARKS, "body.ply": TETRAHEDRON, "card.toml": CARD}
EMPTY = TETRAHEDRON.split("end_header")[0].replace("4\n", "0\n") + "end_header\n"
CIRCLE = '<circle id="wax" cx="100" cy="100" r="10"/>'

# name -> the file that is spoilt, the text in it, what stands there instead, and what the sentence must hold
CASES = {
    "missing file": (
        "scene.toml", '"body.ply"', '"bodi.ply"',
        ["scene.toml:12", "there is no body mesh", "bodi.ply"],
    ),
    "wrong unit": (
        "scene.toml", 'unit = "m"', 'unit = "furlong"',
        ["scene.toml:12: body.mesh.unit", "'furlong'", "'mm'"],
    ),
    "nan in mesh": ("body.ply", "0 1.5 0", "0 nan 0", ["body.ply", "finite"]),
    "empty mesh": ("body.ply", TETRAHEDRON, EMPTY, ["body.ply", "0 vertices and 0 faces"]),
    "mark outside the sheet": (
        "marks.svg", 'cx="100"', 'cx="600"',
        ["marks.svg:2: #wax", "110 mm beyond the cloth", "500 x 300 mm"],
    ),
    "open path": (
        "marks.svg", CIRCLE, '<path id="wax" d="M 10 10 h 30 v 40"/>',
        ["marks.svg:2: #wax", "open by 50 mm", "close the path"],
    ),
    "duplicate mark id": (
        "marks.svg", CIRCLE, CIRCLE + "\n" + CIRCLE,
        ["marks.svg:3: #wax", "used twice, first in line 2"],
    ),
    "negative stiffness": (
        "card.toml", "rigidity_N_m_rad = 45", "rigidity_N_m_rad = -45",
        ["card.toml:30: shear.rigidity_N_m_rad", "must be greater than 0, not -45"],
    ),
    "unknown key": (
        "scene.toml", "spacing_mm", "spaceing_mm",
        ["scene.toml:5: sheet.spaceing_mm: unknown key", "did you mean 'spacing_mm'?"],
    ),
    "not toml": ("scene.toml", SCENE, "{ this: is, yaml }\n", ["scene.toml:1", "not valid TOML"]),
}  # fmt: skip


def write_files(folder, case=None):
    files = dict(GOOD)
    if case is not None:
        name, old, new, _ = CASES[case]
        assert files[name].count(old) >= 1
        files[name] = files[name].replace(old, new, 1)
    for name, text in files.items():
        (folder / name).write_text(text)
    return folder / "scene.toml"


def test_the_unspoilt_scene_is_read(tmp_path):
    scene = read_scene(write_files(tmp_path))
    assert [mark.name for mark in scene.marks] == ["wax"]


@pytest.mark.parametrize("case", CASES)
def test_one_sentence(tmp_path, case):
    with pytest.raises(InputError) as caught:
        read_scene(write_files(tmp_path, case))
    sentence = str(caught.value)
    for part in CASES[case][3]:
        assert part in sentence
    assert "\n" not in sentence


@pytest.mark.parametrize("case", [*CASES, "missing scene"])
def test_the_command_line_refuses(tmp_path, case):
    scene = write_files(tmp_path, case if case in CASES else None)
    wanted = CASES[case][3] if case in CASES else ["there is no scene", "none.toml"]
    if case not in CASES:
        scene = scene.with_name("none.toml")
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    command = [sys.executable, "-m", "drapesim", "run", str(scene)]
    environment = {"PYTHONPATH": str(ROOT), "PATH": str(Path(sys.executable).parent), "HOME": str(tmp_path.parent)}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    flat = " ".join(done.stderr.split())  # a terminal may wrap the sentence
    for part in wanted:
        assert " ".join(part.split()) in flat
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(GOOD)
