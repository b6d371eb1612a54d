"""A check before work at a terminal: prints what is said, asks what is asked, and never answers for anybody.

While a question waits the socket is read on, so that an alarm that ends the check is shown at once, not after the
next key.
"""

from __future__ import annotations

import json
import select
import sys
from collections.abc import Iterator, Mapping
from typing import Any

from quietbench.daemon.figures import NO_VALUE, figure
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.errors import LostError, RefusedError
from quietbench.daemon.socket.ready_lines import ReadyLine

LOOK_S = 0.2
"""How often the keyboard is looked at while a question waits."""

HANGS_AFTER_S = 90.0
"""No step of a check is quiet for so long."""

_ANSWERS = {"yes": "yes", "y": "yes", "no": "no", "n": "no"}


def at_terminal() -> bool:
    """Say whether there is somebody to ask."""
    return sys.stdin.isatty()


class Walk:
    """One check; ``heard`` and ``seen`` are answers given beforehand, None to ask."""

    def __init__(self, bench: str, *, heard: str | None, seen: str | None, as_json: bool) -> None:
        self._bench = bench
        self._heard, self._seen = heard, seen
        self._as_json = as_json
        self._asked: ReadyLine | None = None

    def go(self, path: str, who: Mapping[str, str]) -> bool:
        """Walk through; return whether the check passed. Raises `SocketError`."""
        with SocketClient(path) as client:
            lines = client.converse("ready-check", quiet_s=LOOK_S, bench=self._bench, **who)
            for line in self._lines(client, lines):
                self._asked = line if line.kind == "ask" and self._waits(line) else None
                if self._asked is not None:
                    _forget_keys()
                self._print(line)
                if line.kind == "ask" and self._asked is None:
                    self._answer(client, self._given(line))
                if line.last:
                    return line.text == "passed"
        raise LostError("the watcher ended the check without a result")

    def _lines(self, client: SocketClient, lines: Iterator[Any]) -> Iterator[ReadyLine]:
        quiet_s = 0.0
        for line in lines:
            if line is None:
                quiet_s += LOOK_S
                self._look(client)
                if quiet_s > HANGS_AFTER_S:
                    raise LostError(f"the watcher hangs: nothing of the check for {HANGS_AFTER_S:g} s")
                continue
            quiet_s = 0.0
            if "ready" in line:
                if self._as_json:
                    print(json.dumps(line), flush=True)
                yield ReadyLine.parse(line["ready"])
            elif "error" in line:
                raise _refused(line["error"])

    def _look(self, client: SocketClient) -> None:
        """Take an answer from the keyboard, if one is wanted and there is one."""
        if self._asked is None or not select.select([sys.stdin], [], [], 0)[0]:
            return
        typed = sys.stdin.readline()
        if not typed:
            raise KeyboardInterrupt  # the terminal is gone; so is whoever could answer
        answer = _ANSWERS.get(typed.strip().lower())
        if answer is None:
            print("  yes or no? ", end="", flush=True)
            return
        self._answer(client, answer)

    def _answer(self, client: SocketClient, answer: str) -> None:
        self._asked = None
        client.say("ready-answer", bench=self._bench, answer=answer)

    def _print(self, line: ReadyLine) -> None:
        if not self._as_json:
            print(said(line), end="\n" if self._asked is None else "", flush=True)

    def _given(self, line: ReadyLine) -> str:
        return (self._heard if line.step == "buzzer" else self._seen) or ""

    def _waits(self, line: ReadyLine) -> bool:
        """Say whether somebody at the keyboard is asked: no answer was given beforehand."""
        return not self._given(line)


def _forget_keys() -> None:
    """Drop what was typed before a question: it was no answer to it."""
    if at_terminal():
        import termios

        termios.tcflush(sys.stdin, termios.TCIFLUSH)


def said(line: ReadyLine) -> str:
    """Return a line as people read it."""
    if line.kind == "say":
        return line.text
    if line.kind == "ask":
        return f"{line.text} [yes/no] "
    if line.last:
        return f"{line.bench}: check before work {line.text}"
    numbers = line.numbers
    shown = NO_VALUE
    if "value" in numbers:
        shown = figure(
            str(numbers.get("quantity", "")),
            str(numbers.get("unit", "")),
            numbers["value"],
            u=numbers.get("u"),
            sense=str(numbers.get("sense", "=")),
        )
    parts = [line.text, *([] if shown == NO_VALUE else [shown]), *([line.why] if line.why else [])]
    return f"  {line.step}: " + ", ".join(parts)


def _refused(error: Any) -> RefusedError:
    known = error if isinstance(error, dict) else {"what": str(error)}
    return RefusedError(
        str(known.get("what", "refused")), got=str(known.get("got", "")), wanted=str(known.get("wanted", ""))
    )
