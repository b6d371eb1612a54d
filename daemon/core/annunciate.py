"""What a bench must show and sound, from its verdict and the alarms that stand.

Buzzer rhythm by the highest priority that nobody has acknowledged or silenced; lamp by the state of the paths (IEC
60073 meanings); relay only while every required path is held or nobody is there. One alarm speaks: danger to people
before all, then by topology (the widest cause, and of its channels the one that measures least), then by priority.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from quietbench.daemon.core.alarms import Alarm
from quietbench.daemon.core.bench import BenchWatch, Cause, Verdict
from quietbench.daemon.core.plan import Priority
from quietbench.daemon.core.records import (
    AlarmState,
    Annunciation,
    BenchState,
    Lamp,
    Rhythm,
    Sentence,
)

_RHYTHMS = {Priority.LOW: Rhythm.LOW, Priority.MEDIUM: Rhythm.MEDIUM, Priority.HIGH: Rhythm.HIGH}
_LAMPS = {
    BenchState.HELD: Lamp.GREEN,
    BenchState.OPEN: Lamp.RED,
    BenchState.UNKNOWN: Lamp.YELLOW,
    BenchState.EMPTY: Lamp.WHITE,
}
_RELAY = frozenset({BenchState.HELD, BenchState.EMPTY})
SOUNDING = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
"""States in which an alarm sounds."""

_NO_CAUSE = 1 << 30


class Standing(NamedTuple):
    """An alarm whose condition stands now, as the bench sees it; a tuple for speed.

    ``here``: it is about this bench (or the watcher) and may sound; air in the room only shows. ``measures`` is
    the number of stretches its channel crosses. ``quiet``: quiet hours keep it from sounding.
    """

    alarm: str
    channel: str
    state: AlarmState
    priority: Priority
    protects: bool
    danger: bool
    fault: bool
    here: bool
    quiet: bool
    measures: int
    since_ns: int
    sentence: Sentence


def standing_of(alarm: Alarm, *, here: bool, quiet: bool) -> Standing:
    """Return an alarm as a bench sees it that is its own (``here``) or not; danger is everybody's, at any hour."""
    return Standing(
        alarm.name,
        alarm.watch.channel.name,
        alarm.state,
        alarm.priority,
        alarm.protects,
        alarm.danger,
        alarm.condition.limit is None,
        here or alarm.danger,
        quiet and not (alarm.protects or alarm.danger),
        len(alarm.watch.channel.measures),
        alarm.since_ns,
        alarm.said(),
    )


def annunciate(
    bench: BenchWatch, now_ns: int, verdict: Verdict, standing: Sequence[Standing], *, started: bool
) -> Annunciation:
    """Return what the bench must give from now on."""
    ranked = _ranked(standing, verdict)
    leading = ranked[0] if ranked else None
    sounding = [a for a in ranked if _sounds(a, bench.silenced)]
    loudest = max((alarm.priority for alarm in sounding), default=None)
    cause = _cause_of(leading, verdict)
    live = bench.live_until_ns is not None
    ready = bench.ready_state()
    return Annunciation(
        bench=bench.bench.name,
        monotonic_ns=now_ns,
        state=verdict.state,
        rhythm=Rhythm.SILENT if loudest is None else _RHYTHMS[loudest],
        lamp=_lamp(verdict.state, warned=leading is not None or live or ready not in ("", "passed")),
        flashing=bool(sounding),
        relay=verdict.state in _RELAY,
        leading=None if leading is None else leading.alarm,
        sentence=_sentence(bench, leading, cause, verdict, started=started, live=live, ready=ready),
        cause=() if cause is None else cause.stretches,
        grouped=_grouped(leading, cause, ranked),
        live=live,
        ready=ready,
        silenced=bool(bench.silenced),
    )


def _ranked(standing: Sequence[Standing], verdict: Verdict) -> Sequence[Standing]:
    if len(standing) < 2:
        return standing
    order = {name: index for index, cause in enumerate(verdict.causes) for name in cause.channels}
    return sorted(standing, key=lambda alarm: _rank(alarm, order))


def _rank(alarm: Standing, order: dict[str, int]) -> tuple[object, ...]:
    path = alarm.protects and not alarm.fault
    return (
        not alarm.danger,
        not alarm.protects,
        not alarm.here,
        -int(alarm.priority),
        alarm.fault,
        order.get(alarm.channel, _NO_CAUSE) if path else 0,
        alarm.measures if path else 0,
        0 if path else alarm.since_ns,
        alarm.alarm,
    )


def _sounds(alarm: Standing, silenced: frozenset[tuple[str, int]]) -> bool:
    return (
        alarm.here
        and alarm.state in SOUNDING
        and (alarm.alarm, alarm.since_ns) not in silenced
        and not alarm.quiet
    )


def _lamp(state: BenchState, *, warned: bool) -> Lamp:
    lamp = _LAMPS[state]
    return Lamp.YELLOW if lamp is Lamp.GREEN and warned else lamp


def _cause_of(leading: Standing | None, verdict: Verdict) -> Cause | None:
    if leading is None or leading.fault or not leading.protects:
        return None
    return next((cause for cause in verdict.causes if leading.channel in cause.channels), None)


def _grouped(leading: Standing | None, cause: Cause | None, ranked: Sequence[Standing]) -> tuple[str, ...]:
    if leading is None or cause is None or len(ranked) < 2:
        return ()
    return tuple(
        alarm.alarm
        for alarm in ranked
        if alarm is not leading and not alarm.fault and alarm.channel in cause.channels
    )


def _shared(bench: BenchWatch, cause: Cause) -> tuple[str, ...]:
    """Return those of a cause's stretches that several ways lead through: one strap's two channels share no way."""
    return tuple(s for s in cause.stretches if sum(s in way for way in bench.ways) > 1)


def _sentence(
    bench: BenchWatch,
    leading: Standing | None,
    cause: Cause | None,
    verdict: Verdict,
    *,
    started: bool,
    live: bool,
    ready: str,
) -> Sentence:
    shared = () if cause is None or len(cause.channels) < 2 else _shared(bench, cause)
    if leading is not None and leading.danger:
        return leading.sentence
    if live and (leading is None or not leading.protects):
        return Sentence("live_work")
    if leading is not None and shared:
        return Sentence("open.shared", (("stretch", shared[-1]),))
    if leading is not None:
        return leading.sentence
    return _plain(verdict, started=started, ready=ready)


def _plain(verdict: Verdict, *, started: bool, ready: str) -> Sentence:
    if verdict.state is BenchState.UNKNOWN:
        if verdict.unwatched:
            return Sentence("unwatched", (("stretch", verdict.unwatched[0]),))
        return Sentence("starting" if not started else "unknown")
    if verdict.state is BenchState.HELD and ready in ("missing", "failed"):
        return Sentence(f"ready_{ready}")
    return Sentence(verdict.state.value)
