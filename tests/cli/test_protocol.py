"""The line codec, the typed lines, and the schema that says the same."""

from __future__ import annotations

import json
from importlib import resources
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.socket import protocol
from quietbench.daemon.socket.errors import ProtocolError
from quietbench.daemon.socket.lines import (
    AlarmLine,
    BenchLine,
    EventLine,
    Gap,
    Greeting,
    ReadingLine,
    Snapshot,
    parse_followed,
    printable,
)

SCHEMA = json.loads((resources.files("quietbench.config") / "schemas" / "socket.json").read_text())


WHO = {"person": "p", "role": "r", "why": "w"}


def validator(definition: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator({"$defs": SCHEMA["$defs"], "$ref": f"#/$defs/{definition}"})


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**400), 10**400)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(st.lists(st.binary(max_size=40), max_size=8))
def test_any_bytes_become_lines_however_they_are_cut(parts: list[bytes]) -> None:
    """Whole or in pieces, the same lines come out."""
    cut = protocol.LineSplitter()
    whole = protocol.LineSplitter()
    lines = [line for part in parts for line in cut.feed(part)]
    assert lines == whole.feed(b"".join(parts))
    assert cut.pending() == whole.pending()


@given(st.binary(max_size=80))
def test_any_line_decodes_to_an_object_or_a_protocol_error(line: bytes) -> None:
    """Nothing else ever comes out."""
    try:
        decoded: object = protocol.decode(line)
    except ProtocolError as problem:
        decoded = problem
    assert isinstance(decoded, dict) or "wanted" in str(decoded)


@pytest.mark.parametrize(
    "line", [b'{"a":NaN}', b'{"a":Infinity}', b"[1]", b"\xff", b"[" * 200_000, b'{"a":' + b"9" * 5000]
)
def test_what_is_no_json_object_is_refused(line: bytes) -> None:
    """No numbers that JSON lacks, no nesting or length that breaks the reader."""
    with pytest.raises(ProtocolError):
        protocol.decode(line)


def test_a_line_without_end_is_refused_before_it_fills_the_memory() -> None:
    """The bound holds for what has come, not only for what is whole."""
    splitter = protocol.LineSplitter(max_line_bytes=100)
    splitter.feed(b"x" * 100)
    with pytest.raises(ProtocolError, match="at most 100"):
        splitter.feed(b"x")


@given(st.dictionaries(st.text(max_size=8), json_values, max_size=4))
def test_what_is_encoded_decodes_to_the_same(line: dict[str, Any]) -> None:
    """And is exactly one line."""
    data = protocol.encode(line)
    assert data.count(b"\n") == 1
    assert protocol.decode(data) == line


def test_a_request_longer_than_a_watcher_takes_is_not_sent() -> None:
    """It would only close the connection."""
    with pytest.raises(ProtocolError, match="too long"):
        protocol.encode_request({"why": "x" * protocol.MAX_REQUEST_BYTES})


@given(
    st.sampled_from(["reading", "event", "bench", "gap", "ok"]),
    st.dictionaries(
        st.sampled_from(
            ["channel", "quantity", "unit", "time", "value", "u", "sense", "quality", "reason", "id"]
        ),
        json_values,
    )
    | json_values,
)
def test_any_object_is_a_known_line_or_a_protocol_error(kind: str, body: Any) -> None:
    """Faces never meet a wrong type."""
    try:
        line: object = parse_followed({kind: body})
    except ProtocolError as problem:
        line = problem
    assert line is None or isinstance(line, ReadingLine | EventLine | BenchLine | Gap | ProtocolError)


def test_a_watcher_may_say_more_than_this_version_knows(make: Any) -> None:
    """Unknown keys and unknown kinds of line are passed over."""
    assert BenchLine.parse({**make.bench_line(), "mood": "fine"}).state == "held"
    assert parse_followed({"weather": {}}) is None


def test_a_bench_without_paths_is_still_a_bench(make: Any) -> None:
    """The drawing is optional, the state is not."""
    line = make.bench_line()
    del line["paths"]
    assert BenchLine.parse(line).paths == ()
    with pytest.raises(ProtocolError, match="'state' is missing"):
        BenchLine.parse({key: value for key, value in line.items() if key != "state"})


def test_what_an_older_watcher_does_not_say_has_its_default(make: Any) -> None:
    """A view of this release follows a watcher that knows neither live work nor shelves."""
    line = make.bench_line()
    for key in ("cause", "grouped", "live", "live_until", "ready", "silenced"):
        del line[key]
    bench = BenchLine.parse(line)
    assert (bench.cause, bench.grouped, bench.live, bench.live_until) == ((), (), False, None)
    assert (bench.ready, bench.silenced) == ("", False)
    alarm = make.alarm_line()
    del alarm["until"]
    assert AlarmLine.parse(alarm).until is None
    assert Greeting.parse(make.GREETING).language == "en"


@pytest.mark.parametrize(
    "changes", [{"live": 1}, {"grouped": [3]}, {"cause": "cord"}, {"ready": True}, {"live_until": 5}]
)
def test_a_new_key_of_the_wrong_kind_is_an_error_that_names_it(make: Any, changes: dict[str, Any]) -> None:
    """Optional means that it may be missing, not that it may be anything."""
    with pytest.raises(ProtocolError, match=repr(next(iter(changes)))):
        BenchLine.parse(make.bench_line(**changes))


def test_no_text_can_steer_a_terminal(make: Any) -> None:
    """Escape sequences arrive as replacement marks."""
    bench = BenchLine.parse(make.bench_line(sentence="\x1b[2JAll\u202egone"))
    assert bench.sentence == "\ufffd[2JAll\ufffdgone"
    assert printable("22.4 ± 0.3 °C") == "22.4 ± 0.3 °C"


def test_the_schema_accepts_what_a_watcher_says(make: Any) -> None:
    """Every kind of line of the fake watcher, which speaks as the real one does."""
    validator("greeting").validate(make.GREETING)
    snapshot = make.two_benches()
    validator("answer").validate({"id": 1, "ok": snapshot})
    validator("snapshot").validate(snapshot)
    Snapshot.parse(snapshot)
    for line in ({"bench": make.open_bench()}, {"event": make.strap_alarm()}, {"gap": {"lost": 3}}):
        validator("followed").validate(line)
    validator("followed").validate(
        {"reading": make.reading_line("a/b", "mat_resistance", "ohm", None, reason="silent")}
    )


@pytest.mark.parametrize(
    "line",
    [
        {"reading": {"channel": "a/b"}},
        {"bench": {"bench": "a"}},
        {"gap": {"lost": 0}},
        {"gap": {}},
        {"reading": {}, "event": {}},
    ],
)
def test_the_schema_refuses_what_no_watcher_says(line: dict[str, Any]) -> None:
    """It is a contract, not a comment."""
    assert not validator("followed").is_valid(line)


@pytest.mark.parametrize(
    ("request_line", "valid"),
    [
        ({"id": 1, "do": "follow"}, True),
        ({"id": 2, "do": "status"}, True),
        ({"id": 3, "do": "acknowledge", "alarm": "a/b:c", "person": "p", "role": "r", "why": "w"}, True),
        (
            {
                "id": 4,
                "do": "enter",
                "channel": "a/b",
                "value": 2.4e7,
                "instrument": "i",
                "person": "p",
                "role": "r",
                "why": "w",
            },
            True,
        ),
        ({"id": 3, "do": "acknowledge", "alarm": "a/b:c", "person": "p", "role": "r"}, False),
        ({"id": 4, "do": "enter", "channel": "a/b", "value": "24 Mohm", "person": "p"}, False),
        ({"do": "dance"}, False),
        ({"id": 5, "do": "reset", "alarm": "a/b:c", **WHO}, True),
        ({"id": 5, "do": "shelve", "alarm": "a/b:c", "for_s": 1200.0, **WHO}, True),
        ({"id": 5, "do": "shelve", "alarm": "a/b:c", **WHO}, False),
        ({"id": 5, "do": "shelve", "alarm": "a/b:c", "for_s": 0, **WHO}, False),
        ({"id": 5, "do": "live", "bench": "b", "for_s": 7200, **WHO}, True),
        ({"id": 5, "do": "live", "bench": "b", "for_s": 14401, **WHO}, False),
        ({"id": 5, "do": "silence", "bench": "b", "detail": {"by": "page"}, **WHO}, True),
        ({"id": 5, "do": "ready", "bench": "b", "result": "passed", "detail": {}, **WHO}, True),
        ({"id": 5, "do": "ready", "bench": "b", "result": "correct", **WHO}, False),
    ],
)
def test_the_schema_knows_requests(request_line: dict[str, Any], *, valid: bool) -> None:
    """Who, in which role and why belong to every command."""
    assert validator("request").is_valid(request_line) is valid


def test_the_schema_knows_every_command_that_the_watcher_takes() -> None:
    """With the same keys; the watcher's desk and the schema can't drift apart."""
    from quietbench.daemon.watcher.desk import DOES, FIELDS

    assert {ref["$ref"].rpartition("/")[2] for ref in SCHEMA["$defs"]["request"]["oneOf"]} == set(DOES)
    for do, fields in FIELDS.items():
        known = SCHEMA["$defs"][do]
        assert set(known["required"]) == {"id", "do", "person", "role", "why", *fields}, do
        assert set(known["properties"]) == {*known["required"], "detail"}, do


def test_the_schema_knows_every_state_of_alarm_and_bench() -> None:
    """Those of the core, but for the one that is not served."""
    from quietbench.daemon.core.records import AlarmState, BenchState

    states = {state.value for state in AlarmState} - {"normal"}
    assert set(SCHEMA["$defs"]["alarm"]["properties"]["state"]["enum"]) == states
    assert set(SCHEMA["$defs"]["bench"]["properties"]["state"]["enum"]) == {s.value for s in BenchState}


def test_the_schema_is_one() -> None:
    """It keeps to the draft it names."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
