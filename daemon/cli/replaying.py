"""The command ``replay``: the same core over stored history, unchanged (to the byte) or under other limits."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from quietbench.daemon.cli.exits import Exit
from quietbench.daemon.cli.periods import lasting, moment, parse_moment
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.upkeep.amending import parse_setting, with_settings
from quietbench.daemon.upkeep.comparing import AlarmDifference, BenchDifference, Comparison, compare_limits
from quietbench.daemon.upkeep.history import History
from quietbench.daemon.upkeep.profiling import with_profile
from quietbench.daemon.upkeep.proposing import said
from quietbench.daemon.upkeep.verifying import Verified, verify

__all__ = ["replay_history"]


def replay_history(
    store: Path,
    *,
    since: str | None,
    until: str | None,
    profile: str | None,
    settings: Sequence[str],
    verified: bool,
    as_json: bool,
) -> Exit:
    """Replay what a store holds and print what would have been different.

    Raises:
        ConfigurationError: a time, a profile or a setting is none.
        StoreError: the store can't be read.
    """
    changed = profile is not None or bool(settings)
    if verified and changed:
        raise ConfigurationError("--verify replays what was recorded: leave out --profile and --set")
    with StoreReader(store) as reader:
        history = History(reader)
        since_ns, until_ns = span(history, since, until)
        if not changed:
            return _tell_verified(_verify(history, since_ns, until_ns), as_json=as_json)
        wanted = [parse_setting(text) for text in settings]

        def change(plan: Plan) -> Plan:
            return with_settings(plan if profile is None else with_profile(plan, profile), wanted)

        comparison = compare_limits(history, since_ns, until_ns, change)
    if as_json:
        print(json.dumps(comparison_json(comparison), ensure_ascii=False, indent=2))
    else:
        _tell(comparison)
    return Exit.FINE


def span(history: History, since: str | None, until: str | None) -> tuple[int | None, int | None]:
    """Return the typed times (ns); raises `ConfigurationError` where one is none, or nothing lies between them."""
    last_ns = max((run.last_ns for run in history.runs), default=0)
    since_ns = None if since is None else parse_moment(since, last_ns)
    until_ns = None if until is None else parse_moment(until, last_ns)
    if since_ns is not None and until_ns is not None and since_ns >= until_ns:
        raise ConfigurationError(f"--until {until}: wanted a time after --since {since}")
    return since_ns, until_ns


# -- unchanged --------------------------------------------------------------------------------------------------


def _verify(history: History, since_ns: int | None, until_ns: int | None) -> list[Verified]:
    return [
        verify(run.number, history.plan(run), history.records(run), ended=run.stored.ended)
        for run in history.within(since_ns, until_ns)
    ]


def _tell_verified(runs: Sequence[Verified], *, as_json: bool) -> Exit:
    same = all(not run.difference for run in runs)
    if as_json:
        told = {
            "kind": "verified",
            "same": same,
            "runs": [
                {
                    "run": run.run,
                    "records": run.records,
                    "difference": run.difference or None,
                    "beyond": run.beyond,
                }
                for run in runs
            ],
        }
        print(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        _print_verified(runs, same=same)
    return Exit.FINE if same else Exit.RUN


def _print_verified(runs: Sequence[Verified], *, same: bool) -> None:
    for run in runs:
        if run.difference:
            print(f"run {run.run}: not the same: {run.difference}")
        elif run.beyond:
            print(
                f"run {run.run}: cut off; {run.beyond} records follow from its last input and are not stored"
            )
    records = sum(run.records for run in runs)
    if same:
        print(f"no difference: {records} records of {_runs(len(runs))} reproduced to the byte")


def _runs(count: int) -> str:
    return "1 run" if count == 1 else f"{count} runs"


# -- under other limits -----------------------------------------------------------------------------------------


def _tell(comparison: Comparison) -> None:
    period = comparison.period
    print(
        f"{moment(period.since_ns)} to {moment(period.until_ns)} UTC, {_runs(len(comparison.runs))}, "
        f"{comparison.records} records"
    )
    for run in comparison.left_out:
        print(f"run {run}: its beginning is not stored; left out")
    if not comparison.changed:
        print("no difference: these are the limits that were in force")
        return
    print(f"other limits: {', '.join(comparison.changed)}")
    if not comparison.differs:
        print("no difference: the same alarms, and benches open for the same time")
        return
    _print_alarms([one for one in comparison.alarms if one.differs])
    _print_benches([one for one in comparison.benches if one.differs])
    if any(not one.exact for one in comparison.alarms):
        print("A range: thinning dropped readings that may have crossed the other limit.")
    if comparison.skipped:
        what = ", ".join(f"{name} {count}" for name, count in sorted(comparison.skipped.items()))
        print(f"Recorded and without an object here: {what}.")


def _print_alarms(alarms: Sequence[AlarmDifference]) -> None:
    if alarms:
        print("\nalarms")
    for one in alarms:
        print(f"  {one.alarm}: {one.recorded} → {said(one)}")
        if one.silenced:
            print(
                f"    {one.silenced} recorded openings no longer sound, the longest "
                f"{lasting(one.longest_silenced_ns)};\n    all stay in dropouts and exposures"
            )


def _print_benches(benches: Sequence[BenchDifference]) -> None:
    if benches:
        print("\ntime with a path open")
    for one in benches:
        ends = dict.fromkeys((lasting(one.least_ns), lasting(one.most_ns)))
        print(f"  {one.bench}: {lasting(one.recorded_ns)} → {' to '.join(ends)}")


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """Return a comparison as config/schemas/replay.json has it; times in s."""
    return {
        "kind": "other limits",
        "since": moment(comparison.period.since_ns),
        "until": moment(comparison.period.until_ns),
        "runs": list(comparison.runs),
        "left_out": list(comparison.left_out),
        "records": comparison.records,
        "changed": list(comparison.changed),
        "difference": comparison.differs,
        "alarms": [alarm_json(one) for one in comparison.alarms],
        "benches": [
            {
                "bench": one.bench,
                "recorded_open_s": one.recorded_ns / 1e9,
                "open_s": one.shown_ns / 1e9,
                "least_open_s": one.least_ns / 1e9,
                "most_open_s": one.most_ns / 1e9,
            }
            for one in comparison.benches
        ],
        "without_object": comparison.skipped,
    }


def alarm_json(one: AlarmDifference) -> dict[str, Any]:
    """Return one alarm's counts."""
    return {
        "alarm": one.alarm,
        "recorded": one.recorded,
        "count": one.shown,
        "fewest": one.fewest,
        "most": one.most,
        "silenced": one.silenced,
        "longest_silenced_s": one.longest_silenced_ns / 1e9,
    }
