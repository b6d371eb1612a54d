"""What a bench must show and sound, from its verdict and the alarms that stand.

Buzzer rhythm by the highest priority that nobody has acknowledged; lamp by the state of the paths (IEC 60073
meanings); relay only while every watched path is held or nobody is there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from quietbench.daemon.core.bench import Verdict
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


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm whose condition stands now, as the bench sees it.

    ``here``: it is about this bench (or the watcher) and may sound; air in the room only shows.
    """

    alarm: str
    state: AlarmState
    priority: Priority
    protects: bool
    fault: bool
    here: bool
    since_ns: int
    sentence: Sentence

    @property
    def rank(self) -> tuple[bool, bool, int, bool, int, str]:
        """Order by what a person must hear first: paths, then priority, limits before faults, oldest first."""
        return (not self.protects, not self.here, -int(self.priority), self.fault, self.since_ns, self.alarm)


def annunciate(
    bench: str, now_ns: int, verdict: Verdict, standing: Sequence[Standing], *, started: bool
) -> Annunciation:
    """Return what the bench must give from now on."""
    leading = min(standing, key=lambda alarm: alarm.rank, default=None)
    sounding = [a for a in standing if a.here and a.state is AlarmState.UNACKNOWLEDGED]
    loudest = max((alarm.priority for alarm in sounding), default=None)
    lamp = _LAMPS[verdict.state]
    if lamp is Lamp.GREEN and leading is not None:
        lamp = Lamp.YELLOW
    return Annunciation(
        bench=bench,
        monotonic_ns=now_ns,
        state=verdict.state,
        rhythm=Rhythm.SILENT if loudest is None else _RHYTHMS[loudest],
        lamp=lamp,
        flashing=bool(sounding),
        relay=verdict.state in _RELAY,
        leading=None if leading is None else leading.alarm,
        sentence=leading.sentence if leading is not None else _plain(verdict, started=started),
    )


def _plain(verdict: Verdict, *, started: bool) -> Sentence:
    if verdict.state is BenchState.UNKNOWN:
        if verdict.unwatched:
            return Sentence("unwatched", (("stretch", verdict.unwatched[0]),))
        return Sentence("starting" if not started else "unknown")
    return Sentence(verdict.state.value)
