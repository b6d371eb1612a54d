"""Bursts of short openings, as a moved, broken conductor or a loose screw gives them."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from quietbench.simulators.model.chance import stream
from quietbench.simulators.model.steps import Interval, Steps, clip, union


@dataclass(frozen=True, slots=True)
class BurstShape:
    """How a kind of contact lets go.

    Up to ``most_per_s`` bursts a second, each of 1 … ``most_openings`` openings; lengths of openings and of the
    gaps between them are log-normal about their medians (seconds), with ``spread`` the standard deviation of the
    logarithm. No burst lasts beyond ``longest_s``.
    """

    most_per_s: float
    most_openings: int
    open_median_s: float
    gap_median_s: float
    spread: float
    longest_s: float


@dataclass(frozen=True, slots=True)
class _Candidate:
    start_s: float
    draw: float
    openings: tuple[Interval, ...]


class Bursts:
    """A Poisson process of bursts, thinned by ``chance``: at time t a burst happens with ``chance(t)`` of 0 … 1.

    Candidates are drawn block by block from the block's own source of chance, so any window can be asked for at
    any time; thinning keeps them where a changing chance changes. ``life`` counts the parts that were put in: a
    burst ends with the part that it began in.
    """

    def __init__(
        self, seed: int, name: str, shape: BurstShape, chance: Callable[[float], float], life: Steps[int]
    ) -> None:
        self._life = life
        self._seed = seed
        self._name = name
        self._shape = shape
        self._chance = chance
        self._blocks: dict[int, list[_Candidate]] = {}

    def openings(self, start_s: float, end_s: float) -> list[Interval]:
        """Return the openings between two times, sorted and apart."""
        found: list[Interval] = []
        for since, until, life in self._life.spans(start_s, end_s):
            for candidate in self._candidates(since, until):
                if self._life.at(candidate.start_s) == life and candidate.draw < self._chance(
                    candidate.start_s
                ):
                    found += clip(candidate.openings, since, until)
        return union(found)

    def _candidates(self, start_s: float, end_s: float) -> Iterator[_Candidate]:
        block_s = self._shape.longest_s
        # A burst is never longer than a block, so one block back is far enough.
        for number in range(math.floor(start_s / block_s) - 1, math.floor(end_s / block_s) + 1):
            yield from self._block(number)

    def _block(self, number: int) -> list[_Candidate]:
        block = self._blocks.get(number)
        if block is None:
            if len(self._blocks) > 64:
                self._blocks.clear()
            block = self._blocks[number] = self._draw(number)
        return block

    def _draw(self, number: int) -> list[_Candidate]:
        shape, source = self._shape, stream(self._seed, "bursts", self._name, number)
        start_s, block = number * shape.longest_s, []
        offset_s = source.expovariate(shape.most_per_s)
        while offset_s < shape.longest_s:
            block.append(self._candidate(start_s + offset_s, source))
            offset_s += source.expovariate(shape.most_per_s)
        return block

    def _candidate(self, start_s: float, source: random.Random) -> _Candidate:
        shape, draw = self._shape, source.random()
        at_s, openings = start_s, []
        for _ in range(source.randint(1, shape.most_openings)):
            end_s = at_s + source.lognormvariate(math.log(shape.open_median_s), shape.spread)
            openings.append((at_s, end_s))
            at_s = end_s + source.lognormvariate(math.log(shape.gap_median_s), shape.spread)
        return _Candidate(start_s, draw, tuple(clip(openings, start_s, start_s + shape.longest_s)))
