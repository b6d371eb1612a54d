"""The reader: what comes out is what went in, with values from the conversion that was in force."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from quietbench.daemon.core.codec import canonical, channel_spec, plan_from_json, plan_to_json
from quietbench.daemon.core.convert import Contact, Divider, Sense
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.plan import Bench, Channel, Limit, Plan, Priority, Requirement, Source
from quietbench.daemon.core.records import Event, EventKind, Quality, Reading, Record
from quietbench.daemon.core.replay import kept, replay
from quietbench.daemon.store.errors import StoreError
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import STORE_SUBJECT, RunStart
from quietbench.drivers.samples import Reason
from tests.store.kit import CHANNELS, NS, Site, event, reading, run_start

OWN = Source("own rule", "", "", "own choice")


def test_readings_come_back_as_the_core_made_them(site: Site) -> None:
    """Value, uncertainty, sense, quality and reason are the core's, raw keeps its type."""
    records = [
        reading(1, 1),
        reading(2, 0),
        reading(3, 2816, channel=1),
        reading(4, 4095, channel=1),
        reading(5, 12.5, channel=1, reason=Reason.STUCK),
        reading(6, None, channel=1, given=Reason.SILENT),
        reading(7, 100, channel=1, given=Reason.OVERDUE_CALIBRATION),
    ]
    writer = site.started()
    writer.put(records)
    writer.stop(5)
    stored = site.reader.readings_after(0, 99)

    assert [s.channel for s in stored] == [CHANNELS[r.channel].name for r in records]
    assert [(s.quantity, s.unit) for s in stored] == [
        (CHANNELS[r.channel].quantity, CHANNELS[r.channel].unit) for r in records
    ]
    same = ("count", "monotonic_ns", "raw", "given", "value", "u", "sense", "quality", "reason")
    assert [[getattr(s, name) for name in same] for s in stored] == [
        [getattr(r, name) for name in same] for r in records
    ]
    assert [type(s.raw) for s in stored] == [type(r.raw) for r in records]
    assert stored[3].sense is Sense.MORE_THAN
    assert [s.quality for s in stored[4:]] == [Quality.BAD, Quality.BAD, Quality.UNCERTAIN]


def test_old_readings_keep_the_conversion_of_their_time(site: Site) -> None:
    """A new calibration changes what is made from now on, never what was recorded."""
    old, new = CHANNELS[1], replace(CHANNELS[1], conversion=Divider(series_ohm=2e7))
    for channel in (old, new, old):
        writer = site.writer()
        writer.start(run_start(site.clock, (CHANNELS[0], channel)))
        writer.put([reading(1, 2000, channel=1)])
        writer.stop(5)
    values = [stored.value for stored in site.reader.readings_after(0, 9)]

    assert values == [channel.conversion.convert(2000).value for channel in (old, new, old)]
    assert site.rows("SELECT count(*) FROM series") == [(3,)]


def test_events_come_back_with_their_body(site: Site) -> None:
    """Bodies are JSON, any letters included."""
    body: dict[str, object] = {
        "to": "open",
        "open": ["bench-1/cord"],
        "value": 1.5,
        "note": "Ω °C ☂",
        "no": None,
    }
    writer = site.started()
    writer.put([event(1, EventKind.BENCH, "bench-1", body)])
    writer.stop(5)
    (stored,) = site.reader.events_after(0, 9)

    assert (stored.kind, stored.subject, stored.body) == (EventKind.BENCH, "bench-1", body)
    assert site.rows("SELECT body FROM event") == [(canonical(body),)]


def test_reading_by_number_begins_after_it_and_keeps_the_limit(site: Site) -> None:
    """A cursor names the last record it has."""
    writer = site.started()
    writer.put([reading(1), event(2), reading(3), event(4), reading(5)])
    writer.stop(5)

    assert [r.n for r in site.reader.readings_after(1, 1)] == [3]
    assert [r.n for r in site.reader.readings_after(3, 9)] == [5]
    assert [e.n for e in site.reader.events_after(4, 9)] == []
    assert site.reader.last_n() == 5


def alarm(count: int, to: str, subject: str = "bench-1/strap:closed") -> Event:
    body: dict[str, object] = {
        "alarm": subject, "channel": "bench-1/strap", "limit": "closed", "from": "normal", "to": to,
        "cause": "violated", "priority": "high", "value": 0.0, "u": 0.0, "sense": "=", "unit": "1",
        "requirement": ">=", "bound": 1.0, "reason": None, "condition": True,
    }  # fmt: skip
    return event(count, EventKind.ALARM, subject, body)


def test_last_state_of_every_alarm(site: Site) -> None:
    """Over runs, whatever else was recorded in between."""
    writer = site.started()
    writer.put([alarm(1, "unacknowledged"), event(2), alarm(3, "unacknowledged", "bench-2/mat:fault")])
    writer.stop(5)
    writer = site.started()
    writer.put([alarm(1, "acknowledged"), reading(2)])
    writer.stop(5)

    assert site.reader.alarm_states() == {
        "bench-1/strap:closed": "acknowledged",
        "bench-2/mat:fault": "unacknowledged",
    }


def test_alarm_states_are_found_without_reading_all_events(site: Site) -> None:
    """Years of events do not make a start slow: an index answers."""
    site.started().stop(5)
    plan = site.rows("EXPLAIN QUERY PLAN SELECT max(n) FROM event WHERE kind = 'alarm' GROUP BY subject")

    assert "event_of_alarm" in plan[0][3]


def test_alarm_view_shows_what_the_body_says(site: Site) -> None:
    """One row for each transition, with names fit for a table."""
    writer = site.started()
    writer.put([event(1), alarm(2, "unacknowledged")])
    writer.stop(5)

    assert site.rows(
        "SELECT n, alarm, channel, limit_name, from_state, to_state, cause, priority, value, unit, bound, condition"
        " FROM alarm"
    ) == [
        (2, "bench-1/strap:closed", "bench-1/strap", "closed", "normal", "unacknowledged", "violated", "high",
         0.0, "1", 1.0, 1)
    ]  # fmt: skip


def test_runs_tell_their_numbers_and_plan(site: Site) -> None:
    """A run without records has an empty range, and each names what was watched."""
    runs_of_records: list[list[Record]] = [[reading(1), event(2)], [], [event(1)]]
    for records in runs_of_records:
        writer = site.started()
        writer.put(records)
        writer.stop(5)
    runs = site.reader.runs()

    assert [(run.run, run.first_n, run.last_n) for run in runs] == [(1, 1, 2), (2, 3, 2), (3, 3, 3)]
    assert site.reader.plan(3) == run_start(site.clock).plan_json
    assert site.rows("SELECT count(*) FROM plan") == [(1,)]
    assert list(site.reader.inputs(2)) == []


def test_unknown_run_is_told(site: Site) -> None:
    """Asking for a run that never was is an error that names it."""
    site.started().stop(5)

    with pytest.raises(StoreError, match="run 9"):
        list(site.reader.inputs(9))


def test_inputs_are_what_decided_in_order(site: Site) -> None:
    """Readings, timers, commands, clock and run events of one run; nothing derived, nothing of the store's own."""
    records: list[Record] = [
        event(1, EventKind.RUN, "room", {"restored": {}}),
        event(2, EventKind.BENCH),
        reading(3, 0),
        alarm(4, "unacknowledged"),
        event(5, EventKind.DUE, "bench-1/strap:closed", {"due": "delay"}),
        reading(6, 3000, channel=1),
        event(7, EventKind.COMMAND, "bench-1/strap:closed", {"do": "acknowledge"}),
        event(8, EventKind.CLOCK, "watcher", {"step_ns": 5}),
        event(9, EventKind.DUE, "bench-1", {"due": "presence"}),
    ]
    for _ in range(2):
        writer = site.started()
        writer.put([event(-1, EventKind.RUN, STORE_SUBJECT, {"what": "store checked"}), *records])
        writer.stop(5)
    deciding = [record for record in records if record.count not in (2, 4)]

    for run in (1, 2):
        assert list(site.reader.inputs(run)) == deciding


def test_inputs_go_over_pages(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """A long run is read in short reads, with nothing lost or doubled where they meet."""
    monkeypatch.setattr("quietbench.daemon.store.read._CHUNK", 7)
    records: list[Record] = [
        reading(n) if n % 3 else event(n, EventKind.DUE, "b", {"due": "x"}) for n in range(1, 50)
    ]
    writer = site.started()
    writer.put(records)
    writer.stop(5)

    assert list(site.reader.inputs(1)) == records


def watched() -> Plan:
    """A strap with an on-delay and a mat with a limit in its noise."""
    strap = Channel(
        "bench-1/strap", "strap_contact", "1", Contact(),
        (Limit("closed", Requirement.AT_LEAST, 1.0, OWN, Priority.HIGH, on_delay_ns=NS // 5, protects=True),),
        frozenset({"bench-1/cord"}), Priority.HIGH,
    )  # fmt: skip
    mat = Channel(
        "bench-1/mat", "mat_resistance", "ohm", Divider(series_ohm=1e7, leakage_a=3e-11),
        (Limit("upper", Requirement.BELOW, 2.2e7, OWN, Priority.MEDIUM, deadband=1e6, protects=True),),
        frozenset({"bench-1/mat"}), thin_raw=3.0,
    )  # fmt: skip
    stretches = {"bench-1/cord": "earth", "bench-1/mat": "earth"}
    bench = Bench("bench-1", "Fine pitch", stretches, ("bench-1/cord", "bench-1/mat"))
    return Plan("site", "room", (bench,), (strap, mat), "own")


def live(plan: Plan, start_ns: int) -> list[Record]:
    """Run the core over some seconds of a strap that lets go and a mat near its limit."""
    core = Core(plan, start_ns)
    records = list(kept(core.start(start_ns, {"software": "0.1.0"}, {})))
    for step in range(400):
        now_ns = start_ns + step * NS // 10
        for due in core.due(now_ns):
            records += kept(core.let(due, now_ns))
        records += kept(core.feed(0, now_ns, 0 if 60 <= step % 100 < 63 or step % 100 > 80 else 1))
        records += kept(core.feed(1, now_ns + 1, 2810 + step * 7919 % 23, None))
        if step == 250:
            records += kept(
                core.command(
                    {"do": "acknowledge", "alarm": "bench-1/strap:closed", "person": "p1"}, now_ns + 2
                )
            )
    return records


def test_run_read_back_replays_to_the_byte(site: Site) -> None:
    """What the store gives back makes a fresh core give the same records."""
    plan = watched()
    start = site.clock.stamp()
    specs = tuple((channel.name, channel_spec(channel)) for channel in plan.channels)
    writer = site.writer()
    writer.start(
        RunStart(site.clock.boot, start.monotonic_ns, start.wall_ns, True, "0.1.0", plan_to_json(plan), specs)
    )
    records = live(plan, start.monotonic_ns)
    for record in records:
        writer.put([record])
    writer.stop(5)
    again = list(replay(plan_from_json(site.reader.plan(1)), site.reader.inputs(1)))

    assert again == records
    assert [canonical(r.body) for r in again if isinstance(r, Event)] == [
        canonical(r.body) for r in records if isinstance(r, Event)
    ]
    assert sum(isinstance(r, Event) and r.kind is EventKind.ALARM for r in records) >= 4
    assert sum(isinstance(r, Reading) for r in records) > 20


def test_without_a_store_the_reader_says_so(tmp_path: Path) -> None:
    """No file is made, and the error names the path."""
    with pytest.raises(StoreError, match=r"records\.db: can't be found"):
        StoreReader(tmp_path).last_n()

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("running", [False, True], ids=["log gone", "log there"])
def test_reader_follows_when_the_file_is_replaced(site: Site, running: bool) -> None:
    """A store that was moved aside and begun anew is read anew, with nothing kept of the old one."""
    writer = site.started()
    writer.put([reading(1), reading(2)])
    if running:
        site.until_stored(2)
    writer.stop(5)
    assert site.reader.readings_after(0, 9)[0].channel == "bench-1/strap"
    site.folder.rename(site.folder.with_name("aside"))
    writer = site.writer()
    writer.start(run_start(site.clock, (replace(CHANNELS[0], name="bench-9/strap"),)))
    writer.put([reading(1)])
    writer.stop(5)

    assert [r.channel for r in site.reader.readings_after(0, 9)] == ["bench-9/strap"]
