"""The kernel cache folder: it follows every edit, belongs to us, and old ones go away."""

import os
import subprocess
import sys
import time
from pathlib import Path

import numba
import numpy as np
import pytest

from drapesim.kernels import jit

DIGEST = "0123456789abcdef"

# A stand-in kernel folder: the real decorators, a called kernel in one file and its caller in another.
CALLED = "from drapesim.kernels.jit import kernel\n\n\n@kernel\ndef scale(x):\n    return {factor} * x\n"
CALLER = """\
import os
from pathlib import Path

import numba

from drapesim.kernels import jit

here = Path(__file__).parent
digest = jit.hash_sources(here, numba.__version__)
jit.CACHE_FOLDER = jit.choose_cache_folder([Path(os.environ["CACHE_ROOT"])], digest)

from called import scale  # noqa: E402


@jit.kernel
def apply(x):
    return scale(x)


print(apply(1.0), sum(apply.stats.cache_hits.values()))
"""


def run_caller(folder: Path, root: Path) -> list[str]:
    environment = dict(os.environ, CACHE_ROOT=str(root), PYTHONPATH=os.pathsep.join([str(folder), *sys.path]))
    done = subprocess.run(
        [sys.executable, str(folder / "caller.py")], env=environment, capture_output=True, text=True, check=True
    )
    return done.stdout.split()


@pytest.mark.skipif(bool(numba.config.DISABLE_JIT), reason="nothing is compiled with the JIT off")
def test_edit_in_called_file_is_seen_and_unchanged_sources_hit_the_cache(tmp_path):
    folder, root = tmp_path / "kernels", tmp_path / "cache"
    folder.mkdir()
    (folder / "caller.py").write_text(CALLER)
    (folder / "called.py").write_text(CALLED.format(factor="2.0"))
    assert run_caller(folder, root) == ["2.0", "0"]
    assert run_caller(folder, root) == ["2.0", "1"]
    (folder / "called.py").write_text(CALLED.format(factor="3.0"))
    assert run_caller(folder, root) == ["3.0", "0"]
    assert len(list(root.iterdir())) == 2


def test_hash_changes_with_edit_rename_addition_and_version(tmp_path):
    def digest(*versions: str) -> str:
        return jit.hash_sources(tmp_path, *versions)

    (tmp_path / "a.py").write_text("x = 1\n")
    (tmp_path / "b.py").write_text("y = 1\n")
    seen = [digest("1.0"), digest("1.1")]
    (tmp_path / "b.py").write_text("y = 2\n")
    seen.append(digest("1.0"))
    (tmp_path / "b.py").rename(tmp_path / "c.py")
    seen.append(digest("1.0"))
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "d.py").write_text("")
    seen.append(digest("1.0"))
    assert len(set(seen)) == len(seen)
    assert digest("1.0") == seen[-1]
    assert len(seen[-1]) == 16


def test_real_folder_is_named_by_the_kernel_sources():
    kernels = Path(jit.__file__).parent
    assert jit.CACHE_FOLDER.name.endswith(jit.hash_sources(kernels, numba.__version__))


def test_unwritable_root_is_passed_over(tmp_path):
    blocked = tmp_path / "a_file"
    blocked.write_text("not a folder")
    good = tmp_path / "good"
    assert jit.choose_cache_folder([blocked, blocked / "deeper", good], DIGEST) == good / f"kernels-{DIGEST}"


def test_folder_that_others_may_write_to_is_passed_over(tmp_path):
    shared, good = tmp_path / "shared", tmp_path / "good"
    shared.mkdir()
    shared.chmod(0o777)
    assert jit.choose_cache_folder([shared, good], DIGEST).parent == good


def test_no_usable_root_gives_a_fresh_temporary_folder(tmp_path, monkeypatch):
    monkeypatch.setattr(jit.tempfile, "tempdir", str(tmp_path))
    blocked = tmp_path / "a_file"
    blocked.write_text("")
    folder = jit.choose_cache_folder([blocked], DIGEST)
    assert folder.is_dir()
    assert folder.parent == tmp_path


def test_only_our_stale_folders_are_deleted(tmp_path):
    now = time.time()
    old = now - jit.STALE_AFTER_S - 60.0
    names = {"stale": "kernels-" + "a" * 16, "fresh": "kernels-" + "b" * 16, "kept": "kernels-" + "c" * 16}
    for name in names.values():
        (tmp_path / name).mkdir()
        (tmp_path / name / "code.nbc").write_text("")
    others = [tmp_path / "someone-elses", tmp_path / "kernels-notahash"]
    for folder in others:
        folder.mkdir()
    target = tmp_path / "target"
    target.mkdir()
    (target / "precious").write_text("")
    link = tmp_path / ("kernels-" + "d" * 16)
    link.symlink_to(target)
    for folder in [tmp_path / names["stale"], tmp_path / names["kept"], *others, target]:
        os.utime(folder, (old, old))
    assert jit.delete_stale(tmp_path, tmp_path / names["kept"], now) == [tmp_path / names["stale"]]
    assert not (tmp_path / names["stale"]).exists()
    assert all(path.exists() for path in [tmp_path / names["fresh"], tmp_path / names["kept"], link, *others])
    assert (target / "precious").exists()


def test_use_renews_the_folder(tmp_path):
    folder = jit.choose_cache_folder([tmp_path], DIGEST)
    os.utime(folder, (0.0, 0.0))
    jit.choose_cache_folder([tmp_path], DIGEST)
    assert time.time() - folder.stat().st_mtime < 60.0


def test_setting_of_other_numba_users_is_left_alone():
    before = numba.config.CACHE_DIR
    jit.kernel(lambda x: x)
    assert before == numba.config.CACHE_DIR
    assert before != str(jit.CACHE_FOLDER)


@jit.kernel
def divide(a, b):
    return a / b


@jit.parallel_kernel
def halve_into(values, halved):
    for i in jit.prange(values.shape[0]):
        halved[i] = 0.5 * values[i]


@pytest.mark.skipif(bool(numba.config.DISABLE_JIT), reason="plain Python raises ZeroDivisionError")
def test_division_by_zero_gives_infinity_as_in_numpy():
    assert divide(1.0, 0.0) == np.inf


def test_parallel_kernel_writes_every_row():
    values = np.arange(1000.0)
    halved = np.full(1000, np.nan)
    halve_into(values, halved)
    assert np.array_equal(halved, values / 2.0)
