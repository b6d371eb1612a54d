"""The physical model: functions of time, from one seed, asked in any order."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.simulators.model.bursts import Bursts, BurstShape
from quietbench.simulators.model.electronics import BOND_COMPARATOR, STRAP_COMPARATOR, Comparator, Divider
from quietbench.simulators.model.person import Person
from quietbench.simulators.model.room import Room, RoomNature
from quietbench.simulators.model.steps import Steps, clip, union
from quietbench.simulators.model.stretches import NOTHING_OHM, Cord, Force, Joint, MatLead

SHAPE = BurstShape(
    most_per_s=5.0, most_openings=4, open_median_s=0.01, gap_median_s=0.01, spread=0.7, longest_s=1.0
)
TIMES = st.floats(0.0, 1000.0)
INTERVALS = st.lists(st.tuples(TIMES, TIMES).map(lambda pair: (min(pair), max(pair))), max_size=20)
STEADY = RoomNature(10.0, ((0.0, 9.0),), 9.0, 21.0, 21.0, 0.6, 1.0, 1.0, 0.0)


def nature(**changed: object) -> RoomNature:
    """Return a steady room with something changed."""
    values = {name: getattr(STEADY, name) for name in RoomNature.__slots__} | changed
    return RoomNature(**values)


@given(INTERVALS, TIMES)
def test_a_union_holds_the_same_times_apart_and_in_order(
    intervals: list[tuple[float, float]], probe: float
) -> None:
    """Nothing is lost or won by joining intervals."""
    joined = union(intervals)
    assert any(a <= probe < b for a, b in joined) == any(a <= probe < b for a, b in intervals)
    assert all(a[1] < b[0] for a, b in itertools.pairwise(joined))


@given(st.lists(st.tuples(TIMES, st.integers(0, 3)), max_size=10), TIMES, TIMES)
def test_spans_of_steps_join_up_and_agree_with_single_values(
    steps: list[tuple[float, int]], a: float, b: float
) -> None:
    """Pieces cover a window without gaps and have the value that a single question gives."""
    value = Steps(-1)
    for at_s, new in sorted(steps, key=lambda step: step[0]):
        value.set(at_s, new)
    start, end = min(a, b), max(a, b)
    spans = list(value.spans(start, end))
    assert [span[0] for span in spans][1:] == [span[1] for span in spans][:-1]
    assert start == end or (spans[0][0], spans[-1][1]) == (start, end)
    assert all(value.at(since) == what for since, _, what in spans)


def test_the_past_does_not_change() -> None:
    """A step before the last known one is refused."""
    steps = Steps(0)
    steps.set(5.0, 1)
    with pytest.raises(ValueError, match=r"5\.0 s or later"):
        steps.set(4.0, 2)


@given(st.integers(), st.floats(0.0, 50.0), st.lists(st.floats(0.001, 5.0), min_size=1, max_size=12))
def test_bursts_do_not_depend_on_how_they_are_asked(seed: int, start: float, widths: list[float]) -> None:
    """Any cutting of a stretch of time into windows gives the same openings."""
    edges = [start]
    for width in widths:
        edges.append(edges[-1] + width)
    whole = Bursts(seed, "cord", SHAPE, lambda _: 0.5, Steps(0)).openings(start, edges[-1])
    bursts = Bursts(seed, "cord", SHAPE, lambda _: 0.5, Steps(0))
    pieces = [opening for a, b in itertools.pairwise(edges) for opening in bursts.openings(a, b)]
    assert union(pieces) == whole


def test_a_worn_cord_lets_go_more_often_than_a_new_one_and_mostly_when_moved() -> None:
    """Bursts come with wear and with movement; a cord worn through stays open until it is replaced."""

    def openings(wear: float, moving: bool) -> int:
        return len(Cord(1, "bench-1", lambda _: moving, wear=wear, ageing_per_s=0.0).own_openings(0.0, 200.0))

    assert openings(0.0, True) == 0
    assert openings(0.3, True) < openings(0.6, True) < openings(0.9, True)
    assert openings(0.6, False) < openings(0.6, True) / 4
    assert openings(1.0, True) == 1


def test_a_cord_that_ages_opens_for_good_when_it_is_worn_through() -> None:
    """With 0.01 a second from 0.5 on it is through after 50 seconds; a new cord ages from 0."""
    cord = Cord(1, "bench-1", lambda _: False, wear=0.5, ageing_per_s=0.01)
    cord.mend(80.0)
    lasting = [one for one in cord.own_openings(0.0, 100.0) if one[1] - one[0] > 5.0]
    assert [(round(a, 6), round(b, 6)) for a, b in lasting] == [(50.0, 80.0)]
    assert cord.wear_at(90.0) == pytest.approx(0.1)


def test_a_loosening_lead_rises_comes_and_goes_and_falls_off() -> None:
    """Tight it is half an ohm; on the way its resistance rises and it breaks; in the end it is off."""
    lead = MatLead(3, "bench-1")
    lead.loosen(10.0, 20.0)
    lead.fasten(40.0)
    assert lead.ohm_at(5.0) == MatLead.TIGHT_OHM
    assert MatLead.TIGHT_OHM < lead.ohm_at(14.0) < 1e4
    assert lead.own_openings(0.0, 16.0) == []
    assert len(lead.own_openings(16.0, 29.9)) > 2
    assert lead.own_openings(30.0, 50.0) == [(30.0, 40.0)]
    assert lead.ohm_at(35.0) == NOTHING_OHM
    assert lead.ohm_at(45.0) == MatLead.TIGHT_OHM


def test_a_force_stands_over_the_physics_and_leaves_it_be() -> None:
    """Held open, held closed, and free again: what is underneath goes on meanwhile."""
    joint = Joint()
    joint.parted.set(10.0, True)
    joint.force.set(2.0, Force.OPEN)
    joint.force.set(4.0, Force.CLOSED)
    joint.force.set(20.0, Force.FREE)
    assert joint.openings(0.0, 30.0) == [(2.0, 4.0), (20.0, 30.0)]


def test_skin_moistens_under_the_band_and_dries_with_the_air() -> None:
    """Resistance falls from dry to moist within minutes, and rises below 40 %RH."""
    person = Person(1, "bench-1")
    person.worn.set(10.0, True)
    fresh, later = person.skin_ohm_at(10.0, 0.5), person.skin_ohm_at(310.0, 0.5)
    assert fresh == pytest.approx(person.dry_ohm)
    assert later == pytest.approx(person.moist_ohm, rel=0.2)
    assert person.skin_ohm_at(310.0, 0.1) == pytest.approx(2.5 * later)
    assert 100e-12 <= person.capacitance_f <= 200e-12


def test_an_opening_shorter_than_the_filter_is_not_seen() -> None:
    """The strap's comparator misses a millisecond and reports four, each edge late by its own closed form."""
    for length_s, edges in ((0.001, 0), (0.004, 2)):
        comparator = Comparator(STRAP_COMPARATOR, 2.5e6)
        seen = comparator.run(1.0)
        comparator.set_loop(NOTHING_OHM)
        seen += comparator.run(1.0 + length_s)
        comparator.set_loop(2.5e6, 1.5e-10)
        seen += comparator.run(2.0)
        assert len(seen) == edges
    start = 2.5e6 / 22.5e6
    tau_s = 2e7 * 1.5e-10
    assert seen[0][0] == pytest.approx(1.0 + tau_s * math.log((1 - start) / (1 - 0.60)), rel=1e-5)
    assert seen[0][1] is False


@pytest.mark.parametrize(("ohm", "closed"), [(2.5e6, True), (2.9e7, True), (3.1e7, False), (1e13, False)])
def test_the_strap_reads_open_above_thirty_megohm(ohm: float, closed: bool) -> None:
    """Slowly rising resistance opens the contact at 30 megohm; coming back it must fall below 16.4 (hysteresis)."""
    comparator = Comparator(STRAP_COMPARATOR, 1e6)
    comparator.set_loop(ohm)
    comparator.run(10.0)
    assert comparator.closed is closed
    comparator.set_loop(2e7)
    comparator.run(20.0)
    assert comparator.closed is closed
    comparator.set_loop(1.5e7)
    comparator.run(30.0)
    assert comparator.closed


@given(
    st.lists(st.tuples(st.floats(1e-5, 0.05), st.booleans()), max_size=30),
    st.lists(st.floats(0, 1.0), max_size=30),
)
def test_a_comparator_does_not_depend_on_the_steps(
    changes: list[tuple[float, bool]], looks: list[float]
) -> None:
    """Looking in between moves no edge."""

    def edges(points: list[float]) -> list[tuple[float, bool]]:
        comparator, at_s, found = Comparator(BOND_COMPARATOR, 0.2), 0.0, []
        for gap_s, open_now in changes:
            for point in sorted(point for point in points if at_s < point < at_s + gap_s):
                found += comparator.run(point)
            at_s += gap_s
            found += comparator.run(at_s)
            comparator.set_loop(NOTHING_OHM if open_now else 0.2)
        return found + comparator.run(at_s + 1.0)

    straight, looked = edges([]), edges(looks)
    assert [closed for _, closed in straight] == [closed for _, closed in looked]
    assert [at for at, _ in straight] == pytest.approx([at for at, _ in looked], abs=1e-9)


@given(st.floats(1e4, 1e10))
def test_the_divider_is_monotonic_and_inverts(ohm: float) -> None:
    """More ohm is more volts; without leakage and offset the ratio gives the resistance back."""
    plain = Divider(3.3, 1e7, 0.0, 0.0, 0.0)
    share = plain.volts(ohm) / 3.3
    assert 1e7 * share / (1 - share) == pytest.approx(ohm, rel=1e-6)
    assert plain.volts(ohm * 1.1) > plain.volts(ohm)


def test_a_drawn_divider_is_within_its_parts() -> None:
    """Resistors, leakage and offset are drawn within their tolerances, and differ from one circuit to the next."""
    drawn = [Divider.drawn(1, f"bench-{n}", supply_v=3.3, series_ohm=1e7, tolerance=0.01) for n in range(200)]
    assert all(0.99e7 <= one.series_ohm <= 1.01e7 for one in drawn)
    assert all(abs(one.leak_a) <= 10e-12 and abs(one.offset_v) <= 0.5e-3 for one in drawn)
    assert len({one.series_ohm for one in drawn}) == 200


def test_a_room_follows_the_outdoor_dew_point_at_its_own_pace() -> None:
    """One air change an hour brings 63 % of the way in an hour, and the air dries accordingly."""
    room = Room(1, "room", nature(outdoor_dew_point=((0.0, -1.0),), air_changes_per_h=1.0))
    assert room.dew_point_c_at(3600.0) == pytest.approx(9.0 - 0.632 * 10.0, abs=0.5)
    assert room.humidity_at(6 * 3600.0) < room.humidity_at(0.0) - 0.15


def test_heating_follows_the_working_day() -> None:
    """At night the set point is lower; warming takes its time."""
    room = Room(1, "room", nature(start_hour=16.0, night_c=17.0))
    assert room.temperature_k_at(0.0) == pytest.approx(294.15)
    assert room.temperature_k_at(10 * 3600.0) == pytest.approx(290.15, abs=0.1)
    assert room.temperature_k_at(18 * 3600.0) == pytest.approx(294.15, abs=0.3)


def test_a_room_in_a_hurry_slows_down_again() -> None:
    """Twelve room-hours pass in a minute, and after it time goes on as everywhere."""
    fast = Room(1, "room", nature(speed_up=720.0, speed_up_until_s=60.0, outdoor_dew_point=((0.0, -5.0),)))
    slow = Room(1, "room", nature(outdoor_dew_point=((0.0, -5.0),)))
    assert fast.humidity_at(30.0) == pytest.approx(slow.humidity_at(6 * 3600.0))
    assert fast.humidity_at(90.0) == pytest.approx(slow.humidity_at(12 * 3600.0 + 30.0))


@pytest.mark.slow
@given(st.lists(st.floats(0.0, 20_000.0), min_size=1, max_size=20), st.randoms())
def test_a_room_can_be_asked_in_any_order(times: list[float], order: object) -> None:
    """Value at a time is a function of the time alone."""
    room, other = Room(5, "room", STEADY), Room(5, "room", STEADY)
    straight = {at: room.humidity_at(at) for at in times}
    order.shuffle(times)  # type: ignore[attr-defined]
    assert {at: other.humidity_at(at) for at in times} == straight


@given(INTERVALS, TIMES, TIMES)
def test_clipping_keeps_what_lies_inside(intervals: list[tuple[float, float]], a: float, b: float) -> None:
    """What is left lies within the window."""
    start, end = min(a, b), max(a, b)
    assert all(start <= since <= until <= end for since, until in clip(intervals, start, end))
