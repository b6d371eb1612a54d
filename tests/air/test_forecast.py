"""The forecast: honest when history is short, right on what repeats, scored in short form on simulated seasons."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from quietbench.daemon.air.forecast.make import STEP_S, Forecast, forecast
from quietbench.daemon.air.forecast.passage import passages
from quietbench.daemon.air.forecast.rhythm import Clock, rhythm
from quietbench.daemon.air.local_time import hour_of_day, weekday
from quietbench.daemon.air.outside import Band
from quietbench.daemon.air.series import Grid, gridded

from .kit import START_S, made_up
from .scoring import Score, scored

Floats = NDArray[np.float64]


def grid_of(days: float, **changed: float) -> Grid:
    series = made_up(days, **changed)  # type: ignore[arg-type]
    return gridded(series, STEP_S, START_S, START_S + days * 86_400.0)


def test_less_than_three_days_is_persistence_and_says_so() -> None:
    """The last value, with a spread that grows."""
    made = forecast(grid_of(2.9), "UTC")
    assert made is not None
    low, middle, high = made.quantiles(made.humidity)

    assert made.method == "persistence"
    assert middle[1] == pytest.approx(0.45, abs=0.02)
    assert high[-1] - low[-1] > high[3] - low[3] > 0.0


def test_silence_is_no_forecast() -> None:
    """When the last two hours are not known there is no present to go on from."""
    grid = grid_of(10.0)
    grid.humidity[-6:] = np.nan

    assert forecast(grid, "UTC") is None


def test_what_repeats_every_day_is_foretold() -> None:
    """A room that swings by 5 %RH once a day, to half a %RH two days ahead."""
    made = forecast(grid_of(21.0), "UTC")
    assert made is not None
    truth = 0.4 + 0.05 * np.cos(2.0 * np.pi * ((made.ends_s - STEP_S / 2.0) % 86_400.0) / 86_400.0)

    assert made.method == "rhythm"
    assert np.abs(made.quantiles(made.humidity)[1] - truth).max() < 0.005


def test_a_gap_in_the_history_is_survived() -> None:
    """Three days not known in four weeks change little."""
    grid = grid_of(28.0)
    grid.humidity[400:544] = np.nan
    grid.air_k[400:544] = np.nan
    made = forecast(grid, "UTC")
    assert made is not None

    assert made.quantiles(made.humidity)[1][47] == pytest.approx(0.45, abs=0.01)


def test_forecasts_are_the_same_every_time() -> None:
    """No chance but that of the past."""
    one, other = forecast(grid_of(2.0), "UTC"), forecast(grid_of(2.0), "UTC")
    assert one is not None
    assert other is not None

    assert np.array_equal(one.humidity, other.humidity)


def paths(rows: list[list[float]]) -> Forecast:
    humidity = np.array(rows)
    ends = START_S + STEP_S * np.arange(1, humidity.shape[1] + 1)
    return Forecast(START_S, ends, humidity, humidity, humidity, "rhythm", 30.0, outdoors=False)


def test_first_passage_is_of_paths_not_of_the_fan() -> None:
    """Paths that dip below one after another, each for a moment: half of them leave, though never half at once."""
    rows = [[0.4] * 20 for _ in range(20)]
    for place in range(10):
        rows[place][place * 2] = 0.25
    made = paths(rows)
    out = passages(made, Band(low=0.3), 0.4, made.ends_s[-1])[0]

    assert np.median(made.humidity, axis=0).min() == pytest.approx(0.4)
    assert (out.side, out.returning, out.chance) == ("dry", False, 0.5)
    assert out.early_s is not None
    assert out.late_s is not None
    assert made.ends_s[1] < out.early_s < out.late_s < made.ends_s[18]


def test_from_outside_the_way_back_is_told() -> None:
    """Too dry now: when does it come back?"""
    made = paths([[0.25] * 5 + [0.35] * 5 for _ in range(10)])
    back = passages(made, Band(low=0.3), 0.25, made.ends_s[-1])[0]

    assert (back.returning, back.chance, back.middle_s) == (True, 1.0, made.ends_s[5])


@pytest.mark.slow
def test_the_rhythm_is_that_of_generalised_least_squares() -> None:
    """Against statsmodels' GLSAR on a daily wave with autoregressive errors: the same wave within a twentieth."""
    import statsmodels.api as sm

    chance = np.random.default_rng(11)
    count = 48 * 28
    at = START_S + STEP_S * (np.arange(count, dtype=np.float64) + 0.5)
    noise = np.zeros(count)
    for place in range(1, count):
        noise[place] = 0.98 * noise[place - 1] + chance.normal(0.0, 2.0)
    hour = hour_of_day(at)
    angle = 2.0 * np.pi * hour / 24.0
    values = 900.0 + 60.0 * np.cos(angle) + noise
    clock = Clock(hour, (weekday(at) < 5).astype(np.float64))

    ours = rhythm(values, np.ones(count, dtype=bool), np.ones(count), clock, 28.0)
    design = sm.add_constant(np.stack([np.cos(angle), np.sin(angle)], axis=1))
    theirs = sm.GLSAR(values, design, rho=1).iterative_fit(8)

    assert 2.0 * np.mean(ours * np.cos(angle)) == pytest.approx(theirs.params[1], abs=3.0)


@pytest.mark.slow
def test_the_short_score() -> None:
    """Four days of two seasons: better than both simple ways together. The full score is in docs/proofs."""
    pooled = Score()
    for name in ("heating-season", "window-left-open"):
        pooled.add(scored(name, 61, 34, outdoors=True))

    assert pooled.gain(6) > 0.10
    assert np.mean(pooled.ours[24]) < pooled.best_other(24) * 1.1
    assert 0.5 < pooled.coverage(6) < 0.98
