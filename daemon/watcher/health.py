"""The watcher's own health as channels: store, clock, outputs, sinks, judged and alarmed like anything else."""

from __future__ import annotations

import threading
from collections.abc import Callable

from quietbench.daemon.watcher.inbox import Fed, Inbox
from quietbench.drivers.api import Reason


class Health:
    """What is wrong with the parts of the watcher; any thread may say so, the main thread tells the core.

    ``channels`` maps a part ("store", "sink-broker") to its channel index in the plan. Several causes may keep one
    part from working.
    """

    def __init__(self, channels: dict[str, int], inbox: Inbox, monotonic_ns: Callable[[], int]) -> None:
        self._channels = channels
        self._inbox = inbox
        self._monotonic_ns = monotonic_ns
        self._wrong: dict[tuple[str, str], tuple[Reason | None, str]] = {}
        self._lock = threading.Lock()

    def reporter(self, part: str, reason: Reason | None, cause: str = "") -> Callable[[str | None], None]:
        """Return what a part calls with a text when it fails, and with None when it works again.

        With a reason its health can't be told; without one it is told to be bad.
        """

        def report(text: str | None) -> None:
            with self._lock:
                if text is None:
                    self._wrong.pop((part, cause), None)
                else:
                    self._wrong[part, cause] = (reason, text)
            self.tell()

        return report

    def tell(self) -> None:
        """Feed one sample of every part: well, or why not. Called at least once a second."""
        now_ns = self._monotonic_ns()
        with self._lock:
            wrong = {part: reason for (part, _), (reason, _) in self._wrong.items()}
        batch: list[Fed] = []
        for part, channel in self._channels.items():
            reason = wrong.get(part)
            batch.append((channel, now_ns, None if reason else int(part not in wrong), reason))
        self._inbox.put_batch(batch)

    def texts(self) -> dict[str, str]:
        """Return what is wrong now, by part, in words."""
        with self._lock:
            parts = {part: "" for part, _ in self._wrong}
            for (part, _), (_, text) in self._wrong.items():
                parts[part] = f"{parts[part]}; {text}".removeprefix("; ")
            return parts


class Stall:
    """Says when a counter that grows while its thread lives has stood still for too long."""

    def __init__(self, progress: Callable[[], int], longest_ns: int, now_ns: int) -> None:
        self._progress = progress
        self._longest_ns = longest_ns
        self._seen = progress()
        self._since_ns = now_ns

    def stands(self, now_ns: int) -> bool:
        """Look at the counter; to be called often."""
        seen = self._progress()
        if seen != self._seen:
            self._seen, self._since_ns = seen, now_ns
        return now_ns - self._since_ns > self._longest_ns
