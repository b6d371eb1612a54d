"""From counts to ohm and back: the divider against drawn front ends, contact and line against arithmetic."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.core.codec import canonical, channel_from_spec, channel_spec
from quietbench.daemon.core.convert import Contact, Divider, Linear, Sense
from quietbench.drivers.samples import Reason
from tests.core.plans import one_bench

FRONT_END = Divider(series_ohm=1e7, series_tolerance=0.01, leakage_a=3e-11)


def counts(path_ohm: float, draw: random.Random) -> int:
    """Return what a converter behind a drawn front end reads: the inverse, written anew from the circuit."""
    series = 1e7 * (1 + 0.01 * draw.uniform(-1, 1))
    leakage = 3e-11 * draw.uniform(-1, 1)
    volt = (3.3 / series + leakage) / (1 / series + 1 / path_ohm)
    lsb = volt / 3.3 * 4096 + 3 * draw.uniform(-1, 1) + draw.uniform(-1, 1) + draw.gauss(0, 0.5)
    return max(0, min(4095, math.floor(lsb)))


@pytest.mark.parametrize("path_ohm", [2e5, 1e6, 2.2e7, 1e8, 2.2e8])
def test_stated_intervals_cover_drawn_front_ends(path_ohm: float) -> None:
    """Of 2,000 front ends drawn within their tolerances 93 to 99 % lie within two standard uncertainties.

    The dominant parts are rectangular, so coverage at k = 2 lies above the normal's 95.4 %.
    """
    draw = random.Random(f"divider {path_ohm}")
    inside = 0
    for _ in range(2000):
        value = FRONT_END.convert(counts(path_ohm, draw))
        assert value.sense is Sense.EQUAL
        inside += abs(value.value - path_ohm) <= 2 * value.u

    assert 0.93 <= inside / 2000 <= 0.999


def test_beyond_what_it_resolves_it_says_more_than_and_stays_below_the_truth() -> None:
    """An open lead is "more than" a number that a real open lead does exceed."""
    draw = random.Random("open")
    for _ in range(500):
        value = FRONT_END.convert(counts(1e13, draw))
        assert value.sense is Sense.MORE_THAN
        assert 1e9 < value.value < 1e13


def test_a_short_reads_less_than() -> None:
    """Nothing is invented at the low end either."""
    value = FRONT_END.convert(2)

    assert value.sense is Sense.LESS_THAN
    assert 0 < value.value < 2e4
    assert value.reason is None


def test_not_a_single_count_is_no_held_path() -> None:
    """A converter that is dead or not there says 0, which would read as a very good path to earth."""
    assert FRONT_END.convert(0).reason is Reason.RAILED


def test_leakage_of_the_bare_converter_hides_a_gigaohm() -> None:
    """1 uA, the converter's own worst case, leaves nothing to tell even near 3.3 Mohm."""
    bare = Divider(series_ohm=1e7, leakage_a=1e-6)
    buffered = Divider(series_ohm=1e7, leakage_a=1e-11)

    assert bare.resolves()[1] < 3.3e6
    assert buffered.resolves()[1] > 1e9


@given(st.integers(0, 4095))
def test_every_count_gives_a_finite_positive_number(raw: int) -> None:
    """The conversion is total over the converter's range."""
    value = FRONT_END.convert(raw)

    assert math.isfinite(value.value)
    assert value.value > 0
    assert math.isfinite(value.u)
    assert value.u >= 0


@given(st.integers(0, 4094))
def test_more_counts_never_read_less_ohm(raw: int) -> None:
    """Within what is resolved the reading grows with the counts."""
    now, more = FRONT_END.convert(raw), FRONT_END.convert(raw + 1)

    if now.sense is Sense.EQUAL and more.sense is Sense.EQUAL:
        assert more.value > now.value


def test_a_contact_is_closed_or_open_or_wrong() -> None:
    """There is nothing in between."""
    contact = Contact()

    assert [contact.convert(raw).value for raw in (0, 1)] == [0.0, 1.0]
    assert contact.convert(2).reason is Reason.OUT_OF_SPAN


def test_a_line_carries_its_resolution_and_its_span() -> None:
    """0.1 %RH steps add 0.029 %RH; beyond the span the value is only a hint."""
    line = Linear(scale=0.001, u=0.01, low=0.0, high=1.0)

    assert line.convert(312).value == pytest.approx(0.312)
    assert line.convert(312).u == pytest.approx(math.hypot(0.01, 0.001 / math.sqrt(12)))
    assert line.convert(1001).reason is Reason.OUT_OF_SPAN
    assert line.convert(-1).reason is Reason.OUT_OF_SPAN


def test_a_channel_survives_its_spec() -> None:
    """What the store keeps beside the raw values is the whole conversion and every limit."""
    for channel in one_bench(entered=True).channels:
        assert channel_from_spec(channel_spec(channel)) == channel


def test_canonical_json_knows_no_nan() -> None:
    """NaN would be invalid JSON, and null in the store."""
    with pytest.raises(ValueError, match="JSON"):
        canonical({"value": math.nan})
