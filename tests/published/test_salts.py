"""The table of salt points against the polynomials of the same paper and against rounded tables."""

from __future__ import annotations

import pytest

from quietbench.daemon.air.salts import point_at, salt_named
from quietbench.daemon.air.tables import salt_table

# L. Greenspan, J. Res. NBS 81A (1977) 89, equation 1: %RH as a polynomial in °C; seen second-hand (the sign of the
# linear term of LiCl as the paper's own table asks for it).
POLYNOMIALS = {
    "LiCl": (11.2323, 0.00824245, -0.214890e-3, 0.0),
    "MgCl2": (33.6686, -0.00797397, -0.108988e-2, 0.0),
    "NaCl": (75.5164, 0.0398321, -0.265459e-2, 0.2848e-4),
    "KCl": (88.619, -0.19334, 0.899706e-3, 0.0),
}

# Rounded to 0.1 %RH in a conservation handbook that cites the same paper; °C: %RH.
ROUNDED = {
    "LiCl": {5: 11.3, 15: 11.3, 25: 11.3},
    "MgCl2": {5: 33.6, 10: 33.5, 15: 33.3, 20: 33.1, 25: 32.8},
    "K2CO3": {5: 43.1, 15: 43.1, 20: 43.2, 25: 43.2},
    "NaCl": {5: 75.7, 10: 75.7, 15: 75.6, 25: 75.3},
    "KCl": {5: 87.7, 10: 86.8, 15: 85.9, 20: 85.1, 25: 84.3},
}


@pytest.mark.parametrize("name", POLYNOMIALS)
def test_the_table_is_the_polynomial(name: str) -> None:
    """Within 0.02 %RH over 0 … 30 °C: the table is the polynomial, cut to two places."""
    for celsius, humidity, _ in salt_named(name).points:
        if celsius <= 30.0:
            told = sum(factor * celsius**power for power, factor in enumerate(POLYNOMIALS[name]))
            assert humidity == pytest.approx(told, abs=0.02)


@pytest.mark.parametrize("name", ROUNDED)
def test_rounded_tables_agree(name: str) -> None:
    """To the digit that is left, or one step of it where the cut fell the other way."""
    for celsius, humidity in ROUNDED[name].items():
        assert point_at(salt_named(name), celsius + 273.15)[0] * 100.0 == pytest.approx(humidity, abs=0.06)


@pytest.mark.parametrize(
    ("name", "celsius", "humidity", "uncertainty"),
    # Greenspan 1977, table 2; from memory, high confidence.
    [
        ("MgCl2", 20, 33.07, 0.18),
        ("MgCl2", 25, 32.78, 0.16),
        ("NaCl", 20, 75.47, 0.14),
        ("NaCl", 25, 75.29, 0.12),
    ],
)
def test_points_at_the_limits(name: str, celsius: float, humidity: float, uncertainty: float) -> None:
    """The points that stand beside 30 and 70 %RH, with half the published uncertainty when nothing else enters."""
    told, u = point_at(salt_named(name), celsius + 273.15, u_apart_k=0.0)

    assert told * 100.0 == pytest.approx(humidity, abs=1e-9)
    assert u * 100.0 == pytest.approx(uncertainty / salt_table().coverage_factor, abs=1e-9)
