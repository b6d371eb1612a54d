"""Since when and under what circumstances, for the bursts of one set of stretches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.circumstances import Judged, Split, hours_of_day, judge, split_by
from quietbench.daemon.tracing.clocked import observed_hours, total_hours, wall_s
from quietbench.daemon.tracing.counting import Dispersion, Rate, dispersion, rate
from quietbench.daemon.tracing.dropouts import Series, State, common, joined, union
from quietbench.daemon.tracing.history import History, holding
from quietbench.daemon.tracing.trend import ChangePoint, Laplace, PowerLaw, change_point, laplace, power_law
from quietbench.daemon.tracing.wiring import Floats
from quietbench.daemon.tracing.words import FEW

_AFTER_SWITCHING_S = 2.0
_DRY = 0.35
_DAY_PARTS = ((0, 6), (6, 12), (12, 18), (18, 24))


@dataclass(frozen=True, slots=True)
class When:
    """What the times of bursts say. Times of the change are in s, like those of the bursts."""

    rate: Rate
    spread: Dispersion
    trend: Laplace | None
    power: PowerLaw | None
    change: ChangePoint | None
    change_at_s: tuple[float, float, float] | None


def when(at_s: Floats, observed: Floats) -> When | None:
    """Judge bursts at ``at_s`` within ``observed`` intervals; None without observed time."""
    hours = total_hours(observed)
    if hours <= 0:
        return None
    at = np.sort(observed_hours(at_s, observed))
    spread = dispersion(at, hours)
    found = rate(len(at), hours, dispersion=spread.factor)
    if len(at) < FEW:
        return When(found, spread, None, None, None, None)
    change = change_point(at, hours)
    low, middle, high = (wall_s(h, observed) for h in (change.low_hours, change.at_hours, change.high_hours))
    return When(found, spread, laplace(at, hours), power_law(at, hours), change, (low, middle, high))


def circumstances(
    history: History, at_s: Floats, observed: Floats, *, offset_s: float, spread: float
) -> list[Judged]:
    """Compare the rates with and without each circumstance that the record tells of."""
    if not len(observed):
        return []
    splits = _by_hour(history, at_s, observed, offset_s)
    for name, holds in _holding(history):
        splits.append(split_by(name, at_s, observed, common(observed, holds)))
    return judge(splits, dispersion=spread)


def _by_hour(history: History, at_s: Floats, observed: Floats, offset_s: float) -> list[Split]:
    start, end = float(observed[0, 0]), float(observed[-1, 1])
    local = history.origin_s + offset_s
    return [
        split_by(f"from {a} to {b} o'clock", at_s, observed, hours_of_day(start, end, local, a, b))
        for a, b in _DAY_PARTS
    ]


def _holding(history: History) -> list[tuple[str, Floats]]:
    """Return circumstances with the intervals in which they held."""
    out = []
    presence = [holding(channel) for channel in history.of_quantity("presence")]
    if presence:
        out.append(("somebody at a bench", union(presence)))
    dry = [_below(channel.series, _DRY) for channel in history.of_quantity("relative_humidity")]
    if dry:
        out.append((f"air drier than {_DRY:.0%} RH", union(dry)))
    for quantity, name in (
        ("supply_transients", "just after a supply transient"),
        ("outlet_wiring", "just after an outlet changed"),
        ("tip_voltage", "just after a tool was switched"),
    ):
        changes = [_after_changes(channel.series) for channel in history.of_quantity(quantity)]
        if changes:
            out.append((name, union(changes)))
    return out


def _below(series: Series, bound: float) -> Floats:
    if not len(series.at_s):
        return np.zeros((0, 2))
    until = series.until()
    usable = (series.state != State.UNTRUSTED) & (series.value < bound)
    return joined(np.stack((series.at_s[usable], until[usable]), axis=1))


def _after_changes(series: Series) -> Floats:
    """Return the moments after every change of a value."""
    usable = series.state != State.UNTRUSTED
    at, value = series.at_s[usable], series.value[usable]
    changed = at[1:][value[1:] != value[:-1]]
    return joined(np.stack((changed - 0.1, changed + _AFTER_SWITCHING_S), axis=1))
