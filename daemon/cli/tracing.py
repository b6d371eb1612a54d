"""The commands ``trace`` and ``repair``. The analysis runs in a child process; nothing heavy is loaded here."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from quietbench.daemon.cli.periods import SECOND_NS, parse_moment
from quietbench.daemon.errors import StoreError
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.store.read import StoreReader

MEMORY_MB = 400
SECONDS = 120
_KEPT = 20  # results kept in the cache


class AnalysisError(StoreError):
    """The child process gave no result; the text is what it said."""


def repair(path: str, subject: str, what: str, who: Mapping[str, str]) -> str:
    """Put a repair on record; return what to say. Raises `SocketError`."""
    with SocketClient(path) as client:
        client.request("repair", subject=subject, what=what, **who)
    told = f"`quietbench trace --repair {subject}` says whether it helped"
    return f"{subject}: {what}, recorded for {who['person']}; {told}"


def question(
    folders: Sequence[Path], *, bench: str | None, since: str | None, repair: str | None
) -> dict[str, Any]:
    """Return what the child is asked.

    Raises:
        ConfigurationError: ``since`` is no moment.
        StoreError: the first store can't be read.
    """
    return {
        "folders": [str(folder.resolve()) for folder in folders],
        "bench": bench,
        "since_s": None if since is None else _since_s(folders[0], since),
        "repair": repair,
        "offset_s": float(time.localtime().tm_gmtoff),
        "memory_mb": MEMORY_MB,
        "seconds": SECONDS,
    }


def _since_s(folder: Path, since: str) -> float:
    with StoreReader(folder) as reader:
        last = reader.last_n()
        newest = [record.wall_ns for record in reader.readings_after(max(last - 100, 0), 100)]
        newest += [record.wall_ns for record in reader.events_after(max(last - 100, 0), 100)]
    return parse_moment(since, max(newest, default=time.time_ns())) / SECOND_NS


def analyse(asked: Mapping[str, Any]) -> dict[str, Any]:
    """Return the analysis: from the cache while the stores stand where they stood, else from a child process.

    One analysis runs at a time for a user; a second one waits for the first.

    Raises:
        StoreError: a store can't be read, or the analysis failed.
    """
    positions = [_position(Path(folder)) for folder in asked["folders"]]
    folder = cache_folder()
    kept = folder / f"{_key(asked, positions)}.json"
    with _alone(folder):
        if kept.is_file():
            return dict(json.loads(kept.read_text("utf-8")))
        text = _run(asked)
        answer = json.loads(text)
        _keep(kept, text)
    return dict(answer)


def cache_folder() -> Path:
    """Return where results are kept: the user's own cache."""
    base = os.environ.get("CACHE_DIRECTORY") or os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "quietbench" / "trace"


def _position(folder: Path) -> int:
    with StoreReader(folder) as reader:
        return reader.last_n()


def _key(asked: Mapping[str, Any], positions: Sequence[int]) -> str:
    from importlib.metadata import version

    whole = json.dumps([version("quietbench"), _code_time(), dict(asked), list(positions)], sort_keys=True)
    return hashlib.sha256(whole.encode()).hexdigest()[:32]


def _code_time() -> int:
    """Return when the analysis was last changed: a developer's cache must not outlive the code."""
    folder = Path(__file__).parents[1] / "tracing"
    return max(file.stat().st_mtime_ns for file in folder.glob("*.py"))


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        with (folder / "lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield
    except PermissionError as error:
        raise StoreError(
            f"{folder}: {error.strerror}; set XDG_CACHE_HOME to a folder you can write to"
        ) from error


def _run(asked: Mapping[str, Any]) -> str:
    # One thread of linear algebra: each more costs memory, and the watcher shares the machine.
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-P", "-m", "quietbench.daemon.tracing"]
    try:
        done = subprocess.run(  # noqa: S603  our own interpreter, our own module
            command,
            input=json.dumps(asked),
            capture_output=True,
            text=True,
            env=environment,
            timeout=2 * SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise AnalysisError(
            f"the analysis took longer than {2 * SECONDS} s; ask with --since for less"
        ) from None
    if done.returncode != 0:
        raise AnalysisError(_said(done.stderr, done.returncode))
    return done.stdout


def _said(text: str, code: int) -> str:
    lines = text.strip().splitlines()
    if code < 0:
        return f"the analysis was ended by signal {-code}: it took more than {SECONDS} s; ask with --since for less"
    return lines[-1] if lines else f"the analysis ended with code {code} and said nothing"


def _keep(kept: Path, text: str) -> None:
    """Write a result whole or not at all, and forget the oldest ones."""
    fresh = kept.with_suffix(f".{os.getpid()}")
    fresh.write_text(text, encoding="utf-8")
    fresh.replace(kept)
    for old in sorted(kept.parent.glob("*.json"), key=lambda file: file.stat().st_mtime)[:-_KEPT]:
        old.unlink(missing_ok=True)


def show(answer: Mapping[str, Any], *, as_json: bool, sheet: Path | None) -> None:
    """Print an analysis; ``sheet`` also writes the work sheet (HTML for .html, else text).

    Raises:
        StoreError: the sheet can't be written.
    """
    # These modules of the tracing load no numpy: they only put words and lines together.
    from quietbench.daemon.tracing.text import lines

    if sheet is not None:
        _write_sheet(answer, sheet)
    if as_json:
        print(json.dumps(answer, ensure_ascii=False, indent=2))
    else:
        print("\n".join(lines(answer)))


def _write_sheet(answer: Mapping[str, Any], sheet: Path) -> None:
    from quietbench.daemon.tracing import worksheet

    whole = worksheet.html(answer) if sheet.suffix.lower() in (".html", ".htm") else worksheet.text(answer)
    try:
        sheet.write_text(whole, encoding="utf-8")
    except OSError as error:
        raise StoreError(f"{sheet}: the work sheet can't be written: {error.strerror}") from error
