"""``quietbench ready`` against a watcher that says what a test tells it to."""

from __future__ import annotations

import json
import os
import pty
import select
import socket
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from quietbench.daemon.cli.exits import Exit
from quietbench.daemon.cli.walking import said
from quietbench.daemon.socket.errors import ProtocolError
from quietbench.daemon.socket.ready_lines import ReadyLine

Run = Any  # Command of conftest
Fake = Any  # FakeWatcher of conftest

slow = pytest.mark.slow
HEARD = "Do you hear the buzzer over the fume extractor?"


def part(step: str, **more: Any) -> dict[str, Any]:
    return {"ready": {"bench": "bench-1", "step": step, **more}}


def end(result: str) -> dict[str, Any]:
    return part("end", result=result, detail={"steps": []}, event={})


class Script:
    """What the fake watcher says: lines at the beginning, and after each answer."""

    def __init__(self, watcher: Fake, *turns: Sequence[dict[str, Any]]) -> None:
        self._watcher = watcher
        self._turns = list(turns)
        watcher.answers["ready-check"] = self._say
        watcher.answers["ready-answer"] = self._say

    def _say(self, request: dict[str, Any]) -> None:
        lines = [{"id": request["id"], "ok": {"bench": "bench-1"}}, *self._turns.pop(0)]
        self.push(*lines)

    def push(self, *lines: dict[str, Any]) -> None:
        connection: socket.socket = self._watcher._open[-1]
        for line in lines:
            connection.sendall(json.dumps(line).encode() + b"\n")

    @property
    def answers(self) -> list[str]:
        return [r["answer"] for r in self._watcher.requests if r["do"] == "ready-answer"]


def test_a_line_is_read_with_care() -> None:
    """A wrong type is an error of the protocol, and no text steers the terminal."""
    assert ReadyLine.parse(part("buzzer", ask="\x1b[2J?")["ready"]).text == "\ufffd[2J?"
    for wrong in (None, {}, {"bench": "b", "step": 1, "say": "x"}, {"bench": "b", "step": "s", "say": 1}):
        with pytest.raises(ProtocolError):
            ReadyLine.parse(wrong)
    with pytest.raises(ProtocolError, match="numbers"):
        ReadyLine.parse({"bench": "b", "step": "s", "result": "passed", "numbers": 1})


def test_a_result_shows_its_figure_with_its_uncertainty() -> None:
    """And why, where there is something to say."""
    numbers = {"quantity": "mat_resistance", "unit": "ohm", "value": 2.241e7, "u": 3e5, "sense": "="}
    line = ReadyLine.parse(part("bench-1/mat", result="failed", why="beyond", numbers=numbers)["ready"])
    assert said(line) == "  bench-1/mat: failed, 22.41 ± 0.30 Mohm, beyond"
    assert said(ReadyLine.parse(part("lamp", result="noted", numbers={})["ready"])) == "  lamp: noted"


@slow
@pytest.mark.parametrize(("result", "code"), [("passed", Exit.FINE), ("failed", Exit.RUN)])
def test_a_script_gives_its_answers_beforehand(command: Run, watcher: Fake, result: str, code: Exit) -> None:
    """The result is the exit code; who, role and why go with the request."""
    script = Script(
        watcher,
        [part("lamp red", ask="Red?")],
        [part("lamp red", result="passed"), part("buzzer", ask=HEARD)],
        [part("buzzer", result="passed"), end(result)],
    )
    done = command(
        "ready", "bench-1", "--role", "operator", "--heard", "no", "--seen", "yes", "--socket", watcher.path
    )

    assert (done.returncode, done.stderr) == (code, "")
    assert script.answers == ["yes", "no"]
    assert HEARD in done.stdout
    assert done.stdout.splitlines()[-1] == f"bench-1: check before work {result}"
    asked = watcher.requests[0]
    assert (asked["bench"], asked["role"], asked["why"]) == ("bench-1", "operator", "start of shift")


@slow
@pytest.mark.parametrize(
    "given", [(), ("--heard", "yes"), ("--seen", "yes"), ("--heard", "perhaps", "--seen", "yes")]
)
def test_without_a_terminal_nobody_is_taken_to_have_heard(
    command: Run, watcher: Fake, given: tuple[str, ...]
) -> None:
    """No silent yes: the watcher is not even asked."""
    done = subprocess.run(
        command.argv("ready", "bench-1", "--role", "r", *given, "--socket", watcher.path),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env=command.env(),
        timeout=30,
        check=False,
    )
    assert done.returncode == Exit.INPUT
    assert "yes or no" in done.stderr
    assert watcher.requests == []


@slow
def test_json_gives_the_lines_as_they_are(command: Run, watcher: Fake) -> None:
    """For programs."""
    Script(watcher, [part("begin", say="Hello."), end("passed")])
    done = command(
        "ready",
        "bench-1",
        "--role",
        "r",
        "--heard",
        "yes",
        "--seen",
        "yes",
        "--json",
        "--socket",
        watcher.path,
    )
    assert [json.loads(line) for line in done.stdout.splitlines()] == [
        part("begin", say="Hello."),
        end("passed"),
    ]


@slow
def test_a_refusal_leaves_with_four(command: Run, watcher: Fake) -> None:
    """In the watcher's words."""
    error = {"what": "no check while a path alarm stands", "got": "bench-1/strap:closed"}
    watcher.answers["ready-check"] = lambda _: {"error": error}
    done = command(
        "ready", "bench-1", "--role", "r", "--heard", "yes", "--seen", "yes", "--socket", watcher.path
    )
    assert done.returncode == Exit.REFUSED
    assert "bench-1/strap:closed" in done.stderr


@slow
def test_without_a_watcher_it_leaves_with_three(command: Run, tmp_path: Path) -> None:
    """As every command does."""
    done = command(
        "ready", "b", "--role", "r", "--heard", "yes", "--seen", "yes", "--socket", tmp_path / "no.sock"
    )
    assert done.returncode == Exit.NO_WATCHER


@slow
def test_a_watcher_that_goes_away_is_no_result(command: Run, watcher: Fake) -> None:
    """Neither passed nor failed: the watcher is lost."""
    watcher.answers["ready-check"] = lambda _: watcher.drop()
    done = command("ready", "b", "--role", "r", "--heard", "yes", "--seen", "yes", "--socket", watcher.path)
    assert done.returncode == Exit.NO_WATCHER


class Terminal:
    """The command at a terminal of its own."""

    def __init__(self, command: Run, *args: object) -> None:
        self._master, slave = pty.openpty()
        self.process = subprocess.Popen(
            command.argv(*args), stdin=slave, stdout=slave, stderr=slave, env=command.env()
        )
        os.close(slave)
        command.started.append(self.process)
        self.shown = ""

    def see(self, text: str) -> None:
        end_s = time.monotonic() + 20
        while text not in self.shown:
            assert time.monotonic() < end_s, self.shown
            if select.select([self._master], [], [], 0.1)[0]:
                try:
                    self.shown += os.read(self._master, 4096).decode()
                except OSError:
                    break
        assert text in self.shown, self.shown

    def type(self, text: str) -> None:
        os.write(self._master, text.encode())

    def leave(self) -> int:
        code = self.process.wait(20)
        os.close(self._master)
        return code


@slow
def test_at_a_terminal_a_person_is_asked(command: Run, watcher: Fake) -> None:
    """What is neither yes nor no is asked again; keys from before the question don't count."""
    script = Script(watcher, [part("buzzer", ask=HEARD)], [part("buzzer", result="passed"), end("passed")])
    terminal = Terminal(command, "ready", "bench-1", "--role", "r", "--socket", watcher.path)
    terminal.see("[yes/no]")
    terminal.type("what?\n")
    terminal.see("yes or no?")
    assert script.answers == []
    terminal.type("y\n")
    terminal.see("check before work passed")

    assert terminal.leave() == Exit.FINE
    assert script.answers == ["yes"]


@slow
def test_a_real_alarm_is_shown_while_a_question_waits(command: Run, watcher: Fake) -> None:
    """No key has to be pressed first."""
    script = Script(watcher, [part("buzzer", ask=HEARD)])
    terminal = Terminal(command, "ready", "bench-1", "--role", "r", "--socket", watcher.path)
    terminal.see("[yes/no]")
    script.push(part("buzzer", result="failed", why="a real alarm came: bench-1/mat:change"), end("failed"))
    terminal.see("a real alarm came")

    assert terminal.leave() == Exit.RUN
