"""The watcher's own health: what is wrong reaches the core, whoever says it, and a thread that hangs is seen."""

from __future__ import annotations

from quietbench.daemon.watcher.health import Health, Stall
from quietbench.daemon.watcher.inbox import Fed, Inbox
from quietbench.drivers.api import Reason

S = 1_000_000_000


def told(inbox: Inbox) -> list[Fed]:
    last: list[Fed] = []
    while isinstance(item := inbox.get(0), list):
        last = item
    return last


def test_a_part_is_well_again_only_when_every_cause_is_over() -> None:
    """A disk that hangs and one that refuses are two troubles of one store."""
    inbox = Inbox()
    health = Health({"store": 0}, inbox, lambda: S)
    refuses = health.reporter("store", Reason.STORE_FAILING)
    hangs = health.reporter("store", Reason.STORE_FAILING, "stands")
    refuses("full")
    hangs("hangs")
    refuses(None)
    assert told(inbox) == [(0, S, None, Reason.STORE_FAILING)]
    assert health.texts() == {"store": "hangs"}

    hangs(None)
    assert told(inbox) == [(0, S, 1, None)]


def test_what_is_known_to_be_bad_is_a_value_and_no_fault() -> None:
    """Of a line that can't be driven nothing is unknown."""
    inbox = Inbox()
    Health({"outputs": 4}, inbox, lambda: S).reporter("outputs", None)("the buzzer's line is gone")

    assert told(inbox) == [(4, S, 0, None)]


def test_a_counter_that_stands_still_for_too_long_is_told_until_it_moves() -> None:
    """A commit that hangs raises no error, so nobody else would tell."""
    count = 1
    stall = Stall(lambda: count, 10 * S, 0)

    assert not stall.stands(10 * S)
    assert stall.stands(11 * S)
    count = 2
    assert not stall.stands(12 * S)
