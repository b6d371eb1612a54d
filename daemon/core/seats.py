"""Who is at a bench: one seat, from its presence detectors and its strap loop.

Not knowing fails towards "somebody is there". A departure counts after the hold time. A strap loop that is closed
means somebody, whatever the detector says (a still person at a microscope is there); one that lets go means that
somebody was there a moment ago, so it is taken as a sighting and the hold time begins anew.
"""

from __future__ import annotations

from quietbench.daemon.core.channel import ChannelWatch
from quietbench.daemon.core.convert import Sense
from quietbench.daemon.core.plan import Posture, Seat


def is_off(watch: ChannelWatch) -> bool:
    """Say whether a contact channel is known to be open: nobody seen, no board out, tool cold."""
    return watch.trusted and watch.valid is not None and watch.valid.value == 0


class SeatWatch:
    """State of one seat. ``straps`` are the channels that measure the seat's end, ``footwear`` its test.

    ``telling`` are all channels that say something of who is in it.
    """

    def __init__(
        self,
        seat: Seat,
        *,
        presence: tuple[ChannelWatch, ...],
        straps: tuple[ChannelWatch, ...],
        footwear: ChannelWatch | None,
        hold_ns: int,
    ) -> None:
        self.seat = seat
        self.straps = straps
        self._presence = presence
        self._footwear = footwear
        self._hold_ns = hold_ns
        self._seen = True
        self._arrived = False
        self._closed = False
        self._absent_since_ns: int | None = None
        self._expired_ns: int | None = None
        self.occupied = self.needs_strap = True
        self.started = False
        self.telling = frozenset((*presence, *straps, *(() if footwear is None else (footwear,))))
        self._restate()

    def follow(self, now_ns: int) -> bool:
        """Take note of detectors and strap; return whether somebody came or went at once."""
        absent = bool(self._presence) and all(is_off(watch) for watch in self._presence)
        closed = any(_closed(strap) for strap in self.straps)
        let_go = self._closed and not closed
        self._closed = closed
        before = self._seen
        if not absent:
            self._seen, self._absent_since_ns = True, None
            self._arrived = self._arrived or any(watch.trusted for watch in self._presence)
        elif let_go:
            self._seen, self._arrived, self._absent_since_ns = True, True, now_ns
        elif not (self._arrived or closed):
            self._seen = False
        elif self._seen and self._absent_since_ns is None:
            self._arrived, self._absent_since_ns = True, now_ns
        self._restate()
        return self._seen is not before

    def leaves_at_ns(self) -> int | None:
        """Return when absence will have lasted the hold time, or None."""
        if self._absent_since_ns is None or not self._seen:
            return None
        return self._absent_since_ns + self._hold_ns

    def leave(self) -> None:
        """Let the hold time end: nobody is seen."""
        self._seen = False
        self._restate()

    def footwear_until_ns(self) -> int | None:
        """Return until when footwear and floor may stand in for the strap, or None where they may not."""
        test = self._footwear
        if test is None or test.entered_ns is None or self.seat.posture is not Posture.STANDING:
            return None
        if test.entered_ns == self._expired_ns or any(condition.holds for condition in test.entered):
            return None
        return test.entered_ns + self.seat.footwear_valid_ns

    def expire_footwear(self) -> None:
        """Let the test of footwear and floor count no more; the next one entered counts anew."""
        if self._footwear is not None:
            self._expired_ns = self._footwear.entered_ns
        self._restate()

    def _restate(self) -> None:
        """Draw anew what the bench asks of the seat.

        ``occupied``: seen, not yet gone, or in a strap loop that is not idle. ``needs_strap``: seated always,
        standing without a test of today. ``started``: every detector has spoken once, or is known to fail;
        before, an open strap is no alarm yet.
        """
        self.occupied = self._seen or not all(_idle(strap) for strap in self.straps)
        self.needs_strap = self.occupied and self.footwear_until_ns() is None
        self.started = all(watch.valid is not None or watch.fault.holds for watch in self._presence)


def _idle(strap: ChannelWatch) -> bool:
    if not strap.trusted or strap.valid is None:
        return False
    if strap.channel.quantity == "strap_contact":
        return strap.valid.value == 0
    return strap.valid.sense is Sense.MORE_THAN


def _closed(strap: ChannelWatch) -> bool:
    return strap.trusted and not _idle(strap)
