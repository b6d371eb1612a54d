"""The drawn view on a terminal: ten frames a second at most, and only when something differs."""

from __future__ import annotations

import contextlib
import os
import queue
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Self

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from quietbench.daemon.cli.following import Connected, Following, Gone
from quietbench.daemon.cli.live.layout import Frame, draw
from quietbench.daemon.cli.live.picture import Picture
from quietbench.daemon.cli.live.wiring import ASCII, UNICODE
from quietbench.daemon.errors import SocketError
from quietbench.daemon.socket.lines import FollowedLine

FRAME_S = 0.1

Item = FollowedLine | Connected | Gone | SocketError


class Feed:
    """A thread that follows the watcher and hands over what came, in order; it draws nothing."""

    def __init__(self, following: Following) -> None:
        self._following = following
        self._items: queue.SimpleQueue[Item] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="follow", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        # The thread looks up once a second; nobody who leaves waits for it.
        self._thread.join(0.05)

    def arrived(self) -> Iterator[FollowedLine | Connected | Gone]:
        """Yield what has come since the last call.

        Raises:
            SocketError: the watcher was never reached, or not again in time.
        """
        while True:
            try:
                item = self._items.get_nowait()
            except queue.Empty:
                return
            if isinstance(item, SocketError):
                raise item
            yield item

    def _run(self) -> None:
        try:
            for item in self._following.lines(lambda client: client.follow(quiet_s=1.0), self._stop):
                self._items.put(item)
        except SocketError as problem:
            self._items.put(problem)


def screen() -> Console:
    """Return the terminal, whose size is asked anew for each frame: COLUMNS and LINES would keep it as it was."""
    return Console(
        _environ={key: text for key, text in os.environ.items() if key not in ("COLUMNS", "LINES")}
    )


def can_draw(console: Console) -> bool:
    """Say whether the terminal can show the drawn view at all."""
    return console.is_terminal and not console.is_dumb_terminal


def show(
    picture: Picture,
    following: Following,
    *,
    console: Console,
    until: Callable[[], bool] = lambda: False,
    caption: Callable[[], str | None] = lambda: None,
    checked: Callable[[Picture], None] = lambda _: None,
) -> None:
    """Draw until the person leaves with "q", or ``until`` says so.

    ``caption`` gives the line above the benches; ``checked`` may raise after each batch of lines.

    Raises:
        SocketError: see `Feed.arrived`.
        KeyboardInterrupt: the person left with Ctrl-C.
    """
    with Feed(following) as feed, _keys() as pressed, _drawn_on(console) as live:
        before: tuple[object, ...] = ()
        while not until() and "q" not in pressed():
            for item in feed.arrived():
                picture.apply(item, time.monotonic())
            checked(picture)
            lines = draw(picture, _frame(console, caption()))
            if (console.size, *lines) != before:
                before = (console.size, *lines)
                live.update(Group(*lines), refresh=True)
            time.sleep(FRAME_S)


def _frame(console: Console, caption: str | None) -> Frame:
    drawn = _draws_boxes(console)
    return Frame(
        width=console.width,
        height=console.height,
        now_s=time.monotonic(),
        clock=datetime.now(UTC).strftime("%H:%M:%S"),
        ink=UNICODE if drawn else ASCII,
        large_letters=drawn,
        caption=caption,
        hint="q leaves" if sys.stdin.isatty() else "",
    )


def _draws_boxes(console: Console) -> bool:
    return console.encoding.lower().replace("-", "").startswith("utf")


@contextlib.contextmanager
def _drawn_on(console: Console) -> Iterator[Live]:
    live = Live(Text(), console=console, screen=True, auto_refresh=False, vertical_overflow="crop")
    with live:
        yield live


@contextlib.contextmanager
def _keys() -> Iterator[Callable[[], str]]:
    """Read single keys without waiting, where there is a keyboard; the terminal is put back in any case."""
    if not sys.stdin.isatty():
        yield lambda: ""
        return
    import termios
    import tty

    keyboard = sys.stdin.fileno()
    before = termios.tcgetattr(keyboard)
    try:
        tty.setcbreak(keyboard)
        yield lambda: _pressed(keyboard)
    finally:
        termios.tcsetattr(keyboard, termios.TCSADRAIN, before)


def _pressed(keyboard: int) -> str:
    ready, _, _ = select.select([keyboard], [], [], 0)
    return os.read(keyboard, 64).decode(errors="replace") if ready else ""
