"""Whether a repair helped, and how long it takes to say so."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.tracing.repair import countdown, hours_factor, sentence


@pytest.mark.parametrize(("before", "factor"), [(9, 2.0), (5, 4.1), (1, 95.0)])
def test_hours_needed_carry_the_uncertainty_of_the_rate_before(before: int, factor: float) -> None:
    """Nine bursts need twice the hours before, five 4.1 times, one 95 times."""
    assert hours_factor(before) == pytest.approx(factor, abs=0.05)


def test_one_burst_before_can_not_be_shown_to_have_gone() -> None:
    """No promise of hours that nobody will wait for."""
    found = countdown(1, 10.0, 0, 50.0)
    assert found.hours_left is None
    assert "can't be shown" in sentence(found)


def test_quiet_hours_count_down_to_nothing() -> None:
    """The rest is what is needed less what has passed."""
    half = countdown(9, 10.0, 0, 10.0)
    assert half.hours_left == pytest.approx(hours_factor(9) * 10 - 10)
    done = countdown(9, 10.0, 0, 20.0)
    assert done.shown
    assert done.hours_left == 0
    assert "Shown" in sentence(done)


def test_a_dropout_after_the_repair_is_counted_and_the_countdown_goes_on() -> None:
    """It does not start anew: the hours that passed still count, more are needed."""
    quiet, after = countdown(9, 10.0, 0, 12.0), countdown(9, 10.0, 1, 12.0)
    assert quiet.hours_left is not None
    assert after.hours_left is not None
    assert after.hours_left > quiet.hours_left
    assert after.hours_needed - after.hours_left == pytest.approx(12.0)


@given(before=st.integers(1, 200), after=st.integers(0, 50))
def test_more_dropouts_after_always_need_more_hours(before: int, after: int) -> None:
    """Monotone in what came after, and less for more evidence before."""
    assert hours_factor(before, after + 1) > hours_factor(before, after)
    assert hours_factor(before + 1, after) < hours_factor(before, after)


@pytest.mark.slow
def test_a_repair_that_helped_only_to_a_fifth_is_rarely_called_shown() -> None:
    """The claim is made at 95 %: with a true ratio of exactly a fifth it is made in at most 5 % of the cases."""
    random = np.random.default_rng(11)
    before, after = random.poisson(12.0, 3000), random.poisson(12.0 * 3.0 / 5, 3000)
    shown = [countdown(int(b), 10.0, int(a), 30.0).shown for b, a in zip(before, after, strict=True)]
    assert np.mean(shown) <= 0.06


def test_clustered_bursts_need_more_hours() -> None:
    """Dispersion makes every burst worth less."""
    even, clustered = countdown(20, 10.0, 0, 1.0), countdown(20, 10.0, 0, 1.0, dispersion=4.0)
    assert clustered.hours_needed > 3 * even.hours_needed


def test_no_observed_time_before_is_refused() -> None:
    """There is no rate to fall from."""
    with pytest.raises(ValueError, match="before the repair"):
        countdown(0, 0.0, 0, 10.0)
