"""Run the core over what a run has recorded: the same inputs give the same records, to the byte."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import cast

from quietbench.daemon.core.engine import Core, Due, Kept
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import Event, EventKind, Output, Reading, Record


def kept(outputs: Iterable[Output]) -> Iterator[Record]:
    """Return from what the core gave out only what is to be stored: kept readings and events."""
    for output in outputs:
        if isinstance(output, Event) or (isinstance(output, Reading) and output.keep):
            yield output


def replay(plan: Plan, inputs: Iterable[Record]) -> Iterator[Record]:
    """Feed a fresh core the recorded inputs of one run and return its records, in order.

    ``inputs`` may hold derived records (alarm and bench events) too: they are left out, since the core makes
    them anew. The first input is the run's own event.

    Raises:
        ValueError: the run does not begin with its run event.
    """
    records = iter(inputs)
    first = next(records, None)
    if not isinstance(first, Event) or first.kind is not EventKind.RUN:
        text = f"a run begins with its run event, got {first!r}"
        raise ValueError(text)
    core = Core(plan, first.monotonic_ns)
    said, alarms, benches = taken_over(first.body)
    yield from kept(core.start(first.monotonic_ns, said, alarms, benches))
    for record in records:
        yield from kept(again(core, record))


def taken_over(body: Mapping[str, object]) -> tuple[dict[str, object], Kept, Kept]:
    """Part a run event's body into what was said of the run, its restored alarms, and its benches."""
    said = dict(body)
    return said, cast("Kept", said.pop("restored")), cast("Kept", said.pop("benches", {}))


def again(core: Core, record: Record) -> Iterable[Output]:
    """Give one recorded input to a core and return what follows; a derived record gives nothing."""
    if isinstance(record, Reading):
        return core.feed(record.channel, record.monotonic_ns, record.raw, record.given)
    if record.kind is EventKind.DUE:
        return core.let(Due(str(record.body["due"]), record.subject), record.monotonic_ns)
    if record.kind is EventKind.COMMAND:
        return core.command(record.body, record.monotonic_ns)
    if record.kind is EventKind.CLOCK and "quiet" in record.body:
        return core.quiet(record.monotonic_ns, on=bool(record.body["quiet"]))
    if record.kind in (EventKind.CLOCK, EventKind.RUN):
        return [core.record(record.kind, record.subject, record.body, record.monotonic_ns)]
    return ()
