"""Which sets are faulty: guesses that matter, found by small changes and weighed by their evidence.

From the guess that looks best, stretches are added, taken away or exchanged as long as a new guess comes within
reach of the best; all guesses met stay in the sum, so what is uncertain stays uncertain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.special import gammaln

from quietbench.daemon.tracing.evidence import Evidence
from quietbench.daemon.tracing.fit import Fit, Problem, fit, learn_durations, problem_of
from quietbench.daemon.tracing.prior import Prior
from quietbench.daemon.tracing.wiring import Bools, Floats, Ints

REACH = 9.0
"""Guesses whose log evidence is further below the best say nothing (a weight of 1 in 8,000)."""

LARGE = 3_000
"""Entries from which on only what is open is looked at."""

_ROUNDS = 6
_ROUGH = 8.0  # how far a fit of few steps may lie below its end
_MOST_OPEN = 16
_FEW = 200  # bursts up to which two sets can still be taken for each other
_DECIDED = 12.0  # log odds from which on a set is faulty, or is not, whatever else is
_BEAM = 6
_BELIEVED_BURSTS = 20.0  # what the prior shares of the duration classes are worth
_LEARNING = 5
_CELLS = 3_000_000  # guesses times entries in one go


@dataclass(frozen=True, slots=True)
class Found:
    """The guesses that matter and their weights (adding to 1), with the problem they answer."""

    problem: Problem
    fits: Fit
    weight: Floats
    durations: Floats
    evidence: float


def find(
    evidence: Evidence, believed: Floats, healthy_shape: Floats, log_odds: Floats, prior: Prior
) -> Found:
    """Find and weigh guesses; shares of duration classes are learnt on the way, from ``believed``."""
    durations = believed
    everything = np.ones((1, evidence.sets), dtype=np.bool_)
    for _ in range(_LEARNING):
        problem = problem_of(evidence, durations, healthy_shape, log_odds)
        loose = fit(problem, everything, prior, steps=15)
        grown = learn_durations(evidence, durations, problem, loose) + _BELIEVED_BURSTS * believed
        durations = grown / grown.sum()
    problem = problem_of(evidence, durations, healthy_shape, log_odds)
    candidates = _candidates(evidence, problem)
    fits = _explore_large(problem, loose, prior) if len(evidence.row) > LARGE else None
    if fits is None:
        fits = _explore(problem, _start(problem, loose, candidates, prior), candidates, prior)
    best = float(fits.score.max())
    weight = np.exp(fits.score - best)
    return Found(problem, fits, weight / weight.sum(), durations, best + float(np.log(weight.sum())))


def _candidates(evidence: Evidence, problem: Problem, most: int = 64) -> Ints:
    """Return the sets that could have given at least one burst, those with most first."""
    mine = evidence.source < evidence.sets
    row, source = evidence.row[mine], evidence.source[mine]
    likely = np.asarray(problem.likely[row, source]).ravel()
    top = np.zeros(len(evidence.count))
    np.maximum.at(top, row, likely)
    share = np.bincount(source, evidence.count[row] * likely / np.maximum(top[row], 1e-300), evidence.sets)
    order = np.argsort(-share, kind="stable")[:most]
    return order[share[order] > 0.3]


def _start(problem: Problem, loose: Fit, candidates: Ints, prior: Prior) -> Bools:
    """Return first guesses: nothing faulty, and all that many bursts speak for."""
    first = np.zeros((2, problem.sets), dtype=np.bool_)
    bursts = loose.shape[0, : problem.sets] - prior.fault_shape
    many = candidates[bursts[candidates] > 20.0 + 3.0 * prior.healthy_shape]
    first[1, many] = True
    return np.unique(first, axis=0)


def _explore(problem: Problem, start: Bools, candidates: Ints, prior: Prior) -> Fit:
    near = _near(problem, candidates)
    seen = {line.tobytes() for line in start}
    fits = _fit_in_parts(problem, start, prior)
    grown: set[bytes] = set()
    for _ in range(_ROUNDS):
        fits = _within_reach(fits)
        order = np.argsort(-fits.score)[:_BEAM]
        parents = [fits.faulty[i] for i in order if fits.faulty[i].tobytes() not in grown]
        grown.update(parent.tobytes() for parent in parents)
        fresh = [g for parent in parents for g in _changes(parent, candidates, near)]
        fresh = list({g.tobytes(): g for g in fresh if g.tobytes() not in seen}.values())
        if not fresh:
            break
        seen.update(g.tobytes() for g in fresh)
        fits = _joined(fits, _fit_in_parts(problem, np.array(fresh), prior))
    return _within_reach(fits)


def _explore_large(problem: Problem, loose: Fit, prior: Prior) -> Fit:
    """Settle what the counts decide by themselves; try the open sets, and exchanges, one by one from there."""
    bursts = np.maximum(loose.shape[0, : problem.sets] - prior.fault_shape, 0.0)
    odds = fault_odds(problem, bursts, prior)
    uncertain = np.flatnonzero(np.abs(odds) < _DECIDED)
    uncertain = uncertain[np.argsort(np.abs(odds[uncertain]))][:_MOST_OPEN]
    best, warm = odds > 0, loose.shape[0]
    swaps = _exchanges(problem, loose, best, bursts)
    for _ in range(2):
        guesses = np.repeat(best[None, :], len(uncertain) + len(swaps) + 1, axis=0)
        guesses[np.arange(len(uncertain)), uncertain] ^= True
        for line, (leaves, enters) in enumerate(swaps, start=len(uncertain)):
            guesses[line, [leaves, enters]] ^= True
        fits = fit(problem, guesses, prior, steps=12, begin=warm)
        flip = fits.score[: len(uncertain)] > fits.score[-1]
        if not flip.any():
            break
        best = best.copy()
        best[uncertain[flip]] ^= True
    return _within_reach(fits)


def _exchanges(problem: Problem, loose: Fit, faulty: Bools, bursts: Floats) -> list[tuple[int, int]]:
    """Return faulty sets of few bursts with another that could have given nearly all of those."""
    likely = problem.likely if not isinstance(problem.likely, np.ndarray) else csr_array(problem.likely)
    columns = likely.tocsc()
    rate = loose.shape[0] / loose.hours[0]
    total = np.maximum(likely @ rate + problem.chance, 1e-300)
    few = np.flatnonzero(faulty & (bursts < _FEW))
    out: list[tuple[int, int]] = []
    for leaves in few[np.argsort(bursts[few])][:_MOST_OPEN]:
        part = slice(columns.indptr[leaves], columns.indptr[leaves + 1])
        rows, mine = columns.indices[part], columns.data[part]
        given = problem.count[rows] * rate[leaves] * mine / total[rows]
        others = likely[rows][:, : problem.sets].toarray()
        loss = given @ np.log(np.maximum(others, 1e-300) / np.maximum(mine, 1e-300)[:, None])
        loss[faulty] = -np.inf
        out += [(int(leaves), int(enters)) for enters in np.flatnonzero(loss > -_DECIDED)]
    return out[: 2 * _MOST_OPEN]


def fault_odds(problem: Problem, bursts: Floats, prior: Prior) -> Floats:
    """Return by set the log odds of a fault if just so many bursts were its own."""

    def log_chance(shape: Floats | float, hours: float) -> Floats:
        after = hours + problem.exposure[: problem.sets]
        return np.asarray(
            gammaln(shape + bursts)
            - gammaln(shape)
            + shape * np.log(hours)
            - (shape + bursts) * np.log(after)
        )

    healthy = log_chance(problem.healthy_shape, prior.healthy_hours)
    return log_chance(prior.fault_shape, prior.fault_hours) - healthy + problem.log_odds


def _near(problem: Problem, candidates: Ints) -> Bools:
    """Say which candidates could have given the same bursts."""
    columns = problem.likely[:, candidates]
    shown = (np.asarray(columns) if isinstance(columns, np.ndarray) else columns.toarray()) > 0
    both = shown.astype(np.float32).T @ shown.astype(np.float32)
    return np.asarray(both > 0)


def _changes(guess: Bools, candidates: Ints, near: Bools) -> list[Bools]:
    """Return the guesses one step away: one set more, one less, one exchanged for another that could be meant."""
    out = []
    for candidate in candidates:
        changed = guess.copy()
        changed[candidate] = not changed[candidate]
        out.append(changed)
    inside = guess[candidates]
    for i, j in zip(*np.nonzero(near & inside[:, None] & ~inside[None, :]), strict=True):
        changed = guess.copy()
        changed[candidates[i]], changed[candidates[j]] = False, True
        out.append(changed)
    return out


def _fit_in_parts(problem: Problem, guesses: Bools, prior: Prior) -> Fit:
    entries = problem.likely.size if isinstance(problem.likely, np.ndarray) else problem.likely.nnz
    cells = max(int(entries), len(problem.exposure) * 8)
    most = max(1, _CELLS // max(cells, 1))
    parts = [
        _screened(problem, guesses[first : first + most], prior) for first in range(0, len(guesses), most)
    ]
    joined = parts[0]
    for part in parts[1:]:
        joined = _joined(joined, part)
    return joined


def _screened(problem: Problem, guesses: Bools, prior: Prior) -> Fit:
    """Fit roughly, then well what may come within reach."""
    rough = fit(problem, guesses, prior, steps=8)
    good = rough.score >= rough.score.max() - REACH - _ROUGH
    return _within_reach(fit(problem, guesses[good], prior, steps=32, begin=rough.shape[good]))


def _joined(a: Fit, b: Fit) -> Fit:
    return Fit(
        np.concatenate((a.faulty, b.faulty)),
        np.concatenate((a.shape, b.shape)),
        np.concatenate((a.hours, b.hours)),
        np.concatenate((a.score, b.score)),
    )


def _within_reach(fits: Fit) -> Fit:
    kept = fits.score >= fits.score.max() - REACH
    return Fit(fits.faulty[kept], fits.shape[kept], fits.hours[kept], fits.score[kept])
