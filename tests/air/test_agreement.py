"""Sensors compared by vapour pressure; nobody named without a third witness."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from quietbench.daemon.air.agreement import pairings, sensor_state
from quietbench.daemon.air.psychrometrics import saturation_pa
from quietbench.daemon.air.series import AirSeries, tidied
from quietbench.daemon.air.witnesses import Witness, by_outdoors, verdict

from .kit import made_up
from .prove import compared
from .seasons import drifting


def moved(series: AirSeries, name: str, *, warmer_k: float = 0.0, offset: float = 0.0) -> AirSeries:
    """The same air in a warmer corner, told by a sensor that is off."""
    air_k = series.air_k + warmer_k
    humidity = series.humidity * saturation_pa(series.air_k) / saturation_pa(air_k) + offset
    return tidied(name, series.times_s, humidity, air_k, u_humidity=0.01, u_air_k=0.2)


def test_a_warmer_corner_agrees() -> None:
    """Three kelvin make 7 %RH of difference on the displays, and none in the vapour."""
    room = made_up(3.0)
    pair = pairings([room, moved(room, "corner", warmer_k=3.0)])[0]

    assert pair.raw_humidity > 0.05
    assert pair.humidity == pytest.approx(0.0, abs=1e-6)
    assert pair.agree


def test_en_number_is_the_difference_over_its_expanded_uncertainty() -> None:
    """ISO 13528: 2 %RH apart with 1 %RH and 0.2 K (0.5 %RH here) each, coverage factor 2."""
    room = made_up(3.0, swing=0.0)
    pair = pairings([room, moved(room, "off", offset=0.02)])[0]
    each = np.hypot(0.01, 0.40 * 0.0617 * 0.2)
    other = np.hypot(0.01, 0.42 * 0.0617 * 0.2)

    assert pair.e_n == pytest.approx(-0.02 / (2.0 * np.hypot(each, other)), rel=0.01)
    assert pair.agree


def test_two_can_only_disagree() -> None:
    """However far apart, neither is named."""
    room = made_up(3.0)
    sensors = [room, moved(room, "off", offset=0.10)]
    judged = verdict([sensor.name for sensor in sensors], pairings(sensors))

    assert (judged.state, judged.suspect) == ("disagree", None)


def test_a_third_sensor_sides_with_one() -> None:
    """Then the one that agrees with nobody is named, whichever it is."""
    room = made_up(3.0)
    sensors = [moved(room, "off", offset=0.10), room, moved(room, "third", warmer_k=1.0)]
    judged = verdict([sensor.name for sensor in sensors], pairings(sensors))

    assert (judged.state, judged.suspect) == ("named", "off")


def test_three_that_all_differ_name_nobody() -> None:
    """No two witnesses agree."""
    room = made_up(3.0)
    sensors = [moved(room, "a", offset=0.10), room, moved(room, "b", offset=-0.10)]

    assert verdict([sensor.name for sensor in sensors], pairings(sensors)).state == "disagree"


def test_a_salt_point_is_a_witness() -> None:
    """It names the sensor that failed it, if the other passed its own."""
    room = made_up(3.0)
    sensors = [room, moved(room, "off", offset=0.10)]
    pairs = pairings(sensors)
    names = [sensor.name for sensor in sensors]

    both, one = (
        Witness("a salt point", {"off": True, "room-2": False}),
        Witness("a salt point", {"off": True}),
    )

    assert verdict(names, pairs, [both]).suspect == "off"
    assert verdict(names, pairs, [both]).because == "a salt point sides with room-2"
    assert verdict(names, pairs, [one]).suspect is None


def test_outdoor_air_is_a_witness_of_the_nights() -> None:
    """A room breathes outdoor air at night: who is far from it is named; witnesses that contradict name nobody."""
    room = made_up(10.0)
    sensors = [room, moved(room, "off", offset=0.15)]
    names, pairs = [sensor.name for sensor in sensors], pairings(sensors)
    outdoors = room.humidity * saturation_pa(room.air_k) * 0.95
    told = by_outdoors(sensors, outdoors, room, "UTC")

    assert told.failed == {"room-2": False, "off": True}
    assert verdict(names, pairs, [told]).suspect == "off"
    assert by_outdoors(sensors, outdoors * 3.0, room, "UTC").failed == {"room-2": True, "off": True}
    against = Witness("a salt point", {"off": False, "room-2": True})
    assert verdict(names, pairs, [told, against]).suspect is None


def test_stuck_only_when_another_moves() -> None:
    """Still air is no fault of a sensor."""
    room = made_up(2.0)
    still = dataclasses.replace(room, humidity=np.where(room.times_s < room.times_s[60], room.humidity, 0.4))

    assert sensor_state(still, others_moved=True).stuck
    assert not sensor_state(still, others_moved=False).stuck
    assert not sensor_state(room, others_moved=True).stuck


def test_a_lagging_sensor_is_told() -> None:
    """A first-order lag of forty minutes behind steps that both see, within a quarter of it."""
    chance = np.random.default_rng(5)
    room = made_up(10.0, step_s=300.0, swing=0.0)
    steps = np.repeat(chance.uniform(-0.1, 0.1, len(room) // 72 + 1), 72)[: len(room)]
    quick = 0.4 + steps
    slow = np.empty_like(quick)
    slow[0] = quick[0]
    for place in range(1, len(quick)):
        slow[place] = slow[place - 1] + (quick[place] - slow[place - 1]) * (1.0 - np.exp(-300.0 / 2400.0))
    sensors = [
        dataclasses.replace(room, name="slow", humidity=slow),
        dataclasses.replace(room, humidity=quick),
    ]

    lag_s = pairings(sensors)[0].lag_s

    assert lag_s == pytest.approx(2400.0, rel=0.25)
    assert pairings(sensors[::-1])[0].lag_s == pytest.approx(-2400.0, rel=0.25)


@pytest.mark.slow
def test_drift_is_found_and_calm_is_left_alone() -> None:
    """The short form: 1 %RH a month within two months; without it, nothing. The full one is in docs/proofs."""
    found = compared(drifting("drifting-sensor", 51, 60, 0.01)).drift
    calm = compared(drifting("drifting-sensor", 52, 60, 0.0)).drift

    assert found is not None
    assert calm is not None
    assert found.found
    assert found.per_month == pytest.approx(-0.01, abs=0.004)
    assert not calm.found


@pytest.mark.slow
def test_a_sensor_in_the_sun_is_not_blamed() -> None:
    """Its display falls by up to a third; its vapour pressure does not."""
    pair = compared(drifting("sensor-in-the-sun", 53, 21, 0.0))

    assert pair.agree
