"""Readings put in order, what holds how long, and averages on a grid."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.air.local_time import hour_of_day, local_s, weekday
from quietbench.daemon.air.series import gridded, tidied

from .kit import START_S, made_up

DAY_S = 86_400.0


def test_disorder_and_duplicates_are_told() -> None:
    """The first of two with one stamp stays; one that differs is in conflict."""
    times = np.array([600.0, 0.0, 600.0, 1200.0, 1200.0])
    humidity = np.array([0.4, 0.3, 0.5, 0.6, 0.6])

    series = tidied("a", times, humidity, np.full(5, 294.0), u_humidity=0.01, u_air_k=0.2)

    assert series.times_s.tolist() == [0.0, 600.0, 1200.0]
    assert series.humidity.tolist() == [0.3, 0.4, 0.6]
    assert (series.tidying.out_of_order, series.tidying.duplicates, series.tidying.conflicting) == (1, 2, 1)


def test_impossible_readings_are_left_out_and_counted() -> None:
    """Humidity beyond 0 … 1, temperatures no room has, what is no number."""
    humidity = np.array([0.4, -0.1, 1.2, 0.4, np.nan])
    air_k = np.array([294.0, 294.0, 294.0, 500.0, 294.0])

    series = tidied("a", np.arange(5.0), humidity, air_k, u_humidity=0.01, u_air_k=0.2)

    assert len(series) == 1
    assert (series.tidying.impossible, series.tidying.unusable) == (3, 1)


def test_a_gap_is_a_gap() -> None:
    """What is silent longer than readings hold is known as not known."""
    series = made_up(2.0)
    keep = (series.times_s < START_S + 30_000.0) | (series.times_s >= START_S + 60_000.0)
    cut = tidied(
        "a", series.times_s[keep], series.humidity[keep], series.air_k[keep], u_humidity=0.01, u_air_k=0.2
    )
    (since, until) = cut.gaps()[0]

    assert len(cut.gaps()) == 1
    assert until == START_S + 60_000.0
    assert 0.0 < since - (START_S + 29_400.0) <= cut.hold_s


@given(
    times=st.lists(st.integers(0, 500), min_size=1, max_size=60),
    step=st.sampled_from([60.0, 300.0, 1800.0]),
    seed=st.integers(0, 1000),
)
def test_a_grid_keeps_the_mean(times: list[int], step: float, seed: int) -> None:
    """However irregular: averages lie within the readings', and a constant stays what it is."""
    chance = np.random.default_rng(seed)
    at = np.array(times) * 37.0
    humidity = chance.uniform(0.2, 0.8, len(at))
    series = tidied("a", at, humidity, np.full(len(at), 294.0), u_humidity=0.01, u_air_k=0.2)
    grid = gridded(series, step, 0.0, 20_000.0)
    known = np.isfinite(grid.humidity)

    assert np.all(grid.humidity[known] >= humidity.min() - 1e-9)
    assert np.all(grid.humidity[known] <= humidity.max() + 1e-9)
    assert grid.air_k[known] == pytest.approx(294.0)


def test_local_time_follows_summer_time() -> None:
    """On the last Sunday of March 2031 a central European clock goes from 01:59 to 03:00."""
    noons = np.array(["2031-03-29T12:00", "2031-03-30T12:00", "2031-03-30T00:30"], dtype="datetime64[s]")
    hours = hour_of_day(local_s(noons.astype(np.float64), "CET"))

    assert hours.tolist() == [13.0, 14.0, 1.5]
    assert weekday(np.array([START_S])).tolist() == [0]


def test_an_unknown_zone_is_told() -> None:
    """With what was given."""
    with pytest.raises(ValueError, match="Nowhere"):
        local_s(np.array([0.0]), "Nowhere/At-all")
