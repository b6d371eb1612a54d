"""Run one watcher in this process: ``python -m quietbench.daemon.watcher FILE``.

The command line replaces itself by this, so that its libraries do not sit in the memory of a process that runs for
years.
"""

from __future__ import annotations

import gc
import importlib.metadata
import logging
import signal
import sys
import threading
from pathlib import Path

EXIT_RUN = 1
EXIT_CONFIGURATION = 2


def main(arguments: list[str]) -> int:
    """Watch until SIGTERM or SIGINT; return the exit code."""
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    from quietbench.daemon.errors import ConfigurationError, QuietbenchError
    from quietbench.daemon.watcher.compiling import load_apart

    if len(arguments) != 1:
        sys.stderr.write("usage: python -m quietbench.daemon.watcher FILE\n")
        return EXIT_CONFIGURATION
    try:
        plan, setup = load_apart(Path(arguments[0]))
    except ConfigurationError as error:
        sys.stderr.write(f"{error}\n")
        return EXIT_CONFIGURATION

    from quietbench.daemon.watcher.runtime import Watcher

    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: stop.set())
    watcher = Watcher(plan, setup, importlib.metadata.version("quietbench"))
    try:
        watcher.start()
    except QuietbenchError as error:
        sys.stderr.write(f"{error}\n")
        return EXIT_RUN
    _settle_memory()
    watcher.run(stop)
    watcher.stop()
    return 0


def _settle_memory() -> None:
    """Take what stands by now out of the garbage collector's rounds.

    A full round over modules and plan holds the interpreter for 20 to 45 ms, in which no edge is heard.
    """
    gc.collect()
    gc.freeze()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
