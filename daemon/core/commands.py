"""What people can tell the core to do: one function per command, each leaving a record of who and why.

A command's body holds its own keys beside ``do``, ``person`` (an id), ``role``, ``why``, ``uid``; values have been
checked for their type by whoever took the command in. What can't be done is a `CommandError`, and leaves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from quietbench.daemon.core.alarm import HIDDEN, WAITING, AlarmInput
from quietbench.daemon.core.alarms import Alarm
from quietbench.daemon.core.bench import BenchWatch
from quietbench.daemon.core.records import AlarmState, EventKind, Output

if TYPE_CHECKING:
    from quietbench.daemon.core.engine import Core

SECOND_NS = 1_000_000_000
SHELF_PATH_S = 1800
"""An alarm that protects, or speaks of danger to people, is shelved for half an hour at most (own choice)."""

SHELF_OTHER_S = 28_800
"""Any other alarm for a shift of eight hours (own choice)."""

LIVE_MOST_S = 14_400
"""Live work is declared for four hours at most (own choice); it can be declared anew."""

Body = Mapping[str, Any]
Command = Callable[["Core", Body, int], list[Output]]


class CommandError(ValueError):
    """A command that can't be carried out: ``what`` went wrong, what was ``got``, what would be ``wanted``."""

    def __init__(self, what: str, *, got: str, wanted: str) -> None:
        super().__init__(f"{what}: got {got}, wanted {wanted}")
        self.what, self.got, self.wanted = what, got, wanted


def acknowledge(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Take note that a person has seen an alarm: it sounds no more."""
    alarm = _alarm(core, body)
    _must_be(alarm, WAITING, "waits for no acknowledgement")
    return _moved(core, body, alarm, AlarmInput.ACKNOWLEDGE, now_ns)


def reset(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Let go of a latched alarm whose condition is over and that has been acknowledged."""
    alarm = _alarm(core, body)
    _must_be(alarm, frozenset({AlarmState.LATCHED_ACKNOWLEDGED}), "can't be reset")
    return _moved(core, body, alarm, AlarmInput.RESET, now_ns)


def shelve(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Hide an alarm for a time: annunciation alone, never the state of the bench."""
    alarm = _alarm(core, body)
    most_s = SHELF_PATH_S if alarm.protects or alarm.danger else SHELF_OTHER_S
    for_s = float(body["for_s"])
    if not 0 < for_s <= most_s:
        grave = "an alarm of a path" if alarm.protects else "an alarm of danger to people"
        kind = grave if alarm.protects or alarm.danger else "this alarm"
        raise CommandError(
            f"{kind} can't be shelved for so long", got=f"{for_s:g} s", wanted=f"1 to {most_s} s"
        )
    _must_be(alarm, frozenset(AlarmState) - HIDDEN, "is hidden already")
    return _moved(core, body, alarm, AlarmInput.SHELVE, now_ns, until_ns=now_ns + int(for_s * SECOND_NS))


def unshelve(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Bring a shelved alarm back before its time."""
    alarm = _alarm(core, body)
    _must_be(alarm, frozenset({AlarmState.SHELVED}), "is not shelved")
    return _back(core, body, alarm, now_ns)


def remove(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Take an alarm out of service for maintenance; the bench state follows the condition all the same."""
    alarm = _alarm(core, body)
    _must_be(alarm, frozenset(AlarmState) - {AlarmState.OUT_OF_SERVICE}, "is out of service already")
    return _moved(core, body, alarm, AlarmInput.REMOVE, now_ns)


def put_back(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Return an alarm to service."""
    alarm = _alarm(core, body)
    _must_be(alarm, frozenset({AlarmState.OUT_OF_SERVICE}), "is in service")
    return _back(core, body, alarm, now_ns)


def silence(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Quiet a bench's buzzer for a while; what occurs after it sounds again, and it acknowledges nothing."""
    bench = _bench(core, body)
    record = core.record(EventKind.COMMAND, bench.bench.name, body, now_ns)
    return [record, *core.silence(bench, now_ns)]


def live(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Declare live work at a bench: straps come off as the site's rules say, and their alarms are suppressed."""
    bench = _bench(core, body)
    if bench.bench.strap_off_above_v is None:
        raise CommandError(
            "live work can't be declared at this bench",
            got=bench.bench.name,
            wanted="strap_off_above_v, the site's own rule, in its configuration",
        )
    for_s = float(body["for_s"])
    if not 0 < for_s <= LIVE_MOST_S:
        raise CommandError("live work for so long", got=f"{for_s:g} s", wanted=f"1 to {LIVE_MOST_S} s")
    stored = {**body, "strap_off_above_v": bench.bench.strap_off_above_v}
    record = core.record(EventKind.COMMAND, bench.bench.name, stored, now_ns)
    return [record, *core.begin_live(bench, now_ns + int(for_s * SECOND_NS), now_ns)]


def end_live(core: Core, body: Body, now_ns: int) -> list[Output]:
    """End live work; the bench needs a new ready check."""
    bench = _bench(core, body)
    if bench.live_until_ns is None:
        raise CommandError("no live work there", got=bench.bench.name, wanted="a bench with live work")
    record = core.record(EventKind.COMMAND, bench.bench.name, body, now_ns)
    return [record, *core.end_live(bench, now_ns)]


def ready(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Keep the result of a check before work: "passed" or "failed", with its steps in ``detail``."""
    bench = _bench(core, body)
    result = str(body["result"])
    if result not in ("passed", "failed"):
        raise CommandError("no such result", got=result, wanted="passed or failed")
    until_ns = now_ns + bench.bench.ready_every_ns if result == "passed" else None
    record = core.record(EventKind.COMMAND, bench.bench.name, {**body, "until_ns": until_ns}, now_ns)
    return [record, *core.take_ready(bench, result, until_ns, now_ns)]


def enter(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Judge a periodic check entered by hand (``value`` in the channel's unit)."""
    watch = core.channel(str(body["channel"]))
    checked = [w.channel.name for w in core.channels() if w.entered]
    if watch is None:
        raise CommandError("no such channel", got=str(body["channel"]), wanted=_by_hand(checked))
    if not watch.entered:
        raise CommandError(
            "no limit of this channel is checked by hand", got=watch.channel.name, wanted=_by_hand(checked)
        )
    record = core.record(EventKind.COMMAND, watch.channel.name, body, now_ns)
    watch.judge_entered(float(body["value"]), now_ns)
    return [record, *core.follow(watch, now_ns)]


def remark(core: Core, body: Body, now_ns: int) -> list[Output]:
    """Keep what a person did or saw (a note, a repair); it decides nothing."""
    return [core.record(EventKind.COMMAND, str(body["subject"]), body, now_ns)]


COMMANDS: dict[str, Command] = {
    "acknowledge": acknowledge,
    "reset": reset,
    "shelve": shelve,
    "unshelve": unshelve,
    "remove": remove,
    "put-back": put_back,
    "silence": silence,
    "live": live,
    "end-live": end_live,
    "ready": ready,
    "enter": enter,
    "note": remark,
    "repair": remark,
}
"""By the word of the socket."""


def _moved(
    core: Core, body: Body, alarm: Alarm, happening: AlarmInput, now_ns: int, *, until_ns: int | None = None
) -> list[Output]:
    record = core.record(EventKind.COMMAND, alarm.name, body, now_ns)
    events = core.book.move(alarm, happening, now_ns, until_ns=until_ns)
    return [record, *events, *core.settle_all(alarm.watch, now_ns)]


def _back(core: Core, body: Body, alarm: Alarm, now_ns: int) -> list[Output]:
    record = core.record(EventKind.COMMAND, alarm.name, body, now_ns)
    return [record, *core.bring_back(alarm, now_ns), *core.settle_all(alarm.watch, now_ns)]


def _alarm(core: Core, body: Body) -> Alarm:
    name = str(body["alarm"])
    alarm = core.book.by_name.get(name)
    if alarm is None:
        near = get_close_matches(name, core.book.by_name, 3) or [a.name for a in core.book.open()]
        raise CommandError("no such alarm", got=name, wanted=_some(near))
    return alarm


def _bench(core: Core, body: Body) -> BenchWatch:
    name = str(body["bench"])
    if name not in core.benches:
        raise CommandError("no such bench", got=name, wanted=_some(list(core.benches)))
    return core.benches[name]


def _must_be(alarm: Alarm, states: frozenset[AlarmState], what: str) -> None:
    if alarm.state not in states:
        wanted = " or ".join(sorted(state.value for state in states))
        raise CommandError(f"{alarm.name} {what}", got=alarm.state.value, wanted=wanted)


def _some(names: list[str]) -> str:
    return "one of: " + ", ".join(names) if names else "an alarm that stands; now none does"


def _by_hand(channels: list[str]) -> str:
    if channels:
        return _some(channels)
    return "a channel with a limit that is checked by hand; there is none here (a note can be kept)"
