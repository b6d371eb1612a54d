"""What goes out is what the published schemas and the AsyncAPI document say."""

from __future__ import annotations

import importlib.resources
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft7Validator, FormatChecker
from referencing import Registry
from referencing.jsonschema import DRAFT7

from quietbench.daemon.core.alarm import AlarmInput
from quietbench.daemon.core.convert.base import Sense
from quietbench.daemon.core.records import AlarmState, BenchState, EventKind, Quality
from quietbench.daemon.sinks.payloads import readings_payload, utc_text
from quietbench.daemon.sinks.topics import Topics
from quietbench.daemon.watcher.desk import FIELDS
from quietbench.drivers.samples import Reason
from tests.sinks.fake_broker import FakeBroker, Published
from tests.sinks.kit import (
    RUN,
    STRAP_OPEN,
    CommandTaker,
    TestClock,
    bench_body,
    command,
    live,
    mqtt_options,
    mqtt_rig,
    reading,
    running,
)
from tests.support.brokers import wait_until

CONFIG = Path(str(importlib.resources.files("quietbench.config")))
NAMES = ("alarm", "bench", "command", "command-answer", "event", "reading", "readings", "status")
TAKEN = {"command"}
"""Schemas of what is taken, not said: there, keys that nobody knows are passed over."""
SCHEMAS: dict[str, Any] = {
    f"{name}.json": json.loads((CONFIG / "schemas" / f"{name}.json").read_text()) for name in NAMES
}
REGISTRY: Registry[Any] = Registry().with_resources(
    [(name, DRAFT7.create_resource(schema)) for name, schema in SCHEMAS.items()]
)
ASYNCAPI: dict[str, Any] = json.loads((CONFIG / "asyncapi.json").read_text())
TOPICS = Topics("quietbench", "room-2")


def validate(name: str, payload: object) -> None:
    Draft7Validator(SCHEMAS[f"{name}.json"], registry=REGISTRY, format_checker=FormatChecker()).validate(
        payload
    )


def resolve(reference: str) -> Any:
    """Return what a reference within the document points to."""
    found: Any = ASYNCAPI
    for part in reference.removeprefix("#/").split("/"):
        found = found[part]
    return found


def references(part: Any) -> Iterator[str]:
    if isinstance(part, dict):
        yield from (value for key, value in part.items() if key == "$ref")
        for value in part.values():
            yield from references(value)
    elif isinstance(part, list):
        for value in part:
            yield from references(value)


@pytest.mark.parametrize("name", NAMES)
def test_schema_is_one(name: str) -> None:
    """Each schema is valid by its own meta-schema and every member is described or speaks for itself."""
    Draft7Validator.check_schema(SCHEMAS[f"{name}.json"])
    assert ("additionalProperties" not in SCHEMAS[f"{name}.json"]) is (name in TAKEN)
    assert SCHEMAS[f"{name}.json"].get("additionalProperties", False) is False


def test_words_of_the_schemas_are_the_words_of_the_code() -> None:
    """States, kinds, qualities and senses in the schemas are those the core has, all of them."""
    event, one = SCHEMAS["event.json"], SCHEMAS["reading.json"]["properties"]
    assert set(event["properties"]["kind"]["enum"]) == {kind.value for kind in EventKind}
    assert set(one["quality"]["enum"]) == {quality.value for quality in Quality}
    assert set(one["sense"]["enum"]) == {sense.value for sense in Sense}
    alarms, benches = {state.value for state in AlarmState}, {state.value for state in BenchState}
    assert set(SCHEMAS["alarm.json"]["properties"]["state"]["enum"]) == alarms
    assert set(event["definitions"]["alarm_body"]["properties"]["from"]["enum"]) == alarms
    assert set(event["definitions"]["alarm_body"]["properties"]["to"]["enum"]) == alarms
    causes = {happening.value for happening in AlarmInput}
    assert set(event["definitions"]["alarm_body"]["properties"]["cause"]["enum"]) == causes
    assert set(SCHEMAS["bench.json"]["properties"]["state"]["enum"]) == benches
    assert set(event["definitions"]["bench_body"]["properties"]["to"]["enum"]) == benches


def test_commands_of_the_schema_are_those_that_are_taken() -> None:
    """Every command has its own keys in the schema, those that the watcher asks for."""
    schema = SCHEMAS["command.json"]
    asked = {
        rule["if"]["properties"]["do"]["const"]: set(rule["then"]["required"]) for rule in schema["allOf"]
    }
    assert asked == {do: set(keys) for do, keys in FIELDS.items()}
    assert set(schema["properties"]["do"]["enum"]) == set(FIELDS)
    assert {key for keys in FIELDS.values() for key in keys} <= set(schema["properties"])


def test_references_of_the_document_lead_somewhere() -> None:
    """Every reference names a part of the document or a schema file beside it."""
    found = list(references(ASYNCAPI))
    assert found
    for reference in found:
        if reference.startswith("#/"):
            assert resolve(reference), reference
        else:
            assert (CONFIG / reference).is_file(), reference


def test_every_address_parameter_is_declared() -> None:
    """The parameters of a topic are those that its address names."""
    for channel in ASYNCAPI["channels"].values():
        named = {part[1:-1] for part in channel["address"].split("/") if part.startswith("{")}
        assert named == set(channel["parameters"])


def channel_of(topic: str) -> str:
    """Return the name of the channel that a topic belongs to."""
    levels = topic.split("/")
    for name, channel in ASYNCAPI["channels"].items():
        pattern = channel["address"].split("/")
        if len(pattern) == len(levels) and all(
            part.startswith("{") or part == level for part, level in zip(pattern, levels, strict=True)
        ):
            return str(name)
    raise AssertionError(f"no channel for {topic}")


WHO = {"person": "p1", "role": "operator", "why": 'a "quoted"\nline'}
OTHER_BODIES: list[tuple[EventKind, dict[str, Any]]] = [
    (EventKind.DUE, {"due": "shelf"}),
    (EventKind.COMMAND, {"do": "acknowledge", "alarm": STRAP_OPEN, "uid": 1000, **WHO}),
    (EventKind.COMMAND, {"do": "shelve", "for_s": 60.0, "uid": None, "by": "mqtt:line-control", **WHO}),
    (EventKind.CLOCK, {"quiet": True}),
    (EventKind.RUN, {"software": "0", "restored": {}, "benches": {}}),
    (EventKind.RUN, {"ended": True}),
    (EventKind.RUN, {"what": "store checked", "findings": []}),
]


@pytest.fixture(scope="module", params=[True, False], ids=["clock known", "no clock"])
def published(request: pytest.FixtureRequest) -> list[Published]:
    """One of everything that a watcher publishes, with and without a known clock."""
    known = request.param
    with FakeBroker() as broker:
        options = mqtt_options(broker.port, username="watcher", commands=("line-control",))
        rig = mqtt_rig(options, TestClock(is_known=known), command=CommandTaker().take)
        rig.store.states["bench-1/strap:fault"] = "acknowledged"
        with running(rig.sink):
            wait_until(lambda: broker.on(TOPICS.status), "the status")
            rig.sink.offer(live(1))
            rig.sink.offer(live(10, subject="bench-1/strap:fault", to="shelved", until_ns=10**15))
            bench = bench_body(live=True, silenced=True)
            rig.sink.offer(live(2, EventKind.BENCH, "bench-1", **bench))
            rig.add_events([3], known=known)
            rig.add_events([4], known=known, run=RUN - 5)
            rig.add_events([5], kind=EventKind.BENCH, subject="bench-1", body=bench, known=known)
            for n, (kind, body) in enumerate(OTHER_BODIES, start=6):
                rig.add_events([n], kind=kind, subject="room-2", body=body, known=known)
            rig.add_readings([20, 21], known=known, monotonic_ns=-(10**13))
            rig.add_readings([22], value=None, reason=Reason.UNPLUGGED, known=known, monotonic_ns=-(10**13))
            broker.send(TOPICS.command("line-control"), json.dumps(command()).encode())
            broker.send(TOPICS.command("line-control"), b"nonsense")
            last = 5 + len(OTHER_BODIES)
            wait_until(lambda: rig.store.at("events") == last and rig.store.at("readings") == 22, "cursors")
            wait_until(lambda: len(broker.on(TOPICS.answer("line-control"))) == 2, "answers")
    return broker.published


def test_all_that_is_published_fits_its_schema(published: list[Published]) -> None:
    """Every payload is valid by the schema that the document gives its topic."""
    for one in published:
        (message,) = ASYNCAPI["channels"][channel_of(one.topic)]["messages"]
        schema = ASYNCAPI["components"]["messages"][message]["payload"]["schema"]["$ref"]
        validate(Path(schema).stem, one.json)
    assert {channel_of(one.topic) for one in published} == set(ASYNCAPI["channels"]) - TAKEN


def test_retained_and_qos_are_as_documented(published: list[Published]) -> None:
    """Each operation's binding says how its topic is published."""
    bindings = {
        operation["channel"]["$ref"].rsplit("/", 1)[1]: operation["bindings"]["mqtt"]
        for operation in ASYNCAPI["operations"].values()
    }
    for one in published:
        binding = bindings[channel_of(one.topic)]
        assert (one.qos, one.retain) == (binding["qos"], binding["retain"]), one.topic


def test_retained_states_say_what_an_alarm_and_a_bench_are(published: list[Published]) -> None:
    """A shelf's end in UTC where the time is known; a bench's causes, and whether it is live, ready, silenced."""
    shelved = next(one.json for one in published if one.topic.endswith("/fault") and one.json["id"])
    bench = next(one.json for one in published if channel_of(one.topic) == "bench")
    assert shelved["state"] == "shelved"
    assert (shelved["until"] is None) is (shelved["clock"] == "no clock")
    assert bench["causes"] == [{"stretches": ["bench-1/cord"], "channels": ["bench-1/strap"]}]
    assert (bench["live"], bench["ready"], bench["silenced"]) == (True, "passed", True)


def test_what_a_client_may_say_is_documented_as_taken() -> None:
    """The commands' topic is one that the watcher receives on, answered where the document says."""
    receive = ASYNCAPI["operations"]["receiveCommand"]
    assert receive["action"] == "receive"
    assert resolve(receive["reply"]["channel"]["$ref"][2:])["address"].endswith("/command/{client}/answer")
    assert channel_of(TOPICS.command("line-control")) == "command"
    assert channel_of(TOPICS.answer("line-control")) == "answer"
    validate("command", command())
    validate("command", command("7-a", do="enter", channel="b/mat", value=1e6, instrument="i"))


def test_will_is_where_the_document_says() -> None:
    """The last will lies on the status topic."""
    will = ASYNCAPI["servers"]["broker"]["bindings"]["mqtt"]["lastWill"]
    assert will["topic"] == ASYNCAPI["channels"]["status"]["address"]
    assert channel_of(TOPICS.status) == "status"
    assert channel_of(TOPICS.alarm(STRAP_OPEN)) == "alarm"


NUMBERS = st.one_of(st.none(), st.floats(), st.integers(-(2**63), 2**63 - 1))
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)


@given(
    channel=WORDS,
    unit=WORDS,
    raw=NUMBERS,
    value=st.one_of(st.none(), st.floats()),
    u=st.one_of(st.none(), st.floats()),
    sense=st.sampled_from(Sense),
    quality=st.sampled_from(Quality),
    reason=st.one_of(st.none(), st.sampled_from(Reason)),
    known=st.booleans(),
    wall_ns=st.integers(0, 4 * 10**18),
)
def test_readings_written_by_hand_are_json_and_fit(
    channel: str,
    unit: str,
    raw: float | None,
    value: float | None,
    u: float | None,
    sense: Sense,
    quality: Quality,
    reason: Reason | None,
    known: bool,
    wall_ns: int,
) -> None:
    """Whatever a reading holds, its text is valid JSON with the same content, and never holds NaN."""
    one = reading(7)._replace(
        channel=channel, unit=unit, raw=raw, value=value, u=u, sense=sense, quality=quality, reason=reason,
        clock_known=known, wall_ns=wall_ns,
    )  # fmt: skip
    told = json.loads(readings_payload(3, [one, one]), parse_constant=lambda text: pytest.fail(text))
    validate("readings", told)
    assert (told["sequence"], told["after"]) == ([7, 7], 3)
    written = told["readings"][0]
    assert (written["channel"], written["unit"], written["id"]) == (channel, unit, [RUN, 7])
    assert written["value"] == (value if value is not None and math.isfinite(value) else None)
    assert written["raw"] == (raw if raw is not None and math.isfinite(raw) else None)
    assert (written["time"] is not None) is known


@pytest.mark.parametrize(
    ("wall_ns", "text"),
    [
        (0, "1970-01-01T00:00:00.000000Z"),
        (1_930_291_200_123_456_789, "2031-03-03T08:00:00.123456Z"),
        (951_782_399_999_999_999, "2000-02-28T23:59:59.999999Z"),
    ],
)
def test_times_are_utc_to_the_microsecond(wall_ns: int, text: str) -> None:
    """Nanoseconds since 1970 as RFC 3339 has them; below a microsecond they are cut, never rounded up."""
    assert utc_text(wall_ns) == text
