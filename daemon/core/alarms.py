"""One alarm of a plan: a condition with its delay becomes states of the table, and says what it is about."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field

from quietbench.daemon.core.alarm import HIDDEN, LATCHED, AlarmInput, step
from quietbench.daemon.core.channel import ChannelWatch, Condition
from quietbench.daemon.core.plan import Limit, Priority
from quietbench.daemon.core.records import AlarmState, Sentence


@dataclass(slots=True)
class Alarm:
    """A condition of a channel, its state, and what it waits for.

    ``standing`` follows the condition after its delay and through its gate, also while the alarm is hidden.
    ``until_ns`` ends a shelf. From ``name`` on it holds what limit and channel say of it (a fault has no limit):
    ``name`` is the id, channel, colon, limit or "fault"; ``protects`` says that it is about the way to earth,
    ``danger`` that it speaks of danger to people; ``resound_ns`` after how long it sounds again once acknowledged,
    0 for never.
    """

    watch: ChannelWatch
    condition: Condition
    state: AlarmState = AlarmState.NORMAL
    standing: bool = False
    since_ns: int = 0
    until_ns: int | None = None
    sentence: Sentence = field(default_factory=lambda: Sentence("limit"))
    name: str = field(init=False)
    priority: Priority = field(init=False)
    protects: bool = field(init=False)
    danger: bool = field(init=False)
    resound_ns: int = field(init=False)
    limit_part: dict[str, object] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        limit, channel = self.condition.limit, self.watch.channel
        self.name = self.condition.alarm
        self.priority = channel.fault_priority if limit is None else limit.priority
        self.protects = bool(channel.measures) if limit is None else limit.protects
        self.danger = limit is not None and limit.danger
        self.resound_ns = channel.fault_resound_ns if limit is None else limit.resound_ns
        self.limit_part = _limit_part(limit)

    @property
    def shown(self) -> bool:
        """Say whether the alarm stands, or is latched, and nobody has hidden it."""
        return (self.standing or self.state in LATCHED) and self.state not in HIDDEN

    def wanted(self, *, gate_open: bool) -> bool:
        """Say whether the alarm ought to stand: the condition holds and its gate is open."""
        gated = self.watch.channel.gated and self.condition.limit is not None
        return self.condition.holds and (gate_open or not gated)

    def delay_ns(self) -> int:
        """Return how long the condition must have changed before the alarm follows it."""
        limit = self.condition.limit
        if limit is None:
            return 0
        return limit.off_delay_ns if self.standing else limit.on_delay_ns

    def said(self) -> Sentence:
        """Return what to say of the alarm now: a path that is back already is said to be so."""
        limit = self.condition.limit
        if limit is None or self.condition.holds or not limit.protects:
            return self.sentence
        return Sentence(f"back.{self.watch.channel.quantity}", self.sentence.args)

    def turn(self) -> AlarmInput:
        """Let the alarm follow its condition; return what that is for the table."""
        self.standing = not self.standing
        if self.standing:
            self.sentence = sentence_of(self)
            return AlarmInput.OCCUR
        limit = self.condition.limit
        return AlarmInput.LATCH if limit is not None and limit.latching else AlarmInput.RETURN

    def move(self, happening: AlarmInput, now_ns: int) -> tuple[AlarmState, AlarmState] | None:
        """Step the table; return (from, to), or None where nothing follows."""
        after = step(self.state, happening)
        if after is None:
            return None
        before, self.state = self.state, after
        self.since_ns = now_ns
        if after is not AlarmState.SHELVED:
            self.until_ns = None
        return before, after


def restore(alarm: Alarm, kept: Mapping[str, object], now_ns: int) -> None:
    """Put an alarm into the state of the run before; it stays there until its channel shows otherwise."""
    alarm.state = AlarmState(kept["state"])
    alarm.standing = bool(kept["standing"])
    alarm.since_ns = now_ns
    until_ns = kept.get("until_ns")
    alarm.until_ns = until_ns if isinstance(until_ns, int) else None
    alarm.condition.holds = alarm.standing
    alarm.watch.restate()
    alarm.sentence = sentence_of(alarm)


def event_body(
    alarm: Alarm, before: AlarmState, after: AlarmState, happening: AlarmInput
) -> dict[str, object]:
    """Return the body of the alarm event: what is so, by which limit, from which source."""
    reason = alarm.watch.reason
    value, u, sense = _judged(alarm)
    return {
        "alarm": alarm.name,
        "channel": alarm.watch.channel.name,
        "from": before.value,
        "to": after.value,
        "cause": happening.value,
        "condition": alarm.standing,
        "priority": alarm.priority.name.lower(),
        "until_ns": alarm.until_ns,
        "sentence": {"key": alarm.sentence.key, "args": dict(alarm.sentence.args)},
        "unit": alarm.watch.channel.unit,
        "reason": None if reason is None else reason.name.lower(),
        "value": value,
        "u": u,
        "sense": sense,
        **alarm.limit_part,
    }


def _limit_part(limit: Limit | None) -> dict[str, object]:
    if limit is None:
        return {"limit": None, "requirement": None, "bound": None, "source": None}
    return {
        "limit": limit.name,
        "requirement": limit.requirement.value,
        "bound": limit.bound,
        "source": asdict(limit.source),
    }


def _judged(alarm: Alarm) -> tuple[float | None, float | None, str]:
    """Return what was judged: the kept reading, or for a limit that is checked by hand what was entered."""
    limit = alarm.condition.limit
    if limit is not None and limit.entered:
        return alarm.watch.entered_value, None, "="
    kept = alarm.watch.kept
    return (None, None, "=") if kept is None else (kept.value, kept.u, kept.sense.value)


def sentence_of(alarm: Alarm) -> Sentence:
    """Return what to say of an alarm that occurs: a key of the catalogue and what fills it."""
    channel = alarm.watch.channel
    place, _, word = channel.name.partition("/")
    args = [("place", place), ("channel", word), ("what", channel.quantity)]
    limit = alarm.condition.limit
    if limit is None:
        reason = alarm.watch.reason
        return Sentence(f"fault.{'silent' if reason is None else reason.name.lower()}", tuple(args))
    value, u, sense = _judged(alarm)
    if value is not None:
        args += [("value", repr(value)), ("u", repr(u)), ("sense", sense)]
    args += [
        ("unit", channel.unit),
        ("requirement", limit.requirement.value),
        ("bound", repr(limit.bound)),
    ]
    family = "danger" if limit.danger else "open" if limit.protects else "limit"
    return Sentence(f"{family}.{channel.quantity}", tuple(args))
