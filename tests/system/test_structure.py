"""Promises about the code itself: imports, file lengths, a light start, and words that must never be named."""

import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import drapesim

ROOT = Path(__file__).parents[2]
LONGEST_FILE = 500

HEAVY = {
    "anny",
    "h5py",
    "igl",
    "matplotlib",
    "nibabel",
    "numba",
    "pydantic",
    "pydicom",
    "pyvista",
    "scipy",
    "shapely",
    "skimage",
    "torch",
    "trimesh",
    "vtk",
}

# Written in pieces, so that this file does not break its own rule.
FORBIDDEN = [
    "sha" + "red/",
    "py" + "pi.org",
    "python" + "hosted.org",
    "npm" + "js.org",
    "deb" + ".debian.org",
    "/tmp/" + "venv",
    "/" + "work/",
    "/" + "root/",
    "/" + "home/",
    "C:" + "\\Users",
]
TEXT_SUFFIXES = {"", ".cfg", ".css", ".html", ".ini", ".js", ".json", ".lock", ".md", ".py", ".svg", ".toml", ".txt"}
TEXT_SUFFIXES |= {".yaml", ".yml", ".csv", ".j2"}


def list_files() -> Iterator[Path]:
    """Every file of the project itself: nothing that a run, a build or an editor has left in the checkout."""
    for folder in ("drapesim", "tests", "benchmarks", "scenes", ".ci"):
        for path in sorted((ROOT / folder).rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts and "runs" not in path.parts:
                yield path
    for pattern in ("*.md", "*.toml", "*.lock", "LICENSE", ".gitignore", ".pre-commit-config.yaml"):
        yield from sorted(ROOT.glob(pattern))


def list_python_files() -> list[Path]:
    return [path for path in list_files() if path.suffix == ".py"]


def list_text_files() -> list[Path]:
    return [path for path in list_files() if path.suffix.lower() in TEXT_SUFFIXES]


def read_text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def run_python(code: str) -> str:
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT), *sys.path]))
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def lint_imports(config: Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(cwd), *sys.path]))
    code = "import sys; from importlinter.cli import lint_imports_command as c; c()"
    return subprocess.run(
        [sys.executable, "-c", code, "--no-cache", "--config", str(config)],
        env=environment,
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
    )


def copy_bare(target: Path) -> None:
    """Copy the package as a tree of empty modules."""
    for path in (ROOT / "drapesim").rglob("*.py"):
        copy = target / path.relative_to(ROOT)
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_text("")


def test_import_contracts_hold():
    done = lint_imports(ROOT / "pyproject.toml", ROOT)
    assert done.returncode == 0, done.stdout + done.stderr
    assert " 0 broken" in done.stdout


@pytest.mark.parametrize(
    ("file", "line", "broken"),
    [
        ("ground/outcome.py", "import drapesim.front", "Imports go down the floors"),
        ("kernels/jit.py", "import drapesim.ground.outcome", "Imports go down the floors"),
        ("matter/sheet.py", "import drapesim.matter.plan", "Rooms of matter"),
        ("ground/outcome.py", "import numba", "numba only in kernels"),
        ("front/__init__.py", "import pyvista", "pyvista only in front.view"),
        ("settling/settle.py", "import h5py", "h5py only in ground.files and settling.archive"),
        ("settling/settle.py", "import pydantic", "pydantic stops at the door"),
    ],
)
def test_each_contract_catches_its_fault(tmp_path, file, line, broken):
    """The contracts of pyproject.toml, on a bare copy of the tree with one wrong import added."""
    copy_bare(tmp_path)
    (tmp_path / "drapesim" / file).write_text(line + "\n")
    done = lint_imports(ROOT / "pyproject.toml", tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    assert f"{broken} BROKEN" in " ".join(done.stdout.split())


def test_module_without_a_floor_is_caught(tmp_path):
    copy_bare(tmp_path)
    (tmp_path / "drapesim" / "stray.py").write_text("")
    done = lint_imports(ROOT / "pyproject.toml", tmp_path)
    assert done.returncode == 1
    assert "drapesim.stray" in done.stdout


def test_no_file_is_too_long():
    lengths = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in list_python_files()}
    assert len(lengths) > 10
    assert [str(path) for path, length in lengths.items() if length > LONGEST_FILE] == []


def test_no_room_is_a_drawer_for_everything():
    drawers = {"utils", "util", "misc", "helpers", "helper", "manager", "common"}
    assert [str(path) for path in list_python_files() if drawers & set(path.stem.strip("_").split("_"))] == []


def test_code_is_ascii():
    found = [str(path) for path in list_python_files() if not path.read_bytes().isascii()]
    assert found == []


@pytest.mark.parametrize("words", FORBIDDEN)
def test_words_that_tie_us_to_a_place_are_absent(words):
    assert [str(path) for path in list_text_files() if words.lower() in read_text(path).lower()] == []


def test_lock_is_hashed_and_holds_no_address():
    lock = read_text(ROOT / "requirements.lock")
    assert "://" not in lock
    pinned = [line for line in lock.splitlines() if line and not line.startswith((" ", "#"))]
    assert len(pinned) > 20
    assert all("==" in line and line.endswith("\\") for line in pinned)


def test_lock_names_every_requirement():
    project = tomllib.loads(read_text(ROOT / "pyproject.toml"))["project"]
    extras = project["optional-dependencies"]
    assert "drapesim[slices]" in extras["test"]  # the tests read slices
    wanted = [*project["dependencies"], *extras["slices"], *extras["test"][1:]]
    locked = {line.partition("==")[0].lower() for line in read_text(ROOT / "requirements.lock").splitlines()}
    names = {requirement.partition(">=")[0].partition("==")[0].lower() for requirement in wanted}
    assert names - locked == set()


def test_import_is_light():
    loaded = json.loads(run_python("import drapesim, json, sys; print(json.dumps(sorted(sys.modules)))"))
    assert HEAVY & set(loaded) == set()
    assert "numpy" not in loaded


def test_help_loads_nothing_heavy():
    code = (
        "import contextlib, io, json, runpy, sys\n"
        "sys.argv = ['drapesim', '--help']\n"
        "text = io.StringIO()\n"
        "with contextlib.redirect_stdout(text), contextlib.suppress(SystemExit):\n"
        "    runpy.run_module('drapesim', run_name='__main__')\n"
        "print(json.dumps([text.getvalue(), sorted(sys.modules)]))\n"
    )
    text, loaded = json.loads(run_python(code))
    assert "run" in text
    assert HEAVY & set(loaded) == set()


def test_public_names_are_found_on_first_use():
    for name in drapesim.__all__:
        assert getattr(drapesim, name) is not None
    assert set(drapesim.__all__) <= set(dir(drapesim))
    with pytest.raises(AttributeError, match="no attribute 'drape'"):
        drapesim.drape  # noqa: B018
