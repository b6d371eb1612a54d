"""Scores forecasts on simulated seasons against persistence and the same hour yesterday, errors by day.

``python -m tests.air.scoring`` writes docs/proofs/air.md; seeds of the scored seasons are held apart from those on
which anything was set.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.forecast.make import STEP_S, forecast
from quietbench.daemon.air.forecast.passage import passages
from quietbench.daemon.air.outside import Band
from quietbench.daemon.air.psychrometrics import saturation_pa
from quietbench.daemon.air.series import Grid, gridded, tidied

from .seasons import Said, season

Floats = NDArray[np.float64]

SEASONS = ("heating-season", "summer", "humidifier-failing", "window-left-open")
HORIZONS_H = (6, 24)
ORIGINS_H = (0, 6, 12, 18)
WARM_UP_DAYS = 28
STEPS_A_DAY = int(86_400 / STEP_S)
BANDS = {
    "heating-season": Band(low=0.30, high=0.70),
    "summer": Band(low=0.30, high=0.70),
    "humidifier-failing": Band(low=0.30, high=0.70),
    "window-left-open": Band(low=0.30, high=0.70),
}


@dataclass
class Score:
    """Absolute errors in %RH by day and horizon, intervals that held, and warnings."""

    ours: dict[int, list[float]] = field(default_factory=lambda: {h: [] for h in HORIZONS_H})
    persistence: dict[int, list[float]] = field(default_factory=lambda: {h: [] for h in HORIZONS_H})
    yesterday: dict[int, list[float]] = field(default_factory=lambda: {h: [] for h in HORIZONS_H})
    held: dict[int, list[float]] = field(default_factory=lambda: {h: [] for h in HORIZONS_H})
    warned_left: int = 0
    warned_stayed: int = 0
    missed: int = 0
    quiet: int = 0

    def add(self, other: Score) -> None:
        """Take another score in."""
        for mine, theirs in (
            (self.ours, other.ours),
            (self.persistence, other.persistence),
            (self.yesterday, other.yesterday),
            (self.held, other.held),
        ):
            for horizon in HORIZONS_H:
                mine[horizon].extend(theirs[horizon])
        self.warned_left += other.warned_left
        self.warned_stayed += other.warned_stayed
        self.missed += other.missed
        self.quiet += other.quiet

    def best_other(self, horizon: int) -> float:
        """Return the mean error of the better of the two simple ways."""
        return min(float(np.mean(self.persistence[horizon])), float(np.mean(self.yesterday[horizon])))

    def gain(self, horizon: int) -> float:
        """Return by what share our mean error is lower than the better of the two."""
        return 1.0 - float(np.mean(self.ours[horizon])) / self.best_other(horizon)

    def coverage(self, horizon: int) -> float:
        """Return the share of 80 % intervals that held."""
        return float(np.mean(self.held[horizon]))


def season_grid(said: Said) -> tuple[Grid, Floats]:
    """Return a season on the forecast's grid, with the outdoor vapour pressure."""
    series = tidied("room", said.times_s, said.humidity, said.air_k, u_humidity=0.01, u_air_k=0.2)
    end = said.times_s[-1] + (said.times_s[1] - said.times_s[0])
    grid = gridded(series, STEP_S, said.times_s[0], end)
    outdoors = np.interp(grid.ends_s, said.times_s, saturation_pa(said.outdoor_dew_c + 273.15))
    return grid, outdoors


def scored(name: str, seed: int, days: int, *, outdoors: bool, said: Said | None = None) -> Score:
    """Return the score of one season: every day after the warm-up but the last two."""
    grid, outdoor_pa = season_grid(season(name, seed, days) if said is None else said)
    score = Score()
    for day in range(WARM_UP_DAYS, days - 2):
        _score_day(score, grid, outdoor_pa if outdoors else None, day, BANDS[name])
    return score


def _score_day(score: Score, grid: Grid, outdoors: Floats | None, day: int, band: Band) -> None:
    errors: dict[str, dict[int, list[float]]] = {
        kind: {h: [] for h in HORIZONS_H} for kind in ("ours", "persistence", "yesterday", "held")
    }
    for origin_h in ORIGINS_H:
        at = day * STEPS_A_DAY + int(origin_h * 3600 / STEP_S)
        past = Grid(grid.step_s, grid.ends_s[:at], grid.humidity[:at], grid.air_k[:at])
        made = forecast(past, "UTC", None if outdoors is None else outdoors[:at])
        assert made is not None
        low, middle, high = made.quantiles(made.humidity)
        for horizon in HORIZONS_H:
            step = int(horizon * 3600 / STEP_S)
            truth = grid.humidity[at + step - 1]
            errors["ours"][horizon].append(abs(middle[step - 1] - truth) * 100.0)
            errors["persistence"][horizon].append(abs(grid.humidity[at - 1] - truth) * 100.0)
            errors["yesterday"][horizon].append(
                abs(grid.humidity[at + step - 1 - STEPS_A_DAY] - truth) * 100.0
            )
            errors["held"][horizon].append(float(low[step - 1] <= truth <= high[step - 1]))
        _score_warning(score, grid, at, made, band)
    for horizon in HORIZONS_H:
        score.ours[horizon].append(float(np.mean(errors["ours"][horizon])))
        score.persistence[horizon].append(float(np.mean(errors["persistence"][horizon])))
        score.yesterday[horizon].append(float(np.mean(errors["yesterday"][horizon])))
        score.held[horizon].append(float(np.mean(errors["held"][horizon])))


def _score_warning(score: Score, grid: Grid, at: int, made, band: Band) -> None:  # type: ignore[no-untyped-def]
    now = float(grid.humidity[at - 1])
    truth = grid.humidity[at : at + STEPS_A_DAY]
    for passage in passages(made, band, now, made.made_s + 86_400.0):
        if passage.returning:
            continue
        left = bool((band.too_dry(truth) if passage.side == "dry" else band.too_damp(truth)).any())
        warned = passage.chance >= 0.5
        score.warned_left += warned and left
        score.warned_stayed += warned and not left
        score.missed += left and not warned
        score.quiet += not left and not warned
