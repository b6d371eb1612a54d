"""Following a watcher that hangs, without waiting for real."""

from __future__ import annotations

import threading
from typing import Any

import pytest

from quietbench.daemon.cli import following as module
from quietbench.daemon.cli.following import Connected, Following, Gone
from quietbench.daemon.socket.errors import LostError, NobodyListensError, RefusedError
from quietbench.daemon.socket.lines import Snapshot

Fake = Any  # FakeWatcher of conftest


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make silence count soon, and waiting short."""
    monkeypatch.setattr(module, "HANGS_AFTER_S", 0.03)
    monkeypatch.setattr(module, "RETRY_DELAYS_S", (0.01,))


def lines(path: Any, give_up_s: float | None = None) -> Any:
    following = Following(str(path), give_up_s, timeout_s=0.2)
    return following.lines(lambda client: client.follow(quiet_s=0.01), threading.Event())


@pytest.mark.usefixtures("quick")
def test_a_watcher_that_hangs_is_gone(watcher: Fake) -> None:
    """Its socket stands open, and nobody answers: that is no green light."""
    found = lines(watcher.path)
    assert isinstance(next(found), Connected)
    assert isinstance(next(found), Snapshot)
    watcher.answers["status"] = lambda _: None
    gone = next(found)
    assert isinstance(gone, Gone)
    assert "hangs" in gone.text
    found.close()


@pytest.mark.usefixtures("quick")
def test_a_watcher_with_slow_sensors_is_not_gone(watcher: Fake, make: Any) -> None:
    """It is asked, answers, and following goes on."""
    found = lines(watcher.path)
    next(found)
    next(found)
    asked = threading.Event()

    def answer(_: Any) -> dict[str, Any]:
        asked.set()
        return {"ok": {}}

    watcher.answers["status"] = answer
    speaker = threading.Thread(target=lambda: (asked.wait(5), watcher.say({"bench": make.open_bench()})))
    speaker.start()
    assert next(found).state == "open"
    speaker.join()
    found.close()


def test_the_first_connection_must_succeed(watcher: Fake) -> None:
    """A wrong path is told at once, not waited for."""
    watcher.stop()
    with pytest.raises(NobodyListensError):
        next(lines(watcher.path))


@pytest.mark.usefixtures("quick")
def test_giving_up_says_for_how_long_it_was_tried(watcher: Fake) -> None:
    """For scripts with better things to do."""
    found = lines(watcher.path, give_up_s=0.05)
    next(found)
    next(found)
    watcher.stop()
    with pytest.raises(LostError, match="tried again for"):
        list(found)


def test_a_watcher_that_will_not_be_followed_is_not_asked_again(watcher: Fake) -> None:
    """A refusal is an answer."""
    watcher.answers["follow"] = lambda _: {"error": {"what": "too many followers"}}
    with pytest.raises(RefusedError, match="too many followers"):
        list(lines(watcher.path))
    assert [request["do"] for request in watcher.requests] == ["follow"]
