"""What can be asked of the watcher: follow, status, and the commands, each with who and why.

Commands come over the socket, and from identities that somebody else vouches for (an MQTT broker). Each is either
carried out and answered, or refused: also one that comes while the watcher stops.
"""

from __future__ import annotations

import math
import pwd
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from quietbench.daemon.core.codec import canonical
from quietbench.daemon.core.engine import CommandError, Core
from quietbench.daemon.core.records import Annunciation, Event, EventKind, Output, Reading
from quietbench.daemon.watcher.inbox import Inbox, Request
from quietbench.daemon.watcher.loop import CoreLoop
from quietbench.daemon.watcher.readiness import Readiness
from quietbench.daemon.watcher.server import Answer, Client, SocketServer
from quietbench.daemon.watcher.views import Views

MOST_DETAIL_BYTES = 16_384
MOST_DETAIL_DEPTH = 16

Who = Callable[[], dict[str, object]]
"""Tells who gives a command, or refuses it; asked once all else about the command is well."""

_TELLS_BENCH = frozenset({EventKind.BENCH, EventKind.COMMAND})
"""Events after which a bench is told anew; a command may move an end time and nothing else."""


class Desk:
    """Handles requests; everything that touches the core is run in the core's thread.

    ``person`` turns a name into the id that records carry; ``status`` adds the watcher's own health.
    """

    def __init__(
        self,
        *,
        inbox: Inbox,
        views: Views,
        person: Callable[[str], str],
        status: Callable[[], Mapping[str, Any]],
        page_uid: int | None,
    ) -> None:
        self._inbox = inbox
        self._views = views
        self._person = person
        self._status = status
        self._page_uid = page_uid
        self._waiting: dict[object, Answer] = {}
        self._closed = False
        self.loop: CoreLoop
        self.server: SocketServer
        self.readiness: Readiness

    @property
    def _core(self) -> Core:
        return self.loop.core

    def handle(self, client: Client, request: Mapping[str, Any], answer: Answer) -> None:
        """Take one request; the answer comes when it has had its turn."""
        do = request.get("do")
        if do == "status":
            answer({"ok": dict(self._status())})
        elif do == "follow":
            self._inbox.put_request(Request(lambda _now: self._follow(client, request)))
        elif isinstance(do, str) and do in FIELDS:
            own = _user_name(client.uid)
            self._queue(request, lambda: self._who(client, own, request), answer)
        elif do in CHECKS:
            own = _user_name(client.uid)
            self._inbox.put_request(Request(lambda now: self._check(client, own, request, answer, now)))
        else:
            error = CommandError("no such request", got=_quoted(do), wanted="one of: " + ", ".join(DOES))
            answer(_refusal(error))

    def take_command(self, identity: str, request: Mapping[str, Any], answer: Answer) -> None:
        """Take a command, and nothing but that, by way of an identity that somebody else vouches for; any thread.

        The person is one of that identity's own: the name is kept with it, and can't be taken for a user here.
        """
        do = request.get("do")
        if isinstance(do, str) and do in FIELDS:
            self._queue(request, lambda: self._vouched(identity, request), answer)
        else:
            error = CommandError("no such command", got=_quoted(do), wanted="one of: " + ", ".join(FIELDS))
            answer(_refusal(error))

    def close(self) -> None:
        """Refuse what the core's thread has not come to, and whatever comes from now on."""
        self._closed = True
        for token in list(self._waiting):
            self._turn_away(token)

    def publish(self, outputs: Sequence[Output]) -> None:
        """Tell followers what the core gave; runs in the core's thread."""
        if not self.server.followers:
            return
        benches: dict[str, None] = {}
        for output in outputs:
            if isinstance(output, Reading):
                self.server.tell({"reading": self._views.reading(output)})
            elif isinstance(output, Annunciation):
                benches[output.bench] = None
            else:
                self.server.tell({"event": self._views.event(output)})
                if output.kind in _TELLS_BENCH:
                    benches[output.subject] = None
        for given in self._core.annunciations() if benches else ():
            if given.bench in benches:
                self.server.tell({"bench": self._views.bench(given, self._core.benches[given.bench])})

    def _follow(self, client: Client, request: Mapping[str, Any]) -> None:
        core, views = self._core, self._views
        snapshot = {
            "benches": [views.bench(given, core.benches[given.bench]) for given in core.annunciations()],
            "readings": [views.reading(reading) for reading in core.readings()],
            "alarms": [views.alarm(alarm) for alarm in core.alarms()],
        }
        self.server.follow(client, {"id": request.get("id"), "ok": snapshot})

    def _queue(self, request: Mapping[str, Any], who: Who, answer: Answer) -> None:
        """Let a command wait for its turn; whoever takes its answer out of the waiting ones, gives it."""
        token = object()
        self._waiting[token] = answer
        self._inbox.put_request(Request(lambda now: self._turn(token, request, who, now)))
        if self._closed:
            self._turn_away(token)

    def _turn_away(self, token: object) -> None:
        answer = self._waiting.pop(token, None)
        if answer is not None:
            error = CommandError(
                "the watcher is stopping; nothing was done", got="a command", wanted="none now"
            )
            answer(_refusal(error))

    def _turn(self, token: object, request: Mapping[str, Any], who: Who, now_ns: int) -> None:
        answer = self._waiting.pop(token, None)
        if answer is not None:
            self._command(request, who, answer, now_ns)

    def _command(self, request: Mapping[str, Any], who: Who, answer: Answer, now_ns: int) -> None:
        try:
            outputs = self._carry_out(request, who, now_ns)
        except CommandError as error:
            answer(_refusal(error))
            return
        self.loop.give(outputs)
        first = outputs[0]
        assert isinstance(first, Event)
        answer({"ok": {"event": self._views.event(first)}})

    def _carry_out(self, request: Mapping[str, Any], who: Who, now_ns: int) -> list[Output]:
        fields = {key: read(request, key) for key, read in FIELDS[request["do"]].items()}
        if request.get("detail") is not None:
            fields["detail"] = _detail(request["detail"])
        return self._core.command({"do": request["do"], **fields, **who()}, now_ns)

    def _check(
        self, client: Client, own: str, request: Mapping[str, Any], answer: Answer, now_ns: int
    ) -> None:
        """Begin a ready check, or hand on the answer to what it asks; its lines come on this connection."""
        try:
            bench = _text(request, "bench")
            if request["do"] == "ready-check":
                self.readiness.begin(bench, self._who(client, own, request), client=client, now_ns=now_ns)
            else:
                self.readiness.answer(bench, yes=_yes(request), client=client)
        except CommandError as error:
            answer(_refusal(error))
            return
        answer({"ok": {"bench": bench}})

    def _who(self, client: Client, own: str, request: Mapping[str, Any]) -> dict[str, object]:
        """Return who gives the command: the peer's ``own`` user, or, from the page alone, whom it names."""
        name = _text(request, "person")
        if client.uid != self._page_uid and name != own:
            raise CommandError(
                "only the page may speak for another person", got=name, wanted=f"your own name ({own})"
            )
        role, why = _text(request, "role"), _text(request, "why")
        return {"person": self._person(name), "role": role, "why": why, "uid": client.uid}

    def _vouched(self, identity: str, request: Mapping[str, Any]) -> dict[str, object]:
        """Return who gives the command: a person whom a vouched-for identity names, and that identity."""
        name = f"{identity}/{_text(request, 'person')}"
        role, why = _text(request, "role"), _text(request, "why")
        return {"person": self._person(name), "role": role, "why": why, "uid": None, "by": identity}


def _user_name(uid: int) -> str:
    """Return a user's name; asked in the socket's thread, for a directory server may take its time."""
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"


def _text(request: Mapping[str, Any], key: str) -> str:
    value = request.get(key)
    if not isinstance(value, str) or not value.strip():
        raise CommandError(f"the command lacks {key!r}", got=_quoted(value), wanted="some text")
    if len(value) > 1000:
        raise CommandError(f"{key!r} is too long", got=f"{len(value)} characters", wanted="at most 1000")
    if not _writable(value):
        raise CommandError(f"{key!r} can't be written", got="half a surrogate pair", wanted="Unicode text")
    return value.strip()


def _yes(request: Mapping[str, Any]) -> bool:
    value = request.get("answer")
    if value not in ("yes", "no"):
        raise CommandError("no such answer", got=repr(value), wanted="yes or no")
    return bool(value == "yes")


def _number(request: Mapping[str, Any], key: str) -> float:
    value = request.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not _finite(value):
        raise CommandError(
            f"the command lacks {key!r}", got=_quoted(value), wanted="a finite number in SI units"
        )
    return float(value)


def _detail(value: object) -> object:
    """Return what a program adds to a note, as it is, if it is a JSON object of reasonable size."""
    if not isinstance(value, dict):
        raise CommandError("'detail' is no object", got=type(value).__name__, wanted="a JSON object")
    if not _keepable(value, MOST_DETAIL_DEPTH):
        wanted = f"finite numbers, Unicode text, at most {MOST_DETAIL_DEPTH} levels"
        raise CommandError("'detail' can't be kept", got="something else in it", wanted=wanted)
    size = len(canonical(value).encode())
    if size > MOST_DETAIL_BYTES:
        raise CommandError("'detail' is too long", got=f"{size} bytes", wanted=f"at most {MOST_DETAIL_BYTES}")
    return value


def _keepable(value: object, levels: int) -> bool:
    """Say whether a JSON value can be written as it is, by every part of the watcher."""
    if isinstance(value, dict):
        inside: list[object] = [*value.keys(), *value.values()]
    elif isinstance(value, list):
        inside = value
    elif isinstance(value, str):
        return _writable(value)
    else:
        return value is None or (isinstance(value, int | float) and _finite(value))
    return levels > 0 and all(_keepable(part, levels - 1) for part in inside)


def _writable(text: str) -> bool:
    """Say whether a text has a form in UTF-8: JSON can spell half of a surrogate pair, nothing can store one."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond every float
        return False


def _quoted(value: object) -> str:
    """Return what somebody sent in place of a text or number, in short."""
    return (
        repr(value)[:200] if value is None or isinstance(value, str | int | float) else type(value).__name__
    )


Read = Callable[[Mapping[str, Any], str], object]

FIELDS: dict[str, dict[str, Read]] = {
    "acknowledge": {"alarm": _text},
    "reset": {"alarm": _text},
    "shelve": {"alarm": _text, "for_s": _number},
    "unshelve": {"alarm": _text},
    "remove": {"alarm": _text},
    "put-back": {"alarm": _text},
    "silence": {"bench": _text},
    "live": {"bench": _text, "for_s": _number},
    "end-live": {"bench": _text},
    "ready": {"bench": _text, "result": _text},
    "enter": {"channel": _text, "value": _number, "instrument": _text},
    "note": {"subject": _text, "what": _text},
    "repair": {"subject": _text, "what": _text},
}
"""The keys of each command beside person, role and why; every one may carry a "detail"."""

CHECKS = ("ready-check", "ready-answer")
"""Requests that begin a check before work and go on with it, on one connection."""

DOES = ("follow", "status", *CHECKS, *FIELDS)


def _refusal(error: CommandError) -> dict[str, Any]:
    return {"error": {"what": error.what, "got": error.got, "wanted": error.wanted}}
