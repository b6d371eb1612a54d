"""The configuration compiled in a process of its own, which ends with it.

Models, checks and limit profiles of the configuration hold some 3 MB that a process which runs for years has no
further use for. So a child compiles, and plan and setup come back through a pipe, while this process loads
what it will run.
"""

from __future__ import annotations

import os
import pickle
import sys
import traceback
from pathlib import Path
from typing import NoReturn

from quietbench.daemon.core.plan import Plan
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.setup import WatcherSetup

__all__ = ["load_apart"]


def load_apart(path: Path) -> tuple[Plan, WatcherSetup]:
    """Read and compile a configuration in a child process; only before any thread is started.

    Raises:
        ConfigurationError: it has errors, or the child ended without an answer (its log says why).
    """
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        _compile_into(writer, path)
    os.close(writer)
    _load_what_runs()
    with os.fdopen(reader, "rb") as pipe:
        answer = pipe.read()
    os.waitpid(child, 0)
    if not answer:
        raise ConfigurationError(f"{path}: the process that compiles it ended without an answer; see the log")
    # Not from outside: our own child wrote it.
    plan_and_setup: tuple[Plan, WatcherSetup] | str = pickle.loads(answer)  # noqa: S301
    if isinstance(plan_and_setup, str):
        raise ConfigurationError(plan_and_setup)
    return plan_and_setup


def _load_what_runs() -> None:
    """Import the watcher's parts while the child is busy: on two cores it costs no time."""
    import quietbench.daemon.watcher.runtime  # noqa: F401


def _compile_into(writer: int, path: Path) -> NoReturn:
    """Compile in the child and end it, without running what the parent has registered for its own end."""
    code = 0
    try:
        with os.fdopen(writer, "wb") as pipe:
            pipe.write(pickle.dumps(_compiled(path), pickle.HIGHEST_PROTOCOL))
    except BaseException:  # noqa: BLE001  the end of a process: nothing may escape into the parent's code
        traceback.print_exc()
        code = 1
    sys.stderr.flush()
    os._exit(code)


def _compiled(path: Path) -> tuple[Plan, WatcherSetup] | str:
    from quietbench.daemon.settings.compile import load_setup

    try:
        return load_setup(path)
    except ConfigurationError as error:
        return str(error)
