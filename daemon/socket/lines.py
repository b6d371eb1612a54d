"""The lines of the socket as typed, frozen values, read with care: what comes over a socket is only claimed.

Unknown keys are passed over, so that a newer watcher of the same protocol version can say more. A missing or
wrong key is a `ProtocolError` that names it. Control characters in texts are replaced, so that no text can
steer a terminal.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from quietbench.daemon.socket.errors import ProtocolError

T = TypeVar("T")
Json = Mapping[str, Any]

# Control characters, and the marks that turn the direction of writing.
_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def printable(text: str) -> str:
    """Return a text with every character that could steer a terminal replaced."""
    return _UNPRINTABLE.sub("\ufffd", text)


@dataclass(frozen=True, slots=True)
class Greeting:
    """The first line a watcher says; ``language`` is that of its sentences."""

    version: int
    watcher: str
    site: str
    run: int
    software: str
    language: str = "en"

    @classmethod
    def parse(cls, line: Json) -> Greeting:
        """Read a greeting; raises `ProtocolError`."""
        return cls(
            _whole(line, "quietbench"),
            _text(line, "watcher"),
            _text(line, "site"),
            _whole(line, "run"),
            _text(line, "software"),
            _optional_text(line, "language") or "en",
        )


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """One reading: ``value`` and standard uncertainty ``u`` in SI ``unit``; ``None`` for no value."""

    channel: str
    quantity: str
    unit: str
    time: str
    value: float | None
    u: float | None
    sense: str
    quality: str
    reason: str | None

    @classmethod
    def parse(cls, line: Json) -> ReadingLine:
        """Read a reading; raises `ProtocolError`."""
        return cls(
            _text(line, "channel"),
            _text(line, "quantity"),
            _text(line, "unit"),
            _text(line, "time"),
            _number_or_none(line, "value"),
            _number_or_none(line, "u"),
            _text(line, "sense"),
            _text(line, "quality"),
            _text_or_none(line, "reason"),
        )


@dataclass(frozen=True, slots=True)
class EventLine:
    """One event; ``body`` depends on ``kind``. ``id`` is (run, count)."""

    id: tuple[int, int]
    kind: str
    subject: str
    time: str
    monotonic_ns: int
    body: Json

    @classmethod
    def parse(cls, line: Json) -> EventLine:
        """Read an event; raises `ProtocolError`."""
        return cls(
            _id(line),
            _text(line, "kind"),
            _text(line, "subject"),
            _text(line, "time"),
            _whole(line, "monotonic_ns"),
            _object(line, "body"),
        )


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch of a path, named by its end away from earth; good, open, unknown or unwatched."""

    name: str
    state: str

    @property
    def label(self) -> str:
        """Get the stretch's own word: "bench-1/mat_lead" is "mat lead"."""
        return self.name.rpartition("/")[2].replace("_", " ")


Path = tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class BenchLine:
    """What one bench shows and sounds; ``paths`` run from each end to earth, where the watcher sends them.

    ``grouped`` are alarms of the same ``cause`` (stretches) as the leading one. ``ready`` is "passed", "missing",
    "failed", or "" where no check before work is asked for. What an older watcher leaves out has its default.
    """

    bench: str
    title: str
    state: str
    rhythm: str
    lamp: str
    flashing: bool
    relay: bool
    leading: str | None
    sentence: str
    paths: tuple[Path, ...] = ()
    cause: tuple[str, ...] = ()
    grouped: tuple[str, ...] = ()
    live: bool = False
    live_until: str | None = None
    ready: str = ""
    silenced: bool = False

    @classmethod
    def parse(cls, line: Json) -> BenchLine:
        """Read a bench; raises `ProtocolError`."""
        return cls(
            _text(line, "bench"),
            _text(line, "title"),
            _text(line, "state"),
            _text(line, "rhythm"),
            _text(line, "lamp"),
            _flag(line, "flashing"),
            _flag(line, "relay"),
            _text_or_none(line, "leading"),
            _text(line, "sentence"),
            tuple(_path(path) for path in _optional_list(line, "paths")),
            cause=_names(line, "cause"),
            grouped=_names(line, "grouped"),
            live=line.get("live") is not None and _flag(line, "live"),
            live_until=_optional_text(line, "live_until"),
            ready=_optional_text(line, "ready") or "",
            silenced=line.get("silenced") is not None and _flag(line, "silenced"),
        )


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """One alarm that is not normal; ``until`` is when a shelf ends."""

    alarm: str
    state: str
    priority: str
    sentence: str
    since: str
    until: str | None = None

    @classmethod
    def parse(cls, line: Json) -> AlarmLine:
        """Read an alarm; raises `ProtocolError`."""
        return cls(
            _text(line, "alarm"),
            _text(line, "state"),
            _text(line, "priority"),
            _text(line, "sentence"),
            _text(line, "since"),
            _optional_text(line, "until"),
        )


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The answer to "follow": everything as it stands."""

    benches: tuple[BenchLine, ...]
    readings: tuple[ReadingLine, ...]
    alarms: tuple[AlarmLine, ...]

    @classmethod
    def parse(cls, line: Json) -> Snapshot:
        """Read the payload of the answer; raises `ProtocolError`."""
        return cls(
            _each(line, "benches", BenchLine.parse),
            _each(line, "readings", ReadingLine.parse),
            _each(line, "alarms", AlarmLine.parse),
        )


@dataclass(frozen=True, slots=True)
class Gap:
    """The watcher left out ``lost`` lines because this reader was too slow."""

    lost: int


@dataclass(frozen=True, slots=True)
class Quiet:
    """Nothing came for ``seconds``; not a line of the socket but of the client."""

    seconds: float


FollowedLine = Snapshot | ReadingLine | EventLine | BenchLine | Gap | Quiet


def parse_followed(line: Json) -> FollowedLine | None:
    """Read one line that follows the snapshot; ``None`` for a kind this version does not know.

    Raises:
        ProtocolError: a known kind with a missing or wrong key.
    """
    if "reading" in line:
        return ReadingLine.parse(_object(line, "reading"))
    if "event" in line:
        return EventLine.parse(_object(line, "event"))
    if "bench" in line:
        return BenchLine.parse(_object(line, "bench"))
    if "gap" in line:
        return Gap(_whole(_object(line, "gap"), "lost"))
    return None


def _expect(line: Json, key: str, wanted: str, fits: Callable[[Any], bool]) -> Any:
    if key not in line:
        raise ProtocolError(f"key {key!r} is missing: wanted {wanted}")
    value = line[key]
    if not fits(value):
        raise ProtocolError(f"key {key!r}: got {value!r:.60}, wanted {wanted}")
    return value


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number_or_none(value: Any) -> bool:
    return value is None or _is_whole(value) or (isinstance(value, float) and math.isfinite(value))


def _text(line: Json, key: str) -> str:
    return printable(_expect(line, key, "text", lambda value: isinstance(value, str)))


def _text_or_none(line: Json, key: str) -> str | None:
    value = _expect(line, key, "text or null", lambda value: value is None or isinstance(value, str))
    return None if value is None else printable(value)


def _optional_text(line: Json, key: str) -> str | None:
    return _text_or_none(line, key) if key in line else None


def _whole(line: Json, key: str) -> int:
    return int(_expect(line, key, "a whole number", _is_whole))


def _number_or_none(line: Json, key: str) -> float | None:
    value = _expect(line, key, "a number or null", _is_number_or_none)
    try:
        return None if value is None else float(value)
    except OverflowError as problem:
        raise ProtocolError(f"key {key!r}: got a number beyond 1e308") from problem


def _flag(line: Json, key: str) -> bool:
    return bool(_expect(line, key, "true or false", lambda value: isinstance(value, bool)))


def _object(line: Json, key: str) -> Json:
    value: Json = _expect(line, key, "an object", lambda value: isinstance(value, dict))
    return value


def _list(line: Json, key: str) -> list[Any]:
    return list(_expect(line, key, "a list", lambda value: isinstance(value, list)))


def _optional_list(line: Json, key: str) -> list[Any]:
    return _list(line, key) if line.get(key) is not None else []


def _names(line: Json, key: str) -> tuple[str, ...]:
    names = _optional_list(line, key)
    if not all(isinstance(name, str) for name in names):
        raise ProtocolError(f"key {key!r}: got {names!r:.60}, wanted a list of texts")
    return tuple(printable(name) for name in names)


def _each(line: Json, key: str, parse: Callable[[Json], T]) -> tuple[T, ...]:
    items = _list(line, key)
    if not all(isinstance(item, dict) for item in items):
        raise ProtocolError(f"key {key!r}: wanted a list of objects")
    return tuple(parse(item) for item in items)


def _path(path: Any) -> Path:
    if not isinstance(path, list) or not all(isinstance(item, dict) for item in path):
        raise ProtocolError(f"key 'paths': got {path!r:.60}, wanted lists of stretches")
    return tuple(Stretch(_text(item, "stretch"), _text(item, "state")) for item in path)


def _id(line: Json) -> tuple[int, int]:
    value = _list(line, "id")
    if len(value) != 2 or not all(map(_is_whole, value)):
        raise ProtocolError(f"key 'id': got {value!r:.60}, wanted [run, count]")
    return value[0], value[1]
