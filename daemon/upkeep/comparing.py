"""What other limits would have made of a recorded time: alarms and open benches, before and after, side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import EventKind
from quietbench.daemon.store.stored import StoredEvent
from quietbench.daemon.upkeep.figures import Period
from quietbench.daemon.upkeep.history import History, Run
from quietbench.daemon.upkeep.rerun import Outcome, Rerun, changed_alarms
from quietbench.daemon.upkeep.tally import Openings

__all__ = ["AlarmDifference", "BenchDifference", "Comparison", "compare_limits"]


@dataclass(frozen=True, slots=True)
class AlarmDifference:
    """One alarm: how often it sounded as recorded, and under the other limits.

    ``shown`` is what kept readings give; ``fewest`` and ``most`` what dropped ones may have made of it (``most``
    None: no upper bound). ``silenced`` recorded violations no longer sound, the longest ``longest_silenced_ns``.
    """

    alarm: str
    recorded: int
    shown: int
    fewest: int
    most: int | None
    silenced: int = 0
    longest_silenced_ns: int = 0

    @property
    def exact(self) -> bool:
        """Say whether the count is one number."""
        return self.fewest == self.most

    @property
    def differs(self) -> bool:
        """Say whether anything is, or may be, otherwise than recorded."""
        return self.shown != self.recorded or not self.exact or self.silenced > 0


@dataclass(frozen=True, slots=True)
class BenchDifference:
    """One bench: how long (ns) it was open as recorded, and under the other limits at least and at most."""

    bench: str
    recorded_ns: int
    shown_ns: int
    least_ns: int
    most_ns: int

    @property
    def differs(self) -> bool:
        """Say whether anything is, or may be, otherwise than recorded."""
        return not self.recorded_ns == self.shown_ns == self.least_ns == self.most_ns


@dataclass(frozen=True, slots=True)
class Comparison:
    """A recorded time under other limits. ``changed`` names the alarms whose limit is another."""

    period: Period
    runs: tuple[int, ...]
    left_out: tuple[int, ...]
    records: int
    changed: tuple[str, ...]
    alarms: tuple[AlarmDifference, ...]
    benches: tuple[BenchDifference, ...]
    skipped: dict[str, int]

    @property
    def differs(self) -> bool:
        """Say whether anything is, or may be, otherwise than recorded."""
        return any(one.differs for one in self.alarms) or any(one.differs for one in self.benches)


def compare_limits(
    history: History, since_ns: int | None, until_ns: int | None, change: Callable[[Plan], Plan]
) -> Comparison:
    """Replay every run that has a part in a time under the plan that ``change`` makes of its own.

    A run is replayed from its beginning, since what stands at ``since_ns`` depends on all before; only what lies
    within the time is counted. A run whose beginning is not stored is left out.

    Raises:
        ConfigurationError: ``change`` can't be made.
        StoreError: the store can't be read.
    """
    period = history.period(since_ns, until_ns)
    outcome = Outcome.empty(Period(period.since_ns - 1, period.until_ns, period.watched_ns))
    done: list[int] = []
    left_out: list[int] = []
    changed: dict[str, None] = {}
    benches: dict[str, None] = {}
    for run in history.within(since_ns, until_ns):
        plan = history.plan(run)
        after = change(plan)
        changed |= dict.fromkeys(sorted(changed_alarms(plan, after)))
        benches |= dict.fromkeys(bench.name for bench in plan.benches)
        (done if _replayed(history, run, (plan, after), outcome) else left_out).append(run.number)
    return Comparison(
        period=period,
        runs=tuple(done),
        left_out=tuple(left_out),
        records=outcome.records,
        changed=tuple(changed),
        alarms=tuple(_alarms(outcome)),
        benches=tuple(_bench(outcome, name) for name in benches),
        skipped=dict(outcome.skipped),
    )


def _replayed(history: History, run: Run, plans: tuple[Plan, Plan], outcome: Outcome) -> bool:
    records = history.records(run)
    first = next(records, None)
    if not isinstance(first, StoredEvent) or first.kind is not EventKind.RUN:
        return False
    until_ns = outcome.other.period.until_ns
    rerun = Rerun(run, plans, first, outcome)
    for record in records:
        if run.at_ns(record.monotonic_ns) > until_ns:
            break
        rerun.take(record)
    rerun.finish(min(run.last_ns, until_ns))
    return True


def _alarms(outcome: Outcome) -> Iterator[AlarmDifference]:
    named = outcome.recorded.alarms | outcome.other.alarms
    for alarm in sorted(named.keys() | outcome.bounds.keys()):
        shown = outcome.other.alarms[alarm]
        fewest, most = outcome.bounds.get(alarm, (shown, shown))
        opening = outcome.openings.get(alarm, Openings(outcome.other.period))
        yield AlarmDifference(
            alarm,
            outcome.recorded.alarms[alarm],
            shown,
            fewest,
            most,
            opening.silenced,
            opening.longest_silenced_ns,
        )


def _bench(outcome: Outcome, bench: str) -> BenchDifference:
    shown_ns = outcome.other.open_ns[bench]
    doubt = outcome.doubts.get(bench)
    less_ns, more_ns = (0, 0) if doubt is None else (doubt.less_ns, doubt.more_ns)
    recorded_ns = outcome.recorded.open_ns[bench]
    return BenchDifference(bench, recorded_ns, shown_ns, shown_ns - less_ns, shown_ns + more_ns)
