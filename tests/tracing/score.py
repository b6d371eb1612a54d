"""Scores tracing against the truth of random trees, and exact inference that knows the true parameters beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, ndtr

from quietbench.daemon.tracing.detection import chance_of_seeing, duration_grid
from quietbench.daemon.tracing.evidence import build
from quietbench.daemon.tracing.gaps import burst_gap
from quietbench.daemon.tracing.locate import Located, locate
from quietbench.daemon.tracing.offsets import fit_clocks, put_right
from quietbench.daemon.tracing.prior import PRIOR
from tests.tracing.trees import SHORTEST_S, Case, Setting, draw

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scored:
    """What one tree gave."""

    seed: int
    right: bool
    exact: bool
    named: float
    inside: tuple[bool, ...]
    fault_inside: tuple[bool, ...]
    counted_inside: tuple[bool, ...]
    found: tuple[int, ...]
    truth: tuple[int, ...]
    clocks: tuple[float, ...]


@dataclass(slots=True)
class Score:
    """Sums of many trees."""

    setting: Setting
    trees: list[Scored] = field(default_factory=list)

    def share(self, of: Callable[[Scored], bool]) -> float:
        """Return the share of trees of which something holds."""
        return sum(of(tree) for tree in self.trees) / len(self.trees)

    def coverage(self, *, faulty: bool = False) -> float:
        """Return how often the 90 % intervals of set rates hold the truth."""
        every = [inside for tree in self.trees for inside in (tree.fault_inside if faulty else tree.inside)]
        return sum(every) / max(len(every), 1)

    def counted(self) -> float:
        """Return how often intervals from the bursts that really happened hold the truth."""
        every = [inside for tree in self.trees for inside in tree.counted_inside]
        return sum(every) / max(len(every), 1)


def score(setting: Setting, seeds: Iterable[int]) -> Score:
    """Trace every tree and compare."""
    result = Score(setting)
    for seed in seeds:
        result.trees.append(score_one(seed, setting))
    return result


def score_one(seed: int, setting: Setting) -> Scored:
    """Trace one tree as the command does: burst gap and clocks from the data, nothing from the truth."""
    case = draw(seed, setting)
    located, misses = trace(case, setting)
    sets, posterior = located.sets, located.posterior
    truth = tuple(int(sets.of[fault]) for fault in case.faults)
    wanted = 1 if len(truth) == 1 else 3
    first = {int(k) for k in posterior.order[:wanted]}
    real = np.array([case.rate[list(m)].sum() for m in sets.members])
    inside = (real >= posterior.low) & (real <= posterior.high)
    return Scored(
        seed,
        bool(truth) and set(truth) <= first,
        bool(truth) and set(truth) <= set(exact_first(case, located)),
        float(posterior.worst.max(initial=0.0)),
        tuple(bool(i) for i in inside),
        tuple(bool(inside[k]) for k in set(truth)),
        tuple(_counted(case, fault) for fault in case.faults),
        tuple(int(k) for k in posterior.order[:3]),
        truth,
        misses,
    )


def _counted(case: Case, fault: int) -> bool:
    """Say whether the interval of whoever knew every burst that happened would hold the true rate.

    Not 90 % of the time either: only trees are drawn in which enough was seen.
    """
    count, hours = case.happened[fault] + PRIOR.fault_shape, case.span[1] / 3600 + PRIOR.fault_hours
    low, high = gammaincinv(count, [0.05, 0.95]) / hours
    return bool(low <= case.rate[fault] <= high)


def trace(case: Case, setting: Setting) -> tuple[Located, tuple[float, ...]]:
    """Run the analysis; return it and by how much (s) each offset that was believed misses the truth."""
    dropouts = case.dropouts
    clock_u = np.zeros(len(case.wiring.channels))
    misses: tuple[float, ...] = ()
    if setting.offset_s:
        clocks = fit_clocks(dropouts, case.watcher, case.wiring, bound_s=setting.offset_s)
        dropouts = put_right(dropouts, case.watcher, clocks)
        clock_u = clocks.u_s[case.watcher]
        real = case.offset_s - case.offset_s[0]
        misses = tuple(
            float(abs(a - b)) for a, b, k in zip(clocks.ahead_s, real, clocks.known, strict=True) if k
        )[1:]
    gap_s = burst_gap(dropouts)
    return locate(case.wiring, case.seeing, dropouts, case.span, gap_s=gap_s, clock_u_s=clock_u), misses


def exact_first(case: Case, located: Located) -> tuple[int, ...]:
    """Return the sets that the truth's own parameters find most likely to be faulty: the bound of what can be.

    Known to it: every healthy and false rate, the faults' number and rates, the durations' distribution, who observed
    when. Unknown: only which sets. It sees the same bursts, grouped alike.
    """
    likely, exposure, without = _true_model(case, located)
    chances = np.array([PRIOR.fault_chance[kind] for kind in case.wiring.kinds])
    odds = np.log([np.sum((chances / (1 - chances))[list(m)]) for m in located.sets.members])
    first = case.rate[case.faults[0]]
    count = located.rows.count
    said = count @ np.log(without[:, None] + first * likely) - first * exposure + odds
    if len(case.faults) == 1:
        return (int(np.argmax(said)),)
    second = case.rate[case.faults[1]]
    pairs = np.empty((len(odds), len(odds)))
    for k in range(len(odds)):
        both = without[:, None] + first * likely[:, k, None] + second * likely
        pairs[k] = count @ np.log(both) - first * exposure[k] - second * exposure + odds[k] + odds
    weight = np.exp(pairs - pairs.max())
    return tuple(int(k) for k in np.argsort(-(weight.sum(axis=0) + weight.sum(axis=1)))[:3])


def _true_model(case: Case, located: Located) -> tuple[Floats, Floats, Floats]:
    """Return rows by sets, the sets' exposure, and what the rows expect without the faults."""
    edges, middles = duration_grid(located.shortest_s)
    chance = chance_of_seeing(case.seeing, middles)
    nobody = np.zeros(len(chance), dtype=np.bool_)
    evidence = build(
        located.rows,
        located.sets,
        case.seeing,
        chance,
        span=case.span,
        dead=nobody,
        clock_u_s=np.zeros(len(chance)),
    )
    share = _true_durations(edges, case.median_s)
    weight, seen = evidence.by_class @ share, evidence.seen @ share
    own = evidence.source >= evidence.sets
    weight[own] /= seen[evidence.source[own]]
    likely = np.zeros((len(evidence.count), evidence.sources))
    likely[evidence.row, evidence.source] = weight
    healthy = case.rate.copy()
    healthy[list(case.faults)] = PRIOR.healthy_shape / PRIOR.healthy_hours
    base = np.array([healthy[list(m)].sum() for m in located.sets.members])
    without = likely @ np.concatenate((base, case.false_rate)) + evidence.chance + 1e-12
    sets = slice(0, evidence.sets)
    return likely[:, sets], evidence.hours[sets] * seen[sets], without


def _true_durations(edges: Floats, median_s: float) -> Floats:
    clipped = np.clip(edges, SHORTEST_S, 30.0)
    share = np.diff(ndtr(np.log(clipped / median_s) / 1.2)) + 1e-12
    return np.asarray(share / share.sum())
