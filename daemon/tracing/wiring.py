"""The earth tree and its channels as arrays, and the sets of stretches that the channels can tell apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.tracing.prior import Kind

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Wiring:
    """Stretches, channels, and which channel's measuring current crosses which stretch.

    ``parents`` holds indices, -1 for earth. ``measures`` is a matrix, channels by stretches.
    """

    stretches: tuple[str, ...]
    parents: tuple[int, ...]
    kinds: tuple[Kind, ...]
    channels: tuple[str, ...]
    measures: Bools


@dataclass(frozen=True, slots=True)
class Seeing:
    """What each channel can see, one entry a channel.

    ``every_s``: poll interval, 0 for edges. ``debounce_s``: an opening must last that long to count. ``delay_s``:
    how long the path's RC hides an opening. ``observed``: intervals (s, one row each: since, until) in which
    the channel could have seen one: sensor good and, for a strap, somebody there.
    """

    every_s: Floats
    debounce_s: Floats
    delay_s: Floats
    observed: tuple[Floats, ...]

    def observed_s(self) -> Floats:
        """Return for how long each channel observed."""
        return np.array([float(np.sum(spans[:, 1] - spans[:, 0])) for spans in self.observed])

    def observing(self, channel: int, times_s: Floats) -> Bools:
        """Say for each time whether a channel observed."""
        spans = self.observed[channel]
        if not len(spans):
            return np.zeros(len(times_s), dtype=np.bool_)
        place = np.searchsorted(spans[:, 0], times_s, side="right") - 1
        inside: Bools = (place >= 0) & (times_s <= spans[np.maximum(place, 0), 1])
        return inside


@dataclass(frozen=True, slots=True)
class Sets:
    """Stretches in sets: those of one set are crossed by the very same channels, so nothing tells them apart.

    ``of`` gives each stretch's set, -1 for a stretch that no channel watches. ``crossed``: sets by channels.
    """

    of: Ints
    crossed: Bools
    members: tuple[tuple[int, ...], ...]


def sets_of(wiring: Wiring) -> Sets:
    """Return the sets that the channels of a wiring can tell apart."""
    columns = wiring.measures.T
    watched = columns.any(axis=1)
    of = np.full(len(wiring.stretches), -1, dtype=np.int64)
    if not watched.any():
        return Sets(of, np.zeros((0, len(wiring.channels)), dtype=np.bool_), ())
    crossed, inverse = np.unique(columns[watched], axis=0, return_inverse=True)
    of[watched] = inverse.reshape(-1)
    members = tuple(tuple(int(s) for s in np.flatnonzero(of == k)) for k in range(len(crossed)))
    return Sets(of, crossed.astype(np.bool_), members)
