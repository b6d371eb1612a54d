"""Rounding of values against the examples of JCGM 100:2008 (GUM), 7.2.6."""

from __future__ import annotations

from quietbench.daemon.figures import figure


def test_the_value_is_rounded_to_the_place_of_its_uncertainty() -> None:
    """7.2.6: y = 10.057 62 ohm with u = 27 mohm is given as 10.058 ohm."""
    assert figure("x", "ohm", 10.05762, u=27e-3) == "10.058 ± 0.027 ohm"


def test_the_uncertainty_keeps_two_digits() -> None:
    """7.2.6: at most two significant digits; u = 28.05 kHz is rounded to 28 kHz."""
    assert figure("x", "Hz", 1.0e6, u=28.05e3) == "1000000 ± 28000 Hz"
