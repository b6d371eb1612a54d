"""What takes commands in: pure, with a clock moved by hand."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.sinks.base import Answer
from quietbench.daemon.sinks.commands import AT_ONCE, EACH_S, REMEMBERED_S, CommandPost, Done
from quietbench.daemon.sinks.options import MqttOptions
from quietbench.daemon.sinks.pace import Pace
from quietbench.daemon.sinks.topics import Topics
from quietbench.daemon.socket.protocol import MAX_REQUEST_BYTES
from tests.sinks.kit import NS, CommandTaker, command
from tests.sinks.test_schemas import validate

TOPICS = Topics("quietbench", "room-2")
CLIENT, OTHER = "line-control", "shift-board"


class Post:
    """A post for two clients, its taker, and a clock that stands until it is moved."""

    def __init__(self, *, at_once: bool = True) -> None:
        self.taker = CommandTaker(at_once=at_once)
        self.notes: list[object] = []
        self.now_ns = 10**12
        self.post = CommandPost(
            (CLIENT, OTHER), TOPICS, give=self.taker.take, post=lambda note: self.notes.append(note)
        )

    def give(
        self, payload: bytes | Mapping[str, Any], client: str = CLIENT, *, retained: bool = False
    ) -> None:
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self.post.take(TOPICS.command(client), data, self.now_ns, retained=retained)
        self.hear()

    def hear(self) -> None:
        for note in self.notes:
            assert isinstance(note, Done)
            self.post.done(note)
        self.notes.clear()

    def said(self) -> list[tuple[str, Any]]:
        """Take all answers there are; each fits the published schema."""
        answers = [(topic, json.loads(payload)) for topic, payload in iter(self.post.next, None)]
        for _, answer in answers:
            validate("command-answer", answer)
        return answers

    def refusal(self) -> dict[str, str]:
        ((_, answer),) = self.said()
        return dict(answer["error"])


@pytest.fixture
def post() -> Post:
    """A post whose commands are answered at once."""
    return Post()


def test_nobody_named_asks_for_nothing_and_takes_nothing() -> None:
    """Off by default: no topic to subscribe to, and a message that comes all the same means nothing."""
    taker = CommandTaker()
    post = CommandPost((), TOPICS, give=taker.take, post=lambda _note: None)

    post.take(TOPICS.command(CLIENT), json.dumps(command()).encode(), 0, retained=False)

    assert post.topics == ()
    assert taker.taken == []
    assert post.next() is None


def test_a_command_is_handed_on_by_its_topics_identity_and_answered_there(post: Post) -> None:
    """Who gave it is told by the topic alone; the answer names the record, not its contents."""
    post.give(command(7, client=OTHER), CLIENT)

    assert post.taker.taken == [(f"mqtt:{CLIENT}", command(7, client=OTHER))]
    ((topic, answer),) = post.said()
    assert topic == f"quietbench/room-2/command/{CLIENT}/answer"
    assert answer["id"] == 7
    assert answer["ok"]["event"]["id"] == [12, 1]
    assert "body" not in answer["ok"]["event"]


def test_a_topic_that_nobody_was_given_means_nothing(post: Post) -> None:
    """Should a broker hand on what was not asked for."""
    post.give(command(), "stranger")

    assert post.taker.taken == []
    assert post.said() == []


def test_the_same_command_again_is_answered_from_memory(post: Post) -> None:
    """Three times the same message: carried out once, answered three times alike."""
    for _ in range(3):
        post.give(command(7))

    assert post.taker.ids == [7]
    answers = post.said()
    assert len(answers) == 3
    assert answers[0] == answers[1] == answers[2]


def test_a_repeat_before_the_answer_is_not_carried_out() -> None:
    """The one answer serves both."""
    post = Post(at_once=False)
    post.give(command(7))
    post.give(command(7))
    post.taker.answers[0](CommandTaker.carried_out(1))
    post.hear()

    assert post.taker.ids == [7]
    assert len(post.said()) == 1


def test_a_refusal_by_the_core_is_remembered_too() -> None:
    """What was refused is refused again, although by now it might be carried out: a new id is a new command."""
    post = Post(at_once=False)
    post.give(command(7))
    post.taker.answers[0]({"error": {"what": "no such alarm", "got": "x" * 5000, "wanted": "\ud800"}})
    post.hear()
    post.give(command(7))

    assert post.taker.ids == [7]
    first, second = post.said()
    assert first == second
    assert first[1]["error"]["what"] == "no such alarm"


def test_an_id_used_for_another_command_is_refused(post: Post) -> None:
    """A client that counts from one again after its restart must not get the answer of another command."""
    post.give(command(1))
    post.said()
    post.give(command(1, alarm="bench-1/mat:high"))

    assert post.taker.ids == [1]
    assert "had this id" in post.refusal()["what"]


def test_two_clients_may_use_the_same_id(post: Post) -> None:
    """Ids are each client's own."""
    post.give(command(1), CLIENT)
    post.give(command(1), OTHER)

    assert [identity for identity, _ in post.taker.taken] == [f"mqtt:{CLIENT}", f"mqtt:{OTHER}"]


@pytest.mark.parametrize(("after_ns", "times"), [(REMEMBERED_S * NS, 1), (REMEMBERED_S * NS + 1, 2)])
def test_an_id_is_remembered_for_five_minutes_to_the_nanosecond(
    post: Post, after_ns: int, times: int
) -> None:
    """At the boundary it is still the same command; a moment later a new one."""
    post.give(command(1))
    post.now_ns += after_ns
    post.give(command(1))

    assert post.taker.ids == [1] * times


def test_what_was_forgotten_leaves_nothing_behind(post: Post) -> None:
    """Memory is bounded by the pace and the time."""
    for number in range(200):
        post.now_ns += NS // EACH_S
        post.give(command(number))
    post.now_ns += (REMEMBERED_S + 1) * NS
    post.give(command("last"))

    (caller,) = [one for one in post.post._callers.values() if one.client == CLIENT]
    assert list(caller.given) == ["last"]


def test_a_retained_command_is_refused(post: Post) -> None:
    """Nobody can say when it was meant."""
    post.give(command(7), retained=True)

    assert post.taker.taken == []
    ((_, answer),) = post.said()
    assert answer["error"]["got"] == "retain"


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        (b"nonsense", "no command"),
        (b"[1]", "no command"),
        (b'{"id":1', "no command"),
        (b"\xff\xfe", "no command"),
        (b'{"id":1,"x":NaN}', "no command"),
        (b'{"id":' + b"9" * 5000 + b"}", "no command"),
        (b"[" * 60_000, "no command"),
        (b'{"do":"note"}', "lacks 'id'"),
        (b'{"id":true}', "lacks 'id'"),
        (b'{"id":1.0}', "lacks 'id'"),
        (b'{"id":9007199254740992}', "lacks 'id'"),
        (b'{"id":""}', "lacks 'id'"),
        (b'{"id":"with blank"}', "lacks 'id'"),
        (b'{"id":"' + b"x" * 65 + b'"}', "lacks 'id'"),
        (b'{"id":"\\ud800"}', "lacks 'id'"),
        (b'{"id":' + b"[" * 500 + b"]" * 500 + b"}", "lacks 'id'"),
        (b'{"id":1,"why":"' + b"x" * MAX_REQUEST_BYTES + b'"}', "too long"),
    ],
)
def test_nonsense_is_refused_in_words(post: Post, payload: bytes, says: str) -> None:
    """And nothing is handed on."""
    post.give(payload)

    assert post.taker.taken == []
    assert says in post.refusal()["what"]


def test_an_empty_message_clears_a_topic_and_asks_for_nothing(post: Post) -> None:
    """It is how a retained message is removed."""
    post.give(b"", retained=True)

    assert post.said() == []


def test_a_flood_is_refused_and_then_met_with_silence(post: Post) -> None:
    """Ten at once are taken, ten refused by their ids, the rest costs no answer; others notice nothing."""
    for number in range(100):
        post.give(command(number))
    post.give(command("theirs"), OTHER)

    assert post.taker.ids == [*range(AT_ONCE), "theirs"]
    refused = [answer for _, answer in post.said() if "error" in answer]
    assert [answer["id"] for answer in refused] == list(range(AT_ONCE, 2 * AT_ONCE))
    assert {answer["error"]["what"] for answer in refused} == {
        "too many commands; this one was not carried out"
    }


def test_a_command_refused_for_its_pace_may_come_again(post: Post) -> None:
    """Its id was not used up."""
    for number in range(AT_ONCE + 1):
        post.give(command(number))
    post.now_ns += NS
    post.give(command(AT_ONCE))

    assert post.taker.ids == list(range(AT_ONCE + 1))


def test_answers_that_wait_for_a_broker_are_bounded(post: Post) -> None:
    """Who missed one asks again."""
    for number in range(1000):
        post.now_ns += NS // EACH_S
        post.give(command(number))
    assert [answer["id"] for _, answer in post.said()] == list(range(1000 - 256, 1000))
    post.give(command(7))
    assert [answer["id"] for _, answer in post.said()] == [7]


WORDS = st.one_of(
    st.text(max_size=10), st.sampled_from(["id", "do", "person", "role", "why", "alarm", "detail"])
)
VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), WORDS),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(WORDS, inner, max_size=4)),
    max_leaves=12,
)


@given(
    payloads=st.lists(
        st.one_of(
            st.binary(max_size=40),
            st.dictionaries(WORDS, VALUES, max_size=6).map(lambda value: json.dumps(value).encode()),
            VALUES.map(lambda value: json.dumps(value).encode()),
        ),
        max_size=8,
    )
)
def test_whatever_comes_is_answered_or_handed_on_and_never_raises(payloads: list[bytes]) -> None:
    """Every answer fits the schema (checked where it is taken); nothing without an id reaches the core."""
    post = Post()
    for payload in payloads:
        post.give(payload)
    answers = post.said()
    assert len(answers) <= len(payloads)
    assert all(isinstance(number, int | str) for number in post.taker.ids)
    assert len(post.taker.ids) == len(set(map(repr, post.taker.ids)))


@given(steps=st.lists(st.integers(0, 2 * NS), max_size=60))
def test_a_pace_is_kept_over_every_span(steps: list[int]) -> None:
    """Between any two moments no more go than were saved up and came back since."""
    pace, now_ns = Pace(EACH_S, AT_ONCE), 0
    went: list[int] = []
    for step in steps:
        now_ns += step
        if pace.go(now_ns):
            went.append(now_ns)
    for first, start in enumerate(went):
        for count, end in enumerate(went[first:], start=1):
            assert count <= AT_ONCE + (end - start) / NS * EACH_S + 1e-6


def test_commands_that_nobody_takes_can_not_be_configured() -> None:
    """A context without a taker is an error at the start, not silence later."""
    with pytest.raises(ConfigurationError, match="takes none"):
        CommandPost((CLIENT,), TOPICS, give=None, post=lambda _note: None)


@pytest.mark.parametrize("identity", ["", "a/b", "+", "#", "a b", "a" * 65, "ä", "$SYS/x", "x\n"])
def test_an_identity_is_one_plain_level(identity: str) -> None:
    """Nothing that a broker or an access list could read in another way."""
    with pytest.raises(ConfigurationError, match="wanted the name by which the broker knows"):
        MqttOptions("h", username="watcher", commands=(identity,))


@pytest.mark.parametrize("username", [None, ""])
def test_commands_without_signing_in_are_refused_at_load(username: str | None) -> None:
    """A broker that lets anybody in keeps no topic for anybody."""
    with pytest.raises(ConfigurationError, match="everybody signs in"):
        MqttOptions("h", username=username, commands=(CLIENT,))


def _never(_identity: str, _request: Mapping[str, Any], _answer: Answer) -> None:
    raise AssertionError("asked")


def test_rates_are_told_before_anything_is_read() -> None:
    """A flood of nonsense uses up the sender's pace and reaches nobody."""
    post = CommandPost((CLIENT,), TOPICS, give=_never, post=lambda _note: None)
    for _ in range(1000):
        post.take(TOPICS.command(CLIENT), b"{", 0, retained=False)
    assert len(list(iter(post.next, None))) == 2 * AT_ONCE
