"""Random earth trees with faults and their truth, drawn from the stated prior: what tracing is scored against.

The physics is written anew: an opening happens in a stretch, lasts some time, and each channel that crosses it
shows it or not by its own way of looking (edges with a debounce, polls with a random phase). Nothing here calls the
model under test; it borrows only the names of its arrays and the numbers of its prior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.tracing.coincide import Dropouts
from quietbench.daemon.tracing.prior import PRIOR, Kind
from quietbench.daemon.tracing.wiring import Seeing, Wiring

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHORTEST_S = 0.02
"""No opening is drawn shorter."""

_BY_DEPTH = (
    (Kind.PANEL_JOINT, Kind.BUS),
    (Kind.BUS, Kind.STUD),
    (Kind.STUD, Kind.LEAD, Kind.SNAP),
    (Kind.LEAD, Kind.CORD),
    (Kind.SNAP, Kind.CORD, Kind.OTHER),
)


@dataclass(frozen=True, slots=True)
class Case:
    """One site: what is known of it, what was recorded, and the truth.

    ``rate``: true bursts an hour by stretch. ``faults``: stretches with a fault. ``shown``: by stretch, how many
    bursts were seen by two channels or more, ``happened`` how many there were.
    """

    wiring: Wiring
    seeing: Seeing
    dropouts: Dropouts
    span: tuple[float, float]
    rate: Floats
    false_rate: Floats
    faults: tuple[int, ...]
    shown: Ints
    happened: Ints
    watcher: Ints
    offset_s: Floats
    median_s: float


@dataclass(frozen=True, slots=True)
class Setting:
    """What a scenario varies."""

    faults: int = 1
    bursts: bool = False
    offset_s: float = 0.0
    dead: float = 0.0
    told: bool = True
    smallest: int = 8
    largest: int = 60


def draw(seed: int, setting: Setting) -> Case:
    """Draw sites until one has the wanted faults, each with at least five bursts that two channels saw."""
    random = np.random.default_rng(seed)
    while True:
        case = _draw(random, setting)
        if all(case.shown[fault] >= 5 for fault in case.faults):
            return case


def _draw(random: np.random.Generator, setting: Setting) -> Case:
    wiring, watcher = _tree(random, int(random.integers(setting.smallest, setting.largest + 1)), setting)
    hours = float(np.exp(random.uniform(np.log(200), np.log(2000))))
    seeing, stuck = _seeing(random, len(wiring.channels), hours * 3600, setting)
    chances = np.array([PRIOR.fault_chance[kind] for kind in wiring.kinds])
    weights = chances / (1 - chances)
    faults = random.choice(len(chances), setting.faults, replace=False, p=weights / weights.sum())
    rate = random.gamma(PRIOR.healthy_shape, 1 / PRIOR.healthy_hours, len(chances))
    rate[faults] = random.gamma(PRIOR.fault_shape, 1 / PRIOR.fault_hours, setting.faults)
    false_rate = random.gamma(PRIOR.false_shape, 1 / PRIOR.false_hours, len(wiring.channels))
    offset = np.zeros(int(watcher.max()) + 1)
    offset[1:] = random.uniform(-setting.offset_s, setting.offset_s, len(offset) - 1)
    record = _Record(random, wiring, seeing, stuck, setting.bursts)
    shown = record.openings(rate, hours)
    record.false_ones(false_rate, hours)
    dropouts = record.dropouts(offset[watcher])
    return Case(
        wiring,
        seeing,
        dropouts,
        (0.0, hours * 3600),
        rate,
        false_rate,
        tuple(int(f) for f in faults),
        shown,
        np.array(record.happened),
        watcher,
        offset,
        record.median_s,
    )


def _tree(random: np.random.Generator, size: int, setting: Setting) -> tuple[Wiring, Ints]:
    parents = [-1]
    depth = [0]
    for s in range(1, size):
        parent = int(random.choice(s, p=_attach(depth)))
        parents.append(parent)
        depth.append(depth[parent] + 1)
    kinds = tuple(_kind(random, d) for d in depth)
    ends = [s for s in range(size) if s not in parents]
    paths = [_path(s, parents) for s in ends]
    chosen = [_part(random, path) for path in paths]
    chosen += [_part(random, _path(int(random.integers(size)), parents)) for _ in range(max(1, size // 10))]
    measures = np.zeros((len(chosen), size), dtype=np.bool_)
    for c, stretches in enumerate(chosen):
        measures[c, stretches] = True
    watchers = 3 if setting.offset_s else 1
    names = tuple(f"s{s}" for s in range(size))
    channels = tuple(f"c{c}" for c in range(len(chosen)))
    wiring = Wiring(names, tuple(parents), kinds, channels, measures)
    watcher = random.integers(watchers, size=len(chosen))
    watcher[0] = 0
    return wiring, watcher


def _attach(depth: list[int]) -> Floats:
    weight = np.array([1.0 if d < 5 else 0.02 for d in depth])
    return np.asarray(weight / weight.sum())


def _kind(random: np.random.Generator, depth: int) -> Kind:
    kinds = _BY_DEPTH[min(depth, len(_BY_DEPTH) - 1)]
    return kinds[int(random.integers(len(kinds)))]


def _path(stretch: int, parents: list[int]) -> list[int]:
    path = []
    while stretch >= 0:
        path.append(stretch)
        stretch = parents[stretch]
    return path


def _part(random: np.random.Generator, path: list[int]) -> list[int]:
    """Most channels measure all the way to earth, some only to a point on the way."""
    if random.random() < 0.6 or len(path) < 2:
        return path
    return path[: int(random.integers(1, len(path)))]


def _seeing(
    random: np.random.Generator, channels: int, span_s: float, setting: Setting
) -> tuple[Seeing, NDArray[np.bool_]]:
    every = random.choice([0.0, 0.1, 1.0], channels, p=[0.5, 0.3, 0.2])
    debounce = np.where(every == 0.0, random.choice([0.001, 0.005, 0.01], channels), 0.0)
    observed = [_spans(random, span_s) for _ in range(channels)]
    dead = random.random(channels) < setting.dead
    if setting.told:
        observed = [np.zeros((0, 2)) if d else spans for d, spans in zip(dead, observed, strict=True)]
    delay = random.uniform(0.0001, 0.007, channels)
    return Seeing(every, debounce, delay, tuple(observed)), dead


def _spans(random: np.random.Generator, span_s: float) -> Floats:
    """Some channels observe always, others while somebody is there: stretches of hours, with breaks."""
    if random.random() < 0.4:
        return np.array([[0.0, span_s]])
    share = random.uniform(0.3, 0.95)
    on = random.exponential(2 * 3600, int(span_s / 3600) + 20)
    off = random.exponential(2 * 3600 * (1 - share) / share, len(on))
    ends = np.cumsum(on + off)
    spans = np.stack((ends - on, ends), axis=1)
    return np.minimum(spans[spans[:, 0] < span_s], span_s)


class _Record:
    """Writes down what the channels show."""

    def __init__(
        self,
        random: np.random.Generator,
        wiring: Wiring,
        seeing: Seeing,
        stuck: NDArray[np.bool_],
        bursts: bool,
    ) -> None:
        self._random, self._wiring, self._seeing, self._stuck, self._bursts = (
            random,
            wiring,
            seeing,
            stuck,
            bursts,
        )
        self.happened: list[int] = []
        self.median_s = 0.2 * float(np.exp(random.normal(0, 0.4)))
        self._parts: list[tuple[Ints, Floats, Floats, Floats, Floats]] = []

    def _durations(self, count: int) -> Floats:
        out = self.median_s * np.exp(self._random.normal(0, 1.2, 4 * count + 20))
        out = out[(out > SHORTEST_S) & (out < 30)]
        return np.asarray(out[:count]) if len(out) >= count else self._durations(count * 2)[:count]

    def openings(self, rate: Floats, hours: float) -> Ints:
        shown = np.zeros(len(rate), dtype=np.int64)
        for s in range(len(rate)):
            start = np.sort(self._random.uniform(0, hours * 3600, self._random.poisson(rate[s] * hours)))
            self.happened.append(len(start))
            burst = np.arange(len(start))
            if self._bursts:
                burst, start = self._repeat(start)
            length = self._durations(len(start))
            by = np.zeros((len(self._wiring.channels), len(np.unique(burst))), dtype=np.bool_)
            for c in np.flatnonzero(self._wiring.measures[:, s]):
                seen = self._see(int(c), start, length)
                by[c, burst[seen]] = True
            shown[s] = int((by.sum(axis=0) >= 2).sum())
        return shown

    def _repeat(self, start: Floats) -> tuple[Ints, Floats]:
        """Make bursts: one to many openings, a second or so apart."""
        size = self._random.geometric(0.25, len(start))
        burst = np.repeat(np.arange(len(start)), size)
        gap = 0.3 + self._random.exponential(1.0, len(burst)) + 0.0
        first = np.concatenate(([0], np.cumsum(size)[:-1])) if len(size) else np.zeros(0, dtype=np.int64)
        total = np.cumsum(gap)
        return burst, start[burst] + total - np.repeat(total[first], size)

    def false_ones(self, rate: Floats, hours: float) -> None:
        for c in range(len(rate)):
            start = self._random.uniform(0, hours * 3600, self._random.poisson(rate[c] * hours))
            length = self._durations(len(start)) + 1.2 * self._seeing.every_s[c]
            self._see(c, start, length)

    def _see(self, c: int, start: Floats, length: Floats) -> NDArray[np.bool_]:
        seeing = self._seeing
        seen: NDArray[np.bool_] = seeing.observing(c, start) & ~self._stuck[c]
        every, hidden = seeing.every_s[c], seeing.debounce_s[c] + seeing.delay_s[c]
        begin, left = start + seeing.delay_s[c], length - hidden
        if every == 0.0:
            seen = seen & (left > 0) & (self._random.random(len(start)) < 0.995)
            self._keep(c, begin[seen] - 0.008, begin[seen] + 0.001, left[seen], left[seen] + 0.02)
            return seen
        phase = self._random.uniform(0, every, len(start))
        first = begin + phase  # the first poll after it began
        hits = np.floor((left - phase) / every) + 1
        seen = seen & (hits >= 1) & (left > 0)
        self._keep(
            c,
            first[seen] - every - 0.008,
            first[seen],
            (hits[seen] - 1) * every,
            (hits[seen] + 1) * every + 0.02,
        )
        return seen

    def _keep(self, c: int, lo: Floats, hi: Floats, short: Floats, long: Floats) -> None:
        self._parts.append((np.full(len(lo), c, dtype=np.int64), lo, hi, short, long))

    def dropouts(self, offset_s: Floats) -> Dropouts:
        columns = [np.concatenate([part[i] for part in self._parts]) for i in range(5)]
        shift = offset_s[columns[0]]
        order = np.argsort(columns[1] + shift, kind="stable")
        return Dropouts(
            columns[0][order],
            (columns[1] + shift)[order],
            (columns[2] + shift)[order],
            columns[3][order],
            columns[4][order],
        )
