"""Short folders (a Unix socket's path has 107 bytes at most) and everything marked slow."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def folder() -> Iterator[Path]:
    """A short-named folder for one site."""
    path = Path(tempfile.mkdtemp(prefix="qb-"))
    yield path
    shutil.rmtree(path, ignore_errors=True)
