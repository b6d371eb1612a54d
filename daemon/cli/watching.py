"""The command ``watch``: picks the drawn view, plain lines or the raw lines, and runs it."""

from __future__ import annotations

import sys
import threading
import time

from quietbench.daemon.cli.exits import ended_by_signals
from quietbench.daemon.cli.following import Connected, Following, Gone
from quietbench.daemon.cli.live.picture import Picture
from quietbench.daemon.cli.live.plain import Teller
from quietbench.daemon.cli.live.terminal import can_draw, screen, show
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.socket.lines import Quiet


def watch(following: Following, *, bench: str | None, as_json: bool, plain: bool) -> None:
    """Show a watcher until interrupted.

    Raises:
        SocketError: never reached, or not again in time.
        ConfigurationError: the watcher has no such bench.
    """
    console = screen()
    if as_json:
        print_raw(following)
    elif plain or not can_draw(console):
        print_plain(following, bench)
    else:
        with ended_by_signals():
            show(Picture(only=bench), following, console=console, checked=_check_bench)


def print_raw(following: Following) -> None:
    """Print the lines of the socket as they are, the greeting included; what else is to say goes to stderr."""
    for item in following.lines(lambda client: client.follow_raw(quiet_s=1.0), threading.Event()):
        match item:
            case Connected():
                _put(item.greeting_line)
            case Gone():
                print(f"quietbench: {item.text}; trying again", file=sys.stderr)
            case bytes():
                _put(item)
            case Quiet():
                pass


def print_plain(following: Following, bench: str | None) -> None:
    """Print one line for each change."""
    teller = Teller(only=bench)
    for item in following.lines(lambda client: client.follow(quiet_s=1.0), threading.Event()):
        texts = list(teller.tell(item, time.monotonic()))
        if bench is not None and teller.all_benches and bench not in teller.all_benches:
            raise _no_bench(bench, teller.all_benches)
        for text in texts:
            print(text, flush=True)


def _put(line: bytes) -> None:
    sys.stdout.buffer.write(line + b"\n")
    sys.stdout.buffer.flush()


def _check_bench(picture: Picture) -> None:
    if picture.only is not None and picture.all_benches and picture.only not in picture.all_benches:
        raise _no_bench(picture.only, picture.all_benches)


def _no_bench(name: str, known: frozenset[str]) -> ConfigurationError:
    return ConfigurationError(f"--bench: got {name!r}, wanted one of {', '.join(sorted(known))}")
