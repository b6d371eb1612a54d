"""Exact Poisson intervals, MTBF factors and the test of two rates against published and independent values."""

from __future__ import annotations

import math

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from quietbench.daemon.tracing.circumstances import holm
from quietbench.daemon.tracing.counting import clopper_pearson, mtbf_factors, poisson_interval, two_rates

# The well-known table of exact limits (Garwood, Biometrika 28, 1936, 437), chi-square form; from memory, recomputed.
TABLE = [
    (0, 0.90, 0.0, 2.9957),
    (0, 0.95, 0.0, 3.6889),
    (0, 0.99, 0.0, 5.2983),
    (1, 0.90, 0.0513, 4.7439),
    (1, 0.95, 0.0253, 5.5716),
    (2, 0.95, 0.2422, 7.2247),
    (3, 0.99, 0.3379, 10.9775),
    (10, 0.90, 5.4254, 16.9622),
    (10, 0.95, 4.7954, 18.3904),
    (100, 0.95, 81.3640, 121.6268),
]


@pytest.mark.parametrize(("count", "confidence", "low", "high"), TABLE)
def test_interval_of_a_poisson_mean_is_the_exact_one(
    count: int, confidence: float, low: float, high: float
) -> None:
    """Garwood's limits."""
    assert poisson_interval(count, confidence) == pytest.approx((low, high), abs=6e-5)


# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1, constant repair rate, two-sided 80 %, time-terminated;
# from memory, recomputed.
@pytest.mark.parametrize(
    ("failures", "low", "high"), [(1, 0.2571, 9.4912), (2, 0.3758, 3.7607), (3, 0.4490, 2.7222)]
)
def test_mtbf_factors_are_those_of_the_handbook(failures: int, low: float, high: float) -> None:
    """The factors that the estimate T/r is multiplied with."""
    assert mtbf_factors(failures, 0.8) == pytest.approx((low, high), abs=1e-4)


def test_mtbf_example_of_two_failures_in_1600_hours() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1, example, from memory: MTBF 800 h, 80 % from 300.6 to 3008.6 h."""
    low, high = mtbf_factors(2, 0.8)
    assert (800 * low, 800 * high) == pytest.approx((300.6, 3008.6), abs=0.2)


@pytest.mark.parametrize(
    ("confidence", "factor"), [(0.5, 1.4427), (0.6, 1.0914), (0.8, 0.6213), (0.9, 0.4343), (0.95, 0.3338)]
)
def test_without_failure_the_lower_mtbf_limit_is_a_factor_of_the_time(
    confidence: float, factor: float
) -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1, zero failures: T / -ln(1 - confidence)."""
    low, high = mtbf_factors(0, confidence)
    assert low == pytest.approx(factor, abs=1e-4)
    assert math.isinf(high)


def test_two_rates_by_the_conditional_binomial_test() -> None:
    """3 in 10 h against 12 in 10 h: p = 0.03516 (Przyborowski and Wilenski 1940, the exact binomial; computed)."""
    found = two_rates(3, 10.0, 12, 10.0)
    assert found.p == pytest.approx(0.03516, abs=5e-6)
    assert found.ratio == pytest.approx(4.0)


@given(first=st.integers(0, 40), second=st.integers(0, 40), hours=st.floats(0.1, 50))
def test_two_rates_agree_with_an_independent_binomial_test(first: int, second: int, hours: float) -> None:
    """Against the binomtest of scipy."""
    if first + second == 0:
        return
    expected = scipy.stats.binomtest(second, first + second, hours / (3.0 + hours)).pvalue
    assert two_rates(first, 3.0, second, hours).p == pytest.approx(expected, rel=1e-6, abs=1e-12)


@given(count=st.integers(0, 500), confidence=st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_interval_agrees_with_an_independent_one(count: int, confidence: float) -> None:
    """Against the exact-c interval of statsmodels."""
    low, high = confint_poisson(count, 1.0, method="exact-c", alpha=1 - confidence)
    assert poisson_interval(count, confidence) == pytest.approx((max(float(low), 0.0), float(high)), rel=1e-7)


@given(n=st.integers(1, 60), data=st.data())
def test_binomial_limits_agree_with_independent_ones(n: int, data: st.DataObject) -> None:
    """Against the beta method (Clopper-Pearson) of statsmodels."""
    k = data.draw(st.integers(0, n))
    low, high = proportion_confint(k, n, alpha=0.05, method="beta")
    assert clopper_pearson(k, n, 0.95) == pytest.approx((float(low), float(high)), rel=1e-7, abs=1e-12)


def test_holm_correction_of_a_textbook_example() -> None:
    """Holm 1979, stepwise by hand: 0.01, 0.04, 0.03, 0.005 give 0.03, 0.06, 0.06, 0.02 (common textbook example)."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
