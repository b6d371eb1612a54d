"""The exit codes of every command, in one place, and how an error becomes one."""

from __future__ import annotations

import enum
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn

from quietbench.daemon.errors import ConfigurationError, QuietbenchError, SocketError


class Exit(enum.IntEnum):
    """What a command's exit code means."""

    FINE = 0
    RUN = 1  # something went wrong while running
    INPUT = 2  # the configuration or the arguments are wrong
    NO_WATCHER = 3  # no watcher reached: nobody listens, no permission, not its socket, or it went away
    REFUSED = 4  # the watcher understood and will not
    INTERRUPTED = 130  # by Ctrl-C


EXIT_TEXT = (
    "Exit codes: 0 fine; 1 something went wrong while running; 2 the configuration or the arguments are wrong; "
    "3 no watcher reached; 4 the watcher refused; 130 interrupted."
)


def fail(text: str, code: Exit) -> NoReturn:
    """Say what is wrong on stderr and leave."""
    print(f"quietbench: {text}", file=sys.stderr)
    sys.exit(code)


def code_of(problem: QuietbenchError) -> Exit:
    """Return the exit code that fits an error of the project."""
    from quietbench.daemon.socket.errors import RefusedError

    if isinstance(problem, RefusedError):
        return Exit.REFUSED
    if isinstance(problem, SocketError):
        return Exit.NO_WATCHER
    return Exit.INPUT if isinstance(problem, ConfigurationError) else Exit.RUN


@contextmanager
def errors_told() -> Iterator[None]:
    """Turn errors of the project into one line on stderr and an exit code, and a closed pipe into a quiet end."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader has seen enough ("| head"); the interpreter must not try to flush again at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(Exit.FINE)
    except QuietbenchError as problem:
        fail(str(problem), code_of(problem))


@contextmanager
def ended_by_signals() -> Iterator[None]:
    """Turn SIGTERM and SIGHUP into an exit that still puts the terminal back and ends what was started."""

    def leave(number: int, _: FrameType | None) -> NoReturn:
        raise SystemExit(128 + number)

    before = {number: signal.signal(number, leave) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
