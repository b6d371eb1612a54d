"""One channel inside the core: converts, judges quality and limits, decides what is kept.

Thinning drops a sample only if replaying without it gives the same: every change of a limit's zone, of the
quality, of a fault count that still counts, is kept; so is what moves the raw value past the deadband, and a
heartbeat.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from quietbench.daemon.core.convert import Sense, Value
from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Channel, Limit
from quietbench.daemon.core.quality import quality_of
from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.core.records import Quality, Reading
from quietbench.drivers.samples import Reason

_NO_VALUE = (None, None, Sense.EQUAL, None)

FAULT = "fault"
"""The name of the alarm that stands for the measurement itself."""

TEST_MOST_NS = 60_000_000_000
"""A channel that tests itself for longer than this is not watching: its fault alarm comes (own choice)."""


NOT_TRUSTED, WHOLE, SEES_OPEN = range(3)
"""What a channel says of the paths it measures: nothing, all whole, one open."""


@dataclass(slots=True)
class Condition:
    """One thing that can be wrong with a channel: a limit, or (without one) the measurement itself.

    ``holds`` is the bare condition; the alarm follows it after its delay, and only while its gate is open.
    """

    alarm: str
    limit: Limit | None
    zone: Zone = Zone.CLEAR
    holds: bool = False


class ChannelWatch:
    """State of one channel; `take` is the hot path of the whole program.

    ``last`` is the newest reading, ``valid`` the newest that is not bad, ``kept`` the newest that is stored: what
    events quote is taken from ``kept``, so that a record can be replayed and every number in an event stands in
    the store.
    """

    __slots__ = (
        "_contact",
        "_measured",
        "_moved_ns",
        "_stale_reason",
        "_stuck_at",
        "_tested_since_ns",
        "bad_in_a_row",
        "channel",
        "entered",
        "entered_ns",
        "entered_value",
        "fault",
        "index",
        "kept",
        "last",
        "last_ns",
        "limits",
        "protecting",
        "standing",
        "valid",
    )

    def __init__(self, index: int, channel: Channel, now_ns: int) -> None:
        self.index = index
        self.channel = channel
        self.limits = tuple(Condition(f"{channel.name}:{limit.name}", limit) for limit in channel.limits)
        self.fault = Condition(f"{channel.name}:{FAULT}", None)
        self.last: Reading | None = None
        self.kept: Reading | None = None
        self.valid: Reading | None = None
        self.last_ns = now_ns
        self.bad_in_a_row = 0
        self._contact = QUANTITIES[channel.quantity].contact
        self._measured = tuple((c, c.limit) for c in self.limits if c.limit and not c.limit.entered)
        self.protecting = tuple(c for c in self.limits if c.limit and c.limit.protects)
        self.entered_value: float | None = None
        self.entered_ns: int | None = None
        self.entered = tuple(c for c in self.limits if c.limit and c.limit.entered)
        self.standing = NOT_TRUSTED
        self._stale_reason: Reason | None = None
        self._tested_since_ns: int | None = None
        self._stuck_at: float | None = None
        self._moved_ns = now_ns

    @property
    def reason(self) -> Reason | None:
        """Return why the channel can't be trusted now, or None."""
        if self._stale_reason is not None:
            return self._stale_reason
        return Reason.NOT_STARTED if self.last is None else self.last.reason

    @property
    def trusted(self) -> bool:
        """Say whether the channel has had a reading that is not bad, no fault stands since, and it is not tested."""
        return self.valid is not None and not self.fault.holds and self._tested_since_ns is None

    def restate(self) -> None:
        """Draw anew what benches ask of the channel; to be called whenever a condition was changed from outside."""
        if not self.trusted:
            self.standing = NOT_TRUSTED
            return
        self.standing = WHOLE
        for condition in self.protecting:
            if condition.holds:
                self.standing = SEES_OPEN

    def conditions(self) -> tuple[Condition, ...]:
        """Return every condition of the channel, the fault last."""
        return (*self.limits, self.fault)

    def take(self, monotonic_ns: int, raw: float | None, given: Reason | None) -> tuple[Reading, bool] | None:
        """Convert and judge one sample; return the reading and whether any condition changed.

        None for a sample older than the last one: an edge that overtook a poll has said more already.
        """
        last = self.last
        if last is not None and monotonic_ns < self.last_ns:
            return None
        self.last_ns = monotonic_ns
        if (
            last is not None
            and given is None
            and last.reason is None
            and raw == last.raw
            and not self.fault.holds
        ):
            return self._same(last, monotonic_ns), False
        return self._judge(monotonic_ns, raw, given)

    def _same(self, last: Reading, monotonic_ns: int) -> Reading:
        """Repeat the last reading at a new time: nothing that decides can have changed."""
        keep = self._heartbeat_due(monotonic_ns)
        reading = Reading(
            last[0], monotonic_ns, last[2], None, last[4], last[5], last[6], last[7], last[8], keep, 0
        )
        if keep:
            self.kept = reading
        return reading

    def _judge(self, monotonic_ns: int, raw: float | None, given: Reason | None) -> tuple[Reading, bool]:
        value: Value | None = None
        reason: Reason | None
        if raw is not None and not math.isfinite(raw):
            # It would be neither above nor below any bound, and a path would look held by it.
            raw, given = None, given or Reason.OUT_OF_SPAN
        if raw is None:
            reason = given if given is not None else Reason.SILENT
        else:
            value = self.channel.conversion.convert(raw)
            reason = given if given is not None else value.reason
        if self._holds_still(raw, given):
            reason = Reason.STUCK
        quality = quality_of(reason)
        tested, before = given is Reason.SELF_TEST, self._tested_since_ns
        if self._follow_test(monotonic_ns, quality, tested=tested):
            quality = Quality.BAD
        decided = self._count_faults(quality)
        changed = (
            decided is not None
            or self._switched(raw)
            or (before is None) is not (self._tested_since_ns is None)
        )
        keep = changed or self._counts(quality, reason) or (tested and quality is not Quality.BAD)
        if value is not None and quality is not Quality.BAD and not tested:
            zones_changed, holds_changed = self._judge_limits(value.value, value.sense)
            keep = keep or zones_changed
            changed = changed or holds_changed
        keep = keep or self._moved(raw) or self._heartbeat_due(monotonic_ns)
        self._stale_reason = None
        number, u, sense, _ = value if value is not None else _NO_VALUE
        reading = Reading(self.index, monotonic_ns, raw, given, number, u, sense, quality, reason, keep, 0)
        changed = changed or self.last is None or self.last.quality is not quality
        if self.last is None or raw != self.last.raw:
            self._moved_ns = monotonic_ns
        self.last = reading
        if quality is not Quality.BAD and not tested:
            self.valid = reading
        if keep:
            self.kept = reading
        self.restate()
        return reading, changed

    def _holds_still(self, raw: float | None, given: Reason | None) -> bool:
        """Say whether a channel that is stuck has still not moved; any other sample ends that."""
        if self._stuck_at is None:
            return False
        if given is None and raw == self._stuck_at:
            return True
        self._stuck_at = None
        return False

    def _follow_test(self, monotonic_ns: int, quality: Quality, *, tested: bool) -> bool:
        """Take note that something known stands in for what is watched; say whether for too long.

        Only a reading of the path itself ends the test: a bad poll says nothing of what is in the wire.
        """
        if tested:
            if self._tested_since_ns is None:
                self._tested_since_ns = monotonic_ns
            return monotonic_ns - self._tested_since_ns > TEST_MOST_NS
        if quality is not Quality.BAD:
            self._tested_since_ns = None
        return False

    def _count_faults(self, quality: Quality) -> bool | None:
        """Follow bad polls in a row; return the fault's new state where it changed."""
        fault = self.fault
        if quality is Quality.BAD:
            self.bad_in_a_row += 1
            if not fault.holds and self.bad_in_a_row >= self.channel.fault_after:
                fault.holds = True
                return True
            return None
        self.bad_in_a_row = 0
        if fault.holds:
            fault.holds = False
            return False
        return None

    def _counts(self, quality: Quality, reason: Reason | None) -> bool:
        """Say whether this sample's quality decides something, now or when counted on."""
        last = self.last
        if last is None or last.reason is not reason or self._stale_reason is not None:
            return True
        return quality is Quality.BAD and self.bad_in_a_row <= self.channel.fault_after

    def _judge_limits(self, value: float, sense: Sense) -> tuple[bool, bool]:
        zones_changed = holds_changed = False
        for condition, limit in self._measured:
            now = zone(limit, value, sense)
            if now is not condition.zone:
                condition.zone = now
                zones_changed = True
            if now is not Zone.DEADBAND and condition.holds is not (now is Zone.VIOLATING):
                condition.holds = now is Zone.VIOLATING
                holds_changed = True
        return zones_changed, holds_changed

    def _switched(self, raw: float | None) -> bool:
        """Say whether a contact changed: that decides who is there even where no limit looks at it."""
        return self._contact and self.last is not None and raw != self.last.raw

    def _moved(self, raw: float | None) -> bool:
        kept = self.kept
        if kept is None or raw is None or kept.raw is None:
            return kept is None or raw is not kept.raw
        return abs(raw - kept.raw) > self.channel.thin_raw

    def _heartbeat_due(self, monotonic_ns: int) -> bool:
        return self.kept is None or monotonic_ns - self.kept.monotonic_ns >= self.channel.heartbeat_ns

    def silent_at_ns(self) -> int | None:
        """Return when silence becomes a fault, or None while one stands already."""
        silent_after_ns = self.channel.silent_after_ns
        return None if self.fault.holds or not silent_after_ns else self.last_ns + silent_after_ns

    def stuck_at_ns(self) -> int | None:
        """Return when standing still becomes a fault, or None where it never does or a fault stands already."""
        if not self.channel.stuck_after_ns or self.fault.holds or self.last is None:
            return None
        return self._moved_ns + self.channel.stuck_after_ns

    def fall_stuck(self) -> None:
        """Take note that the raw value has not moved for too long: the sensor may be dead."""
        assert self.last is not None
        self.fault.holds = True
        self.bad_in_a_row = self.channel.fault_after
        self._stuck_at = self.last.raw
        self._stale_reason = Reason.STUCK
        self.restate()

    def fall_silent(self) -> None:
        """Take note that no sample came in time: the measurement can't be trusted."""
        self.fault.holds = True
        self.bad_in_a_row = self.channel.fault_after
        self._stale_reason = Reason.SILENT
        self.restate()

    def judge_entered(self, value: float, now_ns: int) -> bool:
        """Judge a value entered by hand (channel's unit); return whether a condition changed."""
        self.entered_value, self.entered_ns = value, now_ns
        changed = False
        for condition in self.entered:
            assert condition.limit is not None
            now = zone(condition.limit, value)
            condition.zone = now
            if now is not Zone.DEADBAND and condition.holds is not (now is Zone.VIOLATING):
                condition.holds = now is Zone.VIOLATING
                changed = True
        self.restate()
        return changed
