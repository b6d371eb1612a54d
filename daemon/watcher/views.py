"""What the local socket shows: records as JSON values, with wall time beside monotonic time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any

from quietbench.daemon.clock import Clock
from quietbench.daemon.core.alarms import Alarm
from quietbench.daemon.core.bench import BenchWatch
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import Annunciation, Event, Reading, Sentence
from quietbench.daemon.messages import SOURCE_LANGUAGE, catalogue, render

STEADY_NS = 1_000_000
"""Two readings of both clocks that differ by less are the same mapping."""

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def utc_text(wall_ns: int) -> str:
    """Return a UTC time to the microsecond as ISO 8601 ("2031-03-02T08:00:00.123456Z")."""
    moment = _EPOCH + dt.timedelta(microseconds=wall_ns // 1000)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class Views:
    """Turns records of one run into what followers read; sentences are in the site's language.

    Raises:
        ConfigurationError: the catalogue has no such language.
    """

    def __init__(
        self, plan: Plan, run: Callable[[], int], clock: Clock, language: str = SOURCE_LANGUAGE
    ) -> None:
        self.language = language
        self.translate = catalogue(language)
        self._channels = plan.channels
        self._titles = {bench.name: bench.title for bench in plan.benches}
        self._run = run
        self._clock = clock
        self._offset_ns = 0

    def time(self, monotonic_ns: int) -> str:
        """Return the wall time that belongs to a monotonic one.

        The mapping is taken anew only where the clocks have moved against each other, so that one moment has
        one time however often it is shown.
        """
        now = self._clock.stamp()
        offset_ns = now.wall_ns - now.monotonic_ns
        if abs(offset_ns - self._offset_ns) > STEADY_NS:
            self._offset_ns = offset_ns
        return utc_text(monotonic_ns + self._offset_ns)

    def today(self) -> str:
        """Return the date in UTC (ISO 8601), or "" while the clock is not known."""
        now = self._clock.stamp()
        return utc_text(now.wall_ns)[:10] if now.known else ""

    def reading(self, reading: Reading) -> dict[str, Any]:
        """Return a reading as followers see it; "id" is null for one that is not stored."""
        channel = self._channels[reading.channel]
        return {
            "id": [self._run(), reading.count] if reading.keep else None,
            "channel": channel.name,
            "quantity": channel.quantity,
            "unit": channel.unit,
            "time": self.time(reading.monotonic_ns),
            "monotonic_ns": reading.monotonic_ns,
            "raw": reading.raw,
            "value": reading.value,
            "u": reading.u,
            "sense": reading.sense.value,
            "quality": reading.quality.value,
            "reason": None if reading.reason is None else reading.reason.name.lower(),
        }

    def event(self, event: Event) -> dict[str, Any]:
        """Return an event as followers see it."""
        return {
            "id": [self._run(), event.count],
            "kind": event.kind.value,
            "subject": event.subject,
            "time": self.time(event.monotonic_ns),
            "monotonic_ns": event.monotonic_ns,
            "body": event.body,
        }

    def bench(self, given: Annunciation, watch: BenchWatch) -> dict[str, Any]:
        """Return what a bench gives, with its ways to earth and the state of every stretch."""
        return {
            "bench": given.bench,
            "title": self._titles[given.bench],
            "state": given.state.value,
            "rhythm": given.rhythm.value,
            "lamp": given.lamp.value,
            "flashing": given.flashing,
            "relay": given.relay,
            "leading": given.leading,
            "sentence": self.say(given.sentence),
            "cause": list(given.cause),
            "grouped": list(given.grouped),
            "live": given.live,
            "live_until": self._time_or_none(watch.live_until_ns),
            "ready": given.ready,
            "silenced": given.silenced,
            "paths": paths(watch),
        }

    def alarm(self, alarm: Alarm) -> dict[str, Any]:
        """Return an alarm that is not normal."""
        return {
            "alarm": alarm.name,
            "state": alarm.state.value,
            "priority": alarm.priority.name.lower(),
            "sentence": self.say(_stood(alarm)),
            "since": self.time(alarm.since_ns),
            "until": self._time_or_none(alarm.until_ns),
        }

    def say(self, sentence: Sentence) -> str:
        """Return a sentence in words."""
        return render(sentence.key, dict(sentence.args), translate=self.translate)

    def say_body(self, body: Mapping[str, Any]) -> str:
        """Return the sentence of an event's body in words, or nothing where it has none."""
        sentence = body.get("sentence")
        return render(sentence["key"], sentence["args"], translate=self.translate) if sentence else ""

    def _time_or_none(self, monotonic_ns: int | None) -> str | None:
        return None if monotonic_ns is None else self.time(monotonic_ns)


def _stood(alarm: Alarm) -> Sentence:
    """Return the sentence of an alarm as it stood last; one that is hidden may not have stood at all."""
    if alarm.sentence.args:
        return alarm.sentence
    return Sentence("not_stood", (("what", alarm.watch.channel.quantity),))


def paths(watch: BenchWatch) -> list[list[dict[str, str]]]:
    """Return each required way from its end to earth, stretch by stretch."""
    states = {stretch: watch.stretch_state(stretch).value for stretch in watch.stretches}
    return [[{"stretch": stretch, "state": states[stretch]} for stretch in way] for way in watch.ways]
