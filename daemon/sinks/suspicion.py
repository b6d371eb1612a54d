"""Who is to blame when connections keep ending: the network, the broker, or what was being sent.

A broker may throw a client out, without a word, for a message it can't stand; sent again after every reconnect,
that message would keep the sink busy for ever.
"""

from __future__ import annotations

from quietbench.daemon.sinks.base import Flight, Stream

_TIMES = 3


class Suspicion:
    """Counts connections that ended with the same flight as the oldest unanswered one.

    After the first loss flights go one at a time, so that from then on the suspect is alone. It takes a broker
    that lets us in and answers the status each time before: one that is down blames nobody.
    """

    def __init__(self) -> None:
        self._suspect: tuple[Stream, int, int] | None = None
        self._times = 0

    def lost(self, flight: Flight) -> bool:
        """Count a connection that ended while a flight was unanswered; return whether that is once too often."""
        suspect = _identity(flight)
        if suspect != self._suspect:
            self._suspect, self._times = suspect, 0
        self._times += 1
        if self._times < _TIMES:
            return False
        self.answered(flight)
        return True

    def answered(self, flight: Flight) -> None:
        """Clear a flight that was answered; others that arrive between two losses prove nothing."""
        if _identity(flight) == self._suspect:
            self._suspect, self._times = None, 0


def _identity(flight: Flight) -> tuple[Stream, int, int]:
    return flight.stream, flight.records[0].n, len(flight.records)
