"""A thousand alarms at once: none is lost, and an edge that comes meanwhile does not wait for them."""

from __future__ import annotations

import time
from collections.abc import Sequence

import pytest

from quietbench.daemon.core.convert import Contact
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.plan import Bench, Channel, Plan, Priority
from quietbench.daemon.core.records import Annunciation, Event, EventKind, Output
from quietbench.daemon.watcher.inbox import Inbox
from quietbench.daemon.watcher.loop import CoreLoop
from quietbench.daemon.watcher.progress import ProgressBoard
from tests.core.plans import closed
from tests.support.brokers import wait_until

pytestmark = pytest.mark.slow
BENCHES, PER_BENCH = 50, 20
FLOOD = BENCHES * PER_BENCH


def flooded_plan() -> Plan:
    """Benches with twenty bonds each, and one bench of its own whose strap matters."""
    channels = [
        Channel(
            f"b{b}/c{c}",
            "earth_bond",
            "1",
            Contact(),
            (closed(),),
            frozenset({f"b{b}/s{c}"}),
            Priority.HIGH,
        )
        for b in range(BENCHES)
        for c in range(PER_BENCH)
    ]
    channels.append(
        Channel(
            "own/strap",
            "strap_contact",
            "1",
            Contact(),
            (closed(),),
            frozenset({"own/skin"}),
            Priority.HIGH,
        )
    )
    benches = [
        Bench(
            f"b{b}",
            f"B{b}",
            {f"b{b}/s{c}": "earth" for c in range(PER_BENCH)},
            tuple(f"b{b}/s{c}" for c in range(PER_BENCH)),
        )
        for b in range(BENCHES)
    ]
    benches.append(Bench("own", "Own", {"own/skin": "earth"}, ("own/skin",)))
    return Plan("site", "w", tuple(benches), tuple(channels), "own")


def test_a_flood_loses_nothing_and_an_edge_overtakes_it() -> None:
    """The edge is put in when the flood's first alarm sounds; its own sounds before the flood is through."""
    plan = flooded_plan()
    inbox = Inbox()
    given: list[Annunciation] = []
    handed: list[Output] = []

    def annunciate(annunciation: Annunciation) -> None:
        given.append(annunciation)
        if len(given) == flood_begins + 1:
            inbox.put_edge((FLOOD, time.monotonic_ns(), 0, None))

    def hand_on(outputs: Sequence[Output]) -> None:
        handed.extend(outputs)

    core = Core(plan, time.monotonic_ns())
    loop = CoreLoop(
        core,
        inbox,
        monotonic_ns=time.monotonic_ns,
        board=ProgressBoard(time.monotonic_ns),
        annunciate=annunciate,
        hand_on=hand_on,
    )
    flood_begins = 1 << 30
    loop.start(core.start(time.monotonic_ns(), {}, {}))
    now = time.monotonic_ns()
    inbox.put_batch([(index, now, 1, None) for index in range(FLOOD + 1)])
    wait_until(lambda: all(a.state.value == "held" for a in core.annunciations()), "all held")

    flood_begins = len(given)
    now = time.monotonic_ns()
    inbox.put_batch([(index, now, 0, None) for index in range(FLOOD)])
    wait_until(lambda: len(alarms(handed)) == FLOOD + 1, "every alarm")
    loop.stop()

    assert sorted(alarms(handed)) == sorted({f"{c.name}:closed" for c in plan.channels})
    order = [a.bench for a in given[flood_begins:]]
    assert order.index("own") <= 2, "the edge was fed between two samples of the flood"


def alarms(outputs: list[Output]) -> list[str]:
    return [o.subject for o in list(outputs) if isinstance(o, Event) and o.kind is EventKind.ALARM]
