"""Draws of the rates from their exact posterior, given guesses of what is faulty: many short chains side by side.

The factorised fit is too sure where two sources share bursts (an end that one channel sees against that channel's
own dropouts). So each chain takes a guess by its weight and starts from its fit; bursts are dealt out to
sources by the rates, rates drawn from the Gammas that follow, in turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.fit import Problem, priors_for
from quietbench.daemon.tracing.prior import Prior
from quietbench.daemon.tracing.search import Found
from quietbench.daemon.tracing.wiring import Bools, Floats, Ints

_CHAINS = 160
_SWEEPS = 36
_KEPT = 16
_CELLS = 4_000_000  # draws of the dealing in all


@dataclass(frozen=True, slots=True)
class Draws:
    """Rates (an hour; draws by sets), and which sets are faulty in each draw."""

    rate: Floats
    faulty: Bools


@dataclass(frozen=True, slots=True)
class _Deal:
    """Per row its possible sources, padded; the last place is two unrelated bursts that overlap."""

    source: Ints
    likely: Floats
    count: Ints


def draw_rates(found: Found, prior: Prior, *, seed: int = 20) -> Draws:
    """Draw rates of all sets."""
    random = np.random.default_rng(seed)
    problem, deal = found.problem, _deal(found.problem)
    chains, sweeps = _size(deal)
    which = random.choice(len(found.weight), chains, p=found.weight)
    faulty = found.fits.faulty[which]
    shape, hours = priors_for(problem, faulty, prior)
    hours = hours + problem.exposure[None, :]
    after = found.fits.shape[which]
    kept = []
    for sweep in range(sweeps):
        rate = random.standard_gamma(after) / hours
        after = shape + _dealt(random, deal, rate)
        if sweep >= sweeps - _KEPT:
            kept.append(random.standard_gamma(after)[:, : problem.sets] / hours[:, : problem.sets])
    return Draws(np.concatenate(kept), np.tile(faulty, (len(kept), 1)))


def _size(deal: _Deal) -> tuple[int, int]:
    """Return chains and sweeps that a bounded number of draws allows."""
    cells = max(deal.source.size, 1)
    chains = int(np.clip(_CELLS // (cells * _SWEEPS), 8, _CHAINS))
    return chains, int(np.clip(_CELLS // (cells * chains), _KEPT + 2, _SWEEPS))


def _deal(problem: Problem) -> _Deal:
    likely = problem.likely
    if isinstance(likely, np.ndarray):
        row, source = np.nonzero(likely)
        value = likely[row, source]
    else:
        entries = likely.tocoo()
        order = np.argsort(entries.row, kind="stable")
        row, source, value = entries.row[order], entries.col[order], entries.data[order]
    number = np.bincount(row, minlength=len(problem.count))
    place = np.arange(len(row)) - np.repeat(np.cumsum(number) - number, number)
    widest = int(number.max(initial=0)) + 1
    sources = np.full((len(problem.count), widest), len(problem.exposure), dtype=np.int64)
    padded = np.zeros((len(problem.count), widest))
    sources[row, place], padded[row, place] = source, value
    padded[:, -1] = problem.chance + 1e-300
    return _Deal(sources, padded, problem.count.astype(np.int64))


def _dealt(random: np.random.Generator, deal: _Deal, rate: Floats) -> Floats:
    """Deal every row's bursts out; return bursts by chain and source."""
    chains, sources = rate.shape
    padded = np.concatenate((rate, np.ones((chains, 1))), axis=1)
    share = padded[:, deal.source] * deal.likely[None]
    share /= share.sum(axis=2, keepdims=True)
    number = random.multinomial(deal.count[None, :], share)
    flat = (np.arange(chains)[:, None, None] * (sources + 1) + deal.source[None]).ravel()
    total = np.bincount(flat, number.ravel(), chains * (sources + 1)).reshape(chains, sources + 1)
    return np.asarray(total[:, :-1])
