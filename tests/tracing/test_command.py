"""The command line of the tracing: a child process, a cache by the store's position, errors in words."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from quietbench.daemon.cli.tracing import analyse, cache_folder, question
from quietbench.daemon.errors import StoreError
from quietbench.daemon.tracing import __main__ as child
from tests.tracing.records import HOUR_S, Record


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.delenv("CACHE_DIRECTORY", raising=False)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    times = np.random.default_rng(1).uniform(0, 40 * HOUR_S, 12)
    openings = [(c, float(at), 0.2) for at in times for c in ("bench-1/mat", "bench-2/mat")]
    Record(40, openings=openings).write(tmp_path / "store")
    return tmp_path / "store"


def run(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "quietbench.daemon.cli", "trace", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.slow
def test_the_command_prints_suspects_and_writes_the_sheet(store: Path, tmp_path: Path) -> None:
    """Text for people, a sheet to print."""
    done = run("--store", str(store), "--sheet", str(tmp_path / "sheet.html"))
    assert done.returncode == 0, done.stderr
    assert "site/stud" in done.stdout
    assert (tmp_path / "sheet.html").read_text("utf-8").startswith("<!doctype html>")


@pytest.mark.slow
def test_json_is_json(store: Path) -> None:
    """For programs."""
    done = run("--store", str(store), "--json", "--bench", "bench-1")
    assert json.loads(done.stdout)["quietbench_trace"] == 1


@pytest.mark.slow
def test_a_wrong_bench_is_one_line_and_no_traceback(store: Path) -> None:
    """Said by the child, told by the command."""
    done = run("--store", str(store), "--bench", "bench-9")
    assert done.returncode == 1
    assert "wanted one of bench-1, bench-2" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_store_that_is_not_there_is_said(tmp_path: Path) -> None:
    """Before any child is started."""
    asked = question([tmp_path / "nowhere"], bench=None, since=None, repair=None)
    with pytest.raises(StoreError):
        analyse(asked)


@pytest.mark.slow
def test_the_result_is_kept_while_the_store_stands_still(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second time no process is started; another question is another result."""
    asked = question([store], bench=None, since=None, repair=None)
    first = analyse(asked)
    assert len(list(cache_folder().glob("*.json"))) == 1

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a process was started")

    monkeypatch.setattr(subprocess, "run", refuse)
    assert analyse(asked) == first
    with pytest.raises(AssertionError, match="process was started"):
        analyse({**asked, "bench": "bench-1"})


def test_too_little_memory_is_said_in_words(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The kernel refuses; the command says what to do."""

    def refused(_: object) -> dict[str, object]:
        raise MemoryError

    monkeypatch.setattr(child, "_answer", refused)
    monkeypatch.setattr(child, "_limit", lambda *_: None)
    monkeypatch.setattr(sys, "stdin", io.StringIO('{"memory_mb": 400}'))
    assert child.main() == 1
    assert "400 MB; ask with --since for less" in capsys.readouterr().err


@pytest.mark.slow
def test_a_child_that_is_ended_is_said_in_words(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the kernel, for its time."""
    ended = subprocess.CompletedProcess[str]([], -24, "", "")
    monkeypatch.setattr(subprocess, "run", lambda *_, **__: ended)
    with pytest.raises(StoreError, match="ended by signal 24"):
        analyse(question([store], bench=None, since=None, repair=None))


@pytest.mark.slow
def test_since_leaves_out_what_is_older(store: Path) -> None:
    """The last ten hours of forty."""
    asked = question([store], bench=None, since="10h", repair=None)
    assert analyse(asked)["observed_hours"] == pytest.approx(10, abs=0.6)
