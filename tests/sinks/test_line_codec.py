"""Line protocol as bytes: read back by a parser of our own and compared with the client library's writer."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client.client.write.point import Point

from quietbench.daemon.core.convert.base import Sense
from quietbench.daemon.core.records import AlarmState, BenchState, EventKind, Quality
from quietbench.daemon.sinks.line_codec import ALARM_STATE, BENCH_STATE, LineCodec, tag_value
from quietbench.drivers.samples import Reason
from tests.sinks.kit import event, reading

CODEC = LineCodec("Rework room two", "room-2")
TAGS = {
    "quietbench": ["bench", "channel", "quantity", "site", "watcher"],
    "quietbench_alarm": ["bench", "channel", "limit", "site", "watcher"],
    "quietbench_bench": ["bench", "site", "watcher"],
}


def parse(line: bytes) -> tuple[str, dict[str, str], dict[str, float], int]:
    """Read one line as the protocol describes it: blanks and commas part what no backslash guards."""
    text = line.decode()
    assert "\n" not in text
    assert "\r" not in text
    key, fields, stamp = re.split(r"(?<!\\) ", text)
    measurement, *tags = re.split(r"(?<!\\),", key)
    pairs = [re.split(r"(?<!\\)=", tag) for tag in tags]
    read = {name: re.sub(r"\\([,= ])", r"\1", value) for name, value in pairs}
    return measurement, read, {n: float(v) for n, v in (f.split("=") for f in fields.split(","))}, int(stamp)


def test_reading_is_one_line_of_floats() -> None:
    """Value, uncertainty, quality, bound and reason, with the fixed tags and nanoseconds."""
    one = reading(1)._replace(wall_ns=1_930_000_000_123_456_789)
    assert CODEC.reading(one) == (
        b"quietbench,bench=bench-1,channel=bench-1/strap,quantity=strap_contact,site=Rework\\ room\\ two,"
        b"watcher=room-2 value=1.0,u=0.0,quality=0.0,bound=0.0,reason=0.0 1930000000123456789"
    )


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_left_out(value: float | None) -> None:
    """NaN never goes out, and the line still says that the reading is bad and why."""
    _, _, fields, _ = parse(CODEC.reading(reading(1, value=value, reason=Reason.UNPLUGGED)._replace(u=value)))
    assert fields == {"quality": 2.0, "bound": 0.0, "reason": float(Reason.UNPLUGGED.value)}


@pytest.mark.parametrize(
    ("sense", "bound"), [(Sense.LESS_THAN, -1.0), (Sense.EQUAL, 0.0), (Sense.MORE_THAN, 1.0)]
)
def test_bounds_are_told_from_values(sense: Sense, bound: float) -> None:
    """A number beyond what the circuit resolves is marked as a bound."""
    assert parse(CODEC.reading(reading(1)._replace(sense=sense)))[2]["bound"] == bound


def test_uncertain_is_between_good_and_bad() -> None:
    """Quality has an order."""
    qualities = [
        parse(CODEC.reading(reading(1)._replace(quality=quality)))[2]["quality"] for quality in Quality
    ]
    assert qualities == [0.0, 1.0, 2.0]


def test_alarm_and_bench_events_are_states() -> None:
    """An alarm's and a bench's new state are numbers; other events have no line."""
    alarm = CODEC.event(event(1))
    bench = CODEC.event(event(2, kind=EventKind.BENCH, subject="bench-1", body={"to": "open"}))
    assert alarm is not None
    assert bench is not None
    assert parse(alarm)[:3] == (
        "quietbench_alarm",
        {
            "bench": "bench-1",
            "channel": "bench-1/strap",
            "limit": "closed",
            "site": "Rework room two",
            "watcher": "room-2",
        },
        {"state": 1.0, "priority": 3.0},
    )
    assert parse(bench)[2] == {"state": 3.0}
    assert CODEC.event(event(3, kind=EventKind.COMMAND, subject="x", body={})) is None


def test_tags_and_fields_share_no_name() -> None:
    """Some servers refuse a measurement in which a tag and a field have one name."""
    lines = [CODEC.reading(reading(1)), CODEC.event(event(2))]
    lines += [CODEC.event(event(3, kind=EventKind.BENCH, subject="bench-1", body={"to": "held"}))]
    for line in lines:
        assert line is not None
        measurement, tags, fields, _ = parse(line)
        assert list(tags) == TAGS[measurement]
        assert not set(tags) & set(fields)


def test_every_state_has_a_number_of_its_own() -> None:
    """No state of the core is without a number, and no two share one."""
    for words, codes in (
        ({state.value for state in AlarmState}, ALARM_STATE),
        ({state.value for state in BenchState}, BENCH_STATE),
    ):
        assert words <= set(codes)
        assert len(set(codes.values())) == len(codes)


def test_unknown_state_is_an_error() -> None:
    """A state that has no number is not written as some number."""
    with pytest.raises(ValueError, match="wanted one of"):
        CODEC.event(event(1, body={"to": "dancing"}))


WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
FLOATS = st.one_of(st.none(), st.floats())


@given(
    site=WORDS,
    place=WORDS,
    word=WORDS,
    quantity=WORDS,
    value=FLOATS,
    u=FLOATS,
    stamp=st.integers(0, 2**63 - 1),
)
def test_any_words_and_numbers_make_a_line_that_reads_back(
    site: str, place: str, word: str, quantity: str, value: float | None, u: float | None, stamp: int
) -> None:
    """Quotes, blanks, commas, equals signs, line ends and backslashes never break a line or its tag set."""
    one = reading(1, channel=f"{place}/{word}")._replace(value=value, u=u, quantity=quantity, wall_ns=stamp)
    measurement, tags, fields, when = parse(LineCodec(site, "room-2").reading(one))
    assert (measurement, list(tags), when) == ("quietbench", TAGS["quietbench"], stamp)
    assert all(tags.values())
    assert all(math.isfinite(number) for number in fields.values())
    assert fields.get("value") == (value if value is not None and math.isfinite(value) else None)
    assert {"quality", "bound", "reason"} <= set(fields)


@given(
    st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"], exclude_characters="\\"), min_size=1)
)
def test_tags_are_escaped_as_the_client_library_does(text: str) -> None:
    """Where the library's own writer is right, ours gives the same bytes."""
    theirs = Point("m").tag("t", text).field("f", 1.0).to_line_protocol()  # type: ignore[no-untyped-call]
    assert theirs == f"m,t={tag_value(text)} f=1"


@given(WORDS)
def test_tags_have_no_control_characters_and_no_trailing_backslash(text: str) -> None:
    """What the protocol can't say is put in other words."""
    written = tag_value(text)
    assert not re.search(r"[\x00-\x1f\x7f]", written)
    assert not re.search(r"\\(?![,= ])", written)
    assert written
