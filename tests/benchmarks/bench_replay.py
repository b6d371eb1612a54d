"""Thirty days of twenty channels, watched at 1 Hz and stored thinned, replayed: the same limits, and others."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from pathlib import Path

from quietbench.daemon.core.plan import Limit, Plan, Priority, Requirement
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.upkeep.amending import parse_setting, with_settings
from quietbench.daemon.upkeep.comparing import compare_limits
from quietbench.daemon.upkeep.history import History
from quietbench.daemon.upkeep.verifying import verify
from tests.benchmarks.report import table
from tests.upkeep.recording import (
    DAY,
    MS,
    OWN,
    SECOND,
    Sample,
    bench,
    closed,
    humidity,
    mat,
    merged,
    plan_of,
    recorded,
    strap,
    write_run,
)

LONGEST_S = 60.0
BENCHES = ("b1", "b2", "b3", "b4", "b5", "b6", "b7", "b8")
ROOMS = ("r1", "r2", "r3", "r4")


def test_a_month_replays_within_a_minute(folder: Path, short: bool) -> None:
    """Both ways, each in less than 60 s for 30 days; a bare pass over the store beside it.

    It is one thread that never waits: its own processor time is what it takes on a machine with a free core.
    """
    days = 3 if short else 30
    plan = _plan()
    write_run(folder / "store", plan, recorded(plan, _samples(plan, days)))
    with StoreReader(folder / "store") as reader:
        history = History(reader)
        run = history.runs[0]
        began = time.process_time()
        records = sum(1 for _ in history.records(run))
        bare_s = time.process_time() - began
        began = time.process_time()
        verified = verify(run.number, plan, history.records(run), ended=True)
        same_s = time.process_time() - began
        settings = [parse_setting("*/strap.closed.on_delay_s=0.2"), parse_setting("*/mat.upper=22.9Mohm")]
        began = time.process_time()
        compared = compare_limits(history, None, None, lambda recorded: with_settings(recorded, settings))
        other_s = time.process_time() - began
    assert verified.difference == ""
    assert compared.differs
    rows = [
        ["reading the records", records, f"{bare_s:.1f}", "1.0"],
        ["replay, same limits, compared to the byte", records, f"{same_s:.1f}", f"{same_s / bare_s:.1f}"],
        ["replay, other limits, with ranges", records, f"{other_s:.1f}", f"{other_s / bare_s:.1f}"],
    ]
    table(
        f"{days} days of {len(plan.channels)} channels at 1 Hz, thinned",
        ["", "records", "s of one core", "/ reading"],
        rows,
    )
    assert max(same_s, other_s) <= LONGEST_S * days / 30


def _plan() -> Plan:
    upper = Limit("upper", Requirement.BELOW, 2.6e8, OWN, Priority.HIGH, deadband=2e7, protects=True)
    dry = Limit("low", Requirement.ABOVE, 0.3, OWN, Priority.LOW, deadband=0.01, on_delay_ns=60 * SECOND)
    straps = [strap(name, closed(off_delay_ns=SECOND)) for name in BENCHES]
    mats = [mat(name, upper) for name in BENCHES]
    air = [humidity(name, dry, thin_raw=1.5) for name in ROOMS]
    return plan_of([*straps, *mats, *air], [bench(name) for name in BENCHES])


def _samples(plan: Plan, days: int) -> Iterator[Sample]:
    streams = [
        _contact(index, days)
        if channel.quantity == "strap_contact"
        else _noisy(index, channel.thin_raw, days)
        for index, channel in enumerate(plan.channels)
    ]
    return merged(*streams)


def _contact(index: int, days: int) -> Iterator[Sample]:
    """Heartbeats, and thirty openings a day of tens of milliseconds to a minute."""
    chance = random.Random(index)
    at_ns = index * MS
    while at_ns < days * DAY:
        yield at_ns, index, 1
        if chance.random() < 30 / 1440:
            opened_ns = at_ns + round(chance.uniform(1, 59) * SECOND)
            yield opened_ns, index, 0
            at_ns = opened_ns + round(chance.choice((0.05, 0.1, 0.4, 5, 60)) * SECOND)
        else:
            at_ns += 60 * SECOND


def _noisy(index: int, thin_raw: float, days: int) -> Iterator[Sample]:
    """A reading each second with a little noise; what thinning would drop is not even made."""
    chance = random.Random(index)
    base = 2850 if thin_raw > 2 else 400
    noise = [base + round(chance.gauss(0, thin_raw / 3)) for _ in range(4093)]
    kept_raw, kept_s = -1, 0
    for second in range(days * 86_400):
        raw = noise[(second * 7919 + second // 4093) % 4093]
        if abs(raw - kept_raw) > thin_raw or second - kept_s >= 60:
            kept_raw, kept_s = raw, second
            yield second * SECOND + index * MS, index, raw
