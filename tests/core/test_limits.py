"""Strict limits are strict, deadbands count from the bound, and bare bounds clear nothing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.core.convert import Sense
from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Limit, Priority, Requirement, Source

OWN = Source("own rule", "", "", "own choice")


def limit(requirement: Requirement, bound: float, deadband: float = 0.0) -> Limit:
    return Limit("l", requirement, bound, OWN, Priority.HIGH, deadband)


@pytest.mark.parametrize(
    ("requirement", "below", "at", "above"),
    [
        (Requirement.BELOW, Zone.CLEAR, Zone.VIOLATING, Zone.VIOLATING),
        (Requirement.AT_MOST, Zone.CLEAR, Zone.CLEAR, Zone.VIOLATING),
        (Requirement.ABOVE, Zone.VIOLATING, Zone.VIOLATING, Zone.CLEAR),
        (Requirement.AT_LEAST, Zone.VIOLATING, Zone.CLEAR, Zone.CLEAR),
    ],
)
def test_equality_and_its_two_neighbours(
    requirement: Requirement, below: Zone, at: Zone, above: Zone
) -> None:
    """The next number on either side of the bound falls on its own side."""
    bound = 3.5e7
    under, over = math.nextafter(bound, 0.0), math.nextafter(bound, math.inf)

    assert [zone(limit(requirement, bound), v) for v in (under, bound, over)] == [below, at, above]


def test_a_deadband_is_counted_from_the_bound_to_the_good_side() -> None:
    """Between the two the condition keeps its state."""
    upper = limit(Requirement.BELOW, 100.0, 10.0)

    assert [zone(upper, v) for v in (90.0, 90.1, 99.9, 100.0)] == [
        Zone.CLEAR,
        Zone.DEADBAND,
        Zone.DEADBAND,
        Zone.VIOLATING,
    ]


@given(st.sampled_from(Requirement), st.floats(1e-3, 1e12))
def test_a_bare_bound_never_shows_that_a_limit_is_kept(requirement: Requirement, value: float) -> None:
    """A bare "more than" violates an upper limit whatever the number, "less than" a lower one."""
    upper = requirement in (Requirement.BELOW, Requirement.AT_MOST)
    sense = Sense.MORE_THAN if upper else Sense.LESS_THAN

    assert zone(limit(requirement, 1e6), value, sense) is Zone.VIOLATING


@given(st.sampled_from(Requirement), st.floats(-1e9, 1e9), st.floats(0, 1e6), st.floats(-1e9, 1e9))
def test_without_a_deadband_nothing_is_undecided(
    requirement: Requirement, bound: float, deadband: float, value: float
) -> None:
    """A deadband only ever turns clear into undecided."""
    bare = zone(limit(requirement, bound), value)
    banded = zone(limit(requirement, bound, deadband), value)

    assert bare is not Zone.DEADBAND
    assert banded is bare or (banded is Zone.DEADBAND and bare is Zone.CLEAR)
