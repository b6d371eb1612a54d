"""What the engine asks of a bench: which timers run there, whether all its paths have spoken, what its event says."""

from __future__ import annotations

from collections.abc import Iterator

from quietbench.daemon.core.bench import BenchWatch, Verdict
from quietbench.daemon.core.book import Due
from quietbench.daemon.core.records import Annunciation, BenchState


def timers_of(bench: BenchWatch) -> Iterator[tuple[int, Due]]:
    """Yield what runs out at a bench and when: seats, silence, live work, the check before work."""
    name = bench.bench.name
    for seat in bench.seats:
        leaves_at = seat.leaves_at_ns()
        if leaves_at is not None:
            yield leaves_at, Due("presence", seat.seat.name)
        until = seat.footwear_until_ns()
        if until is not None:
            yield until, Due("footwear", seat.seat.name)
    declared = (
        ("silence", bench.silenced_until_ns),
        ("live", bench.live_until_ns),
        ("ready", bench.ready_until_ns),
    )
    for kind, at in declared:
        if at is not None:
            yield at, Due(kind, name)


def started(bench: BenchWatch) -> bool:
    """Say whether every channel of its paths has had a reading, or is known to fail."""
    return all(watch.valid is not None or watch.fault.holds for watch in bench.paths)


def event_body(
    bench: BenchWatch, before: Verdict | None, verdict: Verdict, given: Annunciation
) -> dict[str, object]:
    """Return the body of a bench's event: from what state to what, and why."""
    causes = [{"stretches": list(c.stretches), "channels": list(c.channels)} for c in verdict.causes]
    return {
        "bench": bench.bench.name,
        "from": BenchState.UNKNOWN.value if before is None else before.state.value,
        "to": verdict.state.value,
        "open": list(verdict.open),
        "unknown": list(verdict.unknown),
        "unwatched": list(verdict.unwatched),
        "causes": causes,
        "live": given.live,
        "live_until_ns": bench.live_until_ns,
        "ready": given.ready,
        "silenced": given.silenced,
    }
