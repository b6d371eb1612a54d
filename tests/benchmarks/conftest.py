"""What the benchmarks share. Their files are called ``bench_*.py``, so that the tests pass them by."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the short form."""
    parser.addoption(
        "--short", action="store_true", help="benchmarks: a tenth of the edges, half a minute of load"
    )


@pytest.fixture
def short(request: pytest.FixtureRequest) -> bool:
    """Whether the short form is wanted."""
    return bool(request.config.getoption("--short"))


@pytest.fixture
def folder() -> Iterator[Path]:
    """A short-named folder for one site: a Unix socket's path has 107 bytes at most."""
    path = Path(tempfile.mkdtemp(prefix="qb-"))
    yield path
    shutil.rmtree(path, ignore_errors=True)
