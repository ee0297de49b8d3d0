"""The one place that touches numba: its decorators, the number of threads, and the folder that holds compiled kernels.

Numba keeps compiled code on disk and checks only the file of the function itself, so an edit in a kernel that is
*called* from another file would go unnoticed and the old numbers would come back. The folder is therefore named by a
hash of every kernel source together with the numba version: any edit leads to a new, empty folder.
"""

import contextlib
import hashlib
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TypeVar

# Threads that wait for each other spin by default; where another program wants the processor too, that costs ten times
# the run. A short spin, then sleep: 1,000 turns are a tenth slower alone, and a tenth quicker beside a second run.
# (Read by GNU OpenMP when the first kernel runs.)
os.environ.setdefault("GOMP_SPINCOUNT", "2000")

import numba

STALE_AFTER_S = 30 * 24 * 3600.0
"""Folders of earlier kernel sources are deleted after this many seconds without use."""

_PREFIX = "kernels-"
_DIGEST_LENGTH = 16

prange = numba.prange
"""Loop range for `parallel_kernel`; plain `range` in a `kernel`."""

F = TypeVar("F", bound=Callable[..., object])


def hash_sources(folder: Path, *versions: str) -> str:
    """Return 16 hex digits that change with any edit, rename, addition or removal of a .py file below `folder`.

    `versions`: further text to mix in (the numba version).
    """
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        content = path.read_bytes()
        # The length keeps (name, content) pairs apart: "ab" + "c" must not read like "a" + "bc".
        digest.update(f"{path.relative_to(folder).as_posix()}\0{len(content)}\0".encode())
        digest.update(content)
    for version in versions:
        digest.update(f"\0{version}".encode())
    return digest.hexdigest()[:_DIGEST_LENGTH]


def cache_roots() -> list[Path]:
    """Return the folders that may hold our compiled kernels, best first: the user's cache folder, then a temporary one.

    NUMBA_CACHE_DIR, where the user has set it, comes before both.
    """
    roots = []
    if chosen := os.environ.get("NUMBA_CACHE_DIR"):
        roots.append(Path(chosen) / "drapesim")
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or "~/AppData/Local"
    elif sys.platform == "darwin":
        base = "~/Library/Caches"
    else:
        base = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
    with contextlib.suppress(RuntimeError):  # raised where no home folder is known for this user
        roots.append(Path(base).expanduser() / "drapesim" / "numba")
    roots.append(Path(tempfile.gettempdir()) / f"drapesim-{_user_id()}")
    return roots


def choose_cache_folder(roots: Iterable[Path], digest: str) -> Path:
    """Return the first `root/kernels-<digest>` that is ours and writable; if none is, a fresh temporary folder.

    The files in it are run as machine code, so a folder that belongs to someone else, or that others may write to,
    is passed over.
    """
    for root in roots:
        folder = root / (_PREFIX + digest)
        try:
            root.mkdir(mode=0o700, parents=True, exist_ok=True)
            folder.mkdir(mode=0o700, exist_ok=True)
            if not (_is_ours(root) and _is_ours(folder)):
                continue
            os.utime(folder)  # marks the folder as used, see delete_stale
            with tempfile.TemporaryFile(dir=folder):
                pass
        except OSError:
            continue
        return folder
    return Path(tempfile.mkdtemp(prefix="drapesim-"))


def delete_stale(root: Path, keep: Path, now_s: float) -> list[Path]:
    """Delete kernel folders of ours in `root`, other than `keep`, not used for 30 days; return those deleted.

    `now_s`: seconds since the epoch. Files and folders that we did not make are left alone.
    """
    deleted = []
    for folder in sorted(root.glob(_PREFIX + "[0-9a-f]" * _DIGEST_LENGTH)):
        try:
            if folder == keep or not _is_ours(folder) or now_s - folder.stat().st_mtime <= STALE_AFTER_S:
                continue
        except OSError:  # another process deleted it first
            continue
        shutil.rmtree(folder, ignore_errors=True)
        deleted.append(folder)
    return deleted


def _user_id() -> int:
    return os.getuid() if hasattr(os, "getuid") else 0


def _is_ours(folder: Path) -> bool:
    """True for a real folder that this user owns and that neither group nor others may write to."""
    if folder.is_symlink() or not folder.is_dir():
        return False
    if not hasattr(os, "getuid"):
        return True
    status = folder.stat()
    return status.st_uid == os.getuid() and not status.st_mode & 0o022


CACHE_FOLDER = choose_cache_folder(cache_roots(), hash_sources(Path(__file__).parent, numba.__version__))
"""Where the compiled kernels of these very sources are kept."""

delete_stale(CACHE_FOLDER.parent, CACHE_FOLDER, time.time())


def kernel(function: F) -> F:
    """Compile `function` on its first call, for one thread.

    IEEE arithmetic in the order written (no fastmath), division by zero gives inf or nan as in numpy, array bounds
    are not checked, the global interpreter lock is released, and the result is kept on disk.
    """
    return _compile(function, parallel=False)


def bare_kernel(function: F) -> F:
    """Like `kernel`, for functions that make and return no arrays, only use those they are given, and are called often.

    Numba counts the references to every array of a record that goes into a call or out of a row, each time by a locked
    write to memory: over half of the time of a search for contacts. Here nothing is counted; the caller holds them. An
    array that was returned would be released once too often. ``_nrt`` is private to numba: check it when its pin moves.
    """
    return _compile(function, parallel=False, _nrt=False)


def fused_kernel(function: F) -> F:
    """Like `bare_kernel`, for a step's arithmetic: no exact test of where things lie hangs on its roundings.

    A product and a sum may be rounded once, where the processor has an instruction for both (``contract``; no other
    fastmath): a tenth of the elastic forces' time. The bytes are those of one kind of processor.
    """
    return _compile(function, parallel=False, fastmath={"contract"}, _nrt=False)


def parallel_kernel(function: F) -> F:
    """Like `kernel`, with `numba.prange` loops spread over threads.

    Each turn of such a loop must write only its own output row and must not add into a shared total: then the answer
    is the same bytes for any number of threads.
    """
    return _compile(function, parallel=True)


def _compile(function: F, parallel: bool, **more: object) -> F:
    # Numba reads the setting while it decorates. It is put back at once, so that other users of numba in this
    # process keep their own cache.
    previous = numba.config.CACHE_DIR  # type: ignore[attr-defined]
    numba.config.CACHE_DIR = str(CACHE_FOLDER)  # type: ignore[attr-defined]
    try:
        compiled: F = numba.njit(
            cache=True, error_model="numpy", nogil=True, boundscheck=False, parallel=parallel, **more
        )(function)
    finally:
        numba.config.CACHE_DIR = previous  # type: ignore[attr-defined]
    return compiled


@contextlib.contextmanager
def limited_to(threads: int) -> Iterator[None]:
    """Let parallel kernels use at most so many threads within."""
    before = numba.get_num_threads()
    numba.set_num_threads(max(1, min(threads, before)))
    try:
        yield
    finally:
        numba.set_num_threads(before)


def use_threads(wanted: int) -> int:
    """Let parallel kernels use up to ``wanted`` threads; returns how many they get."""
    threads = max(1, min(wanted, numba.config.NUMBA_NUM_THREADS))
    numba.set_num_threads(threads)
    return threads
