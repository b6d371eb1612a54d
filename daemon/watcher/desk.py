"""What can be asked of the watcher over its socket: follow, status, and the commands, each with who and why."""

from __future__ import annotations

import math
import os
import pwd
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from quietbench.daemon.core.codec import canonical
from quietbench.daemon.core.engine import CommandError, Core
from quietbench.daemon.core.records import Annunciation, Event, EventKind, Output, Reading
from quietbench.daemon.watcher.inbox import Inbox, Request
from quietbench.daemon.watcher.loop import CoreLoop
from quietbench.daemon.watcher.server import Answer, Client, SocketServer
from quietbench.daemon.watcher.views import Views

MOST_DETAIL_BYTES = 16_384


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
        self.loop: CoreLoop
        self.server: SocketServer

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
        elif do in FIELDS:
            self._inbox.put_request(Request(lambda now: self._command(client, request, answer, now)))
        else:
            error = CommandError("no such request", got=repr(do), wanted="one of: " + ", ".join(DOES))
            answer(_refusal(error))

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
                if output.kind is EventKind.BENCH:
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

    def _command(self, client: Client, request: Mapping[str, Any], answer: Answer, now_ns: int) -> None:
        try:
            outputs = self._carry_out(client, request, now_ns)
        except CommandError as error:
            answer(_refusal(error))
            return
        self.loop.give(outputs)
        first = outputs[0]
        assert isinstance(first, Event)
        answer({"ok": {"event": self._views.event(first)}})

    def _carry_out(self, client: Client, request: Mapping[str, Any], now_ns: int) -> list[Output]:
        who = self._who(client, request)
        fields = {key: read(request, key) for key, read in FIELDS[request["do"]].items()}
        if request.get("detail") is not None:
            fields["detail"] = _detail(request["detail"])
        return self._core.command({"do": request["do"], **fields, **who}, now_ns)

    def _who(self, client: Client, request: Mapping[str, Any]) -> dict[str, object]:
        """Return who gives the command: the peer's own user, or, from the page alone, whom it names."""
        name = _text(request, "person")
        own = _user_name(client.uid)
        if client.uid != self._page_uid and name != own:
            raise CommandError(
                "only the page may speak for another person", got=name, wanted=f"your own name ({own})"
            )
        return {
            "person": self._person(name),
            "role": _text(request, "role"),
            "why": _text(request, "why"),
            "uid": client.uid,
        }


def own_uid() -> int:
    """Return the watcher's own user id."""
    return os.getuid()


def _user_name(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"


def _text(request: Mapping[str, Any], key: str) -> str:
    value = request.get(key)
    if not isinstance(value, str) or not value.strip():
        raise CommandError(f"the command lacks {key!r}", got=repr(value), wanted="some text")
    if len(value) > 1000:
        raise CommandError(f"{key!r} is too long", got=f"{len(value)} characters", wanted="at most 1000")
    return value.strip()


def _number(request: Mapping[str, Any], key: str) -> float:
    value = request.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise CommandError(
            f"the command lacks {key!r}", got=repr(value), wanted="a finite number in SI units"
        )
    return float(value)


def _detail(value: object) -> object:
    """Return what a program adds to a note, as it is, if it is a JSON object of reasonable size."""
    if not isinstance(value, dict):
        raise CommandError("'detail' is no object", got=type(value).__name__, wanted="a JSON object")
    size = len(canonical(value))
    if size > MOST_DETAIL_BYTES:
        raise CommandError("'detail' is too long", got=f"{size} bytes", wanted=f"at most {MOST_DETAIL_BYTES}")
    return value


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

DOES = ("follow", "status", *FIELDS)


def _refusal(error: CommandError) -> dict[str, Any]:
    return {"error": {"what": error.what, "got": error.got, "wanted": error.wanted}}
