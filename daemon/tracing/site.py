"""A site put together from its records: wiring, what each channel can see, dropouts on one clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.coincide import Dropouts, sort_by_time
from quietbench.daemon.tracing.dropouts import Found, find, joined, poll_interval, union
from quietbench.daemon.tracing.errors import TracingError
from quietbench.daemon.tracing.history import ChannelHistory, History, holding
from quietbench.daemon.tracing.mains import with_mains
from quietbench.daemon.tracing.offsets import Clocks, fit_clocks, put_right
from quietbench.daemon.tracing.prior import kind_of
from quietbench.daemon.tracing.wiring import Floats, Ints, Seeing, Wiring

CLOCK_BOUND_S = 1.0
"""How far the clocks of two watchers may be apart when nothing tells."""

_CONTACT_DEBOUNCE_S = 0.001
_BODY_DELAY_S = 0.0002
"""1 Mohm in the strap and 100 to 200 pF of body: an opening is smeared by so much."""
_RESISTANCE_DELAY_S = 0.007


@dataclass(frozen=True, slots=True)
class SiteRecord:
    """Everything the analysis needs; ``found`` by channel, as in the wiring. ``span``: first and last time (s)."""

    history: History
    wiring: Wiring
    seeing: Seeing
    found: tuple[Found, ...]
    dropouts: Dropouts
    watcher: Ints
    clocks: Clocks | None
    span: tuple[float, float]

    @property
    def clock_u_s(self) -> Floats:
        """Get by channel how far its clock may be off the first watcher's."""
        return np.zeros(len(self.watcher)) if self.clocks is None else self.clocks.u_s[self.watcher]

    def observed(self, channels: Ints) -> Floats:
        """Return when at least one of some channels observed."""
        return union([self.seeing.observed[int(c)] for c in channels])


def site_of(history: History, bench: str | None = None) -> SiteRecord:
    """Put a site together; ``bench`` keeps its channels and those that share a stretch with them.

    Raises:
        TracingError: no channel watches a stretch, or there is no such bench.
    """
    channels = _wanted(history, bench)
    found = tuple(_dropouts(history, channel) for channel in channels)
    wiring = _wiring(history, channels)
    watcher = np.array([channel.watcher for channel in channels], dtype=np.int64)
    dropouts = sort_by_time(_together(found))
    clocks = None
    if len(set(watcher)) > 1:
        wider, watchers, witnesses = with_mains(history, wiring, watcher, dropouts)
        clocks = fit_clocks(witnesses, watchers, wider, bound_s=CLOCK_BOUND_S)
    if clocks is not None:
        dropouts = sort_by_time(put_right(dropouts, watcher, clocks))
    return SiteRecord(
        history, wiring, _seeing(channels, found), found, dropouts, watcher, clocks, _span(found)
    )


def _wanted(history: History, bench: str | None) -> list[ChannelHistory]:
    channels = history.path_channels()
    if not channels:
        raise TracingError(
            "no channel here says which stretches it measures; give it `measures` in the configuration"
        )
    if bench is None:
        return channels
    own = [channel for channel in channels if channel.channel.name.startswith(f"{bench}/")]
    if not own:
        names = sorted({channel.channel.name.split("/")[0] for channel in channels})
        raise TracingError(f"got bench {bench!r}, wanted one of {', '.join(names)}")
    shared = frozenset().union(*(channel.channel.measures for channel in own))
    return [channel for channel in channels if channel.channel.measures & shared]


def _wiring(history: History, channels: list[ChannelHistory]) -> Wiring:
    hangs_on = history.stretches()
    names = _with_ways({s for channel in channels for s in channel.channel.measures}, hangs_on)
    index = {name: i for i, name in enumerate(names)}
    measures = np.array([[name in c.channel.measures for name in names] for c in channels], dtype=np.bool_)
    parents = tuple(index.get(hangs_on.get(name, "earth"), -1) for name in names)
    several = len({channel.watcher for channel in channels}) > 1
    watchers = history.watchers
    labels = tuple(
        f"{watchers[c.watcher].plan.watcher}:{c.channel.name}" if several else c.channel.name
        for c in channels
    )
    return Wiring(tuple(names), parents, tuple(kind_of(name) for name in names), labels, measures)


def _with_ways(stretches: set[str], hangs_on: dict[str, str]) -> list[str]:
    """Return the stretches and all between them and earth, each after what it hangs on."""
    out: dict[str, None] = {}
    for stretch in sorted(stretches):
        way, at = [], stretch
        while at in hangs_on and at not in way:
            way.append(at)
            at = hangs_on[at]
        out.update(dict.fromkeys(reversed(way)))
    return list(out)


def _dropouts(history: History, channel: ChannelHistory) -> Found:
    silent_s = channel.channel.silent_after_ns / 1e9
    return find(channel.series, poll_interval(channel.series.at_s, silent_s), _gate(history, channel))


def _gate(history: History, channel: ChannelHistory) -> Floats | None:
    """Return when somebody was there, for a channel whose openings count only then."""
    if not channel.channel.gated:
        return None
    place = channel.channel.name.split("/")[0]
    bench = next((b for b in history.watchers[channel.watcher].plan.benches if b.name == place), None)
    if bench is None or not bench.presence:
        return None
    there = [c for c in history.channels if c.watcher == channel.watcher and c.channel.name in bench.presence]
    return union([holding(c) for c in there])


def _seeing(channels: list[ChannelHistory], found: tuple[Found, ...]) -> Seeing:
    contact = np.array([channel.channel.unit == "1" for channel in channels])
    every = np.array([f.every_s for f in found])
    return Seeing(
        every,
        np.where(contact & (every == 0), _CONTACT_DEBOUNCE_S, 0.0),
        np.where(contact, _BODY_DELAY_S, _RESISTANCE_DELAY_S),
        tuple(joined(f.observed) for f in found),
    )


def _together(found: tuple[Found, ...]) -> Dropouts:
    def all_of(name: str) -> Floats:
        return np.concatenate([getattr(f, name) for f in found])

    number = np.repeat(np.arange(len(found)), [len(f.short_s) for f in found])
    return Dropouts(number, all_of("start_lo_s"), all_of("start_hi_s"), all_of("short_s"), all_of("long_s"))


def _span(found: tuple[Found, ...]) -> tuple[float, float]:
    spans = [f.observed for f in found if len(f.observed)]
    if not spans:
        return 0.0, 0.0
    return min(float(s[0, 0]) for s in spans), max(float(s[-1, 1]) for s in spans)
