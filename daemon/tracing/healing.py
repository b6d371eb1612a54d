"""Repairs on record against the bursts of the set that was repaired, and drift that starts anew after each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.clocked import observed_hours, total_hours
from quietbench.daemon.tracing.counting import dispersion
from quietbench.daemon.tracing.drift import Drift, drift
from quietbench.daemon.tracing.dropouts import State
from quietbench.daemon.tracing.history import ChannelHistory, Repair, upper_limit
from quietbench.daemon.tracing.locate import Located
from quietbench.daemon.tracing.repair import Countdown, countdown
from quietbench.daemon.tracing.site import SiteRecord
from quietbench.daemon.tracing.suspects import burst_owner
from quietbench.daemon.tracing.wiring import Floats, Ints

_PER_HOUR = 3600.0
_SHIFT_HOURS = 8.0


@dataclass(frozen=True, slots=True)
class Healed:
    """A repair and where its proof stands; ``proof`` is None when nothing watches what was repaired."""

    repair: Repair
    stretches: tuple[int, ...]
    proof: Countdown | None


def healed(site: SiteRecord, located: Located) -> list[Healed]:
    """Return every repair on record with its proof, oldest first."""
    repairs = sorted(site.history.repairs, key=lambda repair: repair.at_s)
    owner = burst_owner(located)
    return [_judge(site, located, owner, repair, repairs) for repair in repairs]


def _judge(site: SiteRecord, located: Located, owner: Ints, repair: Repair, repairs: list[Repair]) -> Healed:
    sets = _sets(site, located, repair.subject)
    stretches = tuple(s for k in sets for s in located.sets.members[k])
    channels = (
        np.flatnonzero(located.sets.crossed[list(sets)].any(axis=0)) if sets else np.zeros(0, dtype=np.int64)
    )
    observed = site.observed(channels)
    if not len(observed):
        return Healed(repair, stretches, None)
    times = located.bursts.start_s[np.isin(owner, sets)]
    earlier = [
        r.at_s for r in repairs if r.at_s < repair.at_s and set(_sets(site, located, r.subject)) & set(sets)
    ]
    since = max(earlier, default=-np.inf)
    total = total_hours(observed)
    begin, at = (float(observed_hours(np.array([max(x, -1e12)]), observed)[0]) for x in (since, repair.at_s))
    before = int(np.sum((times >= since) & (times < repair.at_s)))
    after = int(np.sum(times >= repair.at_s))
    if at - begin <= 0:
        return Healed(repair, stretches, None)
    hours = observed_hours(times[(times >= since) & (times < repair.at_s)], observed) - begin
    spread = dispersion(hours, at - begin).factor
    return Healed(repair, stretches, countdown(before, at - begin, after, total - at, dispersion=spread))


def _sets(site: SiteRecord, located: Located, subject: str) -> tuple[int, ...]:
    """Return the sets a repair's subject stands for: a stretch, what a channel measures, or a whole bench."""
    wiring = site.wiring
    if subject in wiring.stretches:
        chosen = [wiring.stretches.index(subject)]
    elif subject in wiring.channels:
        chosen = list(np.flatnonzero(wiring.measures[wiring.channels.index(subject)]))
    else:
        chosen = [i for i, name in enumerate(wiring.stretches) if name.startswith(f"{subject}/")]
    return tuple(sorted({int(located.sets.of[s]) for s in chosen if located.sets.of[s] >= 0}))


def drifts(site: SiteRecord) -> list[tuple[ChannelHistory, Drift, float]]:
    """Return what each resistance does since the last repair on its way: values as powers of ten, times in hours.

    The third part is the time (s) from which on it counts.
    """
    out = []
    for channel in site.history.path_channels():
        if channel.channel.unit == "ohm":
            since = _last_repair(site, channel)
            found = _drift(channel, since)
            if found is not None:
                out.append((channel, found, since))
    return out


def _last_repair(site: SiteRecord, channel: ChannelHistory) -> float:
    mine = {*channel.channel.measures, channel.channel.name}
    return max((r.at_s for r in site.history.repairs if r.subject in mine), default=-np.inf)


def _drift(channel: ChannelHistory, since: float) -> Drift | None:
    series = channel.series
    usable = (series.state == State.GOOD) & (series.at_s >= since) & (series.value > 0)
    limit = upper_limit(channel.channel)
    at, value = by_shift(series.at_s[usable] / _PER_HOUR, np.log10(series.value[usable]))
    return drift(at, value, None if limit is None else float(np.log10(limit)))


def by_shift(at_hours: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return one median for every eight hours with values.

    Neighbouring readings repeat each other; the tests take every value for a new witness.
    """
    if not len(at_hours):
        return at_hours, values
    shift = np.floor(at_hours / _SHIFT_HOURS)
    each = np.unique(shift)
    middle = [float(np.median(values[shift == s])) for s in each]
    return (each + 0.5) * _SHIFT_HOURS, np.array(middle)
