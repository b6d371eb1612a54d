"""The core alone: samples a second when nothing changes, and when every sample opens or closes a path."""

from __future__ import annotations

import time
from collections.abc import Callable

from quietbench.daemon.core.convert import Contact, Divider, Linear
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.plan import Bench, Channel, Limit, Plan, Priority, Requirement, Source
from quietbench.daemon.core.records import Event, Reading
from tests.benchmarks.report import table

BENCHES, PER_BENCH = 20, 5
REPEATS = 5
STEP_NS = 1_000_000
LEAST_QUIET, LEAST_BUSY = 100_000, 40_000
"""Samples a second that are wanted."""

_OWN = Source("own rule", "", "", "own choice")
_QUIET_RAW = (1, 1, 1, 2816, 450)

Feed = Callable[[int, int, float], object]


def plan() -> Plan:
    """Return twenty benches with strap, bond, presence, mat and air: a hundred channels."""
    names = [f"bench-{number}" for number in range(1, BENCHES + 1)]
    channels = tuple(channel for name in names for channel in _channels(name))
    return Plan("site", "w", tuple(_bench(name) for name in names), channels, "own")


def _channels(name: str) -> tuple[Channel, ...]:
    closed = Limit("closed", Requirement.AT_LEAST, 1.0, _OWN, Priority.HIGH, protects=True)
    change = Limit("change", Requirement.BELOW, 2.2e8, _OWN, Priority.HIGH, 2e7, protects=True)
    low = Limit("low", Requirement.ABOVE, 0.3, _OWN, Priority.LOW, deadband=0.01)
    loop = frozenset({f"{name}/cord", f"{name}/skin"})
    return (
        Channel(f"{name}/strap", "strap_contact", "1", Contact(), (closed,), loop, Priority.HIGH),
        Channel(f"{name}/bond", "earth_bond", "1", Contact(), (closed,), frozenset({f"{name}/common"})),
        Channel(f"{name}/presence", "presence", "1", Contact()),
        Channel(
            f"{name}/mat", "mat_resistance", "ohm", Divider(series_ohm=1e7, leakage_a=3e-11),
            (change,), frozenset({f"{name}/mat"}), thin_raw=3.0,
        ),
        Channel(f"{name}/air", "relative_humidity", "1", Linear(0.001), (low,), thin_raw=2.0),
    )  # fmt: skip


def _bench(name: str) -> Bench:
    stretches = {"common": "earth", "cord": "common", "skin": "cord", "mat": "common"}
    tree = {f"{name}/{node}": up if up == "earth" else f"{name}/{up}" for node, up in stretches.items()}
    return Bench(name, name, tree, (f"{name}/skin", f"{name}/mat"), (f"{name}/presence",))


def started() -> Core:
    """Return a core that has seen every channel once, with everything held."""
    core = Core(plan(), 0)
    core.start(0, {}, {})
    for channel in range(BENCHES * PER_BENCH):
        core.feed(channel, STEP_NS, _QUIET_RAW[channel % PER_BENCH])
    return core


def samples_per_s(feed: Feed, samples: list[tuple[int, int, float]]) -> float:
    """Return how many samples a second go through."""
    began = time.perf_counter()
    for sample in samples:
        feed(*sample)
    return len(samples) / (time.perf_counter() - began)


def _quiet(count: int) -> list[tuple[int, int, float]]:
    channels = BENCHES * PER_BENCH
    return [(n % channels, (n + 2) * STEP_NS, _QUIET_RAW[n % PER_BENCH]) for n in range(count)]


def _busy(count: int) -> list[tuple[int, int, float]]:
    """Return samples of the straps alone, each the opposite of the one before."""
    return [(n % BENCHES * PER_BENCH, (n + 2) * STEP_NS, 1 - (n // BENCHES + 1) % 2) for n in range(count)]


def _bare() -> Feed:
    """Return the least that could be done with a sample: compare it, and say the reading again with its time."""
    last = dict(enumerate(started().readings()))

    def feed(channel: int, monotonic_ns: int, raw: float) -> object:
        reading = last[channel]
        again = Reading(reading[0], monotonic_ns, raw, *reading[3:])
        if raw != reading.raw:
            last[channel] = again
        return again

    return feed


def test_the_core_keeps_up(short: bool) -> None:
    """Report samples a second, and their share of a bare loop's; the median of five."""
    count = 20_000 if short else 100_000
    bare = _median([samples_per_s(_bare(), _quiet(count)) for _ in range(REPEATS)])
    quiet = _median([samples_per_s(started().feed, _quiet(count)) for _ in range(REPEATS)])
    busy = _median([samples_per_s(started().feed, _busy(count // 4)) for _ in range(REPEATS)])

    rows = [
        ("bare loop", f"{bare:,.0f}", "1.00", ""),
        ("nothing changes", f"{quiet:,.0f}", f"{quiet / bare:.2f}", f"{LEAST_QUIET:,}"),
        ("every sample changes a state", f"{busy:,.0f}", f"{busy / bare:.2f}", f"{LEAST_BUSY:,}"),
    ]
    table("Core alone, 100 channels on 20 benches", ["samples a second", "", "/ bare", "wanted"], rows)


def test_the_samples_do_what_is_said_of_them() -> None:
    """Quiet samples give nothing but readings; each busy one an alarm, a bench and an annunciation."""
    core = started()
    assert all(type(output) is Reading for sample in _quiet(1000) for output in core.feed(*sample))

    core = started()
    for sample in _busy(1000):
        kinds = [output.kind.value for output in core.feed(*sample) if isinstance(output, Event)]
        assert kinds == ["alarm", "bench"]


def _median(values: list[float]) -> float:
    return sorted(values)[len(values) // 2]
