"""Runs an analysis as a child process: one at a time, with limits of time and memory; its result is kept.

Analyses import numpy and scipy; the command line and the page do not. A result is kept under a key of the module,
its arguments, the ``position`` that the caller names (a store's last number, a file's size and time) and the code,
so that asking again costs a file. Where there is no folder to keep results in, everything works and nothing is kept.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import importlib.util
import os
import resource
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from quietbench.daemon.errors import ConfigurationError, QuietbenchError

__all__ = ["AnalysisError", "Bounds", "kept_in", "run_analysis"]

_WRONG_INPUT = 2
_MOST_KEPT = 32
_SAID = 2000


class AnalysisError(QuietbenchError, RuntimeError):
    """An analysis did not come to its end; the text says why."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """What an analysis may take: seconds of time, megabytes of memory of its own."""

    seconds: float = 120.0
    megabytes: int = 700


def kept_in() -> Path:
    """Return the folder of kept results: QUIETBENCH_CACHE, or quietbench in the user's cache folder."""
    own = os.environ.get("QUIETBENCH_CACHE")
    base = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
    return Path(own) if own else Path(base).expanduser() / "quietbench"


def run_analysis(
    module: str, arguments: Sequence[str], *, position: str, bounds: Bounds | None = None
) -> str:
    """Return what ``python -m module arguments`` prints, from the kept results when nothing has changed.

    Raises:
        ConfigurationError: it found its input wrong (exit code 2); the text is its own.
        AnalysisError: it failed otherwise, took too long or too much memory.
    """
    folder = _folder()
    if folder is None:
        return _run(module, arguments, bounds or Bounds())
    kept = folder / f"{_key(module, arguments, position)}.out"
    with _alone(folder):
        with contextlib.suppress(OSError):
            return kept.read_text("utf-8")
        result = _run(module, arguments, bounds or Bounds())
        with contextlib.suppress(OSError):
            _keep(kept, result)
        return result


def _run(module: str, arguments: Sequence[str], bounds: Bounds) -> str:
    command = [sys.executable, "-P", "-m", module, *arguments]
    # One thread: the machine's other cores belong to the watcher, and thread stacks count as memory.
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONUTF8": "1"}
    with subprocess.Popen(  # noqa: S603  our own interpreter, no shell
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        encoding="utf-8",
    ) as child:
        limit = bounds.megabytes * 1_000_000
        with contextlib.suppress(OSError):
            resource.prlimit(child.pid, resource.RLIMIT_DATA, (limit, limit))
        try:
            said, trouble = child.communicate(timeout=bounds.seconds)
        except subprocess.TimeoutExpired as error:
            child.kill()
            child.communicate()
            raise AnalysisError(
                f"{module}: not done after {bounds.seconds:g} s, ended; ask for less time (--since) or one room"
            ) from error
        except BaseException:
            child.kill()
            raise
    if child.returncode == 0:
        return said
    raise _problem(module, child.returncode, trouble.strip(), bounds)


def _problem(module: str, code: int, trouble: str, bounds: Bounds) -> QuietbenchError:
    if code == _WRONG_INPUT and "Traceback" not in trouble:
        return ConfigurationError(trouble or f"{module}: wrong input")
    if "MemoryError" in trouble or "Unable to allocate" in trouble:
        return AnalysisError(
            f"{module}: needs more than {bounds.megabytes} MB; ask for less time or one room"
        )
    return AnalysisError(f"{module}: ended with code {code}: {trouble[-_SAID:]}")


def _key(module: str, arguments: Sequence[str], position: str) -> str:
    parts = (module, *arguments, position, version("quietbench"), _code_mark(module))
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]


def _code_mark(module: str) -> str:
    """Return a mark of the module's source files: a changed analysis must not tell an old result."""
    found = importlib.util.find_spec(module)
    if found is None or not found.submodule_search_locations:
        return ""
    folder = Path(next(iter(found.submodule_search_locations)))
    return str(max((path.stat().st_mtime_ns for path in folder.rglob("*.py")), default=0))


def _folder() -> Path | None:
    folder = kept_in()
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError:
        return None
    return folder if os.access(folder, os.W_OK) else None


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Wait until no other analysis of this user runs: memory is meant for one."""
    with (folder / "analysis.lock").open("ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _keep(path: Path, result: str) -> None:
    half = path.with_suffix(".half")
    half.write_text(result, "utf-8")
    half.chmod(0o600)
    half.replace(path)
    kept = sorted(path.parent.glob("*.out"), key=lambda one: one.stat().st_mtime_ns)
    for old in kept[:-_MOST_KEPT]:
        old.unlink(missing_ok=True)
