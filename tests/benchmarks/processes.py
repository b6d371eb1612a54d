"""Processes of a benchmark, and what the kernel says of them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any, Self

from tests.benchmarks import load
from tests.support.brokers import wait_until

ROOT = Path(__file__).parents[2]
PLUGIN = Path(__file__).parent / "plugin"
_TICKS_PER_S = os.sysconf("SC_CLK_TCK")


class Talker:
    """A Python module of this folder as a process that says "ready", then answers JSON lines."""

    def __init__(self, module: str, *arguments: str) -> None:
        command = [sys.executable, "-m", f"tests.benchmarks.{module}", *arguments]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
        )
        assert self._line() == "ready"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.communicate(timeout=10.0)

    def ask(self, **request: Any) -> Any:
        """Ask and wait for the answer."""
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(request) + "\n")
        self.process.stdin.flush()
        return json.loads(self._line())

    def _line(self) -> str:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, f"{self.process.args!r} ended"
        return line.rstrip("\n")


class WatcherProcess:
    """A watcher over a configuration in ``folder``, in its own process; its log goes beside.

    ``switch_interval_s`` other than None starts it by the launcher of this folder.
    """

    def __init__(self, folder: Path, configuration: str, *, switch_interval_s: float | None = None) -> None:
        self.log = folder / "watcher.log"
        file = folder / "site.toml"
        file.write_text(configuration, encoding="utf-8")
        paths = [str(PLUGIN), str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
        environment = {**os.environ, "PYTHONPATH": ":".join(paths)}
        module = "quietbench.daemon.watcher"
        if switch_interval_s is not None:
            environment["QUIETBENCH_BENCHMARK_SWITCH_INTERVAL_S"] = repr(switch_interval_s)
            module = "tests.benchmarks.watcher_launcher"
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-P", "-m", module, str(file)],
                stdout=log, stderr=log, env=environment, cwd=folder,
            )  # fmt: skip

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(15.0) == 0, self.said()

    def said(self) -> str:
        """Return the end of what it wrote."""
        return self.log.read_text("utf-8")[-3000:]

    def wait_output(self, board: Talker, line: int, level: int, *, within_s: float = 20.0) -> int:
        """Wait until an output stands at a level; return the time of its change in ns."""
        changed_ns = 0

        def stands() -> bool:
            nonlocal changed_ns
            assert self.process.poll() is None, f"the watcher ended: {self.said()}"
            output = board.ask(do="output", line=line)
            changed_ns = output["changed_ns"] if output else 0
            return bool(output) and output["level"] == level

        wait_until(stands, f"line {line} at {level}; the watcher said: {self.said()}", within_s=within_s)
        return changed_ns


def wait_held(watcher: WatcherProcess, board: Talker) -> None:
    """Wait until the bench whose edges are timed is held: its green lamp is lit."""
    watcher.wait_output(board, load.LAMP_LINES[2], 1)


def resident_mb(pid: int) -> float:
    """Return the resident memory of a process now, in MB (10**6 bytes would flatter: 2**20)."""
    status = Path(f"/proc/{pid}/status").read_text()
    line = next(line for line in status.splitlines() if line.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024


def cpu_s(pid: int) -> float:
    """Return the processor time of a process so far, user and system, all threads, in seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS_PER_S
