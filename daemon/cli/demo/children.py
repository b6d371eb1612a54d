"""Child processes that are watched, named in errors with their last words, and ended by their own number."""

from __future__ import annotations

import ctypes
import os
import select
import signal
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Self

from quietbench.daemon.errors import QuietbenchError

LAST_LINES = 12
END_S = 8.0
_PR_SET_PDEATHSIG = 1


class ChildError(QuietbenchError):
    """A child process did not start, or ended by itself; the text holds its last lines."""


class Child:
    """One child process; what it writes goes to ``NAME.log`` in ``folder``."""

    def __init__(self, name: str, argv: Sequence[str], folder: Path) -> None:
        self.name = name
        self.log = folder / f"{name}.log"
        self._argv = list(argv)
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self._start(None)
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    @property
    def pid(self) -> int | None:
        """Get the process number, None before it runs."""
        return None if self._process is None else self._process.pid

    def check(self) -> None:
        """Raise `ChildError` if the process has ended by itself."""
        code = None if self._process is None else self._process.poll()
        if code is not None:
            raise ChildError(f"the {self.name} ended by itself with code {code}; {self.last_words()}")

    def last_words(self) -> str:
        """Return the last lines that the process wrote."""
        try:
            lines = self.log.read_text(errors="replace").strip().splitlines()
        except OSError:
            lines = []
        if not lines:
            return "it wrote nothing"
        return f"its last lines ({self.log}):\n  " + "\n  ".join(lines[-LAST_LINES:])

    def end(self) -> None:
        """Ask the process to end, wait, and kill it only when it does not; idempotent."""
        process = self._process
        if process is None:
            return
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(END_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if process.stdout is not None:
            process.stdout.close()

    def _open_log(self) -> IO[bytes]:
        try:
            return self.log.open("wb")
        except OSError as problem:
            raise ChildError(
                f"the {self.name} can't be started: {self.log} can't be written ({problem.strerror}); "
                "use a folder of your own with free space"
            ) from problem

    def wait_until(self, happens: str, is_so: Path, seconds: float) -> None:
        """Wait for a path to appear; raise `ChildError` when the process ends or the time runs out."""
        deadline = time.monotonic() + seconds
        while not is_so.exists():
            self.check()
            if time.monotonic() > deadline:
                raise ChildError(
                    f"the {self.name} did not {happens} within {seconds:g} s; {self.last_words()}"
                )
            time.sleep(0.02)

    def _start(self, stdout: int | None) -> None:
        with self._open_log() as log:
            self._process = subprocess.Popen(  # noqa: S603  our own interpreter and modules
                self._argv,
                stdin=subprocess.DEVNULL,
                stdout=log if stdout is None else stdout,
                stderr=log,
                cwd=self._folder,
                # Ctrl-C is ours to handle: the children end in their order, not all at once.
                start_new_session=True,
                preexec_fn=_end_with_parent,
            )


class SpeakingChild(Child):
    """A child that says one line on standard output once it can be used."""

    def __init__(self, name: str, argv: Sequence[str], folder: Path, *, says: str, within_s: float) -> None:
        super().__init__(name, argv, folder)
        self._says = says
        self._within_s = within_s

    def __enter__(self) -> Self:
        self._start(subprocess.PIPE)
        assert self._process is not None
        assert self._process.stdout is not None
        try:
            self._listen(self._process.stdout)
        except BaseException:
            self.end()
            raise
        return self

    def _listen(self, output: IO[bytes]) -> None:
        deadline, heard = time.monotonic() + self._within_s, b""
        while self._says.encode() not in heard.splitlines():
            ready, _, _ = select.select([output], [], [], max(0.0, deadline - time.monotonic()))
            data = os.read(output.fileno(), 4096) if ready else b""
            if not ready:
                raise ChildError(
                    f"the {self.name} did not say {self._says!r} within {self._within_s:g} s; {self.last_words()}"
                )
            if not data:
                assert self._process is not None
                code = self._process.wait()
                raise ChildError(f"the {self.name} ended with code {code}; {self.last_words()}")
            heard += data


def _end_with_parent() -> None:
    """Let the kernel end this child when its parent is killed: nothing of a demonstration stays behind."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
