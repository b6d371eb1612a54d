"""Transients on the mains as witnesses for clocks: every watcher on the supply sees them at the same moment.

For the fit of clocks they stand in as dropouts of one more channel for each watcher, across one more shared stretch.
"""

from __future__ import annotations

import numpy as np

from quietbench.daemon.tracing.coincide import Dropouts, sort_by_time
from quietbench.daemon.tracing.dropouts import STAMP_S, State, poll_interval
from quietbench.daemon.tracing.history import ChannelHistory, History
from quietbench.daemon.tracing.prior import Kind
from quietbench.daemon.tracing.wiring import Ints, Wiring


def with_mains(
    history: History, wiring: Wiring, watcher: Ints, dropouts: Dropouts
) -> tuple[Wiring, Ints, Dropouts]:
    """Return wiring, watchers and dropouts with the transients on record; as they were where there are none."""
    mains = history.of_quantity("supply_transients")
    if len({channel.watcher for channel in mains}) < 2:
        return wiring, watcher, dropouts
    channels, stretches = wiring.measures.shape
    measures = np.zeros((channels + len(mains), stretches + 1), dtype=np.bool_)
    measures[:channels, :stretches] = wiring.measures
    measures[channels:, stretches] = True
    wider = Wiring(
        (*wiring.stretches, "mains"),
        (*wiring.parents, -1),
        (*wiring.kinds, Kind.OTHER),
        (*wiring.channels, *(channel.channel.name for channel in mains)),
        measures,
    )
    parts = [dropouts, *(_changes(channel, channels + i) for i, channel in enumerate(mains))]
    return wider, np.append(watcher, [channel.watcher for channel in mains]), sort_by_time(_joined(parts))


def _changes(channel: ChannelHistory, number: int) -> Dropouts:
    series = channel.series
    usable = series.state != State.UNTRUSTED
    at, value = series.at_s[usable], series.value[usable]
    changed = at[1:][value[1:] != value[:-1]]
    slack = max(poll_interval(series.at_s, channel.channel.silent_after_ns / 1e9), STAMP_S)
    zero = np.zeros(len(changed))
    return Dropouts(np.full(len(changed), number), changed - slack, changed + STAMP_S, zero, zero + 1.0)


def _joined(parts: list[Dropouts]) -> Dropouts:
    return Dropouts(
        np.concatenate([part.channel for part in parts]),
        np.concatenate([part.start_lo_s for part in parts]),
        np.concatenate([part.start_hi_s for part in parts]),
        np.concatenate([part.short_s for part in parts]),
        np.concatenate([part.long_s for part in parts]),
    )
