"""A watcher that is not one: it listens on a real Unix socket and says what a test tells it to."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

GREETING = {"quietbench": 1, "watcher": "room-2", "site": "Rework room two", "run": 12, "software": "0.1.0"}
STRAP_PATH = ("skin", "band", "cord", "jack", "common_point")
MAT_PATH = ("mat", "mat_lead", "common_point")


def path_of(
    bench: str, stretches: tuple[str, ...], opened: tuple[str, ...] = (), state: str = "open"
) -> list[Any]:
    return [
        {"stretch": f"{bench}/{name}", "state": state if name in opened else "good"} for name in stretches
    ]


def bench_line(bench: str = "bench-1", **changes: Any) -> dict[str, Any]:
    return {
        "bench": bench,
        "title": "Fine pitch",
        "state": "held",
        "rhythm": "silent",
        "lamp": "green",
        "flashing": False,
        "relay": True,
        "leading": None,
        "sentence": "All watched paths held.",
        "cause": [],
        "grouped": [],
        "live": False,
        "live_until": None,
        "ready": "",
        "silenced": False,
        "paths": [path_of(bench, STRAP_PATH), path_of(bench, MAT_PATH)],
        **changes,
    }


def open_bench(bench: str = "bench-1") -> dict[str, Any]:
    return bench_line(
        bench,
        state="open",
        rhythm="high",
        lamp="red",
        flashing=True,
        relay=False,
        leading=f"{bench}/strap:closed",
        sentence="Strap path open: take your hands off the board. Check band, cord and jack.",
        paths=[path_of(bench, STRAP_PATH, ("skin", "band", "cord", "jack")), path_of(bench, MAT_PATH)],
    )


def reading_line(
    channel: str, quantity: str, unit: str, value: float | None, **changes: Any
) -> dict[str, Any]:
    return {
        "id": [12, 7],
        "channel": channel,
        "quantity": quantity,
        "unit": unit,
        "time": "2031-03-02T08:00:00.123456Z",
        "monotonic_ns": 5_000_000_000,
        "raw": value,
        "value": value,
        "u": 0.0,
        "sense": "=",
        "quality": "good",
        "reason": None,
        **changes,
    }


def event_line(kind: str, subject: str, **body: Any) -> dict[str, Any]:
    return {
        "id": [12, 8],
        "kind": kind,
        "subject": subject,
        "time": "2031-03-02T08:00:01.000000Z",
        "monotonic_ns": 6_000_000_000,
        "body": body,
    }


def alarm_line(alarm: str = "bench-1/strap:closed", **changes: Any) -> dict[str, Any]:
    return {
        "alarm": alarm,
        "state": "unacknowledged",
        "priority": "high",
        "sentence": "Strap path open: take your hands off the board. Check band, cord and jack.",
        "since": "2031-03-02T08:00:01.000000Z",
        "until": None,
        **changes,
    }


def strap_alarm(after: str = "unacknowledged") -> dict[str, Any]:
    return event_line(
        "alarm",
        "bench-1/strap:closed",
        alarm="bench-1/strap:closed",
        priority="high",
        to=after,
        sentence={"key": "open.strap_contact", "args": {"what": "strap_contact"}},
        **{"from": "normal"},
    )


def two_benches() -> dict[str, Any]:
    readings = [
        reading_line("room-2/humidity", "relative_humidity", "1", 0.312, u=0.01),
        reading_line("room-2/temperature", "air_temperature", "K", 294.35, u=0.3),
        reading_line("watcher/store", "watcher_health", "1", 1.0),
    ]
    for bench in ("bench-1", "bench-2"):
        readings += [
            reading_line(f"{bench}/strap", "strap_contact", "1", 1.0),
            reading_line(f"{bench}/mat", "mat_resistance", "ohm", 2.2414e7, u=3.1e5),
            reading_line(f"{bench}/bond", "earth_bond", "1", 1.0),
            reading_line(f"{bench}/presence", "presence", "1", 1.0),
        ]
    benches = [bench_line("bench-1"), bench_line("bench-2", title="Hand soldering")]
    return {"benches": benches, "readings": readings, "alarms": []}


class FakeWatcher:
    """Listens at ``path``; answers "follow" with ``snapshot`` and "status" with ``status``; keeps requests."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.greeting: bytes = json.dumps(GREETING).encode() + b"\n"
        self.snapshot = two_benches()
        self.answers: dict[str, Callable[[dict[str, Any]], dict[str, Any] | None]] = {
            "follow": lambda _: {"ok": self.snapshot},
            "status": lambda _: {"ok": {"followers": 1, "store": {"failing": None}}},
        }
        self.requests: list[dict[str, Any]] = []
        self.followers: list[socket.socket] = []
        self._open: list[socket.socket] = []
        self._changed = threading.Condition()
        self._listener: socket.socket | None = None

    def start(self) -> None:
        self.path.unlink(missing_ok=True)
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(os.fspath(self.path))
        self._listener.listen()
        threading.Thread(target=self._accept, args=(self._listener,), daemon=True).start()

    def stop(self) -> None:
        if self._listener is not None:
            self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()
            self._listener = None
        self.path.unlink(missing_ok=True)
        self.drop()

    def drop(self) -> None:
        for connection in self._open:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
            connection.close()
        self._open.clear()
        self.followers.clear()

    def wait_follower(self, number: int = 1) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.followers) >= number, 5.0), "nobody follows"

    def say(self, *lines: dict[str, Any] | bytes) -> None:
        for line in lines:
            data = line if isinstance(line, bytes) else json.dumps(line).encode() + b"\n"
            for follower in list(self.followers):
                follower.sendall(data)

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            self._open.append(connection)
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError, ValueError):
            connection.sendall(self.greeting)
            with connection.makefile("rb") as lines:
                for line in lines:
                    self._answer(connection, json.loads(line))

    def _answer(self, connection: socket.socket, request: dict[str, Any]) -> None:
        self.requests.append(request)
        known = self.answers.get(request["do"])
        answer = known(request) if known else {"error": {"what": "no such request", "got": request["do"]}}
        if answer is None:
            return
        connection.sendall(json.dumps({"id": request["id"], **answer}).encode() + b"\n")
        if request["do"] == "follow":
            with self._changed:
                self.followers.append(connection)
                self._changed.notify_all()


@pytest.fixture
def make() -> Any:
    """The lines a watcher says, for tests that parse or draw them."""
    return SimpleNamespace(
        GREETING=GREETING,
        bench_line=bench_line,
        open_bench=open_bench,
        reading_line=reading_line,
        event_line=event_line,
        alarm_line=alarm_line,
        strap_alarm=strap_alarm,
        two_benches=two_benches,
        path_of=path_of,
        STRAP_PATH=STRAP_PATH,
        MAT_PATH=MAT_PATH,
    )


@pytest.fixture
def watcher(tmp_path: Path) -> Iterator[FakeWatcher]:
    """A fake watcher that listens."""
    fake = FakeWatcher(tmp_path / "w.sock")
    fake.start()
    yield fake
    fake.stop()


class Command:
    """``quietbench`` as a process of its own, as a person runs it."""

    def __init__(self) -> None:
        self.started: list[subprocess.Popen[str]] = []

    def __call__(self, *args: object, **env: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.argv(*args), capture_output=True, text=True, timeout=30, env=self.env(**env), check=False
        )

    def start(self, *args: object, **env: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            self.argv(*args), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=self.env(**env)
        )
        self.started.append(process)
        return process

    def argv(self, *args: object) -> list[str]:
        return [sys.executable, "-P", "-m", "quietbench.daemon.cli", *map(str, args)]

    def env(self, **changes: str) -> dict[str, str]:
        return {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "TERM": "xterm", **changes}

    def close(self) -> None:
        for process in self.started:
            if process.poll() is None:
                process.kill()
            process.communicate()


@pytest.fixture
def command() -> Iterator[Command]:
    """Run the command line in a process of its own; what is left running is ended."""
    run = Command()
    yield run
    run.close()
