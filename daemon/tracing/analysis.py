"""The whole analysis, from stores to one JSON object; its schema is config/schemas/trace.json."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from quietbench.daemon.tracing import words
from quietbench.daemon.tracing.clocked import total_hours
from quietbench.daemon.tracing.detection import chance_of_seeing, duration_grid
from quietbench.daemon.tracing.gaps import burst_gap
from quietbench.daemon.tracing.healing import Healed, drifts, healed
from quietbench.daemon.tracing.history import History, read
from quietbench.daemon.tracing.locate import Located, locate
from quietbench.daemon.tracing.nextstep import best_steps
from quietbench.daemon.tracing.repair import sentence
from quietbench.daemon.tracing.site import SiteRecord, site_of
from quietbench.daemon.tracing.suspects import NAMED, Suspect, stretch_chances, suspects, unwatched
from quietbench.daemon.tracing.when import circumstances, when
from quietbench.daemon.tracing.wiring import Floats, Ints

VERSION = 1
_MOST_EVENTS = 500
_MOST_SUSPECTS = 12


def trace(
    folders: Sequence[Path],
    *,
    bench: str | None = None,
    since_s: float | None = None,
    repair: str | None = None,
    offset_s: float = 0.0,
) -> dict[str, Any]:
    """Analyse stores; ``since_s`` is UTC, ``offset_s`` local time less UTC (for the hour of day).

    Raises:
        StoreError: a store can't be read.
        TracingError: what was asked can't be traced.
    """
    history = read(list(folders), since_s)
    site = site_of(history, bench)
    gap_s = burst_gap(site.dropouts)
    located = locate(
        site.wiring, site.seeing, site.dropouts, site.span, gap_s=gap_s, clock_u_s=site.clock_u_s
    )
    found = suspects(located, site.wiring)
    return _Report(site, located, found, gap_s, repair, offset_s).all()


class _Report:
    """Turns what was found into JSON values."""

    def __init__(
        self,
        site: SiteRecord,
        located: Located,
        found: list[Suspect],
        gap_s: float,
        repair: str | None,
        offset_s: float,
    ) -> None:
        self._site, self._located, self._found = site, located, found
        self._gap_s, self._repair, self._offset_s = gap_s, repair, offset_s
        self._history: History = site.history
        self._healed = healed(site, located)
        self._observed = site.observed(np.arange(len(site.wiring.channels)))

    def all(self) -> dict[str, Any]:
        """Return the whole object."""
        hours = total_hours(self._observed)
        posterior = self._located.posterior
        return {
            "quietbench_trace": VERSION,
            "site": self._history.watchers[0].plan.site,
            "verdict": self._verdict(hours),
            "since": self._time(self._site.span[0]),
            "until": self._time(self._site.span[1]),
            "observed_hours": _n(hours),
            "nothing": _n(posterior.nothing),
            "watchers": self._watchers(),
            "clocks": self._clocks(),
            "channels": self._channels(),
            "dropouts": self._dropouts(),
            "suspects": [self._suspect(i, s) for i, s in enumerate(self._found[:_MOST_SUSPECTS], start=1)],
            "stretches": self._stretches(),
            "next": self._next(),
            "when": self._when(),
            "drift": self._drift(),
            "repairs": self._repairs(),
            "events": self._events(),
            "limits": self._limits(),
        }

    def _verdict(self, hours: float) -> str:
        """Say the main thing, and what came of the last repair there."""
        bursts = len(self._located.bursts.start_s)
        nothing = self._located.posterior.nothing
        said = words.verdict(self._found, self._site.wiring, bursts, hours, nothing)
        top = self._found[0] if self._found else None
        if top is None or top.worst <= NAMED or not bursts:
            return said
        places = {part.stretch for part in top.parts}
        mine = [h for h in self._healed if h.proof and places & set(h.stretches)]
        if not mine or mine[-1].proof is None:
            return said
        at = (self._time(mine[-1].repair.at_s) or "")[:10]
        return f"{said} Repaired on {at} ({mine[-1].repair.what}). {sentence(mine[-1].proof)}"

    def _time(self, at_s: float) -> str | None:
        if not math.isfinite(at_s):
            return None
        at = datetime.datetime.fromtimestamp(self._history.origin_s + at_s, datetime.UTC)
        return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def _names(self, stretches: Sequence[int]) -> list[str]:
        return [self._site.wiring.stretches[s] for s in stretches]

    def _watchers(self) -> list[dict[str, Any]]:
        return [
            {"watcher": w.plan.watcher, "folder": str(w.folder), "last_n": w.last_n, "runs": w.runs,
             "runs_left_out": w.left_out, "clock_known": w.clock_known}
            for w in self._history.watchers
        ]  # fmt: skip

    def _clocks(self) -> list[dict[str, Any]]:
        if self._site.clocks is None:
            return []
        names = [watcher.plan.watcher for watcher in self._history.watchers]
        return [
            {"a": names[o.a], "b": names[o.b], "found": o.found, "offset_s": _n(o.offset_s), "u_s": _n(o.u_s),
             "score": _n(o.score), "score_by_chance": _n(o.by_chance), "pairs": o.pairs,
             "sentence": words.clock_words(o, names[o.a], names[o.b])}
            for o in self._site.clocks.offsets
        ]  # fmt: skip

    def _channels(self) -> list[dict[str, Any]]:
        seeing, wiring = self._site.seeing, self._site.wiring
        grid = duration_grid(1e-3)[1]
        chance = chance_of_seeing(seeing, grid)
        counts = np.bincount(self._site.dropouts.channel, minlength=len(wiring.channels))
        hours = seeing.observed_s() / 3600
        return [
            {
                "channel": name,
                "measures": self._names(np.flatnonzero(wiring.measures[c]).tolist()),
                "observed_hours": _n(float(hours[c])),
                "dropouts": int(counts[c]),
                "deepest": _deepest(self._site.found[c].depth),
                "standing_open": self._site.found[c].standing,
                "read_by": "edges" if seeing.every_s[c] == 0 else "polls",
                "every_s": _n(float(seeing.every_s[c])),
                "sees_half_from_s": _first_at(chance[c], grid, 0.5),
                "sees_nearly_all_from_s": _first_at(chance[c], grid, 0.95),
                "seen_by_duration": [
                    [_n(float(d)), _n(float(p))] for d, p in zip(grid, chance[c], strict=True)
                ],
                "suspected_dead": bool(self._located.dead[c]),
            }
            for c, name in enumerate(wiring.channels)
        ]

    def _dropouts(self) -> dict[str, Any]:
        bursts, dropouts = self._located.bursts, self._site.dropouts
        middle = (bursts.short_s + np.minimum(bursts.long_s, 60.0)) / 2
        edges = np.array([0.0, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 60.0, np.inf])
        counts = np.histogram(middle, edges)[0]
        return {
            "seen": len(dropouts),
            "bursts": len(bursts.start_s),
            "burst_gap_s": _n(self._gap_s),
            "cut": int(sum(int(f.cut.sum()) for f in self._site.found)),
            "standing_open": int(sum(f.standing for f in self._site.found)),
            "open_time_quartiles_s": [_n(float(q)) for q in np.quantile(middle, (0.25, 0.5, 0.75))]
            if len(middle)
            else None,
            "by_open_time": [
                {"from_s": _n(float(a)), "to_s": _n(float(b)), "bursts": int(n)}
                for a, b, n in zip(edges[:-1], edges[1:], counts, strict=True)
            ],
        }

    def _suspect(self, rank: int, suspect: Suspect) -> dict[str, Any]:
        wiring = self._site.wiring
        patterns = [
            {"channels": [wiring.channels[c] for c in channels], "bursts": number}
            for channels, number in suspect.patterns
        ]
        return {
            "rank": rank,
            "parts": [
                self._part(part.stretch, part.chance, part.rate, part.low, part.high)
                for part in suspect.parts
            ],
            "told_apart": len(suspect.parts) == 1,
            "chance_faulty": _n(suspect.chance),
            "chance_worst": _n(suspect.worst),
            "rate_per_hour": _n(suspect.rate),
            "low_per_hour": _n(suspect.low),
            "high_per_hour": _n(suspect.high),
            "bursts": len(suspect.bursts),
            "patterns": patterns[:6],
            "evidence": words.evidence(suspect, wiring),
        }

    def _part(self, stretch: int, chance: float, rate: float, low: float, high: float) -> dict[str, Any]:
        wiring = self._site.wiring
        return {"stretch": wiring.stretches[stretch], "kind": wiring.kinds[stretch].value, "chance_worst": _n(chance),
                "rate_per_hour": _n(rate), "low_per_hour": _n(low), "high_per_hour": _n(high)}  # fmt: skip

    def _stretches(self) -> list[dict[str, Any]]:
        wiring, hidden = self._site.wiring, unwatched(self._located)
        rank = {part.stretch: i for i, s in enumerate(self._found, start=1) for part in s.parts}
        chance = stretch_chances(self._found, len(wiring.stretches))
        return [
            {
                "stretch": name,
                "hangs_on": "earth" if parent < 0 else wiring.stretches[parent],
                "kind": wiring.kinds[s].value,
                "watched": not hidden[s],
                "rank": rank.get(s),
                "chance_worst": _n(float(chance[s])),
            }
            for s, (name, parent) in enumerate(zip(wiring.stretches, wiring.parents, strict=True))
        ]

    def _next(self) -> list[dict[str, Any]]:
        chance = stretch_chances(self._found, len(self._site.wiring.stretches))
        if chance.sum() < 0.05:
            return []
        return [
            {"do": step.kind, "stretches": self._names(step.stretches), "bits": _n(step.bits),
             "sentence": words.step_words(step.kind, self._names(step.stretches), step.bits)}
            for step in best_steps(self._site.wiring, chance)
        ]  # fmt: skip

    def _focus(self) -> tuple[Floats, Floats, list[str]]:
        """Return the bursts that are asked when, and the time in which they could be seen."""
        top = self._found[0] if self._found else None
        if top is not None and top.worst > NAMED and len(top.bursts):
            channels: Ints = np.flatnonzero(self._located.sets.crossed[top.number])
            return (
                self._located.bursts.start_s[top.bursts],
                self._site.observed(channels),
                self._names([part.stretch for part in top.parts]),
            )
        return self._located.bursts.start_s, self._observed, []

    def _when(self) -> dict[str, Any] | None:
        at, observed, names = self._focus()
        found = when(at, observed)
        if found is None:
            return None
        times = found.change_at_s or (math.nan, math.nan, math.nan)
        low, middle, high = (self._time(t) or "-" for t in times)
        judged = circumstances(
            self._history, at, observed, offset_s=self._offset_s, spread=found.spread.factor
        )
        trend, power, change = found.trend, found.power, found.change
        return {
            "of": names,
            "bursts": found.rate.bursts,
            "observed_hours": _n(found.rate.hours),
            "rate_per_hour": _n(found.rate.each_hour),
            "low_per_hour": _n(found.rate.low),
            "high_per_hour": _n(found.rate.high),
            "dispersion": {"index": _n(found.spread.index), "windows": found.spread.windows, "p": _n(found.spread.p)},
            "rate_sentence": words.rate_words(found.rate, found.spread),
            "trend": trend and {"laplace_u": _n(trend.u), "p": _n(trend.p)},
            "power_law": power
            and {"beta": _n(power.beta), "low": _n(power.low), "high": _n(power.high), "growth": _n(power.growth)},
            "trend_sentence": words.trend_words(len(at), trend, power),
            "change": change
            and {"at": middle, "earliest": low, "latest": high, "chance": _n(change.chance),
                 "before_per_hour": _n(change.before_each_hour), "after_per_hour": _n(change.after_each_hour)},
            "change_sentence": words.change_words(change, middle, low, high),
            "circumstances": [
                {"name": j.split.name, "within": j.split.within, "within_hours": _n(j.split.within_hours),
                 "without": j.split.without, "without_hours": _n(j.split.without_hours), "ratio": _n(j.ratio.ratio),
                 "low": _n(j.ratio.low), "high": _n(j.ratio.high), "p": _n(j.ratio.p), "p_holm": _n(j.corrected_p),
                 "tells": j.tells, "sentence": words.circumstance_words(j)}
                for j in judged
            ],
        }  # fmt: skip

    def _drift(self) -> list[dict[str, Any]]:
        out = []
        for channel, found, since in drifts(self._site):
            crossing = [self._time(h * 3600) for h in found.crossing] if found.crossing else None
            out.append({
                "channel": channel.channel.name,
                "values": found.values,
                "since": self._time(since),
                "step_at": None if found.step_at is None else self._time(found.step_at * 3600),
                "step_factor": _n(10**found.step) if found.step_at is not None else None,
                "factor_per_day": _n(10 ** (24 * found.slope.slope)),
                "low_factor_per_day": _n(10 ** (24 * found.slope.low)),
                "high_factor_per_day": _n(10 ** (24 * found.slope.high)),
                "mann_kendall_z": _n(found.test.z),
                "p_one_sided": _n(found.test.p_one_sided),
                "crosses_limit": crossing,
                "sentence": words.drift_words(channel.channel.name, found, crossing),
            })  # fmt: skip
        return out

    def _repairs(self) -> list[dict[str, Any]]:
        return [self._one_repair(h) for h in self._healed if self._repair in (None, h.repair.subject)]

    def _one_repair(self, found: Healed) -> dict[str, Any]:
        repair, proof = found.repair, found.proof
        told = (
            sentence(proof)
            if proof
            else "Nothing watched this path before the repair, so nothing can show that it helped."
        )
        base = {
            "at": self._time(repair.at_s),
            "subject": repair.subject,
            "what": repair.what,
            "person": repair.person,
            "role": repair.role,
            "why": repair.why,
            "stretches": self._names(found.stretches),
            "sentence": told,
        }
        if proof is None:
            return base
        return {
            **base,
            "before": proof.before,
            "before_hours": _n(proof.before_hours),
            "after": proof.after,
            "after_hours": _n(proof.after_hours),
            "rate_at_most_times_before": _n(proof.upper_ratio),
            "p_no_difference": _n(proof.ratio.p),
            "hours_needed": _n(proof.hours_needed),
            "hours_left": None if proof.hours_left is None else _n(proof.hours_left),
            "shown": proof.shown,
        }

    def _events(self) -> list[dict[str, Any]]:
        """Return the newest bursts for a time line: when, how long, on which channels, whose."""
        bursts, rows = self._located.bursts, self._located.rows
        owner = {int(b): i for i, s in enumerate(self._found, start=1) for b in s.bursts}
        newest = np.argsort(bursts.start_s)[-_MOST_EVENTS:]
        channels = self._site.wiring.channels
        return [
            {
                "time": self._time(float(bursts.start_s[b])),
                "short_s": _n(float(bursts.short_s[b])),
                "long_s": _n(float(bursts.long_s[b])),
                "openings": int(bursts.openings[b]),
                "channels": [channels[c] for c in np.flatnonzero(rows.seen[rows.of[b]])],
                "suspect": owner.get(int(b)),
            }
            for b in newest
        ]

    def _limits(self) -> list[str]:
        return list(words.limits(self._site, self._located, self._found, self._observed))


def _n(value: float) -> float | None:
    """Return a number with the digits that mean something; JSON has no infinity and no NaN."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def _deepest(depth: Floats) -> float | None:
    """Return the worst value of any dropout, in the channel's unit."""
    real = depth[np.isfinite(depth)]
    return _n(float(real.max())) if len(real) else None


def _first_at(chance: Floats, grid: Floats, wanted: float) -> float | None:
    """Return the shortest duration that is seen with at least the wanted chance."""
    reached = np.flatnonzero(chance >= wanted)
    return _n(float(grid[reached[0]])) if len(reached) else None
