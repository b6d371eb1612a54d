"""``watch`` as a process: raw lines, plain lines, and the drawn view on a real pseudo-terminal."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Iterator
from typing import Any

import pytest

from quietbench.daemon.cli.exits import Exit

Run = Any  # Command of conftest
Fake = Any  # FakeWatcher of conftest

pytestmark = pytest.mark.slow  # each starts an interpreter


def line_within(process: subprocess.Popen[str], wanted: str, seconds: float = 10.0) -> str:
    """Read lines of a process until one holds ``wanted``."""
    assert process.stdout is not None
    deadline, seen = time.monotonic() + seconds, []
    while time.monotonic() < deadline:
        line = process.stdout.readline()
        seen.append(line)
        if wanted in line:
            return line
        assert line, f"ended without {wanted!r}: {seen}"
    raise AssertionError(f"no {wanted!r} in {seen}")


# --- lines ---


def test_json_prints_the_lines_of_the_socket(command: Run, watcher: Fake, make: Any) -> None:
    """Greeting, answer, then each line as it was said, to the byte."""
    process = command.start("watch", "--json", "--socket", watcher.path)
    watcher.wait_follower()
    watcher.say(b'{"gap":  {"lost": 3}}\n', {"bench": make.open_bench()})
    assert json.loads(line_within(process, "quietbench"))["site"] == "Rework room two"
    assert json.loads(line_within(process, '"ok"'))["ok"]["benches"][0]["state"] == "held"
    assert line_within(process, "gap") == '{"gap":  {"lost": 3}}\n'
    assert json.loads(line_within(process, '"bench"'))["bench"]["state"] == "open"


def test_plain_lines_come_where_there_is_no_terminal(command: Run, watcher: Fake, make: Any) -> None:
    """State, event, gap: as they happen."""
    process = command.start("watch", "--socket", watcher.path)
    watcher.wait_follower()
    line_within(process, "bench-1 held: All watched paths held.")
    watcher.say({"bench": make.open_bench()}, {"event": make.strap_alarm()}, {"gap": {"lost": 3}})
    assert "buzzer high" in line_within(process, "bench-1 open: Strap path open")
    line_within(process, "08:00:01 bench-1 Strap path open (high alarm)")
    line_within(process, "gap: 3 lines left out")


def test_a_watcher_that_goes_is_told_and_waited_for(command: Run, watcher: Fake) -> None:
    """Gone, then back with a new snapshot."""
    process = command.start("watch", "--socket", watcher.path)
    watcher.wait_follower()
    line_within(process, "bench-1 held")
    watcher.stop()
    line_within(process, "watcher gone: the watcher at")
    watcher.start()
    line_within(process, "connected: Rework room two")
    line_within(process, "bench-1 held")
    process.send_signal(signal.SIGINT)
    assert process.wait(10) == Exit.INTERRUPTED


def test_who_does_not_want_to_wait_leaves_with_three(command: Run, watcher: Fake) -> None:
    """For scripts."""
    process = command.start("watch", "--json", "--give-up", 0, "--socket", watcher.path)
    watcher.wait_follower()
    watcher.stop()
    _, errors = process.communicate(timeout=10)
    assert process.returncode == Exit.NO_WATCHER
    assert "tried again for 0 s" in errors


def test_garbage_ends_a_connection_not_the_command(command: Run, watcher: Fake) -> None:
    """It is told, and the watcher is asked anew."""
    process = command.start("watch", "--plain", "--socket", watcher.path)
    watcher.wait_follower()
    watcher.say(b"]]]garbage\n")
    line_within(process, "watcher gone: got b']]]garbage'")
    line_within(process, "bench-1 held")


def test_a_stranger_at_the_socket_is_named(command: Run, watcher: Fake) -> None:
    """Before anything is drawn."""
    watcher.greeting = b"SSH-2.0-server\n"
    done = command("watch", "--socket", watcher.path)
    assert done.returncode == Exit.NO_WATCHER
    assert "is no watcher's socket" in done.stderr


def test_a_bench_that_is_not_there_is_named(command: Run, watcher: Fake) -> None:
    """With those that are."""
    done = command("watch", "--bench", "bench-9", "--socket", watcher.path)
    assert done.returncode == Exit.INPUT
    assert "got 'bench-9', wanted one of bench-1, bench-2" in done.stderr


def test_a_reader_that_has_seen_enough_ends_it_quietly(command: Run, watcher: Fake) -> None:
    """``quietbench watch --json | head -2`` is no error."""
    shell = subprocess.Popen(
        ["/bin/sh", "-c", '"$@" --json --socket "$SOCKET" | head -2; echo end', "sh", *command.argv("watch")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=command.env(SOCKET=str(watcher.path)),
    )
    command.started.append(shell)
    watcher.wait_follower()
    deadline = time.monotonic() + 10
    while shell.poll() is None and time.monotonic() < deadline:
        with contextlib.suppress(OSError):
            watcher.say({"gap": {"lost": 1}})
        time.sleep(0.05)
    output, errors = shell.communicate(timeout=5)
    assert output.splitlines()[-1] == "end"
    assert errors == ""


# --- on a terminal ---


class Terminal:
    """A pseudo-terminal with the command on it; ``text`` is what it shows, as far as words go."""

    def __init__(self, argv: list[str], env: dict[str, str], rows: int = 24, columns: int = 80) -> None:
        self.master, slave = pty.openpty()
        self.resize(rows, columns)
        self.before = termios.tcgetattr(slave)
        self.process = subprocess.Popen(
            argv,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=env,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        self.slave = slave
        self.seen = b""

    def resize(self, rows: int, columns: int) -> None:
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def type(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def wait_for(self, wanted: str, seconds: float = 10.0) -> str:
        """Return what was shown from the last frame that begins before ``wanted``."""
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            if wanted in self.text():
                return self.text()
            if select.select([self.master], [], [], 0.1)[0]:
                with contextlib.suppress(OSError):
                    self.seen += os.read(self.master, 65536)
        raise AssertionError(f"no {wanted!r} in {self.text()[-2000:]!r}")

    def text(self) -> str:
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", self.seen.decode(errors="replace"))

    def end(self) -> int:
        deadline = time.monotonic() + 10
        while self.process.poll() is None and time.monotonic() < deadline:
            if select.select([self.master], [], [], 0.05)[0]:
                self.seen += os.read(self.master, 65536)
        return self.process.wait(1)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def terminal(command: Run, watcher: Fake) -> Iterator[Terminal]:
    """The drawn view on 80 by 24 cells."""
    screen = Terminal(command.argv("watch", "--socket", watcher.path), command.env(LC_ALL="C.UTF-8"))
    yield screen
    screen.close()


def test_the_view_is_drawn_and_left_with_q(terminal: Terminal, watcher: Fake, make: Any) -> None:
    """On the other screen of the terminal, which is put back as it was."""
    watcher.wait_follower()
    terminal.wait_for("skin ━━━━━━━ band")
    watcher.say({"bench": make.open_bench()})
    assert "Take your hands off the board." in terminal.wait_for("skin ━━ ╳ ━━ band")
    terminal.type(b"q")
    assert terminal.end() == 0
    assert b"\x1b[?1049h" in terminal.seen
    assert terminal.seen.rindex(b"\x1b[?1049l") > terminal.seen.rindex(b"\x1b[?1049h")
    assert terminal.seen.rindex(b"\x1b[?25h") > terminal.seen.rindex(b"\x1b[?25l")
    assert termios.tcgetattr(terminal.slave) == terminal.before


def test_no_colour_means_none(terminal: Terminal, watcher: Fake, make: Any) -> None:
    """NO_COLOR is set by the fixture; bold stays."""
    watcher.wait_follower()
    watcher.say({"bench": make.open_bench()})
    terminal.wait_for("skin ━━ ╳ ━━ band")
    assert not re.search(rb"\x1b\[[0-9;]*3[0-7]m", terminal.seen)
    assert b"\x1b[1m" in terminal.seen


def test_a_resized_window_is_drawn_anew(terminal: Terminal, watcher: Fake) -> None:
    """At its new size: twelve lines hold one line for each bench."""
    watcher.wait_follower()
    terminal.wait_for("skin ━━━━━━━ band")
    terminal.resize(12, 60)
    terminal.wait_for("bench-1 ● HELD All watched paths held.")


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, Exit.INTERRUPTED), (signal.SIGTERM, 128 + signal.SIGTERM)]
)
def test_a_signal_puts_the_terminal_back(terminal: Terminal, watcher: Fake, number: int, code: int) -> None:
    """Nobody is left with a terminal that shows nothing."""
    watcher.wait_follower()
    terminal.wait_for("skin ━━━━━━━ band")
    terminal.process.send_signal(number)
    assert terminal.end() == code
    assert terminal.seen.rindex(b"\x1b[?1049l") > terminal.seen.rindex(b"\x1b[?1049h")
    assert termios.tcgetattr(terminal.slave) == terminal.before


def test_a_lost_watcher_is_shown_and_waited_for(terminal: Terminal, watcher: Fake) -> None:
    """And then its return."""
    watcher.wait_follower()
    terminal.wait_for("skin ━━━━━━━ band")
    watcher.stop()
    terminal.wait_for("atcher is gone. Keep boards in their bags until it is")
    watcher.start()
    terminal.seen = b""
    terminal.wait_for("● green, steady")
