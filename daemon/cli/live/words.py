"""Readings and events in words, the same for the drawn view and the plain lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from quietbench.daemon.figures import NO_VALUE, figure, reason_words
from quietbench.daemon.messages import headline, render
from quietbench.daemon.socket.lines import BenchLine, EventLine, ReadingLine, printable


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


def happening(event: EventLine) -> Happening | None:
    """Return an event in words, or ``None`` for one that only the record needs."""
    told = _TOLD.get(event.kind)
    text = told(event) if told else None
    if text is None:
        return None
    warns = event.kind == "alarm" and event.body.get("to") == "unacknowledged"
    return Happening(event.time, _place(event), printable(text), warns=warns)


def _place(event: EventLine) -> str:
    if event.kind == "bench":
        return event.subject
    return event.subject.partition("/")[0] if "/" in event.subject else ""


def _alarm_text(event: EventLine) -> str:
    what = headline(_sentence(event.body))[0]
    after = event.body.get("to")
    if after == "unacknowledged":
        return f"{what} ({event.body.get('priority', 'no')} alarm)"
    if after == "acknowledged":
        return f"acknowledged: {what}"
    if after == "returned unacknowledged":
        return f"over, not acknowledged: {what}"
    return f"over: {what}"


def _sentence(body: Mapping[str, Any]) -> str:
    sentence = body.get("sentence")
    if not isinstance(sentence, dict) or not isinstance(sentence.get("args", {}), dict):
        return str(body.get("alarm", "alarm"))
    args = {str(name): str(text) for name, text in sentence.get("args", {}).items()}
    return render(str(sentence.get("key", "")), args)


def _bench_text(event: EventLine) -> str:
    before, after = event.body.get("from"), event.body.get("to")
    if before is None:
        return f"is {after}"
    if before == after:
        return f"still {after}{stretch_names(event.body)}"
    return f"{before} → {after}{stretch_names(event.body)}"


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
    return f"{event.body.get('do', 'command')} by {event.body.get('person', 'somebody')}"


def _clock_text(_: EventLine) -> str:
    return "the clock was set"


def _run_text(event: EventLine) -> str:
    return f"run {event.id[0]}: {event.body.get('run', 'began')}"


_TOLD = {
    "alarm": _alarm_text,
    "bench": _bench_text,
    "command": _command_text,
    "clock": _clock_text,
    "run": _run_text,
}
