"""Rates of all sources at once, for many guesses of which sets are faulty: variational Bayes, in closed steps.

Given which sets are faulty, every rate has a Gamma prior and every row of bursts is a Poisson count of the sum of
its sources. The best factorised posterior (rates times allocation of bursts to sources) is found by fixed-point
steps; its bound on the log evidence weighs the guesses against each other. One guess is one line of every array.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.special import gammaln, psi

from quietbench.daemon.tracing.evidence import Evidence
from quietbench.daemon.tracing.prior import Prior
from quietbench.daemon.tracing.wiring import Bools, Floats, Sets

_TINY = 1e-300
_DENSE = 20_000  # up to so many cells a dense product is quicker


@dataclass(frozen=True, slots=True)
class Problem:
    """Rows by sources: how likely each row is if its source gave a burst; exposure (h) and bursts nobody saw."""

    likely: csr_array | Floats
    exposure: Floats
    count: Floats
    chance: Floats
    sets: int
    healthy_shape: Floats
    log_odds: Floats
    active: Bools


@dataclass(frozen=True, slots=True)
class Fit:
    """One line a guess: Gamma posteriors (shape, hours) by source, and the log of the evidence with its prior."""

    faulty: Bools
    shape: Floats
    hours: Floats
    score: Floats


def problem_of(evidence: Evidence, durations: Floats, healthy_shape: Floats, log_odds: Floats) -> Problem:
    """Return the problem for given shares of the duration classes."""
    weight = evidence.by_class @ durations
    seen = evidence.seen @ durations
    own = evidence.source >= evidence.sets
    weight[own] /= np.maximum(seen[evidence.source[own]], _TINY)
    seen[evidence.sets :] = 1.0  # a channel's own dropouts are counted as they show
    shape = (len(evidence.count), evidence.sources)
    sparse = csr_array((weight, (evidence.row, evidence.source)), shape=shape)
    likely = sparse.toarray() if shape[0] * shape[1] <= _DENSE else sparse
    exposure = evidence.hours * seen
    active = np.bincount(evidence.source, weight, evidence.sources) > 0
    return Problem(
        likely, exposure, evidence.count, evidence.chance, evidence.sets, healthy_shape, log_odds, active
    )


def set_priors(sets: Sets, fault_chance: Floats, prior: Prior) -> tuple[Floats, Floats]:
    """Return by set the shape of its healthy rate and the log odds that one of its stretches has a fault."""
    odds = fault_chance / (1 - fault_chance)
    healthy = np.array([prior.healthy_shape * len(m) for m in sets.members])
    return healthy, np.log(np.array([float(odds[list(m)].sum()) for m in sets.members]) + _TINY)


def priors_for(problem: Problem, faulty: Bools, prior: Prior) -> tuple[Floats, Floats]:
    """Return Gamma shapes and hours, one line a guess."""
    shape = np.empty((len(faulty), len(problem.exposure)))
    hours = np.empty_like(shape)
    k = problem.sets
    shape[:, :k] = np.where(faulty, prior.fault_shape, problem.healthy_shape[None, :])
    hours[:, :k] = np.where(faulty, prior.fault_hours, prior.healthy_hours)
    shape[:, k:] = prior.false_shape
    hours[:, k:] = prior.false_hours
    return shape, hours


def fit(
    problem: Problem, faulty: Bools, prior: Prior, *, steps: int = 40, begin: Floats | None = None
) -> Fit:
    """Fit every guess, from the Gamma shapes ``begin`` if given. Cost: guesses times entries times steps."""
    shape, hours = priors_for(problem, faulty, prior)
    after_hours = hours + problem.exposure[None, :]
    after = np.maximum(shape, begin) if begin is not None else shape + _first_guess(problem)[None, :]
    # A source that no row can come from keeps its prior; leaving those out saves half of the work.
    part = np.flatnonzero(problem.active)
    likely, own, own_hours, now = (
        problem.likely[:, part],
        shape[:, part],
        after_hours[:, part],
        after[:, part],
    )
    for step in range(steps + 1):
        rate = np.exp(psi(now)) / own_hours
        total = np.maximum((likely @ rate.T).T + problem.chance, _TINY)
        if step < steps:
            now = own + rate * ((problem.count / total) @ likely)
    after = shape.copy()
    after[:, part] = now
    bound = np.log(total) @ problem.count + _gamma_terms(shape, hours, after, after_hours).sum(axis=1)
    return Fit(faulty, after, after_hours, bound + faulty @ problem.log_odds)


def _first_guess(problem: Problem) -> Floats:
    """Return bursts by source when each row is split by how likely its sources make it."""
    total = np.maximum(problem.likely @ np.ones(len(problem.exposure)), _TINY)
    return np.asarray((problem.count / total) @ problem.likely)


def _gamma_terms(shape: Floats, hours: Floats, after: Floats, after_hours: Floats) -> Floats:
    mean_log = psi(after) - np.log(after_hours)
    return np.asarray(
        shape * np.log(hours)
        - gammaln(shape)
        + gammaln(after)
        - after * np.log(after_hours)
        - (after - shape) * mean_log
    )


def learn_durations(evidence: Evidence, durations: Floats, problem: Problem, found: Fit) -> Floats:
    """Return bursts by duration class: those seen, and those that must have been missed."""
    rate = found.shape[0] / found.hours[0]
    total = np.maximum((problem.likely @ rate) + problem.chance, _TINY)
    own = evidence.source >= evidence.sets
    joint = evidence.by_class * durations[None, :]
    joint[own] = 0.0
    part = evidence.count[evidence.row] / total[evidence.row] * rate[evidence.source]
    seen = part @ joint
    sets = slice(0, evidence.sets)
    hidden = (rate[sets] * evidence.hours[sets]) @ (1.0 - evidence.seen[sets]) * durations
    return np.asarray(seen + hidden)
