"""Commands by way of an identity that somebody else vouches for, and what becomes of commands at the end."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.core.records import EventKind
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.errors import RefusedError
from quietbench.daemon.watcher.desk import FIELDS, MOST_DETAIL_DEPTH
from tests.core.plans import STRAP
from tests.support.brokers import wait_until
from tests.watcher.test_server import WHO, Rig

IDENTITY = "mqtt:line-control"
PERSON = {"person": "ada", "role": "operator", "why": "new cord"}


class Asked:
    """A command given to a rig's desk, and its answer."""

    def __init__(self, rig: Rig, request: Mapping[str, Any]) -> None:
        self.answers: list[Mapping[str, Any]] = []
        rig.desk.take_command(IDENTITY, request, self.answers.append)

    def answer(self) -> Mapping[str, Any]:
        wait_until(lambda: self.answers, "an answer", within_s=5.0)
        assert len(self.answers) == 1
        return self.answers[0]


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    rig = Rig(tmp_path_factory.mktemp("r"))
    rig.good()
    yield rig
    rig.stop()


def note(**parts: Any) -> dict[str, Any]:
    return {"do": "note", "subject": "b/cord", "what": "seen", **PERSON, **parts}


def nested(levels: int) -> Any:
    return json.loads("[" * levels + "]" * levels)


def test_the_record_says_by_which_identity_a_command_came(rig: Rig) -> None:
    """The person is one of the identity's own, no user of this machine, and the record shows both."""
    body = Asked(rig, note()).answer()["ok"]["event"]["body"]

    assert body["person"] == f"id of {IDENTITY}/ada"
    assert (body["by"], body["uid"]) == (IDENTITY, None)
    assert (body["role"], body["why"]) == ("operator", "new cord")


def test_an_alarm_is_acknowledged_like_at_the_bench(rig: Rig) -> None:
    """The same rules, by the same core."""
    rig.feed((STRAP, 0))
    wait_until(lambda: any(a.name == "b/strap:closed" for a in rig.loop.core.alarms()), "an alarm")
    acknowledge = {"do": "acknowledge", "alarm": "b/strap:closed", **PERSON}

    event = Asked(rig, acknowledge).answer()["ok"]["event"]
    again = Asked(rig, acknowledge).answer()["error"]

    assert (event["kind"], event["subject"]) == (EventKind.COMMAND.value, "b/strap:closed")
    assert "waits for no acknowledgement" in again["what"]
    rig.feed((STRAP, 1))


@pytest.mark.parametrize("do", ["follow", "status", "dance", "", None, 1, [], {}, True])
def test_nothing_but_the_commands_is_taken(rig: Rig, do: object) -> None:
    """Whoever vouches for a client does not let it look."""
    error = Asked(rig, {**note(), "do": do}).answer()["error"]

    assert error["what"] == "no such command"
    assert error["wanted"] == "one of: " + ", ".join(FIELDS)


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({"person": ""}, "person"),
        ({"person": " "}, "person"),
        ({"why": None}, "why"),
        ({"role": ["x"]}, "role"),
        ({"what": "x" * 1001}, "too long"),
        ({"what": "\ud800"}, "can't be written"),
        ({"person": "\udfff"}, "can't be written"),
        ({"what": nested(900)}, "what"),
        ({"detail": {"x": float("inf")}}, "can't be kept"),
        ({"detail": {"x": 10**400}}, "can't be kept"),
        ({"detail": {"x": "\ud800"}}, "can't be kept"),
        ({"detail": {"\ud800": 1}}, "can't be kept"),
        ({"detail": {"x": nested(MOST_DETAIL_DEPTH)}}, "can't be kept"),
        ({"detail": {"x": nested(900)}}, "can't be kept"),
        ({"detail": {"x": "é" * 9000}}, "too long"),
        ({"do": "shelve", "alarm": "b/strap:closed", "for_s": 10**400}, "for_s"),
        ({"do": "shelve", "alarm": "b/strap:closed", "for_s": float("nan")}, "for_s"),
        ({"do": "shelve", "alarm": "b/strap:closed", "for_s": True}, "for_s"),
    ],
)
def test_what_can_not_be_kept_is_refused_in_words(rig: Rig, parts: dict[str, Any], says: str) -> None:
    """Half a surrogate pair, a number beyond all floats, a tower of brackets: none reaches a record."""
    error = Asked(rig, note(**parts)).answer()["error"]

    assert says in error["what"]
    assert len(error["got"]) <= 200


def test_a_detail_at_its_depth_is_kept_as_it_is(rig: Rig) -> None:
    """The boundary from the other side."""
    detail = {"x": nested(MOST_DETAIL_DEPTH - 1)}

    assert Asked(rig, note(detail=detail)).answer()["ok"]["event"]["body"]["detail"] == detail


JSON = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(st.characters(), max_size=8),
        st.integers(10**300, 10**320),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(st.characters(), max_size=4), inner, max_size=3)
    ),
    max_leaves=8,
)

KEYS = ["person", "role", "why", "detail", *sorted({key for keys in FIELDS.values() for key in keys})]


@given(
    request=st.fixed_dictionaries(
        {"do": st.sampled_from([*FIELDS, "follow"])},
        optional=dict.fromkeys(KEYS, JSON),
    )
)
def test_every_command_gets_one_answer_that_can_be_written(rig: Rig, request: dict[str, Any]) -> None:
    """Whatever JSON can spell: the core's thread goes on, and what it says has a form in UTF-8."""
    answer = Asked(rig, request).answer()

    assert set(answer) <= {"ok", "error"}
    json.dumps(answer, allow_nan=False, ensure_ascii=False).encode()


def test_commands_that_wait_when_the_watcher_stops_are_refused(tmp_path: Path) -> None:
    """Each is carried out or refused, never both and never neither; later ones are refused at once."""
    rig = Rig(tmp_path)
    rig.loop.stop()
    waiting = Asked(rig, note())
    assert waiting.answers == []
    rig.desk.close()
    late = Asked(rig, note())

    for asked in (waiting, late):
        assert asked.answer()["error"]["what"] == "the watcher is stopping; nothing was done"
    rig.loop._round()  # should the core's thread come to it after all
    assert len(waiting.answers) == 1
    rig.server.stop()


def test_the_sockets_own_commands_are_refused_at_the_end_too(tmp_path: Path) -> None:
    """Over the socket as over any other way."""
    rig = Rig(tmp_path)
    with SocketClient(rig.path) as client:
        rig.loop.stop()
        rig.desk.close()
        with pytest.raises(RefusedError, match="stopping"):
            client.request("note", subject="b", what="x", **WHO)
    rig.server.stop()
