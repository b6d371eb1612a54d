"""The pieces of the model: detection, coincidence, bursts, the burst gap, clocks, next steps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.tracing.coincide import Dropouts, bursts_of, openings_of, rows_of
from quietbench.daemon.tracing.detection import chance_of_seeing, duration_grid, shortest_seen
from quietbench.daemon.tracing.gaps import burst_gap
from quietbench.daemon.tracing.nextstep import best_steps
from quietbench.daemon.tracing.offsets import compare, fit_clocks, put_right
from quietbench.daemon.tracing.prior import Kind, kind_of
from quietbench.daemon.tracing.wiring import Seeing, Wiring, sets_of

ALWAYS = np.array([[0.0, 1e6]])


def dropouts(*seen: tuple[int, float, float], width_s: float = 0.002) -> Dropouts:
    channel = np.array([c for c, _, _ in seen], dtype=np.int64)
    start = np.array([t for _, t, _ in seen])
    length = np.array([d for _, _, d in seen])
    return Dropouts(channel, start - width_s, start, length, length + width_s)


def seeing(*every_s: float) -> Seeing:
    zero = np.zeros(len(every_s))
    return Seeing(np.array(every_s), zero, zero, (ALWAYS,) * len(every_s))


def wiring(*measures: tuple[int, ...], parents: tuple[int, ...]) -> Wiring:
    crosses = np.zeros((len(measures), len(parents)), dtype=np.bool_)
    for c, stretches in enumerate(measures):
        crosses[c, list(stretches)] = True
    names = tuple(f"s{i}" for i in range(len(parents)))
    return Wiring(
        names, parents, (Kind.OTHER,) * len(parents), tuple(f"c{i}" for i in range(len(measures))), crosses
    )


def test_a_poll_of_a_second_sees_a_tenth_of_a_second_once_in_ten() -> None:
    """And an edge sees it nearly always; nothing is seen with certainty."""
    chance = chance_of_seeing(seeing(1.0, 0.0), np.array([0.1, 5.0]))
    assert chance[0] == pytest.approx([0.1, 0.99])
    assert chance[1] == pytest.approx([0.99, 0.99])


def test_debounce_and_rc_hide_short_openings() -> None:
    """What is shorter is not seen."""
    slow = Seeing(np.array([0.0]), np.array([0.01]), np.array([0.005]), (ALWAYS,))
    chance = chance_of_seeing(slow, np.array([0.014, 0.016]))[0]
    assert chance[0] < 1e-3 < 0.9 < chance[1]
    assert shortest_seen(slow) == pytest.approx(0.015)


@given(shortest_s=st.floats(1e-3, 5.0))
def test_duration_classes_reach_from_the_shortest_to_a_minute(shortest_s: float) -> None:
    """Without a hole."""
    edges, middles = duration_grid(shortest_s)
    assert edges[0] == pytest.approx(shortest_s)
    assert edges[-1] >= 60 or len(middles) == 2
    assert np.all((edges[:-1] < middles) & (middles < edges[1:]))


def test_dropouts_coincide_when_their_start_intervals_overlap() -> None:
    """Two within the stamps' uncertainty, one apart."""
    seen = dropouts((0, 10.0, 0.1), (1, 10.001, 0.1), (0, 20.0, 0.1))
    assert openings_of(seen).tolist() == [0, 0, 1]
    assert openings_of(dropouts((0, 10.0, 0.1), (1, 10.3, 0.1)), 0.2).tolist() == [0, 0]


def test_openings_of_one_channel_within_the_gap_are_one_burst() -> None:
    """An opening elsewhere in between is its own."""
    seen = dropouts((0, 10.0, 0.1), (1, 10.5, 0.1), (0, 11.0, 0.1), (0, 30.0, 0.1))
    bursts = bursts_of(seen, openings_of(seen), 2.0)
    assert bursts.of[0] == bursts.of[2]
    assert len({int(bursts.of[i]) for i in (0, 1, 3)}) == 3
    assert bursts.short_s[bursts.of[0]] == pytest.approx(0.2)
    assert bursts.openings[bursts.of[0]] == 2


def test_bursts_that_look_the_same_are_one_row() -> None:
    """Counted, with who saw them."""
    seen = dropouts((0, 10.0, 0.1), (1, 10.0, 0.1), (0, 20.0, 0.1), (1, 20.0, 0.1), (1, 30.0, 0.1))
    bursts = bursts_of(seen, openings_of(seen), 0.0)
    rows = rows_of(seen, bursts, seeing(0.0, 0.0), duration_grid(1e-3)[0], channels=2)
    by_pattern = {tuple(s): n for s, n in zip(rows.seen.tolist(), rows.count.tolist(), strict=True)}
    assert by_pattern == {(True, True): 2.0, (False, True): 1.0}


def test_no_gap_is_found_in_openings_that_come_by_themselves() -> None:
    """Poisson arrivals, several seeds."""
    for seed in range(8):
        at = np.cumsum(np.random.default_rng(seed).exponential(900.0, 200))
        assert burst_gap(dropouts(*[(0, float(t), 0.1) for t in at])) == 0.0


def test_the_gap_of_bursts_is_found_between_their_openings_and_the_next_burst() -> None:
    """Openings a second apart, bursts a quarter of an hour apart."""
    random = np.random.default_rng(4)
    first = np.cumsum(random.exponential(900.0, 60))
    at = np.sort((first[:, None] + np.cumsum(random.exponential(1.0, (60, 4)), axis=1)).ravel())
    assert 3.0 < burst_gap(dropouts(*[(0, float(t), 0.01) for t in at])) <= 60.0


def test_stretches_that_the_same_channels_cross_are_one_set() -> None:
    """And one that nobody watches is in none."""
    sets = sets_of(wiring((0, 1, 2), (0, 3), parents=(-1, 0, 1, 0, 3)))
    assert sets.of[1] == sets.of[2]
    assert sets.of[4] == -1
    assert len(sets.members) == 3


def test_the_clock_of_another_watcher_is_found_from_shared_openings() -> None:
    """0.31 s ahead, among dropouts of its own."""
    random = np.random.default_rng(5)
    shared = random.uniform(0, 1e5, 12)
    alone = random.uniform(0, 1e5, 40)
    one = [(0, float(t), 0.1) for t in np.concatenate((shared, alone[:20]))]
    other = [(1, float(t) + 0.31, 0.1) for t in np.concatenate((shared, alone[20:]))]
    both = dropouts(*sorted(one + other, key=lambda seen: seen[1]))
    watcher = np.array([0, 1])
    clocks = fit_clocks(both, watcher, wiring((0, 1), (0, 2), parents=(-1, 0, 0)), bound_s=1.0)
    assert clocks.known.tolist() == [True, True]
    assert clocks.ahead_s[1] == pytest.approx(0.31, abs=0.01)
    assert clocks.offsets[0].score > clocks.offsets[0].by_chance
    right = put_right(both, watcher, clocks)
    first = min(at for _, at, _ in other) - 0.31
    assert float(right.start_hi_s[right.channel == 1].min()) == pytest.approx(first, abs=0.01)


def test_clocks_without_a_shared_opening_stay_unknown() -> None:
    """Seen on 20 pairs of unrelated records: at most one is believed by chance."""
    believed = 0
    for seed in range(20):
        random = np.random.default_rng(100 + seed)
        one = dropouts(*[(0, float(t), 0.1) for t in np.sort(random.uniform(0, 1e5, 60))])
        other = dropouts(*[(1, float(t), 0.1) for t in np.sort(random.uniform(0, 1e5, 60))])
        believed += compare(one, other, 0, 1, bound_s=1.0, random=random).found
    assert believed <= 1


def test_the_best_measurement_halves_the_field() -> None:
    """Four stretches in a row, equally likely: across two of them."""
    steps = best_steps(wiring((0, 1, 2, 3), parents=(-1, 0, 1, 2)), np.full(4, 0.2))
    measure = next(step for step in steps if step.kind == "measure")
    assert len(measure.stretches) == 2
    assert 0.6 < measure.bits <= 1.0
    assert next(step for step in steps if step.kind == "swap").bits < measure.bits


def test_nothing_is_left_to_measure_when_the_place_is_known() -> None:
    """A sure suspect needs a screwdriver, not a meter."""
    assert best_steps(wiring((0, 1), parents=(-1, 0)), np.array([0.0, 1.0])) == ()


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("bench-1/cord", Kind.CORD),
        ("bench-1/mat_lead", Kind.LEAD),
        ("site/panel", Kind.PANEL_JOINT),
        ("x/y", Kind.OTHER),
    ],
)
def test_a_stretch_tells_its_kind_by_its_name(name: str, kind: Kind) -> None:
    """The first word that fits."""
    assert kind_of(name) is kind
