"""What is counted of a run: alarms that sound, time that benches were open, openings that nobody hears."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

from quietbench.daemon.upkeep.figures import Period
from quietbench.daemon.upkeep.occurrences import ACTIVE, AlarmChange, begins
from quietbench.daemon.upkeep.thinned import Doubt

__all__ = ["BenchDoubt", "Openings", "Tally"]

OPEN, EMPTY = "open", "empty"


class Tally:
    """Counts alarms by id and the time (ns) that each bench was open, within a period."""

    def __init__(self, period: Period) -> None:
        self.period = period
        self.alarms: Counter[str] = Counter()
        self.open_ns: Counter[str] = Counter()
        self._states: dict[str, tuple[int, str]] = {}
        self._sounding: defaultdict[str, bool] = defaultdict(bool)

    def begin_run(self) -> None:
        """Forget the benches: a new core judges them anew."""
        self._states.clear()

    def end_run(self, at_ns: int) -> None:
        """Close what benches were; nothing is known of them until the next run."""
        for bench in list(self._states):
            self._close(at_ns, bench)
        self._states.clear()

    def alarm(self, change: AlarmChange) -> None:
        """Count a transition where an alarm begins to sound."""
        if begins(change) and self.period.holds(change.at_ns):
            self.alarms[change.alarm] += 1
        self._sounding[change.alarm] = change.after in ACTIVE

    def sounds(self, alarm: str) -> bool:
        """Say whether an alarm is active now."""
        return self._sounding[alarm]

    def bench(self, at_ns: int, bench: str, state: str) -> None:
        """Follow a bench's state."""
        self._close(at_ns, bench)
        self._states[bench] = (at_ns, state)

    def state(self, bench: str) -> str:
        """Return a bench's state, "" before its first."""
        return self._states.get(bench, (0, ""))[1]

    def _close(self, at_ns: int, bench: str) -> None:
        since_ns, state = self._states.get(bench, (at_ns, ""))
        if state == OPEN:
            self.open_ns[bench] += within(self.period, since_ns, at_ns)


def within(period: Period, start_ns: int, end_ns: int) -> int:
    """Return how much (ns) of a time lies in a period."""
    return max(0, min(end_ns, period.until_ns) - max(start_ns, period.since_ns))


class Openings:
    """Violations of one limit, and whether its alarm sounded in them as recorded, and under the other delays."""

    def __init__(self, period: Period) -> None:
        self._period = period
        self._since_ns: int | None = None
        self._recorded = self._other = False
        self.silenced = 0
        self.longest_silenced_ns = 0

    def become(self, at_ns: int, holds: bool, recorded: bool, other: bool) -> None:
        """Follow the condition; ``recorded`` and ``other`` say whether the alarm sounds now, either way."""
        if holds and self._since_ns is None:
            self._since_ns, self._recorded, self._other = at_ns, recorded, other
        elif not holds and self._since_ns is not None:
            self._count(self._since_ns, at_ns)
            self._since_ns = None

    def hear(self, at_ns: int, recorded: bool, other: bool) -> None:
        """Take note of an alarm that begins or ends to sound."""
        if self._since_ns is not None and at_ns >= self._since_ns:
            self._recorded = self._recorded or recorded
            self._other = self._other or other

    def end_run(self) -> None:
        """Drop a violation whose end nobody saw."""
        self._since_ns = None

    def _count(self, since_ns: int, at_ns: int) -> None:
        if self._recorded and not self._other and self._period.holds(since_ns):
            self.silenced += 1
            self.longest_silenced_ns = max(self.longest_silenced_ns, at_ns - since_ns)


class BenchDoubt:
    """The time (ns) in which dropped samples may have made a bench open that was not, or not open that was."""

    def __init__(self, period: Period) -> None:
        self._period = period
        self._doubts: Sequence[Doubt] = ()
        self._since_ns: int | None = None
        self._state = ""
        self._doubtful = False
        self.more_ns = 0
        self.less_ns = 0

    def begin_run(self, doubts: Sequence[Doubt]) -> None:
        """Follow these limits of the bench's paths."""
        self._doubts, self._since_ns, self._state, self._doubtful = doubts, None, "", False

    def follow(self, at_ns: int, state: str) -> None:
        """Follow the bench's state and the doubts as they stand now."""
        doubtful = any(doubt.holds is None for doubt in self._doubts)
        if doubtful is not self._doubtful or state != self._state:
            self.end_run(at_ns)
            self._since_ns, self._state, self._doubtful = at_ns, state, doubtful

    def end_run(self, at_ns: int) -> None:
        """Count what has passed."""
        if self._since_ns is None or not self._doubtful:
            return
        lasted_ns = within(self._period, self._since_ns, at_ns)
        self._since_ns = None
        if self._state == OPEN:
            self.less_ns += lasted_ns
        elif self._state not in ("", EMPTY):
            self.more_ns += lasted_ns
