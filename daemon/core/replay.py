"""Run the core over what a run has recorded: the same inputs give the same records, to the byte."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import cast

from quietbench.daemon.core.engine import Core, Due
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import Event, EventKind, Output, Reading, Record

_NOT_DECIDING = frozenset({EventKind.CLOCK})


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
    body = dict(first.body)
    restored = cast("Mapping[str, str]", body.pop("restored"))
    yield from kept(core.start(first.monotonic_ns, body, restored))
    for record in records:
        yield from kept(_again(core, record))


def _again(core: Core, record: Record) -> Iterable[Output]:
    if isinstance(record, Reading):
        return core.feed(record.channel, record.monotonic_ns, record.raw, record.given)
    if record.kind is EventKind.DUE:
        return core.let(Due(str(record.body["due"]), record.subject), record.monotonic_ns)
    if record.kind is EventKind.COMMAND:
        return _command(core, record)
    if record.kind in _NOT_DECIDING or record.kind is EventKind.RUN:
        return [core.note(record.kind, record.subject, record.body, record.monotonic_ns)]
    return ()


def _command(core: Core, record: Event) -> Iterable[Output]:
    who = dict(record.body)
    do = who.pop("do")
    if do == "acknowledge":
        return core.acknowledge(str(who.pop("alarm")), record.monotonic_ns, who)
    if do != "enter":
        return core.remark(record.subject, record.monotonic_ns, record.body)
    value = float(cast("float", who.pop("value")))
    return core.enter(str(who.pop("channel")), value, record.monotonic_ns, who)
