"""From alarm events to figures, sums per person, and what they may be compared with."""

from __future__ import annotations

import pytest

from quietbench.daemon.core.alarm import AlarmInput
from quietbench.daemon.core.records import AlarmState
from quietbench.daemon.upkeep.answering import persons, places, unanswered
from quietbench.daemon.upkeep.figures import DAY_NS, FLEETING_NS, Period, daily_counts, figures_of
from quietbench.daemon.upkeep.occurrences import (
    ACTIVE,
    HIDDEN,
    KNOWN_CAUSES,
    KNOWN_STATES,
    AlarmChange,
    Occurrence,
    change_of,
    occurrences_of,
)
from quietbench.daemon.upkeep.windows import SECOND_NS, bouts

MONTH = Period(0, 30 * DAY_NS, 30 * DAY_NS)
STRAP, MAT = "b1/strap:closed", "b2/mat:upper"


def change(at_s: float, before: str, after: str, cause: str, *, alarm: str = STRAP) -> AlarmChange:
    return AlarmChange(round(at_s * SECOND_NS), alarm, before, after, cause, "high", after in ACTIVE)


def occurred(
    at_s: float, lasted_s: float = 100.0, *, alarm: str = STRAP, answered_s: float | None = None
) -> Occurrence:
    at_ns = round(at_s * SECOND_NS)
    answered_ns = None if answered_s is None else at_ns + round(answered_s * SECOND_NS)
    return Occurrence(alarm, "high", at_ns, at_ns + round(lasted_s * SECOND_NS), answered_ns)


# -- occurrences ------------------------------------------------------------------------------------------------


def test_an_alarm_begins_is_answered_and_ends() -> None:
    """An answer after the end counts as well."""
    found = occurrences_of(
        [
            change(1, "normal", "unacknowledged", "condition"),
            change(5, "unacknowledged", "returned unacknowledged", "return"),
            change(9, "returned unacknowledged", "normal", "acknowledge"),
            change(20, "normal", "unacknowledged", "condition"),
            change(22, "unacknowledged", "acknowledged", "acknowledge"),
        ]
    )
    first, second = found.all
    assert (first.began_ns, first.ended_ns, first.answered_ns) == (10**9, 5 * 10**9, 9 * 10**9)
    assert (second.ended_ns, second.answered_ns) == (None, 22 * 10**9)


def test_a_shelf_hides_and_what_comes_back_from_it_begins_anew() -> None:
    """Hidden is neither fleeting nor stale; the rest is counted apart."""
    found = occurrences_of(
        [
            change(1, "normal", "unacknowledged", "condition"),
            change(2, "unacknowledged", "shelved", "shelve"),
            change(1800, "shelved", "unacknowledged", "back, condition stands"),
        ]
    )
    first, second = found.all
    assert (first.hidden, first.ended_ns) == (True, 2 * 10**9)
    assert second.began_ns == 1800 * 10**9
    assert found.other_causes == {"shelve": 1, "back, condition stands": 1}
    assert figures_of([first], MONTH).fleeting == ()


def test_sounding_again_is_no_new_alarm() -> None:
    """It stood all the time."""
    found = occurrences_of(
        [
            change(1, "normal", "unacknowledged", "condition"),
            change(2, "unacknowledged", "acknowledged", "acknowledge"),
            change(900, "acknowledged", "unacknowledged", "sounds again"),
        ]
    )
    assert len(found.all) == 1


def test_words_of_another_version_are_counted_apart() -> None:
    """And nothing is guessed from them."""
    found = occurrences_of([change(1, "normal", "dozing", "yawn")])
    assert found.all == []
    assert (found.other_causes, found.unknown_states) == ({"yawn": 1}, {"dozing": 1})


def test_the_words_are_those_of_the_core() -> None:
    """Every state of an alarm is known here, by its word."""
    assert {state.value for state in AlarmState} == KNOWN_STATES
    assert {happening.value for happening in AlarmInput} >= KNOWN_CAUSES
    assert HIDDEN < KNOWN_STATES


def test_an_event_is_read_by_its_words() -> None:
    """A body without "condition" says it by its state."""
    body = {"from": "normal", "to": "unacknowledged", "cause": "condition", "priority": "low"}
    assert change_of(7, MAT, body) == AlarmChange(
        7, MAT, "normal", "unacknowledged", "condition", "low", True
    )
    assert not change_of(7, MAT, {**body, "condition": False}).condition


# -- figures ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lasted_ns", "fleeting"), [(FLEETING_NS, 1), (FLEETING_NS + 1, 0)])
def test_fleeting_at_its_very_bound(lasted_ns: int, fleeting: int) -> None:
    """10 s and no more."""
    found = figures_of([Occurrence(STRAP, "high", 5, 5 + lasted_ns)], MONTH)
    assert sum(one.count for one in found.fleeting) == fleeting


def test_fleeting_alarms_that_come_again_chatter_instead() -> None:
    """One alarm is counted as one nuisance, not as both."""
    found = figures_of([occurred(at, 1.0) for at in (10, 30, 50)], MONTH)
    assert found.fleeting == ()
    assert [(one.alarm, one.count) for one in found.chattering] == [(STRAP, 3)]


def test_overlapping_bouts_are_one() -> None:
    """Six within two minutes, each three of them within one."""
    times = [SECOND_NS * at for at in (0, 20, 40, 60, 80, 100, 1000)]
    (bout,) = bouts(times)
    assert (bout.count, bout.began_ns, bout.ended_ns) == (6, 0, 100 * SECOND_NS)


def test_different_alarms_together_do_not_chatter() -> None:
    """Chattering is of one alarm."""
    three = [occurred(10), occurred(20, alarm=MAT), occurred(30, alarm="b1/bond:closed")]
    assert figures_of(three, MONTH).chattering == ()


def test_rates_are_of_watched_time() -> None:
    """Half the month without a watcher doubles the rate."""
    three = [occurred(at) for at in (1000, 2000, 3000)]
    whole = figures_of(three, MONTH)
    half = figures_of(three, Period(0, 30 * DAY_NS, 15 * DAY_NS))
    assert whole.per_day == pytest.approx(0.1)
    assert half.per_day == pytest.approx(0.2)


def test_times_to_answer() -> None:
    """Half, nine of ten, the longest, and those that nobody answered."""
    answered = [occurred(at * 1000, answered_s=at) for at in range(1, 11)]
    found = figures_of([*answered, occurred(20_000)], MONTH).response
    assert (found.answered, found.waiting) == (10, 1)
    assert (found.median_ns, found.p90_ns, found.longest_ns) == (5 * 10**9, 9 * 10**9, 10 * 10**9)


def test_a_stale_alarm_that_began_before_the_period_counts() -> None:
    """And is no alarm of the period."""
    old = Occurrence(MAT, "high", -2 * DAY_NS)
    found = figures_of([old], Period(0, DAY_NS, DAY_NS))
    assert (found.alarms, found.most_stale_in_a_day) == (0, 1)
    assert found.stale[0].lasted_ns == 3 * DAY_NS


def test_nothing_is_well() -> None:
    """No alarm, no time: no division by either."""
    found = figures_of([], Period(0, 0, 0))
    assert (found.alarms, found.per_day, found.top_share, found.kinds) == (0, 0.0, 0.0, 0)


def test_days_are_counted_back_from_the_end() -> None:
    """A day that is not whole is left out."""
    period = Period(0, 2 * DAY_NS + 10, 2 * DAY_NS)
    begun = [Occurrence(STRAP, "high", at) for at in (5, 11, DAY_NS + 10, DAY_NS + 11)]
    assert daily_counts(begun, period) == [2, 1]


# -- who answers ------------------------------------------------------------------------------------------------


def test_the_sum_of_a_persons_benches_is_compared() -> None:
    """Neither bench is beyond 2 in a minute; the person is."""
    both = [occurred(at) for at in (10, 20)] + [occurred(at, alarm=MAT) for at in (15, 25)]
    both.sort(key=lambda one: one.began_ns)
    (person,) = persons({"lead": ("b1", "b2")}, both, MONTH)
    verdicts = {one.target.name: (one.measured, one.within) for one in person.compared}
    assert verdicts["most_in_minute"] == (4, False)
    assert [place.figures.most_in_minute for place in places(("b1", "b2"), both, MONTH)] == [2, 2]


@pytest.mark.parametrize(
    ("period", "why"),
    [
        (Period(0, 30 * DAY_NS - 1, 30 * DAY_NS), "30 days or more"),
        (Period(0, 30 * DAY_NS, 26 * DAY_NS), "a watcher ran for only 87 %"),
    ],
)
def test_no_verdict_on_too_little(period: Period, why: str) -> None:
    """Every target keeps its figure, and says why there is no verdict."""
    (person,) = persons({"lead": ("b1",)}, [occurred(10)], period)
    assert all(one.within is None and why in one.why_not for one in person.compared)
    assert person.compared[0].measured is not None


def test_the_most_frequent_are_not_judged_when_they_are_all() -> None:
    """Ten kinds or fewer always make up everything."""
    (few,) = persons({"lead": ("b1",)}, [occurred(10)], MONTH)
    many = [occurred(10 * k, alarm=f"b1/c{k}:x") for k in range(1, 12)]
    (more,) = persons({"lead": ("b1",)}, many, MONTH)
    share = [one for person in (few, more) for one in person.compared if one.target.name == "top_share"]
    assert [one.within for one in share] == [None, False]


def test_a_bench_has_a_trend() -> None:
    """One alarm more on each day."""
    rising = [
        Occurrence(STRAP, "high", day * DAY_NS + 1000 * (k + 1)) for day in range(12) for k in range(day)
    ]
    (place,) = places(("b1",), rising, Period(0, 12 * DAY_NS, 12 * DAY_NS))
    assert place.trend is not None
    assert place.trend.word == "rising"


def test_benches_that_nobody_answers_for_are_named() -> None:
    """Rooms too."""
    assert unanswered(("b1", "b2", "room"), {"lead": ("b1",)}) == ("b2", "room")
