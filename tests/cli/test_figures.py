"""Values as people read them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.figures import NO_VALUE, figure, reason_words, shown, wanted
from quietbench.drivers.samples import Reason


@pytest.mark.parametrize(
    ("quantity", "unit", "value", "u", "sense", "text"),
    [
        ("mat_resistance", "ohm", 2.2414e7, 3.1e5, "=", "22.41 ± 0.31 Mohm"),
        ("mat_resistance", "ohm", 3.4e8, 0.0, ">", "more than 340 Mohm"),
        ("mat_resistance", "ohm", 9.406e9, 0.0, ">", "more than 9.4 Gohm"),
        ("mat_resistance", "ohm", 9.99e9, 0.0, ">", "more than 9.9 Gohm"),
        ("tip_resistance", "ohm", 0.8, 0.0, "<", "less than 0.8 ohm"),
        ("tip_resistance", "ohm", 0.801, 0.0, "<", "less than 0.81 ohm"),
        ("relative_humidity", "1", 0.3123, 0.01, "=", "31.2 ± 1.0 %RH"),
        ("air_temperature", "K", 294.35, 0.3, "=", "21.20 ± 0.30 °C"),
        ("strap_contact", "1", 1.0, 0.0, "=", "closed"),
        ("strap_contact", "1", 0.0, 0.0, "=", "open"),
        ("presence", "1", 1.0, 0.0, "=", "somebody"),
        ("mat_resistance", "ohm", 9.999e5, 0.0, "=", "0.9999 Mohm"),
        ("earth_offset", "V", 0.0, 0.002, "=", "0.0 ± 2.0 mV"),
        ("earth_offset", "V", -0.0001, 0.02, "=", "0 ± 20 mV"),
        ("mat_resistance", "ohm", None, None, "=", NO_VALUE),
        ("mat_resistance", "ohm", math.inf, 0.0, "=", NO_VALUE),
    ],
)
def test_a_value_is_shown_with_unit_and_uncertainty(
    quantity: str, unit: str, value: float | None, u: float | None, sense: str, text: str
) -> None:
    """Prefix, rounding and words for contacts and bounds."""
    assert figure(quantity, unit, value, u=u, sense=sense) == text


def test_an_uncertainty_that_rounds_up_to_three_digits_keeps_two() -> None:
    """0.0996 is 0.10, not 0.100."""
    assert figure("x", "A", 1.2345, u=0.0996) == "1.23 ± 0.10 A"


@given(
    st.floats(min_value=1e-3, max_value=1e11),
    st.floats(min_value=1e-6, max_value=1e11),
)
def test_no_shown_value_is_further_off_than_its_last_digit(value: float, u: float) -> None:
    """What is shown, read back, lies within half a step of two digits of the uncertainty."""
    number, _, rest = figure("mat_resistance", "ohm", value, u=u).partition(" ± ")
    shown_u, _, unit = rest.partition(" ")
    scale = {"Gohm": 1e9, "Mohm": 1e6, "kohm": 1e3, "ohm": 1.0}[unit]
    assert abs(float(number) * scale - value) <= 0.051 * u + 1e-9 * value
    assert abs(float(shown_u) * scale - u) <= 0.051 * u
    assert len(shown_u.replace(".", "").strip("0")) <= 2


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_words_of_its_own(reason: Reason) -> None:
    """No reason is shown by its identifier."""
    words = reason_words(reason.name.lower())
    assert "_" not in words
    assert words != reason.name.lower()


def test_a_limit_is_said_in_the_unit_people_use() -> None:
    """The relation in words, the bound with its unit."""
    assert wanted("relative_humidity", "1", ">=", "0.3") == "at least 30 %RH"
    assert wanted("strap_resistance", "ohm", "<", "3.5e7") == "below 35 Mohm"


def test_a_text_that_is_no_number_is_shown_as_it_is() -> None:
    """Arguments of sentences are texts and may be words."""
    assert shown("mat_resistance", "ohm", "out of reach") == "out of reach"
