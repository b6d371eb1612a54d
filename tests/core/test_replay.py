"""What the core drops must not matter: the thinned record replays to the same events, to the byte."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietbench.daemon.core.codec import canonical, plan_from_json, plan_to_json
from quietbench.daemon.core.convert import Contact, Divider, Linear
from quietbench.daemon.core.engine import CommandError, Core
from quietbench.daemon.core.plan import Bench, Channel, Limit, Plan, Priority, Requirement, Source
from quietbench.daemon.core.records import Event, EventKind, Reading, Record
from quietbench.daemon.core.replay import kept, replay
from quietbench.drivers.samples import Reason

OWN = Source("own rule", "", "", "own choice")
MS = 1_000_000
WHO = {"person": "p1", "role": "operator", "why": "seen"}

Step = tuple[str, int, int, int, Reason | None]


def closed(*, on_delay_ms: int = 0, off_delay_ms: int = 0) -> Limit:
    return Limit(
        "closed",
        Requirement.AT_LEAST,
        1.0,
        OWN,
        Priority.HIGH,
        on_delay_ns=on_delay_ms * MS,
        off_delay_ns=off_delay_ms * MS,
        protects=True,
    )


def small_plan() -> Plan:
    """One bench with a gated strap, a mat with a limit in its noise, presence, and the room's humidity."""
    channels = (
        Channel(
            "b/strap",
            "strap_contact",
            "1",
            Contact(),
            (closed(on_delay_ms=200, off_delay_ms=300),),
            frozenset({"b/cord"}),
            Priority.HIGH,
            gated=True,
        ),
        Channel(
            "b/mat",
            "mat_resistance",
            "ohm",
            Divider(series_ohm=1e7, leakage_a=3e-11),
            (
                Limit("upper", Requirement.BELOW, 2.2e8, OWN, Priority.HIGH, deadband=2e7, protects=True),
                Limit("check", Requirement.BELOW, 1e9, OWN, Priority.HIGH, entered=True, protects=True),
            ),
            frozenset({"b/mat"}),
            thin_raw=3.0,
        ),
        Channel("b/presence", "presence", "1", Contact(), silent_after_ns=900 * MS),
        Channel(
            "room/rh",
            "relative_humidity",
            "1",
            Linear(0.001, low=0.0, high=1.0),
            (Limit("low", Requirement.ABOVE, 0.3, OWN, Priority.LOW, deadband=0.002, on_delay_ns=MS * 500),),
            thin_raw=2.0,
            heartbeat_ns=2000 * MS,
            stuck_after_ns=2500 * MS,
        ),
    )
    bench = Bench(
        "b",
        "B",
        {"b/cord": "b/stud", "b/stud": "earth", "b/mat": "b/stud"},
        ("b/cord", "b/mat"),
        presence=("b/presence",),
        presence_hold_ns=700 * MS,
    )
    return Plan("site", "w", (bench,), channels, "own")


RAWS = {
    0: st.sampled_from([0, 1]),
    1: st.integers(3900, 3935),
    2: st.sampled_from([0, 1]),
    3: st.integers(294, 306) | st.sampled_from([-5, 2000]),
}
REASONS = st.sampled_from([None] * 12 + [Reason.SILENT, Reason.BAD_CHECKSUM, Reason.WARMING_UP])


@st.composite
def histories(draw: st.DrawFn) -> list[Step]:
    """Draw steps of (what, ms since the last, channel, raw, reason); commands and late samples among them."""
    steps: list[Step] = []
    for _ in range(draw(st.integers(1, 60))):
        what = draw(st.sampled_from(["sample"] * 12 + ["wait", "acknowledge", "enter", "late"]))
        channel = draw(st.integers(0, 3))
        raw = draw(RAWS[channel])
        steps.append((what, draw(st.sampled_from([0, 1, 50, 100, 400, 1500])), channel, raw, draw(REASONS)))
    return steps


def live(plan: Plan, steps: list[Step]) -> list[Record]:
    """Run a core as the watcher does and return what it would store."""
    core = Core(plan, 0)
    records = list(
        kept(
            core.start(
                0, {"software": "test"}, {"b/strap:closed": {"state": "acknowledged", "standing": True}}
            )
        )
    )
    now = 0
    for what, ms, channel, raw, reason in steps:
        now += ms * MS
        for due in core.due(now):
            records += kept(core.let(due, now))
        if what == "sample":
            shown = None if reason in (Reason.SILENT, Reason.BAD_CHECKSUM) else raw
            records += kept(core.feed(channel, now, shown, reason))
        elif what == "late":
            records += kept(core.feed(channel, now - 60 * MS, raw))
        elif what == "enter":
            body = {"do": "enter", "channel": "b/mat", "value": channel * 5e8, "instrument": "i1", **WHO}
            records += kept(core.command(body, now))
        elif what == "acknowledge":
            for alarm in core.alarms():
                try:
                    records += kept(core.command({"do": "acknowledge", "alarm": alarm.name, **WHO}, now))
                except CommandError:
                    continue
    return records


def written(records: list[Record]) -> list[str]:
    """Say each record as the store would, so that "to the byte" means what it says."""
    lines = []
    for record in records:
        if isinstance(record, Reading):
            lines.append(repr((record.count, record.channel, record.monotonic_ns, record.raw, record.given)))
        else:
            body = canonical(record.body)
            lines.append(f"{record.count} {record.monotonic_ns} {record.kind} {record.subject} {body}")
    return lines


@settings(max_examples=400, deadline=None)
@given(histories())
def test_the_thinned_record_replays_to_the_byte(
    steps: list[Step],
) -> None:
    """Feeding only what was kept gives exactly what was kept."""
    plan = small_plan()
    records = live(plan, steps)

    again = list(replay(plan_from_json(plan_to_json(plan)), records))

    assert written(again) == written(records)


def test_thinning_drops_what_says_nothing_new() -> None:
    """A quiet contact polled for a minute leaves its first reading and one heartbeat."""
    core = Core(small_plan(), 0)
    core.start(0, {}, {})
    outputs = [core.feed(0, k * 100 * MS, 1) for k in range(601)]

    stored = [r for o in outputs for r in kept(o) if isinstance(r, Reading)]

    assert len(stored) == 2
    assert all(o for o in outputs), "live views still see every reading"


def test_a_run_must_begin_with_its_run_event() -> None:
    """A record cut at its head is refused, not misread."""
    stray = Event(1, 0, EventKind.ALARM, "x", {})

    with pytest.raises(ValueError, match="run event"):
        list(replay(small_plan(), [stray]))
