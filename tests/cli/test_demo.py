"""The demonstration: its children, its story, its score, and the whole of it once."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import psutil
import pytest

from quietbench.daemon.cli.demo.children import Child, ChildError, SpeakingChild
from quietbench.daemon.cli.demo.story import Story
from quietbench.daemon.cli.demo.summary import (
    FILTER_NS,
    alarm_stands,
    caught,
    dropout_lines,
    strap_openings,
)
from quietbench.daemon.cli.demo.truth import Opening, TruthTail, openings
from quietbench.daemon.cli.exits import Exit
from quietbench.daemon.core.convert import Sense
from quietbench.daemon.core.records import EventKind, Quality
from quietbench.daemon.socket.lines import ReadingLine
from quietbench.daemon.store.stored import StoredEvent, StoredReading
from quietbench.simulators.model.electronics import STRAP_COMPARATOR, Comparator

Run = Any  # Command of conftest

MS = 1_000_000
S = 1_000_000_000


def opened(stretch: str, at_ns: int, bench: str = "bench-1") -> dict[str, Any]:
    return {"what": "opened", "bench": bench, "stretch": stretch, "start_ns": at_ns}


def closed(stretch: str, start_ns: int, end_ns: int, bench: str = "bench-1") -> dict[str, Any]:
    return {"what": "closed", "bench": bench, "stretch": stretch, "start_ns": start_ns, "end_ns": end_ns}


STARTED = {"what": "started", "scenario": "x", "seed": 1, "speed": 1.0, "start_ns": 10 * S}


# --- truth ---


def test_openings_that_overlap_are_one_for_the_loop() -> None:
    """The strap's current crosses band and cord alike."""
    lines = [
        closed("cord", 5, 9),
        closed("band", 8, 20),
        closed("mat", 1, 2),
        closed("cord", 30, 31),
        STARTED,
    ]
    assert openings(lines, frozenset({"cord", "band"})) == [
        Opening("bench-1", 5, 20),
        Opening("bench-1", 30, 31),
    ]


def test_a_half_written_line_waits_for_its_end(tmp_path: Path) -> None:
    """The file is read while it grows."""
    path = tmp_path / "truth.jsonl"
    tail = TruthTail(path)
    assert tail.new() == []
    path.write_text('{"what": "a"}\n{"wh')
    assert tail.new() == [{"what": "a"}]
    assert tail.new() == []
    with path.open("a") as file:
        file.write('at": "b"}\n')
    assert tail.new() == [{"what": "b"}]


# --- story ---


def test_the_story_tells_what_happens_at_the_benches() -> None:
    """From sitting down to a new cord."""
    story = Story()
    assert "invented site" in story.caption
    told: list[str] = []
    for lines, now_ns in (
        ([STARTED, opened("skin", 10 * S)], 10 * S),
        ([{"what": "presence", "bench": "bench-1", "present": False, "monotonic_ns": 10 * S}], 10 * S),
        ([{"what": "presence", "bench": "bench-1", "present": True, "monotonic_ns": 12 * S}], 12 * S),
        ([closed("skin", 10 * S, 14 * S)], 14 * S),
        ([opened("cord", 20 * S), closed("cord", 20 * S, 20 * S + 3 * MS)], 20 * S + 3 * MS),
        ([opened("cord", 21 * S), closed("cord", 21 * S, 21 * S + 2 * MS)], 21 * S + 2 * MS),
        ([opened("cord", 25 * S)], 25 * S),
        ([], 27 * S),
        ([closed("cord", 25 * S, 38 * S), {"what": "relay"}, {"what": "unheard of"}], 38 * S),
    ):
        story.feed(lines, now_ns)
        if not told or told[-1] != story.caption:
            told.append(story.caption)
    assert told[1:] == [
        "bench-1: somebody sits down.",
        "bench-1: the band goes on, the work begins.",
        "bench-1: the cord starts to let go: open for 3.0 ms, 1 so far.",
        "bench-1: the cord starts to let go: open for 2.0 ms, 2 so far.",
        "bench-1: the cord has broken, and stays open.",
        "bench-1: a new cord is in.",
    ]


def test_the_story_tells_how_the_air_dries() -> None:
    """From the readings: the truth leaves the air to its instruments."""
    story = Story()
    for humidity in (0.45, 0.43, 0.41):
        story.look([_humidity(humidity)])
    assert "invented site" in story.caption
    story.look([_humidity(0.39)])
    assert "the air dries from 45% to 39%" in story.caption


def _humidity(value: float) -> ReadingLine:
    return ReadingLine("room-2/humidity", "relative_humidity", "1", "", value, 0.01, "=", "good", None)


# --- score ---


def _event(at_ns: int, *, condition: bool, kind: EventKind = EventKind.ALARM) -> StoredEvent:
    body = {"condition": condition, "sentence": {"key": "open.strap_contact", "args": {}}}
    return StoredEvent(1, 1, 1, at_ns, at_ns, True, kind, "bench-1/strap:closed", body)


def test_an_alarm_stands_from_its_condition_to_its_end() -> None:
    """Acknowledging in between changes nothing of that."""
    events = [
        _event(1 * S, condition=True),
        _event(2 * S, condition=True),
        _event(2 * S, condition=True, kind=EventKind.BENCH),
        _event(4 * S, condition=False),
        _event(5 * S, condition=False),
        _event(7 * S, condition=True),
    ]
    stands = alarm_stands(events)
    assert [(stand.text, stand.lasted_ns) for stand in stands] == [
        ("Strap path open", 3 * S),
        ("Strap path open", None),
    ]


def _strap(at_ns: int, raw: int | None) -> StoredReading:
    return StoredReading(
        1, 1, 1, at_ns, at_ns, True, "bench-1/strap", "strap_contact", "1", raw, None, 1.0, 0.0,
        Sense.EQUAL, Quality.GOOD, None,
    )  # fmt: skip


def test_a_dropout_is_caught_when_what_was_seen_overlaps_it() -> None:
    """At the same bench, within the slack of two stamps."""
    seen = strap_openings([_strap(0, 1), _strap(100 * MS, 0), _strap(103 * MS, 1), _strap(104 * MS, None)])
    assert seen == [Opening("bench-1", 100 * MS, 103 * MS)]
    assert caught(Opening("bench-1", 99 * MS, 102 * MS), seen)
    assert not caught(Opening("bench-2", 99 * MS, 102 * MS), seen)
    assert not caught(Opening("bench-1", 90 * MS, 93 * MS), seen)


def test_what_is_still_open_at_the_end_was_seen_too() -> None:
    """The demonstration may end anywhere."""
    assert strap_openings([_strap(5, 0), _strap(6, 0)]) == [Opening("bench-1", 5, 5)]


def _truth(*openings_ms: tuple[float, float]) -> list[dict[str, object]]:
    return [
        {
            "what": "closed",
            "bench": "bench-1",
            "stretch": "cord",
            "start_ns": int(a * MS),
            "end_ns": int(b * MS),
        }
        for a, b in openings_ms
    ]


def test_an_opening_that_the_contact_can_not_show_is_not_called_missed() -> None:
    """Its own filter hides openings below about 2.5 ms; a longer one that is not on record was missed."""
    seen = [_strap(0, 1), _strap(100 * MS, 0), _strap(108 * MS, 1)]
    short = list(dropout_lines(seen, _truth((98, 108), (200, 202.1))))
    assert short == [
        "Strap dropouts: 2 happened, 1 are on record; the shortest lasted 2.1 ms.",
        "  1 too short to see (bench-1 2.1 ms):",
        "    the strap contact's own filter hides openings below about 2.5 ms.",
    ]
    assert list(dropout_lines(seen, _truth((98, 108), (200, 203.4))))[1:] == ["  1 missed (bench-1 3.4 ms)."]


def test_the_filter_hides_what_the_simulated_contact_does_not_show() -> None:
    """The bound is that of the simulator's comparator, from a discharged filter."""
    contact = Comparator(STRAP_COMPARATOR, 1.0)
    contact.set_loop(1e15)
    assert contact.next_crossing_s() * 1e9 == pytest.approx(FILTER_NS, rel=0.01)


# --- children ---


def python(code: str) -> list[str]:
    return [sys.executable, "-c", code]


@pytest.mark.slow
def test_a_child_that_fails_is_shown_with_its_last_words(tmp_path: Path) -> None:
    """Not with a riddle."""
    speaking = SpeakingChild(
        "simulators", python("raise SystemExit('no such scenario')"), tmp_path, says="ready", within_s=9
    )
    with (
        pytest.raises(
            ChildError, match=r"simulators ended with code 1; its last lines .*\n  no such scenario"
        ),
        speaking,
    ):
        pass
    silent = SpeakingChild(
        "simulators", python("import time; time.sleep(60)"), tmp_path, says="ready", within_s=0.2
    )
    with pytest.raises(ChildError, match=r"did not say 'ready' within 0\.2 s; it wrote nothing"), silent:
        pass
    assert silent.pid is not None
    assert not psutil.pid_exists(silent.pid)


@pytest.mark.slow
def test_a_child_that_never_opens_its_socket_is_named(tmp_path: Path) -> None:
    """Whether it lives or not."""
    with Child("watcher", python("import time; time.sleep(60)"), tmp_path) as child:
        with pytest.raises(ChildError, match=r"watcher did not open its socket within 0\.1 s"):
            child.wait_until("open its socket", tmp_path / "none", 0.1)
        child.check()
    ended = pytest.raises(ChildError, match=r"ended by itself with code 1; .*\n  bad file")
    with Child("watcher", python("import sys; sys.exit('bad file')"), tmp_path) as child, ended:
        child.wait_until("open its socket", tmp_path / "none", 9)


@pytest.mark.slow
def test_a_child_that_does_not_end_when_asked_is_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By its own number, after a while."""
    monkeypatch.setattr("quietbench.daemon.cli.demo.children.END_S", 0.2)
    ignore = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN)"
    code = f"{ignore}; print('ready', flush=True); time.sleep(60)"
    with SpeakingChild("watcher", python(code), tmp_path, says="ready", within_s=9) as child:
        pid = child.pid
    assert pid is not None
    assert not psutil.pid_exists(pid)


# --- the whole ---


@pytest.mark.slow
def test_the_demonstration_plays_and_leaves_nothing_behind(command: Run, tmp_path: Path) -> None:
    """Simulators, watcher, story and score, in a folder that is kept."""
    done = command("demo", "--seconds", 6, "--plain", "--folder", tmp_path / "run")
    assert (done.returncode, done.stderr) == (0, "")
    assert "connected: Rework room two" in done.stdout
    assert "* bench-1: somebody sits down." in done.stdout
    assert "bench-2 held: All watched paths held." in done.stdout
    assert "On record: " in done.stdout
    assert f"The store: {tmp_path / 'run' / 'store'}" in done.stdout
    truth = [json.loads(line) for line in (tmp_path / "run" / "truth.jsonl").read_text().splitlines()]
    assert truth[-1]["what"] == "stopped"
    assert not (tmp_path / "run" / "watcher.sock").exists()
    assert _of_folder(tmp_path / "run") == []


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_an_interrupted_demonstration_ends_its_children(command: Run, tmp_path: Path, number: int) -> None:
    """Whatever ends it."""
    process = command.start("demo", "--seconds", 50, "--plain", "--folder", tmp_path)
    assert process.stdout is not None
    while "connected" not in process.stdout.readline():
        assert process.poll() is None
    assert len(_of_folder(tmp_path)) == 2
    process.send_signal(number)
    output, _ = process.communicate(timeout=20)
    expected = {signal.SIGINT: Exit.INTERRUPTED, signal.SIGTERM: 128 + signal.SIGTERM}
    assert process.returncode == expected.get(signal.Signals(number), -number)
    if number == signal.SIGINT:
        assert "On record: " in output
    deadline = time.monotonic() + 10
    while _of_folder(tmp_path) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert _of_folder(tmp_path) == []


@pytest.mark.slow
def test_a_demonstration_that_can_not_start_says_why(command: Run, tmp_path: Path) -> None:
    """The watcher's own words about a broken file; a folder too deep for sockets."""
    (tmp_path / "demo.toml").write_text(
        'version = 1\n[watcher]\nsocket = "w.sock"\n[store]\nfolder = "store"\n'
    )
    done = command("demo", "--seconds", 5, "--plain", "--folder", tmp_path)
    assert done.returncode == Exit.RUN
    assert "quietbench: the watcher ended by itself with code 2; its last lines" in done.stderr
    assert "demo.toml" in done.stderr
    assert _of_folder(tmp_path) == []
    deep = command("demo", "--seconds", 5, "--folder", tmp_path / ("x" * 100))
    assert deep.returncode == Exit.INPUT
    assert "use a shorter one" in deep.stderr


def _of_folder(folder: Path) -> list[int]:
    """Return the children of demonstrations in a folder that live, by their command lines."""
    found = []
    for process in psutil.process_iter(["pid", "cmdline", "status"]):
        words = process.info["cmdline"] or []
        if (
            "-m" in words
            and any(str(folder) in word for word in words)
            and "quietbench.daemon.cli" not in words
        ):
            found.append(process.info["pid"])
    return [pid for pid in found if pid != os.getpid()]


@pytest.mark.slow
@pytest.mark.parametrize("text", ["x[", "version = 1"])
def test_a_demonstration_whose_file_was_spoilt_says_which_and_what_to_do(
    command: Run, tmp_path: Path, text: str
) -> None:
    """A changed configuration is played as it is; one that can't be is named, with no traceback."""
    (tmp_path / "demo.toml").write_text(text)
    done = command("demo", "--folder", str(tmp_path), "--seconds", "2")
    assert done.returncode == Exit.INPUT
    assert f"{tmp_path / 'demo.toml'}: can't be played" in done.stderr
    assert "quietbench check" in done.stderr


def test_the_command_never_imports_what_it_simulates() -> None:
    """What stands in for hardware stays on the other side of a process boundary."""
    code = "import sys, quietbench.daemon.cli.demo.play; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert "quietbench.simulators" not in loaded
