"""Mann-Kendall, Theil-Sen, Laplace and the power-law process against published and independent values."""

from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.tracing.drift import mann_kendall, theil_sen
from quietbench.daemon.tracing.trend import laplace, power_law

# EPA QA/G-9S (2006), worked example on page 109: S = 22, Var(S) = 155.33, Z = 1.685.
EPA = np.array([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15], dtype=float)

# Crow 1974, "Reliability analysis for complex, repairable systems", three systems until 200 h; the example of
# MIL-HDBK-189 and IEC 61164. Data from memory; they give the published beta 0.615 and lambda 0.461.
SYSTEMS = (
    (4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2),
    (0.1, 5.6, 18.6, 19.5, 24.2, 26.7, 45.1, 45.8, 75.7, 79.7, 98.6, 120.1, 161.8, 180.6, 190.8),
    (8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8),
)

# NIST/SEMATECH e-Handbook 8.2.3.4 and 8.1.7: ten repairs of one system until 1500 h; data from memory.
REPAIRS = np.array([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], dtype=float)


def test_mann_kendall_is_that_of_the_epa_example() -> None:
    """One-sided at 5 % a trend, two-sided none: the daemon asks one-sided, towards the limit."""
    found = mann_kendall(EPA)
    assert found.s == 22
    assert found.variance == pytest.approx(155.33, abs=0.005)
    assert found.z == pytest.approx(1.685, abs=5e-4)
    assert found.p_one_sided < 0.05 < found.p_two_sided


def test_sen_slope_of_the_epa_example() -> None:
    """1.0 a step (computed from the 55 pairs); the intercept is median(y) - slope median(x)."""
    found = theil_sen(np.arange(11, dtype=float), EPA)
    assert found.slope == pytest.approx(1.0)
    assert found.intercept == pytest.approx(10.0)


@given(values=st.lists(st.integers(0, 9), min_size=4, max_size=40))
def test_mann_kendall_agrees_with_an_independent_one(values: list[int]) -> None:
    """Against the original test of pymannkendall, ties and all."""
    if len(set(values)) < 2:
        return
    expected = pymannkendall.original_test(values)
    found = mann_kendall(np.array(values, dtype=float))
    assert (found.s, found.variance) == pytest.approx((expected.s, expected.var_s))
    assert found.p_two_sided == pytest.approx(expected.p, abs=1e-9)


@given(values=st.lists(st.floats(-5, 5), min_size=5, max_size=30, unique=True))
def test_theil_sen_agrees_with_an_independent_one(values: list[float]) -> None:
    """Against scipy's theilslopes; its interval may differ by one place in the sorted slopes."""
    at = np.arange(len(values), dtype=float)
    expected = scipy.stats.theilslopes(values, at, 0.9)
    found = theil_sen(at, np.array(values))
    assert found.slope == pytest.approx(float(expected.slope), abs=1e-12)
    assert found.low <= found.slope <= found.high


def test_power_law_of_the_three_systems() -> None:
    """Beta 0.615 and lambda 0.461; the three are one process with the times put together."""
    times = np.sort(np.concatenate([np.array(s) for s in SYSTEMS]))
    found = power_law(times, 200.0)
    assert found.beta == pytest.approx(0.615, abs=5e-4)
    assert found.scale / len(SYSTEMS) == pytest.approx(0.461, abs=5e-4)
    assert found.low < found.beta < found.high < 1.0
    assert found.growth == pytest.approx(0.385, abs=5e-4)


def test_power_law_and_laplace_of_the_ten_repairs() -> None:
    """The handbook's trend tests, recomputed: 2 n / beta is the chi-square value 37.23, Laplace -1.327."""
    found = power_law(REPAIRS, 1500.0)
    assert 2 * len(REPAIRS) / found.beta == pytest.approx(37.23, abs=0.01)
    assert laplace(REPAIRS, 1500.0).u == pytest.approx(-1.327, abs=5e-4)


def test_power_law_interval_is_the_chi_square_one() -> None:
    """MIL-HDBK-189C 6.2: beta times chi-square with 2n degrees of freedom over 2n; scipy.stats as reference."""
    found = power_law(REPAIRS, 1500.0, 0.9)
    bounds = scipy.stats.chi2.ppf([0.05, 0.95], 2 * len(REPAIRS)) / (2 * len(REPAIRS)) * found.beta
    assert (found.low, found.high) == pytest.approx(tuple(bounds))
