"""Other limits over a thinned record against the truth: a watcher that had these limits and saw every sample."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietbench.daemon.core.plan import Limit, Plan, Priority, Requirement
from quietbench.daemon.core.records import Event, EventKind
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.upkeep.amending import parse_setting, with_settings
from quietbench.daemon.upkeep.comparing import AlarmDifference, Comparison, compare_limits
from quietbench.daemon.upkeep.figures import Period
from quietbench.daemon.upkeep.occurrences import change_of
from quietbench.daemon.upkeep.tally import Tally
from tests.upkeep.memory import Memory
from tests.upkeep.recording import (
    MS,
    OWN,
    SECOND,
    Sample,
    bench,
    closed,
    humidity,
    mat,
    plan_of,
    recorded,
    strap,
)

CLOSED = "b/strap:closed"


def setting(*texts: str) -> Callable[[Plan], Plan]:
    parsed = [parse_setting(text) for text in texts]
    return lambda plan: with_settings(plan, parsed)


def upper(bound: float = 2.6e8, deadband: float = 2e7, *, on_ns: int = 0, off_ns: int = 0) -> Limit:
    return Limit(
        "upper", Requirement.BELOW, bound, OWN, Priority.HIGH,
        deadband=deadband, on_delay_ns=on_ns, off_delay_ns=off_ns, protects=True,
    )  # fmt: skip


def bench_plan(*, on_ns: int = 0, off_ns: int = 0, limit: Limit | None = None) -> Plan:
    channels = [strap("b", closed(on_delay_ns=on_ns, off_delay_ns=off_ns)), mat("b", limit or upper())]
    return plan_of(channels, [bench("b")])


def truth(plan: Plan, samples: Iterable[Sample], until_ns: int) -> Tally:
    """What a watcher with this plan would have counted."""
    tally = Tally(Period(-1, until_ns, until_ns))
    for record in recorded(plan, samples):
        if isinstance(record, Event) and record.kind is EventKind.ALARM:
            tally.alarm(change_of(record.monotonic_ns, record.subject, record.body))
        elif isinstance(record, Event) and record.kind is EventKind.BENCH:
            tally.bench(record.monotonic_ns, record.subject, str(record.body["to"]))
    tally.end_run(until_ns)
    return tally


def compared(plan: Plan, samples: Iterable[Sample], change: Callable[[Plan], Plan]) -> Comparison:
    return compare_limits(Memory((plan, recorded(plan, samples))), None, None, change)


def alarm(comparison: Comparison, name: str) -> AlarmDifference:
    return next((one for one in comparison.alarms if one.alarm == name), AlarmDifference(name, 0, 0, 0, 0))


def opening(at_s: float, lasting_ms: float) -> list[Sample]:
    at_ns = round(at_s * SECOND)
    return [(at_ns, 0, 0), (at_ns + round(lasting_ms * MS), 0, 1)]


START: list[Sample] = [(1, 0, 1), (2, 1, 2800)]
END: list[Sample] = [(200 * SECOND, 0, 1), (200 * SECOND, 1, 2800)]


def test_an_on_delay_takes_the_short_openings() -> None:
    """Counted, with the longest of those that no longer sound; the time that the bench was open stays."""
    samples = [*START, *opening(10, 190), *opening(20, 50), *opening(30, 5000), *END]
    found = compared(bench_plan(), samples, setting("b/strap.closed.on_delay_s=0.2"))
    one = alarm(found, CLOSED)
    assert (one.recorded, one.shown, one.exact) == (3, 1, True)
    assert (one.silenced, one.longest_silenced_ns) == (2, 190 * MS)
    (place,) = found.benches
    assert place.recorded_ns == place.shown_ns == 5240 * MS
    assert not place.differs


@pytest.mark.parametrize(("lasting_ms", "sounds"), [(199.999999, 0), (200, 1), (200.000001, 1)])
def test_an_on_delay_at_its_very_end(lasting_ms: float, sounds: int) -> None:
    """An opening that lasts exactly as long as the delay sounds: the delay goes before the sample."""
    samples = [*START, *opening(10, lasting_ms), *END]
    found = compared(bench_plan(), samples, setting("b/strap.closed.on_delay_s=0.2"))
    assert alarm(found, CLOSED).shown == sounds


def test_a_delay_taken_away_lets_all_sound() -> None:
    """Openings that the delay in force held back are in the record all the same."""
    samples = [*START, *opening(10, 100), *opening(20, 100), *END]
    found = compared(bench_plan(on_ns=300 * MS), samples, setting("b/strap.closed.on_delay_s=0"))
    one = alarm(found, CLOSED)
    assert (one.recorded, one.shown, one.silenced) == (0, 2, 0)


def test_the_same_limits_make_no_difference() -> None:
    """And nothing is called changed."""
    samples = [*START, *opening(10, 100), *END]
    found = compared(bench_plan(), samples, lambda plan: plan)
    assert found.changed == ()
    assert not found.differs


def test_only_what_lies_in_the_time_is_counted() -> None:
    """Though the run is replayed from its beginning."""
    samples = [*START, *opening(10, 100), *opening(100, 100), *END]
    plan = bench_plan()
    memory = Memory((plan, recorded(plan, samples)))
    since_ns = memory.runs[0].first_ns + 50 * SECOND
    found = compare_limits(memory, since_ns, None, setting("b/strap.closed.on_delay_s=0.2"))
    assert (alarm(found, CLOSED).recorded, alarm(found, CLOSED).shown) == (1, 0)


def test_an_alarm_goes_on_over_a_restart_under_the_other_limits() -> None:
    """One that stands at the end of a run is not counted again in the next."""
    plan = bench_plan(on_ns=500 * MS)
    first = [*START, (10 * SECOND, 0, 0), (10 * SECOND + 300 * MS, 1, 2900)]
    second = [(20 * SECOND, 0, 0), (20 * SECOND + 100 * MS, 0, 1), (30 * SECOND, 1, 2800)]
    memory = Memory((plan, recorded(plan, first)), (plan, recorded(plan, second, start_ns=19 * SECOND)))
    found = compare_limits(memory, None, None, setting("b/strap.closed.on_delay_s=0.2"))
    assert (alarm(found, CLOSED).recorded, alarm(found, CLOSED).shown) == (0, 1)
    assert found.runs == (1, 2)


def test_a_run_without_its_beginning_is_left_out() -> None:
    """And named."""
    plan = bench_plan()
    records = list(recorded(plan, [*START, *END]))[1:]
    found = compare_limits(Memory((plan, records)), None, None, setting("b/strap.closed.on_delay_s=0.2"))
    assert (found.runs, found.left_out) == ((), (1,))


def test_a_bound_beyond_what_a_circuit_resolves_is_read_when_lowered() -> None:
    """10 megohm instead of a gigohm that only a meter shows: the recorded readings are judged."""
    plan = bench_plan(
        limit=Limit("upper", Requirement.BELOW, 1e9, OWN, Priority.HIGH, entered=True, protects=True)
    )
    samples = [*START, *((SECOND * k, 1, 2800) for k in range(10, 60, 10)), *END]
    found = compared(plan, samples, setting("b/mat.upper=10Mohm"))
    one = alarm(found, "b/mat:upper")
    assert (one.recorded, one.shown, one.exact) == (0, 1, True)
    assert found.benches[0].shown_ns > found.benches[0].recorded_ns


def test_where_thinning_leaves_a_crossing_open_the_count_is_a_range() -> None:
    """A bound within the noise that thinning dropped."""
    samples = [*START, *((SECOND * k, 1, 2800) for k in range(10, 190, 10)), *END]
    close = mat("b").conversion.convert(2801.4).value / 1e6
    found = compared(bench_plan(), samples, setting(f"b/mat.upper={close}Mohm", "b/mat.upper.deadband=0ohm"))
    one = alarm(found, "b/mat:upper")
    assert (one.shown, one.fewest, one.most) == (0, 0, None)
    (place,) = found.benches
    assert place.least_ns == 0
    assert place.most_ns > 0


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("b/strap.closed.on_delay_s=0.6", "at most 0.5 s"),
        ("b/strap.close=1", "wanted one of b/strap.closed, b/mat.upper"),
        ("b/mat.upper=10", "a number with its unit"),
        ("b/mat.upper=10V", "a number with its unit"),
        ("b/mat.upper.colour=red", "wanted one of bound, deadband"),
        ("b/mat.upper.deadband=-1ohm", "wanted 0 or more"),
        ("nonsense", "wanted channel.limit=value"),
    ],
)
def test_what_can_not_be_asked_for_is_refused(text: str, wanted: str) -> None:
    """With what was got and what is wanted."""
    with pytest.raises(ConfigurationError, match=wanted):
        setting(text)(bench_plan())


STEPS_MS = st.sampled_from([1, 50, 100, 199, 200, 201, 400, 1500])
DELAYS_NS = st.sampled_from([0, 100 * MS, 200 * MS, 500 * MS])


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(STEPS_MS, st.integers(0, 1)), max_size=40), DELAYS_NS, DELAYS_NS, DELAYS_NS, DELAYS_NS
)
def test_delays_of_a_contact_are_replayed_as_they_would_have_been(
    steps: list[tuple[int, int]], on_ns: int, off_ns: int, other_on_ns: int, other_off_ns: int
) -> None:
    """Every change of a contact is kept, so the count is exact."""
    at_ns, samples = 0, list(START)
    for step_ms, raw in steps:
        at_ns += step_ms * MS
        samples.append((at_ns + 2, 0, raw))
    samples += [(at_ns + 10 * SECOND, 0, 1), (at_ns + 20 * SECOND, 0, 1)]
    change = setting(
        f"b/strap.closed.on_delay_s={other_on_ns / SECOND}",
        f"b/strap.closed.off_delay_s={other_off_ns / SECOND}",
    )
    plan = bench_plan(on_ns=on_ns, off_ns=off_ns)

    found = alarm(compared(plan, samples, change), CLOSED)

    true = truth(change(plan), samples, at_ns + 30 * SECOND)
    assert found.exact
    assert found.shown == true.alarms[CLOSED]


RAWS = st.integers(0, 12)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(RAWS, min_size=1, max_size=80),
    st.sampled_from([0.0, 2e5, 1e6]),
    st.floats(2794.5, 2806.5),
    st.sampled_from([0, SECOND, 3 * SECOND]),
    st.sampled_from([0, 500 * MS]),
)
def test_the_truth_lies_in_the_range(
    steps: list[int], deadband: float, at_raw: float, off_ns: int, on_ns: int
) -> None:
    """Noise around another bound, thinned by rules that knew nothing of it: alarms and open time are bounded."""
    samples = [*START, *((SECOND * (k + 1), 1, 2794 + step) for k, step in enumerate(steps))]
    last_ns = samples[-1][0]
    bound = mat("b").conversion.convert(at_raw).value
    plan = bench_plan()
    other = bench_plan(limit=upper(bound, deadband, on_ns=on_ns, off_ns=off_ns))

    found = compared(plan, [*samples, (last_ns + 1, 0, 0)], lambda _: other)

    true = truth(other, [*samples, (last_ns + 1, 0, 0)], last_ns + 1)
    one = alarm(found, "b/mat:upper")
    assert one.fewest <= true.alarms["b/mat:upper"]
    assert one.most is None or true.alarms["b/mat:upper"] <= one.most
    assert one.fewest <= one.shown
    (place,) = found.benches
    assert place.least_ns <= true.open_ns["b"] <= place.most_ns


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(290, 310), min_size=1, max_size=60), st.sampled_from([0.0, 0.002, 0.004]))
def test_another_deadband_is_bounded_too(steps: list[int], deadband: float) -> None:
    """Whether a dropped sample violated is known, whether it cleared is not."""
    low = Limit("low", Requirement.ABOVE, 0.3, OWN, Priority.LOW, deadband=0.002)
    plan = plan_of([humidity("r", low)])
    samples = [(SECOND * (k + 1), 0, raw) for k, raw in enumerate(steps)]
    other = with_settings(plan, [parse_setting(f"r/rh.low.deadband={100 * deadband}%RH")])

    found = alarm(compared(plan, samples, lambda _: other), "r/rh:low")

    true = truth(other, samples, samples[-1][0]).alarms["r/rh:low"]
    assert found.fewest <= true
    assert found.most is None or true <= found.most
