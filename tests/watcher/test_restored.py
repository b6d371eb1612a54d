"""What a run takes over: ends counted on the same boot's clock, across boots by a wall clock that was known."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from quietbench.daemon.clock import Clock, Stamp
from quietbench.daemon.core.records import EventKind
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.watcher.restored import restored

S = 1_000_000_000
SHELVED_AT, ENDS_AT, WALL = 1000 * S, 2800 * S, 10_000 * S
NOW = 50 * S


def end_of_shelf(
    *, same_boot: bool = False, known: bool = True, then_known: bool = True, passed_s: int
) -> Any:
    """Return when a shelf of 1800 s ends, taken over ``passed_s`` of wall time after it began."""
    event = SimpleNamespace(
        subject="b/strap:closed",
        run=1,
        monotonic_ns=SHELVED_AT,
        wall_ns=WALL,
        clock_known=then_known,
        body={"to": "shelved", "condition": True, "until_ns": ENDS_AT},
    )
    reader = SimpleNamespace(
        runs=lambda: [SimpleNamespace(run=1, boot="first")],
        last_events=lambda kind: [event] if kind is EventKind.ALARM else [],
        last_commands=list,
    )
    now = Stamp(NOW, WALL + passed_s * S, known)
    clock = SimpleNamespace(boot="first" if same_boot else "second", stamp=lambda: now)
    alarms, _ = restored(cast("StoreReader", reader), cast("Clock", clock))
    return alarms["b/strap:closed"]["until_ns"]


@pytest.mark.parametrize(
    ("passed_s", "left_s"),
    [(600, 1200), (1800, 0), (9000, 0), (-600, 1800)],
)
def test_after_a_reboot_what_is_left_is_counted_by_the_wall_clock(passed_s: int, left_s: int) -> None:
    """One that was put back lengthens nothing."""
    assert end_of_shelf(passed_s=passed_s) == NOW + left_s * S


@pytest.mark.parametrize(("known", "then_known"), [(False, True), (True, False)])
def test_where_a_wall_clock_was_not_known_what_was_hidden_comes_back_at_once(
    known: bool, then_known: bool
) -> None:
    """Nobody can say how long the machine was off."""
    assert end_of_shelf(known=known, then_known=then_known, passed_s=600) == NOW


def test_in_the_same_boot_an_end_stays_where_it_was() -> None:
    """The monotonic clock went on."""
    assert end_of_shelf(same_boot=True, passed_s=600) == ENDS_AT
