"""The socket client against a watcher that behaves, and against what does not."""

from __future__ import annotations

import json
import os
import socket
import stat
import threading
from pathlib import Path
from typing import Any

import pytest

from quietbench.daemon.errors import SocketError
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.errors import (
    LostError,
    NobodyListensError,
    NotAllowedError,
    ProtocolError,
    RefusedError,
)
from quietbench.daemon.socket.lines import BenchLine, Gap, Quiet, Snapshot

Fake = Any  # FakeWatcher of conftest, which importlib mode gives no name to import by


def test_a_greeting_is_read_and_kept(watcher: Fake) -> None:
    """Site, watcher and run are known before anything is asked."""
    with SocketClient(watcher.path) as client:
        assert client.greeting is not None
        assert (client.greeting.site, client.greeting.run) == ("Rework room two", 12)
        assert json.loads(client.greeting_line)["quietbench"] == 1


def test_a_request_gets_its_answer(watcher: Fake) -> None:
    """Fields go out as given; what stands under "ok" comes back."""
    watcher.answers["acknowledge"] = lambda request: {"ok": {"got": request["alarm"]}}
    with SocketClient(watcher.path) as client:
        assert client.request("acknowledge", alarm="a/b:c") == {"got": "a/b:c"}
        assert client.request("status") == {"followers": 1, "store": {"failing": None}}
    assert [request["id"] for request in watcher.requests] == [1, 2]


def test_a_refusal_says_what_got_and_wanted(watcher: Fake) -> None:
    """The watcher's own words reach the person."""
    watcher.answers["enter"] = lambda _: {"error": {"what": "no such channel", "got": "x", "wanted": "y"}}
    with SocketClient(watcher.path) as client, pytest.raises(RefusedError) as caught:
        client.request("enter")
    assert str(caught.value) == "no such channel: got x, wanted y"
    assert (caught.value.what, caught.value.got, caught.value.wanted) == ("no such channel", "x", "y")


def test_following_gives_the_snapshot_then_what_changes(watcher: Fake, make: Any) -> None:
    """Typed lines, in order; unknown kinds are passed over."""
    with SocketClient(watcher.path) as client:
        lines = client.follow()
        snapshot = next(lines)
        assert isinstance(snapshot, Snapshot)
        assert [bench.bench for bench in snapshot.benches] == ["bench-1", "bench-2"]
        watcher.wait_follower()
        watcher.say({"weather": {}}, {"bench": make.open_bench()}, {"gap": {"lost": 7}})
        bench = next(lines)
        assert isinstance(bench, BenchLine)
        assert bench.paths[0][0].state == "open"
        assert next(lines) == Gap(7)


def test_silence_is_told_when_asked_for(watcher: Fake) -> None:
    """A face can tell a quiet watcher from one that is gone."""
    with SocketClient(watcher.path) as client:
        lines = client.follow(quiet_s=0.02)
        next(lines)
        assert next(lines) == Quiet(0.02)


def test_the_end_of_the_connection_is_an_error(watcher: Fake) -> None:
    """A stream never just stops."""
    with SocketClient(watcher.path) as client:
        lines = client.follow()
        next(lines)
        watcher.wait_follower()
        watcher.say(b'{"gap": ')
        watcher.drop()
        with pytest.raises(LostError, match="in the middle of a line"):
            next(lines)


def test_garbage_in_the_stream_is_an_error(watcher: Fake) -> None:
    """Nothing is guessed."""
    with SocketClient(watcher.path) as client:
        lines = client.follow()
        next(lines)
        watcher.wait_follower()
        watcher.say(b"\xff\xfe garbage\n")
        with pytest.raises(ProtocolError, match="garbage"):
            next(lines)


@pytest.mark.parametrize(
    "greeting",
    [
        b"SSH-2.0-server\n",
        b'{"hello":1}\n',
        b'{"quietbench":"1","watcher":"a","site":"b","run":1,"software":"c"}\n',
    ],
)
def test_another_program_at_the_socket_is_named_so(watcher: Fake, greeting: bytes) -> None:
    """The text says which path is wrong and what to name instead."""
    watcher.greeting = greeting
    with pytest.raises(ProtocolError, match=r"no watcher's socket.*--socket"):
        SocketClient(watcher.path).connect()


def test_another_version_is_named_so(watcher: Fake, make: Any) -> None:
    """Both numbers, and what to do."""
    watcher.greeting = json.dumps({**make.GREETING, "quietbench": 2}).encode() + b"\n"
    with pytest.raises(ProtocolError, match=r"version 2 .* version 1: install"):
        SocketClient(watcher.path).connect()


def test_a_watcher_that_hangs_does_not_hang_its_reader(watcher: Fake) -> None:
    """Neither at the greeting nor at an answer."""
    watcher.answers["status"] = lambda _: None
    with SocketClient(watcher.path, timeout_s=0.05) as client, pytest.raises(LostError, match="hangs"):
        client.request("status")
    watcher.greeting = b""
    with pytest.raises(LostError, match="a greeting"):
        SocketClient(watcher.path, timeout_s=0.05).connect()


def test_a_line_that_never_ends_is_cut_off(watcher: Fake) -> None:
    """A peer can't fill this process's memory."""
    watcher.greeting = b"x" * (2 << 20)
    with pytest.raises(ProtocolError, match="without end"):
        SocketClient(watcher.path).connect()


def test_nobody_listens(tmp_path: Path) -> None:
    """No file, and a socket file whose process is gone."""
    left = tmp_path / "left.sock"
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(os.fspath(left))
    for path in (tmp_path / "none.sock", left):
        with pytest.raises(NobodyListensError, match=r"nobody listens at .*quietbench run"):
            SocketClient(path).connect()


def test_a_path_that_is_no_socket_is_named_so(tmp_path: Path) -> None:
    """A file or a folder given by mistake."""
    file = tmp_path / "notes.txt"
    file.write_text("x")
    for path in (file, tmp_path):
        with pytest.raises(ProtocolError, match="is no socket"):
            SocketClient(path).connect()


def test_a_path_too_long_for_a_socket_is_named_so(tmp_path: Path) -> None:
    """The system's own message would be a riddle."""
    with pytest.raises(SocketError, match="at most 107 bytes"):
        SocketClient(tmp_path / ("x" * 120)).connect()


def test_no_permission_says_which_group(watcher: Fake, monkeypatch: pytest.MonkeyPatch) -> None:
    """The way in is the socket's group."""

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    with pytest.raises(NotAllowedError, match="join the socket's group"):
        SocketClient(watcher.path).connect()
    assert stat.S_ISSOCK(watcher.path.stat().st_mode)


def test_a_client_that_was_never_connected_says_so(tmp_path: Path) -> None:
    """A mistake of the caller, told as such."""
    with pytest.raises(LostError, match="call connect"):
        SocketClient(tmp_path / "s").request("status")


def test_answers_are_found_between_lines_of_a_stream(watcher: Fake, make: Any) -> None:
    """A request on a following connection still gets its own answer."""
    with SocketClient(watcher.path) as client:
        next(client.follow())
        watcher.wait_follower()
        threading.Thread(target=watcher.say, args=({"bench": make.open_bench()},)).start()
        assert client.request("status")["followers"] == 1
