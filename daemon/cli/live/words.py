"""Readings and events in words, the same for the drawn view and the plain lines."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.figures import NO_VALUE, Translate, figure, reason_words
from quietbench.daemon.messages import catalogue, headline, render
from quietbench.daemon.socket.lines import AlarmLine, BenchLine, EventLine, Greeting, ReadingLine, printable

_READY = {
    "passed": "checked before work",
    "missing": "not checked before work",
    "failed": "check before work failed",
}
_AGAIN = {"sounds again": "sounds again: ", "back, condition stands": "shown again: "}
_DONE = {"remove": "take-out", "enter": "value entered"}
"""What the command line calls a command otherwise than the socket does."""

_AFTER = {
    "acknowledged": "acknowledged",
    "returned unacknowledged": "over, not acknowledged",
    "latched unacknowledged": "over, latched, not acknowledged",
    "latched acknowledged": "acknowledged, waits for reset",
    "suppressed by design": "suppressed by design",
    "out of service": "out of service",
}


@dataclass(frozen=True, slots=True)
class Happening:
    """An event worth a line: its UTC time as sent, the bench or room it is about, and what happened."""

    time: str
    place: str
    text: str
    warns: bool = False

    @property
    def clock(self) -> str:
        """Get the time of day, to the second."""
        return clock(self.time)


def clock(time: str) -> str:
    """Return the time of day of an ISO 8601 stamp, to the second."""
    return time[11:19] if len(time) >= 19 else "--:--:--"


def translation(greeting: Greeting) -> Translate:
    """Return how a watcher's own sentences are said; the source language where its own is not known here."""
    try:
        return catalogue(greeting.language)
    except ConfigurationError:
        return str


def value_words(reading: ReadingLine) -> str:
    """Return a reading's value with uncertainty and unit, or that there is none."""
    return figure(reading.quantity, reading.unit, reading.value, u=reading.u, sense=reading.sense)


def quality_words(reading: ReadingLine) -> str:
    """Return quality and reason: "good", "bad: no answer"."""
    return reading.quality + (f": {reason_words(reading.reason)}" if reading.reason else "")


def reading_words(reading: ReadingLine) -> str:
    """Return a reading in one breath; the quality is left out where it is good."""
    word = reading.channel.rpartition("/")[2].replace("_", " ").replace("-", " ")
    value = value_words(reading)
    if reading.quality == "good":
        return f"{word} {value}"
    return f"{word} {'' if value == NO_VALUE else value + ', '}{quality_words(reading)}"


def lamp_words(bench: BenchLine) -> str:
    """Return what the lamp shows: "red, flashing"."""
    if bench.lamp == "unknown":
        return "not known"
    return f"{bench.lamp}, {'flashing' if bench.flashing else 'steady'}"


def relay_words(bench: BenchLine) -> str:
    """Return what the relay does; "open" and "closed" are for paths alone."""
    if bench.lamp == "unknown":
        return "not known"
    return "on" if bench.relay else "off"


def declared(bench: BenchLine) -> list[tuple[str, str]]:
    """Return what people have declared or ought to have done, as (name of its mark, words)."""
    found = [("live", f"live work{_until(bench.live_until)}: straps off")] if bench.live else []
    found += [(bench.ready, _READY[bench.ready])] if bench.ready in _READY else []
    silenced = "buzzer silenced for a while" if bench.rhythm == "silent" else "what stood before is silenced"
    return found + ([("silenced", silenced)] if bench.silenced else [])


def grouped_words(bench: BenchLine) -> str:
    """Return the first cause of several alarms, and those that follow from it."""
    own = f"{bench.bench}/"
    cause = " or ".join(stretch.rpartition("/")[2].replace("_", " ") for stretch in bench.cause)
    followers = ", ".join(alarm.removeprefix(own) for alarm in bench.grouped)
    return f"first cause: {cause or 'not told'}; grouped under it: {followers}"


def hidden_words(alarm: AlarmLine, live_until: str | None = None) -> str:
    """Return how an alarm is hidden and until when; "" for one that is not."""
    if alarm.state == "shelved":
        return f"shelved{_until(alarm.until)}"
    if alarm.state == "suppressed by design":
        return f"suppressed by live work{_until(live_until)}"
    return "out of service until put back" if alarm.state == "out of service" else ""


def end_of(event: EventLine) -> str | None:
    """Return the UTC time at which what an event began ends by itself, or ``None``."""
    until_ns = event.body.get("until_ns")
    if not isinstance(until_ns, int):
        return None
    try:
        begun = dt.datetime.fromisoformat(event.time)
        end = begun + dt.timedelta(microseconds=(until_ns - event.monotonic_ns) // 1000)
    except (ValueError, OverflowError):
        return None
    return end.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _until(time: str | None) -> str:
    return f" until {clock(time)}" if time else ""


def happening(event: EventLine, translate: Translate = str) -> Happening | None:
    """Return an event in words, or ``None`` for one that only the record needs."""
    text = _alarm_text(event, translate) if event.kind == "alarm" else _other_text(event)
    if text is None:
        return None
    warns = event.kind == "alarm" and event.body.get("to") == "unacknowledged"
    return Happening(event.time, _place(event), printable(text), warns=warns)


def _other_text(event: EventLine) -> str | None:
    told = _TOLD.get(event.kind)
    return told(event) if told else None


def _place(event: EventLine) -> str:
    if event.kind == "bench" or event.body.get("bench") == event.subject:
        return event.subject
    return event.subject.partition("/")[0] if "/" in event.subject else ""


def _alarm_text(event: EventLine, translate: Translate) -> str:
    what = headline(sentence_words(event.body, translate))[0]
    after = event.body.get("to")
    if after == "unacknowledged":
        return (
            f"{_AGAIN.get(str(event.body.get('cause')), '')}{what} ({event.body.get('priority', 'no')} alarm)"
        )
    if after == "shelved":
        return f"shelved{_until(end_of(event))}: {what}"
    return f"{_AFTER.get(str(after), 'over')}: {what}"


def sentence_words(body: Mapping[str, Any], translate: Translate = str) -> str:
    """Return the sentence of an alarm event's body; its id where there is none, or it never stood."""
    sentence = body.get("sentence")
    args = sentence.get("args") if isinstance(sentence, dict) else None
    if not isinstance(sentence, dict) or not isinstance(args, dict) or not args:
        return str(body.get("alarm", "alarm"))
    texts = {str(name): str(text) for name, text in args.items()}
    return render(str(sentence.get("key", "")), texts, translate=translate)


def _bench_text(event: EventLine) -> str:
    before, after = event.body.get("from"), event.body.get("to")
    more = _declared_words(event.body)
    if before is None:
        return f"is {after}{more}"
    if before == after:
        return f"still {after}{stretch_names(event.body)}{more}"
    return f"{before} → {after}{stretch_names(event.body)}{more}"


def _declared_words(body: Mapping[str, Any]) -> str:
    parts = ["live work"] if body.get("live") is True else []
    ready = body.get("ready")
    parts += [_READY[ready]] if ready in ("missing", "failed") else []
    parts += ["silenced"] if body.get("silenced") is True else []
    return f" ({', '.join(parts)})" if parts else ""


def stretch_names(body: Mapping[str, Any]) -> str:
    """Return the stretches that a bench event names, after a colon: ": skin, band"; "" where there are none."""
    names = [*_names(body, "open"), *_names(body, "unknown")]
    return f": {', '.join(names)}" if names else ""


def _names(body: Mapping[str, Any], key: str) -> list[str]:
    stretches = body.get(key)
    if not isinstance(stretches, list):
        return []
    return [str(stretch).rpartition("/")[2].replace("_", " ") for stretch in stretches]


def _command_text(event: EventLine) -> str:
    done = str(event.body.get("do", "command"))
    return f"{_DONE.get(done, done)} by {event.body.get('person', 'somebody')}"


def _clock_text(_: EventLine) -> str:
    return "the clock was set"


def _run_text(event: EventLine) -> str:
    return f"run {event.id[0]}: {event.body.get('run', 'began')}"


_TOLD = {
    "bench": _bench_text,
    "command": _command_text,
    "clock": _clock_text,
    "run": _run_text,
}
