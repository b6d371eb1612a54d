"""Time outside the limits: counted from what is known, told by the site's own clock."""

from __future__ import annotations

import numpy as np
import pytest

from quietbench.daemon.air.outside import Band, time_outside
from quietbench.daemon.air.series import AirSeries, tidied

from .kit import START_S, made_up

BAND = Band(low=0.30, high=0.70)


def of(humidity: list[float], step_s: float = 600.0) -> AirSeries:
    times = START_S + step_s * np.arange(len(humidity), dtype=np.float64)
    return tidied("a", times, np.array(humidity), np.full(len(humidity), 294.0), u_humidity=0.01, u_air_k=0.2)


def test_a_limit_that_is_strict_fails_at_equality() -> None:
    """30 %RH is too dry where the limit asks for more than 30, and 70 is well where it asks for at most 70."""
    at_bounds = np.array([0.30, 0.70])

    assert BAND.too_dry(at_bounds).tolist() == [True, False]
    assert BAND.too_damp(at_bounds).tolist() == [False, False]
    assert Band(low=0.3, low_strict=False).too_dry(at_bounds).tolist() == [False, False]


def test_hours_dryness_and_spell() -> None:
    """Twelve readings of ten minutes, six of them 5 %RH too dry in two spells."""
    found = time_outside(of([0.4, 0.25, 0.25, 0.25, 0.25, 0.4, 0.4, 0.25, 0.25, 0.4, 0.8, 0.4]), BAND, "UTC")

    assert found.dry_h == pytest.approx(1.0)
    assert found.damp_h == pytest.approx(1.0 / 6.0)
    assert found.dryness == pytest.approx(5.0)
    assert found.spell == (START_S + 600.0, START_S + 3000.0)


def test_a_gap_counts_neither_in_nor_out() -> None:
    """A day of dry air with six hours not known: eighteen hours and a little of it."""
    series = made_up(1.0, level=0.2, swing=0.0)
    hours = (series.times_s - START_S) / 3600.0
    keep = (hours < 6.0) | (hours >= 12.0)
    cut = tidied(
        "a", series.times_s[keep], series.humidity[keep], series.air_k[keep], u_humidity=0.0, u_air_k=0.0
    )
    found = time_outside(cut, BAND, "UTC")

    assert found.dry_h == found.known_h
    assert found.known_h + found.gap_h == pytest.approx(24.25, abs=0.2)
    assert 5.5 < found.gap_h <= 6.0
    assert found.spell is not None
    assert found.spell[1] - found.spell[0] == pytest.approx(12.3 * 3600.0, abs=1000.0)


def test_hours_of_day_are_the_sites_own() -> None:
    """Dry from 02 to 04 UTC is dry from 11 to 13 nine hours further east."""
    series = made_up(7.0, level=0.5, swing=0.0)
    hour = (series.times_s % 86_400.0) / 3600.0
    dry = tidied(
        "a",
        series.times_s,
        np.where((hour >= 2.0) & (hour < 4.0), 0.2, 0.5),
        series.air_k,
        u_humidity=0.0,
        u_air_k=0.0,
    )
    found = time_outside(dry, BAND, "Etc/GMT-9")

    assert [hour for hour, share in enumerate(found.by_hour) if share > 0.9] == [11, 12]
    assert found.worst_quarter is not None
    assert found.worst_quarter[0] == 11.0
    assert sum(row[0] for row in found.per_day.values()) == pytest.approx(found.dry_h)
    assert sum(row[0] for row in found.per_week.values()) == pytest.approx(found.dry_h)


def test_seasons_are_told_by_months() -> None:
    """December belongs to the winter of the year that follows."""
    times = np.array(["2030-12-15", "2031-02-15", "2031-06-15"], dtype="datetime64[s]").astype(float)
    series = tidied(
        "a", times, np.full(3, 0.2), np.full(3, 294.0), u_humidity=0.0, u_air_k=0.0, hold_s=3600.0
    )

    assert list(time_outside(series, BAND, "UTC").per_season) == [
        "2031 December-February",
        "2031 June-August",
    ]
