"""Since when and under what circumstances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.tracing.circumstances import Split, holm, hours_of_day, judge, split_by
from quietbench.daemon.tracing.clocked import observed_hours, total_hours, wall_s
from quietbench.daemon.tracing.counting import dispersion, poisson_interval, rate
from quietbench.daemon.tracing.drift import drift, find_step
from quietbench.daemon.tracing.healing import by_shift
from quietbench.daemon.tracing.trend import change_point, laplace
from quietbench.daemon.tracing.when import when

SPANS = np.array([[0.0, 3600.0], [7200.0, 14400.0]])


def test_time_that_nobody_observed_does_not_count() -> None:
    """Three hours in two pieces."""
    assert total_hours(SPANS) == 3.0
    assert observed_hours(np.array([1800.0, 5000.0, 9000.0, 99999.0]), SPANS) == pytest.approx(
        [0.5, 1.0, 1.5, 3.0]
    )


@given(hours=st.floats(0.01, 2.99))
def test_hours_under_observation_lead_back_to_the_wall_clock(hours: float) -> None:
    """There and back."""
    assert observed_hours(np.array([wall_s(hours, SPANS)]), SPANS)[0] == pytest.approx(hours, abs=1e-6)


def test_even_arrivals_are_believed_to_be_poisson_and_clustered_ones_are_not() -> None:
    """And the clustered ones get the wider interval."""
    random = np.random.default_rng(1)
    even = np.sort(random.uniform(0, 100, 120))
    clustered = np.sort((random.uniform(0, 100, 12)[:, None] + random.uniform(0, 0.2, (12, 10))).ravel())
    assert dispersion(even, 100).factor == 1.0
    assert dispersion(clustered, 100).factor > 3
    wide = rate(120, 100, dispersion=dispersion(clustered, 100).factor)
    assert wide.low < rate(120, 100).low
    assert wide.high > rate(120, 100).high


def test_too_few_bursts_say_nothing_of_dispersion() -> None:
    """Fewer than five windows of four."""
    assert dispersion(np.linspace(0, 1, 10), 100).factor == 1.0


def test_a_change_of_rate_is_found_where_it_was() -> None:
    """One an hour for 60 hours, then eight."""
    random = np.random.default_rng(3)
    at = np.sort(np.concatenate((random.uniform(0, 60, 60), random.uniform(60, 100, 320))))
    found = change_point(at, 100.0)
    assert found.chance > 0.999
    assert found.low_hours <= 60 <= found.high_hours
    assert found.high_hours - found.low_hours < 6


@pytest.mark.slow
def test_an_even_rate_rarely_looks_changed() -> None:
    """300 even records: a change is believed in few, and the Laplace test errs at its five percent."""
    random = np.random.default_rng(8)
    records = [np.sort(random.uniform(0, 100, max(5, random.poisson(30)))) for _ in range(300)]
    assert np.mean([change_point(at, 100.0).chance > 0.5 for at in records]) < 0.12
    assert 0.02 < np.mean([laplace(at, 100.0).p < 0.05 for at in records]) < 0.09


def test_a_circumstance_that_matters_is_told_from_those_that_do_not() -> None:
    """Four times as often in dry air; the hour does not matter."""
    told = judge([Split("dry", 40, 20.0, 40, 80.0), Split("night", 25, 30.0, 55, 70.0)])
    assert [one.tells for one in told] == [True, False]
    assert told[0].ratio.ratio == pytest.approx(4.0)
    assert told[0].ratio.low < 4.0 < told[0].ratio.high


def test_a_circumstance_that_was_never_observed_is_not_judged() -> None:
    """No hours, no rate."""
    assert judge([Split("never", 0, 0.0, 9, 50.0)]) == []


@given(values=st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holm_only_raises_and_keeps_the_order(values: list[float]) -> None:
    """Never below the bare value, never above 1."""
    corrected = holm(values)
    assert all(c >= v and c <= 1 for c, v in zip(corrected, values, strict=True))
    order = np.argsort(values)
    assert np.all(np.diff(np.array(corrected)[order]) >= 0)


def test_bursts_and_hours_are_split_by_when_something_held() -> None:
    """Half an hour of the three."""
    split = split_by("dry", np.array([100.0, 8000.0, 9000.0]), SPANS, np.array([[0.0, 1800.0]]))
    assert (split.within, split.without) == (1, 2)
    assert (split.within_hours, split.without_hours) == pytest.approx((0.5, 2.5))


def test_hours_of_day_are_local() -> None:
    """From 6 to 12 at an hour east of UTC is from 5 to 11."""
    assert hours_of_day(0.0, 86400.0, 3600.0, 6, 12).tolist() == [[18000.0, 39600.0]]


def test_a_step_goes_before_a_slope() -> None:
    """A jump is no drift; what follows it is flat."""
    random = np.random.default_rng(6)
    values = np.concatenate((random.normal(7.0, 0.02, 40), random.normal(8.0, 0.02, 40)))
    found = drift(np.arange(80.0), values, 9.0)
    assert found is not None
    assert found.step_at == 40.0
    assert found.step == pytest.approx(1.0, abs=0.02)
    assert found.test.p_one_sided > 0.01
    assert abs(found.slope.slope) < 2e-3


def test_a_line_is_not_taken_for_a_step() -> None:
    """Nor is scatter."""
    random = np.random.default_rng(7)
    assert find_step(np.arange(60) * 0.05 + random.normal(0, 0.05, 60)) is None
    assert find_step(random.normal(0, 1, 60)) is None


def test_the_crossing_of_a_limit_is_an_interval_around_the_truth() -> None:
    """A slope of 0.01 an hour from 7 meets 8 at 100 hours."""
    at = np.arange(60.0)
    values = 7 + 0.01 * at + np.random.default_rng(9).normal(0, 0.02, 60)
    found = drift(at, values, 8.0)
    assert found is not None
    assert found.crossing is not None
    low, expected, high = found.crossing
    assert low <= 100 <= high
    assert expected == pytest.approx(100, rel=0.1)


def test_steady_or_falling_values_never_meet_the_limit() -> None:
    """An infinite time, not a date beyond imagination."""
    at = np.arange(60.0)
    found = drift(at, 7 - 0.01 * at, 8.0)
    assert found is not None
    assert found.crossing == (float("inf"), float("inf"), float("inf"))


def test_eight_hours_of_readings_are_one_witness() -> None:
    """Their median."""
    at, values = by_shift(np.array([0.0, 1.0, 2.0, 9.0]), np.array([1.0, 2.0, 9.0, 5.0]))
    assert at.tolist() == [4.0, 12.0]
    assert values.tolist() == [2.0, 5.0]


def test_few_bursts_have_a_rate_and_no_trend() -> None:
    """Below five nothing more is said."""
    found = when(np.array([100.0, 9000.0]), SPANS)
    assert found is not None
    assert found.trend is None
    assert (found.rate.low * 3, found.rate.high * 3) == pytest.approx(poisson_interval(2))
    assert when(np.array([]), np.zeros((0, 2))) is None
