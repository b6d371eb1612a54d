"""The socket and its desk around a real core loop: follow, commands, and clients that behave badly."""

from __future__ import annotations

import getpass
import importlib.resources
import json
import os
import socket
import stat
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from quietbench.daemon.clock import Clock
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.records import Annunciation
from quietbench.daemon.errors import SocketError
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.errors import RefusedError
from quietbench.daemon.socket.lines import BenchLine, EventLine, Gap, ReadingLine, Snapshot
from quietbench.daemon.watcher.desk import Desk
from quietbench.daemon.watcher.inbox import Inbox
from quietbench.daemon.watcher.loop import CoreLoop
from quietbench.daemon.watcher.progress import ProgressBoard
from quietbench.daemon.watcher.server import BEHIND_LINES, SocketServer
from quietbench.daemon.watcher.views import Views
from tests.core.plans import BOND, HUMIDITY, MAT, MAT_GOOD, PRESENCE, STRAP, one_bench

pytestmark = pytest.mark.slow
ME = getpass.getuser()
WHO = {"person": ME, "role": "x", "why": "y"}


class Rig:
    """A core's thread and its socket, without hardware, store or sinks."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "w.sock"
        self.clock = Clock(known_by="always")
        self.plan = one_bench(entered=True)
        self.board = ProgressBoard(self.clock.monotonic_ns)
        self.inbox = Inbox()
        self.given: list[Annunciation] = []
        views = Views(self.plan, lambda: 3, self.clock)
        self.desk = Desk(
            inbox=self.inbox,
            views=views,
            person=lambda name: f"id of {name}",
            status=lambda: {"wrong": {}},
            page_uid=None,
        )
        core = Core(self.plan, self.clock.monotonic_ns())
        self.loop = CoreLoop(
            core,
            self.inbox,
            monotonic_ns=self.clock.monotonic_ns,
            board=self.board,
            annunciate=self.given.append,
            hand_on=self.desk.publish,
        )
        self.server = SocketServer(
            self.path,
            group=None,
            greeting=lambda: {
                "quietbench": 1,
                "watcher": "w",
                "site": "site",
                "run": 3,
                "software": "0",
            },
            handle=self.desk.handle,
            board=self.board,
            monotonic_ns=self.clock.monotonic_ns,
        )
        self.desk.loop, self.desk.server = self.loop, self.server
        self.loop.start(core.start(self.clock.monotonic_ns(), {}, {}))
        self.server.start()

    def feed(self, *samples: tuple[int, float]) -> None:
        now = self.clock.monotonic_ns()
        self.inbox.put_batch([(channel, now, raw, None) for channel, raw in samples])

    def good(self) -> None:
        self.feed((PRESENCE, 1), (STRAP, 1), (MAT, MAT_GOOD), (BOND, 1), (HUMIDITY, 450))

    def stop(self) -> None:
        self.loop.stop()
        self.server.stop()


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    yield rig
    rig.stop()


def lines_until(lines: Iterator[Any], done: Callable[[Any], bool]) -> list[Any]:
    seen = []
    for line in lines:
        seen.append(line)
        if done(line):
            return seen
        assert len(seen) < 10_000
    raise AssertionError("the stream ended")


def test_a_follower_gets_the_snapshot_and_then_what_changes(rig: Rig) -> None:
    """Nothing is missed between the two, nothing comes twice."""
    rig.good()
    with SocketClient(rig.path) as client:
        stream = client.follow(quiet_s=2.0)
        snapshot = next(stream)
        assert isinstance(snapshot, Snapshot)
        lines_until(stream, lambda line: isinstance(line, BenchLine) and line.state == "held") if (
            snapshot.benches[0].state != "held"
        ) else None
        rig.feed((STRAP, 0))
        seen = lines_until(stream, lambda line: isinstance(line, BenchLine) and line.state == "open")

    bench = seen[-1]
    assert bench.sentence.startswith("Strap path open")
    assert [s.state for s in bench.paths[0]] == ["open", "open", "open", "good"]
    alarm = next(line for line in seen if isinstance(line, EventLine) and line.kind == "alarm")
    assert alarm.id[0] == 3
    assert alarm.body["to"] == "unacknowledged"
    assert any(isinstance(line, ReadingLine) and line.channel == "b/strap" for line in seen)


def test_acknowledging_names_who_and_why(rig: Rig) -> None:
    """The record holds the person's id and the peer's user, never a name."""
    rig.good()
    rig.feed((STRAP, 0))
    with SocketClient(rig.path) as client:
        answer = _eventually(
            lambda: client.request(
                "acknowledge", alarm="b/strap:closed", person=ME, role="operator", why="new cord"
            )
        )

    assert answer["event"]["body"]["person"] == f"id of {ME}"
    assert answer["event"]["body"]["uid"] == os.getuid()
    assert answer["event"]["body"]["why"] == "new cord"


@pytest.mark.parametrize(
    ("request_", "says"),
    [
        ({"do": "acknowledge", "alarm": "b/strap:closed", "role": "x", "why": "y"}, "person"),
        ({"do": "acknowledge", "alarm": "b/strap:closed", "person": ME, "role": "x"}, "why"),
        ({"do": "acknowledge", "alarm": "b/strap:closed", "person": "someone else", "role": "x", "why": "y"}, "page"),
        ({"do": "acknowledge", "alarm": "none", "person": ME, "role": "x", "why": "y"}, "no such alarm"),
        ({"do": "enter", "channel": "b/mat", "value": "much", "instrument": "i", **WHO}, "value"),
        ({"do": "enter", "channel": "b/strap", "value": 1.0, "instrument": "i", **WHO}, "by hand"),
        ({"do": "note", "subject": "b/cord", "what": "x", "detail": [1], **WHO}, "detail"),
        ({"do": "note", "subject": "b/cord", "what": "x", "detail": {"t": "y" * 20000}, **WHO}, "too long"),
        ({"do": "repair", "subject": "b/cord", **WHO}, "what"),
        ({"do": "dance"}, "no such request"),
    ],
)  # fmt: skip
def test_what_can_not_be_done_is_refused_in_words(rig: Rig, request_: dict[str, Any], says: str) -> None:
    """A refusal says what was wrong; nothing is recorded of it."""
    do = request_.pop("do")
    with SocketClient(rig.path) as client, pytest.raises(RefusedError) as refusal:
        client.request(do, **request_)

    assert says in str(refusal.value)


@pytest.mark.parametrize("do", ["note", "repair"])
def test_what_a_person_did_or_saw_is_recorded_as_said(rig: Rig, do: str) -> None:
    """A repair and a note decide nothing; they are there for those who look back."""
    with SocketClient(rig.path) as client:
        answer = client.request(do, subject="b/cord", what="new cord", detail={"length_m": 1.8}, **WHO)

    body = answer["event"]["body"]
    assert (body["do"], body["subject"], body["what"]) == (do, "b/cord", "new cord")
    assert body["detail"] == {"length_m": 1.8}


def test_a_check_entered_by_hand_opens_the_bench_at_its_limit(rig: Rig) -> None:
    """1e9 ohm is not below 1e9 ohm."""
    rig.good()
    with SocketClient(rig.path) as client:
        client.request(
            "enter", channel="b/mat", value=1e9, instrument="i7", person=ME, role="lead", why="monthly"
        )
        stream = client.follow(quiet_s=2.0)
        snapshot = next(stream)

    assert isinstance(snapshot, Snapshot)
    assert snapshot.benches[0].state == "open"


def test_a_reader_that_falls_behind_loses_lines_and_is_told(rig: Rig) -> None:
    """It never costs the core more than an entry in a queue, and the loss has a number."""
    rig.good()
    with SocketClient(rig.path) as slow:
        stream = slow.follow(quiet_s=0.5)
        next(stream)
        for k in range(8 * BEHIND_LINES):
            rig.feed((HUMIDITY, 400 + k % 7))
        time.sleep(0.5)
        seen = lines_until(stream, lambda line: isinstance(line, Gap))
        gap = seen[-1]

    assert gap.lost > 0


def test_a_client_that_reads_no_answers_is_not_asked_for_more(rig: Rig) -> None:
    """What it asks waits in its own socket, not in the watcher's memory."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as greedy:
        greedy.connect(str(rig.path))
        greedy.settimeout(1.0)
        with pytest.raises(TimeoutError):
            greedy.sendall(b'{"do":"status"}\n' * 1_000_000)
        with SocketClient(rig.path) as other:
            assert other.request("status") == {"wrong": {}}


@pytest.mark.parametrize(
    "nonsense", [b"{\n", b"[]\n", b"\xff\xfe\n", b"x" * 100_000, b'{"do": NaN}\n', b'{"id":"\\ud800"}\n']
)
def test_nonsense_ends_that_connection_and_no_other(rig: Rig, nonsense: bytes) -> None:
    """A client that breaks the protocol is dropped; the others are served on."""
    with SocketClient(rig.path) as other:
        bad = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        bad.settimeout(2.0)
        bad.connect(str(rig.path))
        try:
            bad.sendall(nonsense)
            while bad.recv(65536):
                pass
        except (BrokenPipeError, ConnectionResetError):
            pass
        finally:
            bad.close()

        assert other.request("status") == {"wrong": {}}


def test_the_socket_is_for_owner_and_group_alone(rig: Rig) -> None:
    """Mode 0660: who is not in the group can't even look."""
    assert stat.S_IMODE(rig.path.stat().st_mode) == 0o660


def test_a_second_watcher_on_the_same_socket_is_refused(rig: Rig, tmp_path: Path) -> None:
    """And the first keeps its socket."""
    with pytest.raises(SocketError, match="another watcher listens"):
        Rig(tmp_path)

    with SocketClient(rig.path) as client:
        client.request("status")


def test_a_socket_left_by_a_killed_watcher_is_taken_over(tmp_path: Path) -> None:
    """Nobody has to clean up before a restart."""
    left = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    left.bind(str(tmp_path / "w.sock"))
    left.close()

    rig = Rig(tmp_path)
    rig.stop()

    assert not rig.path.exists()


def test_something_else_in_the_sockets_place_is_not_removed(tmp_path: Path) -> None:
    """A file that is no socket may be somebody's."""
    (tmp_path / "w.sock").write_text("mine")

    with pytest.raises(SocketError, match="in the way"):
        Rig(tmp_path)

    assert (tmp_path / "w.sock").read_text() == "mine"


def _eventually(ask: Callable[[], Any]) -> Any:
    for _ in range(100):
        try:
            return ask()
        except RefusedError:
            time.sleep(0.02)
    return ask()


def test_every_line_that_is_served_satisfies_the_published_schema(rig: Rig) -> None:
    """Greeting, snapshot, readings, events, benches, answers and refusals, as received."""
    schema = json.loads(
        (importlib.resources.files("quietbench.config") / "schemas" / "socket.json").read_text("utf-8")
    )
    valid = jsonschema.Draft202012Validator(schema)
    rig.good()
    with SocketClient(rig.path) as client, SocketClient(rig.path) as other:
        stream = client.follow_raw(quiet_s=1.0)
        lines = [json.loads(client.greeting_line), json.loads(next(stream))]  # type: ignore[arg-type]
        rig.feed((STRAP, 0))
        other.request("note", subject="b", what="seen", **WHO)
        _eventually(lambda: other.request("acknowledge", alarm="b/strap:closed", **WHO))
        with pytest.raises(RefusedError):
            other.request("acknowledge", alarm="none", **WHO)
        while not (lines[-1].get("event", {}).get("kind") == "alarm" and len(lines) > 8):
            line = next(stream)
            assert isinstance(line, bytes)
            lines.append(json.loads(line))

    kinds = {next(iter(set(line) & {"reading", "event", "bench", "ok", "quietbench"})) for line in lines}
    assert kinds == {"quietbench", "ok", "reading", "event", "bench"}
    for line in lines:
        valid.validate(line)
