"""The watcher's own health as channels: the store and each sink, judged and alarmed like anything else."""

from __future__ import annotations

import threading
from collections.abc import Callable

from quietbench.daemon.watcher.inbox import Fed, Inbox
from quietbench.drivers.api import Reason


class Health:
    """What is wrong with the parts of the watcher; any thread may say so, the main thread tells the core.

    ``channels`` maps a part ("store", "sink-broker") to its channel index in the plan.
    """

    def __init__(self, channels: dict[str, int], inbox: Inbox, monotonic_ns: Callable[[], int]) -> None:
        self._channels = channels
        self._inbox = inbox
        self._monotonic_ns = monotonic_ns
        self._wrong: dict[str, tuple[Reason, str]] = {}
        self._lock = threading.Lock()

    def reporter(self, part: str, reason: Reason) -> Callable[[str | None], None]:
        """Return what a part calls with a text when it fails, and with None when it works again."""

        def report(text: str | None) -> None:
            with self._lock:
                if text is None:
                    self._wrong.pop(part, None)
                else:
                    self._wrong[part] = (reason, text)
            self.tell()

        return report

    def tell(self) -> None:
        """Feed one sample of every part: well, or why not. Called at least once a second."""
        now_ns = self._monotonic_ns()
        with self._lock:
            wrong = dict(self._wrong)
        batch: list[Fed] = []
        for part, channel in self._channels.items():
            reason = wrong[part][0] if part in wrong else None
            batch.append((channel, now_ns, None if reason else 1, reason))
        self._inbox.put_batch(batch)

    def texts(self) -> dict[str, str]:
        """Return what is wrong now, by part, in words."""
        with self._lock:
            return {part: text for part, (_, text) in self._wrong.items()}
