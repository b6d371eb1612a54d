"""Fixtures of the store's tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from quietbench.daemon.store import book
from tests.store.faulty import Disk
from tests.store.kit import Site


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """An empty folder's path; the folder itself is made by the first writer."""
    site = Site(tmp_path / "store")
    yield site
    site.close()


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    """The disk under every writer of this test."""
    disk = Disk()
    monkeypatch.setattr(book, "open_for_writing", disk.open)
    return disk
