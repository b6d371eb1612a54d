"""What all tests share: the clock, and the rule that no test leaves a thread behind."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

import pytest


@pytest.fixture
def monotonic_ns() -> Callable[[], int]:
    """The machine's own monotonic clock."""
    return time.monotonic_ns


@pytest.fixture(autouse=True)
def no_threads_left() -> Iterator[None]:
    """A test that leaves a thread running fails: it would disturb the next one."""
    before = set(threading.enumerate())
    yield
    deadline = time.monotonic() + 2.0
    while time.monotonic() < deadline:
        left = [t for t in threading.enumerate() if t not in before and t.is_alive()]
        if not left:
            return
        time.sleep(0.01)
    assert not left, f"threads left running: {[t.name for t in left]}"
