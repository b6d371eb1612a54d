"""What a run takes over from the one before: alarm states, shelves, live work, the check before work.

A time that something ends at was kept on the monotonic clock of its boot. In the same boot it still holds; after a
reboot what is left of it is counted by the wall clock, where that was known at both ends.
"""

from __future__ import annotations

from quietbench.daemon.clock import Clock
from quietbench.daemon.core.engine import Kept
from quietbench.daemon.core.records import EventKind
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import StoredEvent


def restored(reader: StoreReader, clock: Clock) -> tuple[Kept, Kept]:
    """Return alarms and benches for `Core.start`.

    Raises:
        StoreError: the store can't be read.
    """
    boots = {run.run: run.boot for run in reader.runs()}

    def ends(event: StoredEvent, until_ns: int | None) -> int | None:
        """Return a monotonic end of an earlier run on this boot's clock."""
        if until_ns is None or boots.get(event.run) == clock.boot:
            return until_ns
        now = clock.stamp()
        if not (now.known and event.clock_known):
            return now.monotonic_ns  # nobody can say what is left: what was hidden comes back
        passed_ns = max(0, now.wall_ns - event.wall_ns)  # a wall clock put back must not lengthen anything
        return now.monotonic_ns + max(0, (until_ns - event.monotonic_ns) - passed_ns)

    alarms = {
        event.subject: {
            "state": event.body["to"],
            "standing": event.body["condition"],
            "until_ns": ends(event, _whole(event.body.get("until_ns"))),
        }
        for event in reader.last_events(EventKind.ALARM)
    }
    benches: dict[str, dict[str, object]] = {}
    for event in reader.last_events(EventKind.BENCH):
        until_ns = ends(event, _whole(event.body.get("live_until_ns")))
        benches[event.subject] = {"live_until_ns": until_ns, "ready_result": _result(event.body.get("ready"))}
    for command in reader.last_commands():
        bench = benches.get(command.subject)
        if bench is not None and command.body["do"] == "ready" and bench["ready_result"] == "passed":
            bench["ready_until_ns"] = ends(command, _whole(command.body.get("until_ns")))
    return alarms, benches


def _result(ready: object) -> str:
    return str(ready) if ready in ("passed", "failed") else ""


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) else None
