"""The view without a screen: one line for each change."""

from __future__ import annotations

from typing import Any

import pytest

from quietbench.daemon.cli.following import Connected, Gone
from quietbench.daemon.cli.live.plain import REPEAT_AFTER_S, Teller
from quietbench.daemon.cli.live.words import happening
from quietbench.daemon.socket.lines import BenchLine, EventLine, Gap, Greeting, ReadingLine, Snapshot


def told(teller: Teller, line: Any, now_s: float = 0.0) -> list[str]:
    return list(teller.tell(line, now_s))


def test_the_snapshot_is_told_in_full(make: Any) -> None:
    """Who watches, every bench, every reading."""
    teller = Teller()
    assert told(teller, Connected(Greeting.parse(make.GREETING), b"")) == [
        "connected: Rework room two, watcher room-2, run 12"
    ]
    lines = told(teller, Snapshot.parse(make.two_benches()))
    assert lines[0] == ("bench-1 held: All watched paths held. [lamp green, steady; buzzer silent; relay on]")
    assert "08:00:00 room-2 humidity 31.2 ± 1.0 %RH" in lines
    assert "08:00:00 bench-1 mat 22.41 ± 0.31 Mohm" in lines


def test_a_bench_is_told_again_only_when_it_differs(make: Any) -> None:
    """And says where the break is."""
    teller = Teller()
    first = told(teller, BenchLine.parse(make.open_bench()))
    assert first[0].endswith("(open at skin, band, cord, jack)")
    assert told(teller, BenchLine.parse(make.open_bench())) == []
    assert len(told(teller, BenchLine.parse(make.bench_line()))) == 1


def test_a_number_that_wanders_is_told_now_and_then(make: Any) -> None:
    """Ten readings a second would be a flood."""
    teller = Teller()

    def mat(ohm: float, now_s: float, **changes: Any) -> list[str]:
        line = make.reading_line("bench-1/mat", "mat_resistance", "ohm", ohm, u=3e5, **changes)
        return told(teller, ReadingLine.parse(line), now_s)

    assert len(mat(2.2e7, 0.0)) == 1
    assert mat(2.3e7, 1.0) == []
    assert len(mat(2.4e7, REPEAT_AFTER_S)) == 1
    assert mat(2.4e7, 3 * REPEAT_AFTER_S) == [], "the same is not told twice"
    assert len(mat(3.4e8, REPEAT_AFTER_S + 0.1, sense=">")) == 1, "a bound is news"
    assert len(mat(2.4e7, REPEAT_AFTER_S + 0.2, quality="bad", reason="stuck")) == 1


def test_a_contact_that_moves_is_told_at_once(make: Any) -> None:
    """Open and closed differ in kind."""
    teller = Teller()
    closed = ReadingLine.parse(make.reading_line("bench-1/strap", "strap_contact", "1", 1.0))
    opened = ReadingLine.parse(make.reading_line("bench-1/strap", "strap_contact", "1", 0.0))
    assert told(teller, closed) == ["08:00:00 bench-1 strap closed"]
    assert told(teller, opened, 0.01) == ["08:00:00 bench-1 strap open"]


def test_a_gap_and_an_absence_are_told(make: Any) -> None:
    """After an absence every bench is told anew."""
    teller = Teller()
    told(teller, BenchLine.parse(make.bench_line()))
    assert told(teller, Gap(3)) == ["gap: 3 lines left out, this reader was too slow"]
    assert told(teller, Gone("connection closed", 1.0)) == [
        "watcher gone: connection closed; nobody watches these paths"
    ]
    assert len(told(teller, BenchLine.parse(make.bench_line()))) == 1


def test_one_bench_alone(make: Any) -> None:
    """With its room and the watcher, without its neighbours."""
    teller = Teller(only="bench-2")
    lines = told(teller, Snapshot.parse(make.two_benches()))
    assert not any("bench-1" in line for line in lines)
    assert any(line.startswith("bench-2 held") for line in lines)
    assert any("room-2" in line for line in lines)
    assert told(teller, EventLine.parse(make.strap_alarm())) == []


@pytest.mark.parametrize(
    ("kind", "subject", "body", "text"),
    [
        ("bench", "bench-1", {"from": None, "to": "held", "open": [], "unknown": []}, "is held"),
        ("bench", "bench-1", {"from": "open", "to": "held", "open": [], "unknown": []}, "open → held"),
        (
            "bench",
            "bench-1",
            {"from": "open", "to": "open", "open": ["bench-1/mat"], "unknown": ["bench-1/jack"]},
            "still open: mat, jack",
        ),
        ("command", "bench-1/strap:closed", {"do": "acknowledge", "person": "p1"}, "acknowledge by p1"),
        ("clock", "watcher", {}, "the clock was set"),
        ("due", "bench-1", {}, None),
        ("alarm", "a/b:c", {"to": "normal", "sentence": "nonsense", "alarm": "a/b:c"}, "over: a/b:c"),
        ("bench", "b", {"to": "\x1b[2J", "from": 5, "open": 7}, "5 → \ufffd[2J"),
        ("weather", "b", {}, None),
    ],
)
def test_events_are_told_in_words(
    make: Any, kind: str, subject: str, body: dict[str, Any], text: str | None
) -> None:
    """What only the record needs is not told; nonsense in a body breaks nothing."""
    line = {**make.event_line("bench", subject), "kind": kind, "body": body}
    said = happening(EventLine.parse(line))
    assert (said.text if said else None) == text


@pytest.mark.parametrize(
    ("body", "text"),
    [
        ({"to": "unacknowledged", "cause": "condition"}, "Strap path open (high alarm)"),
        ({"to": "unacknowledged", "cause": "sounds again"}, "sounds again: Strap path open (high alarm)"),
        (
            {"to": "unacknowledged", "cause": "back, condition stands"},
            "shown again: Strap path open (high alarm)",
        ),
        ({"to": "latched unacknowledged"}, "over, latched, not acknowledged: Strap path open"),
        ({"to": "latched acknowledged"}, "acknowledged, waits for reset: Strap path open"),
        ({"to": "shelved", "until_ns": 1_206_000_000_000}, "shelved until 08:20:01: Strap path open"),
        ({"to": "shelved", "until_ns": "soon"}, "shelved: Strap path open"),
        ({"to": "shelved", "until_ns": 10**40}, "shelved: Strap path open"),
        ({"to": "suppressed by design"}, "suppressed by design: Strap path open"),
        ({"to": "out of service"}, "out of service: Strap path open"),
        ({"to": "shelved", "sentence": {"key": "limit", "args": {}}}, "shelved: bench-1/strap:closed"),
    ],
)
def test_the_life_of_an_alarm_is_told_in_words(make: Any, body: dict[str, Any], text: str) -> None:
    """Each state as what it means; an alarm that never stood by its name."""
    line = make.strap_alarm()
    said = happening(EventLine.parse({**line, "body": {**line["body"], **body}}))
    assert said is not None
    assert said.text == text


def test_declared_states_and_first_cause_stand_with_the_bench(make: Any) -> None:
    """And a change of them alone is told."""
    teller = Teller()
    changes: dict[str, Any] = {
        "live": True,
        "live_until": "2031-03-02T10:00:00.000000Z",
        "ready": "missing",
        "silenced": True,
        "cause": ["bench-1/common_point"],
        "grouped": ["bench-1/strap:closed"],
    }
    [line] = told(teller, BenchLine.parse(make.bench_line(**changes)))
    assert (
        "live work until 10:00:00: straps off; not checked before work; buzzer silenced for a while]" in line
    )
    assert "(first cause: common point; grouped under it: strap:closed)" in line
    assert len(told(teller, BenchLine.parse(make.bench_line(**{**changes, "ready": "passed"})))) == 1


def test_the_snapshot_tells_every_alarm_that_is_not_normal(make: Any) -> None:
    """The hidden ones with their end."""
    shelved = make.alarm_line(state="shelved", until="2031-03-02T08:20:00.000000Z")
    out = make.alarm_line("bench-2/mat:fault", state="out of service", priority="low")
    lines = told(Teller(), Snapshot.parse({**make.two_benches(), "alarms": [shelved, out]}))
    assert "08:00:01 bench-1/strap:closed shelved until 08:20:00 (high): Strap path open: take" in "\n".join(
        lines
    )
    assert any(" bench-2/mat:fault out of service until put back (low): " in line for line in lines)


def test_a_bench_event_tells_what_is_declared(make: Any) -> None:
    """Live work, the check before work, silence."""
    body = {"to": "open", "open": [], "unknown": [], "live": True, "ready": "failed", "silenced": True}
    line = make.event_line("bench", "bench-1", **{"from": "open"}, **body)
    said = happening(EventLine.parse(line))
    assert said is not None
    assert said.text == "still open (live work, check before work failed, silenced)"


def test_a_command_to_a_bench_names_it(make: Any) -> None:
    """Not only one to an alarm of its."""
    line = make.event_line("command", "bench-1", do="live", bench="bench-1", person="p1")
    said = happening(EventLine.parse(line))
    assert said is not None
    assert (said.place, said.text) == ("bench-1", "live by p1")
