"""The command ``demo``: a folder, two children, the view, and a summary at the end."""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

from rich.console import Console

from quietbench.daemon.cli.app import watcher_command
from quietbench.daemon.cli.demo.children import Child, SpeakingChild
from quietbench.daemon.cli.demo.story import Story
from quietbench.daemon.cli.demo.summary import summary
from quietbench.daemon.cli.demo.truth import TruthTail
from quietbench.daemon.cli.exits import Exit, ended_by_signals
from quietbench.daemon.cli.following import Following
from quietbench.daemon.cli.live.picture import Picture
from quietbench.daemon.cli.live.plain import Teller
from quietbench.daemon.cli.live.terminal import FRAME_S, Feed, can_draw, screen, show
from quietbench.daemon.errors import ConfigurationError, QuietbenchError
from quietbench.daemon.socket.protocol import MAX_PATH_BYTES

CONFIGURATION = "demo.toml"
START_S = 15.0
SPARE_S = 30.0
"""The simulators end by themselves so long after the demonstration should have: a last safety net."""

_LONGEST_NAME = "control.sock"


class Stage:
    """One demonstration in one folder: simulators, watcher, story."""

    def __init__(self, folder: Path, seconds: float) -> None:
        self.folder = folder
        self.seconds = seconds
        self.truth: list[dict[str, Any]] = []
        self._tail = TruthTail(folder / "truth.jsonl")
        self._story = Story()
        self.socket, self.store = _socket_and_store(folder / CONFIGURATION)
        interpreter = [sys.executable, "-P", "-m"]
        life = ["--seconds", f"{seconds + START_S + SPARE_S:g}"]
        # Started by name: what is simulated stays on the other side of a process boundary.
        command = [*interpreter, "quietbench.simulators", "demo", "--folder", str(folder), *life]
        self.simulators = SpeakingChild("simulators", command, folder, says="ready", within_s=START_S)
        self.watcher = Child("watcher", watcher_command(folder / CONFIGURATION), folder)

    @contextmanager
    def running(self) -> Iterator[None]:
        """Let both children run; the watcher ends first, so that it sees its hardware to the end."""
        with ExitStack() as stack:
            stack.enter_context(self.simulators)
            stack.enter_context(self.watcher)
            self.watcher.wait_until("open its socket", self.socket, START_S)
            yield

    def caption(self) -> str:
        """Return what happens now; raise `ChildError` when a child has ended by itself."""
        self.simulators.check()
        self.watcher.check()
        self.read_truth()
        return self._story.caption

    def read_truth(self) -> None:
        """Take what is new in the truth."""
        new = self._tail.new()
        self.truth += new
        self._story.feed(new, time.monotonic_ns())

    def look(self, picture: Picture) -> None:
        """Let the story see the readings."""
        self._story.look(picture.readings.values())


def play(seconds: float, folder: Path | None, *, plain: bool) -> Exit:
    """Play the demonstration; return the exit code.

    Raises:
        ChildError: simulators or watcher did not start, or ended by themselves.
        ConfigurationError: the folder can't be used.
        KeyboardInterrupt: Ctrl-C; the children are ended and the summary is printed before.
    """
    console = screen()
    with _run_folder(folder) as place, ended_by_signals():
        stage = Stage(place, seconds)
        try:
            with stage.running():
                _show(stage, console, plain=plain or not can_draw(console))
        except KeyboardInterrupt:
            _sum_up(stage, kept=folder is not None)
            raise
        _sum_up(stage, kept=folder is not None)
    return Exit.FINE


def _show(stage: Stage, console: Console, *, plain: bool) -> None:
    end = time.monotonic() + stage.seconds
    following = Following(str(stage.socket), give_up_s=START_S)
    is_over: Callable[[], bool] = lambda: time.monotonic() >= end  # noqa: E731
    if plain:
        _tell(stage, following, is_over)
        return
    show(Picture(), following, console=console, until=is_over, caption=stage.caption, checked=stage.look)


def _tell(stage: Stage, following: Following, is_over: Callable[[], bool]) -> None:
    teller, picture, told = Teller(), Picture(), ""
    with Feed(following) as feed:
        while not is_over():
            for item in feed.arrived():
                picture.apply(item, time.monotonic())
                for text in teller.tell(item, time.monotonic()):
                    print(text, flush=True)
            stage.look(picture)
            caption = stage.caption()
            if caption != told:
                told = caption
                print(f"* {caption}", flush=True)
            time.sleep(FRAME_S)


def _sum_up(stage: Stage, *, kept: bool) -> None:
    stage.read_truth()
    try:
        for line in summary(stage.store, stage.truth):
            print(line)
    except QuietbenchError as problem:
        print(f"quietbench: no summary: {problem}", file=sys.stderr)
    print(
        f"The store: {stage.store}" if kept else "It ran in a temporary folder; keep all with --folder DIR."
    )


def _socket_and_store(file: Path) -> tuple[Path, Path]:
    """Return where the watcher of a demonstration listens and keeps; a file that was changed may say neither."""
    try:
        said = tomllib.loads(file.read_text("utf-8"))
        return file.parent / said["watcher"]["socket"], file.parent / said["store"]["folder"]
    except (OSError, ValueError, LookupError, TypeError) as problem:
        raise ConfigurationError(
            f"{file}: can't be played ({type(problem).__name__}: {problem}); wanted a configuration with"
            f' [watcher] socket and [store] folder: see "quietbench check {file}", or delete it for a fresh one'
        ) from problem


@contextmanager
def _run_folder(folder: Path | None) -> Iterator[Path]:
    """Give the folder, made and filled; a temporary one is removed afterwards."""
    if folder is not None:
        _fill(folder.absolute())
        yield folder.absolute()
        return
    with tempfile.TemporaryDirectory(prefix="quietbench-demo-") as name:
        _fill(Path(name))
        yield Path(name)


def _fill(folder: Path) -> None:
    longest = len(str(folder / _LONGEST_NAME).encode())
    if longest > MAX_PATH_BYTES:
        raise ConfigurationError(
            f"--folder {folder}: its sockets would have paths of {longest} bytes, "
            f"wanted at most {MAX_PATH_BYTES}: use a shorter one"
        )
    example = resources.files("quietbench.config") / "examples" / CONFIGURATION
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not (folder / CONFIGURATION).exists():  # one that was changed is played as it is
            with resources.as_file(example) as source:
                shutil.copyfile(source, folder / CONFIGURATION)
    except OSError as problem:
        raise ConfigurationError(
            f"--folder {folder}: {problem.strerror or problem}; wanted a folder that you can write to"
        ) from problem
