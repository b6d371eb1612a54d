"""Brings the watcher's records to the store, also when the store can't be opened yet.

A disk that is full or away at the start must not keep a bench from being watched: the core runs, its records wait
in the writer's bounded memory, and opening is tried again until it works.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from quietbench.daemon.store.errors import StoreError, StoreRefusedError
from quietbench.daemon.store.writer import RunStart, StoreWriter

log = logging.getLogger(__name__)

RETRY_S = 5.0


class Recorder:
    """Owns the opening of the store; ``run`` is 0 until it is open.

    ``opened`` is called once with the run's number, in the thread that opened the store.
    """

    def __init__(
        self,
        writer: StoreWriter,
        start: RunStart,
        *,
        failing: Callable[[str | None], None],
        opened: Callable[[int], None],
    ) -> None:
        self.run = 0
        self._writer = writer
        self._start = start
        self._failing = failing
        self._opened = opened
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._keep_trying, name="store opening", daemon=True)

    def open(self) -> None:
        """Open the store now, or keep trying in a thread of its own.

        Raises:
            StoreRefusedError: the store is not for us (another watcher's, another program's): a person has to act.
        """
        if not self._try():
            self._thread.start()

    def stop(self, deadline_s: float) -> bool:
        """Write what waits and close; return whether everything is on disk."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(1.0)
        return self._writer.stop(deadline_s) and self.run > 0

    def _try(self) -> bool:
        try:
            run = self._writer.start(self._start)
        except StoreRefusedError:
            raise
        except StoreError as error:
            log.error("%s; the bench is watched all the same, records wait in memory", error)
            self._failing(str(error))
            return False
        self.run = run
        self._failing(None)
        self._opened(run)
        return True

    def _keep_trying(self) -> None:
        while not self._stop.wait(RETRY_S):
            try:
                if self._try():
                    return
            except StoreRefusedError as error:
                log.error("%s; records wait in memory", error)
                self._failing(str(error))
