"""Commands over MQTT: who may give them, and what keeps one from being carried out twice, late or unasked.

Off unless the configuration names identities (``commands``). A message does not tell who published it, so each
identity has a topic of its own, ``PREFIX/WATCHER/command/CLIENT``, and the broker must let nobody else write there:
it makes everybody sign in, and its access list ties the last level to the name signed in with. For Mosquitto::

    allow_anonymous false
    password_file …
    acl_file …, which holds
        user watcher
        topic write quietbench/#
        topic read quietbench/+/command/+
        pattern write quietbench/+/command/%u
        pattern read quietbench/+/command/%u/answer

``%u`` is the user name. A client id (``%c``) is whatever a client says it is, and does only with
``use_username_as_clientid true``, or where every client's certificate settles it.

What comes in by a topic is from its identity. A payload is a request of the local socket (``do``, its keys,
``person``, ``role``, ``why``) with an ``id``, a number or a short text. The record says by which identity it came,
and the person is one of that identity's own ("mqtt:CLIENT/NAME"): nobody can be passed off as a user of this machine.

The same id from the same client within `REMEMBERED_S` is the same command come again (QoS 1 allows that, and so
does a client that missed the answer): it gets the same answer, and nothing happens twice. (The memory is the
process's own: after a restart the state of an alarm alone tells that it was acknowledged.) A command that the broker
kept, or was told to keep, is refused: nobody can say when it was meant. None waits at the broker while the watcher
is away, for no session is left there.

Everything here runs in the sink's thread.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import Any

from quietbench.daemon.core.commands import CommandError
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.sinks.base import SECOND_NS, GiveCommand
from quietbench.daemon.sinks.pace import Pace
from quietbench.daemon.sinks.payloads import to_json
from quietbench.daemon.sinks.topics import Topics
from quietbench.daemon.socket.errors import ProtocolError
from quietbench.daemon.socket.protocol import MAX_REQUEST_BYTES, decode

EACH_S = 5
"""How many commands a client may give a second in the long run (own choice: more than people need)."""
AT_ONCE = 10
"""How many at once."""
REMEMBERED_S = 300
"""For how long a command's id and answer are remembered (own choice: longer than a client takes to come back)."""

_ANSWERS_MOST = 256
_TEXT_MOST = 200
_ID_TEXT = re.compile(r"[\x21-\x7e]{1,64}")
_ID_MOST = 1 << 53  # what every JSON reader holds exactly (RFC 8259, 6)
_EVENT_PARTS = ("id", "kind", "subject", "time", "monotonic_ns")

CommandId = int | str


@dataclass(frozen=True, slots=True)
class Done:
    """A note from the core: what became of a client's command."""

    client: str
    id: CommandId
    body: Mapping[str, Any]


@dataclass(slots=True)
class _Given:
    """A command that was handed over; ``answer`` is None until it has one."""

    at_ns: int
    digest: bytes
    answer: bytes | None = None


@dataclass(slots=True)
class _Caller:
    """One identity: how fast it may go on, what it gave, and where it listens."""

    client: str
    answers_to: str
    pace: Pace = field(default_factory=lambda: Pace(EACH_S, AT_ONCE))
    refusals: Pace = field(default_factory=lambda: Pace(EACH_S, AT_ONCE))
    given: dict[CommandId, _Given] = field(default_factory=dict)

    def forget(self, now_ns: int) -> None:
        """Forget what is older than it need be; the oldest stand first."""
        for key, given in list(self.given.items()):
            if now_ns - given.at_ns <= REMEMBERED_S * SECOND_NS:
                return
            del self.given[key]


class CommandPost:
    """Takes messages in, hands commands on, and holds the answers that are to be published.

    Raises:
        ConfigurationError: clients may give commands, and nobody takes them.
    """

    def __init__(
        self,
        clients: Sequence[str],
        topics: Topics,
        *,
        give: GiveCommand | None,
        post: Callable[[object], None],
    ) -> None:
        if clients and give is None:
            raise ConfigurationError("commands over MQTT: this watcher takes none; leave commands out")
        self._give = give
        self._post = post
        self._callers = {topics.command(one): _Caller(one, topics.answer(one)) for one in clients}
        self._by_client = {caller.client: caller for caller in self._callers.values()}
        self._answers: deque[tuple[str, bytes]] = deque(maxlen=_ANSWERS_MOST)

    @property
    def topics(self) -> tuple[str, ...]:
        """The topics to subscribe to; none when no client may give commands."""
        return tuple(self._callers)

    def take(self, topic: str, payload: bytes, now_ns: int, *, retained: bool) -> None:
        """Take a message in. One on no topic of ours, or an empty one (which clears a topic), means nothing."""
        caller = self._callers.get(topic)
        if caller is None or not payload:
            return
        if not caller.pace.go(now_ns):
            self._turn_away(caller, payload, now_ns)
            return
        try:
            request = _opened(payload, retained=retained)
            identity = _id_of(request)
        except CommandError as error:
            self._refuse(caller, _id_or_none(payload), error)
            return
        caller.forget(now_ns)
        self._once(caller, identity, request, payload, now_ns)

    def done(self, note: Done) -> None:
        """Take the answer of a command, and remember it."""
        caller = self._by_client[note.client]
        answer = _written(note.id, note.body)
        if (given := caller.given.get(note.id)) is not None:
            given.answer = answer
        self._say(caller, answer)

    def next(self) -> tuple[str, bytes] | None:
        """Return the next answer with its topic, or None; where too many wait for a broker, the oldest fell out."""
        return self._answers.popleft() if self._answers else None

    def _once(
        self, caller: _Caller, identity: CommandId, request: Mapping[str, Any], payload: bytes, now_ns: int
    ) -> None:
        """Hand a command on, unless it was before."""
        digest = blake2b(payload, digest_size=16).digest()
        given = caller.given.get(identity)
        if given is None:
            caller.given[identity] = _Given(now_ns, digest)
            self._hand_on(caller.client, identity, request)
        elif given.digest != digest:
            what = f"another command within the last {REMEMBERED_S} s had this id"
            self._refuse(
                caller, identity, CommandError(what, got=str(identity), wanted="a new id for each command")
            )
        elif given.answer is not None:
            self._say(caller, given.answer)

    def _hand_on(self, client: str, identity: CommandId, request: Mapping[str, Any]) -> None:
        assert self._give is not None
        self._give(f"mqtt:{client}", request, lambda body: self._post(Done(client, identity, body)))

    def _turn_away(self, caller: _Caller, payload: bytes, now_ns: int) -> None:
        """Refuse a command that came too fast; refusals have a pace of their own, and silence is beyond."""
        if caller.refusals.go(now_ns):
            error = CommandError(
                "too many commands; this one was not carried out",
                got=f"more than {EACH_S} a second",
                wanted=f"at most {AT_ONCE} at once and {EACH_S} a second",
            )
            self._refuse(caller, _id_or_none(payload), error)

    def _refuse(self, caller: _Caller, identity: CommandId | None, error: CommandError) -> None:
        body = {"error": {"what": error.what, "got": error.got, "wanted": error.wanted}}
        self._say(caller, _written(identity, body))

    def _say(self, caller: _Caller, answer: bytes) -> None:
        self._answers.append((caller.answers_to, answer))


def _opened(payload: bytes, *, retained: bool) -> Mapping[str, Any]:
    if retained:
        raise CommandError("a retained command is not carried out", got="retain", wanted="no retain")
    if len(payload) > MAX_REQUEST_BYTES:
        raise CommandError(
            "the command is too long", got=f"{len(payload)} bytes", wanted=f"at most {MAX_REQUEST_BYTES}"
        )
    try:
        return decode(payload)
    except ProtocolError as error:
        raise CommandError("no command", got=str(error), wanted="a JSON object") from None


def _id_of(request: Mapping[str, Any]) -> CommandId:
    value = request.get("id")
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) < _ID_MOST:
        return value
    if isinstance(value, str) and _ID_TEXT.fullmatch(value):
        return value
    got = repr(value) if value is None or isinstance(value, str | int) else type(value).__name__
    wanted = "a whole number, or 1 to 64 printable ASCII characters without blanks"
    raise CommandError("the command lacks 'id'", got=got, wanted=wanted)


def _id_or_none(payload: bytes) -> CommandId | None:
    """Return the id of a command that is refused, if it can be told."""
    try:
        return _id_of(_opened(payload, retained=False))
    except CommandError:
        return None


def _written(identity: CommandId | None, body: Mapping[str, Any]) -> bytes:
    """Return an answer as JSON: an event by its id, for `events` brings it in full; an error in short texts."""
    if "error" in body:
        told: dict[str, Any] = {"error": {key: _short(str(text)) for key, text in body["error"].items()}}
    else:
        event = body["ok"]["event"]
        told = {"ok": {"event": {part: event[part] for part in _EVENT_PARTS}}}
    return to_json({"id": identity, **told}).encode()


def _short(text: str) -> str:
    """Return a text that can be written, without the length and the oddities of what it quotes."""
    plain = text.encode("utf-8", "replace").decode()
    return plain if len(plain) <= _TEXT_MOST else f"{plain[: _TEXT_MOST - 1]}…"
