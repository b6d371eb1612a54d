"""The core's thread: what can't be taken costs nobody else anything, and only a whole round is progress."""

from __future__ import annotations

from typing import Any

import pytest

from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.records import Output, Reading
from quietbench.daemon.watcher.inbox import Inbox
from quietbench.daemon.watcher.loop import CoreLoop
from quietbench.daemon.watcher.progress import ProgressBoard
from quietbench.drivers.api import Reason
from tests.core.plans import BOND, STRAP, one_bench

S = 1_000_000_000


class Rig:
    """A loop whose rounds are called by hand, with a hand-moved clock."""

    def __init__(self) -> None:
        self.now = 0
        self.outputs: list[Output] = []
        self.inbox = Inbox()
        self.board = ProgressBoard(lambda: self.now)
        self.core = Core(one_bench(), 0)
        self.loop = CoreLoop(
            self.core,
            self.inbox,
            monotonic_ns=lambda: self.now,
            board=self.board,
            annunciate=lambda _given: None,
            hand_on=self.outputs.extend,
        )


def test_a_raw_value_that_is_none_makes_its_channel_bad_and_costs_no_other() -> None:
    """Left as it was, the channel would look good for ever."""
    rig = Rig()
    nonsense: Any = "closed"
    rig.inbox.put_batch([(STRAP, 1, nonsense, None), (BOND, 1, 1, None)])
    rig.loop._round()

    readings = [(o.channel, o.value, o.reason) for o in rig.outputs if isinstance(o, Reading)]
    assert readings == [(STRAP, None, Reason.OUT_OF_SPAN), (BOND, 1.0, None)]


def test_rounds_that_break_are_no_progress(monkeypatch: pytest.MonkeyPatch) -> None:
    """A core that fails in every round must let the relay drop, though its thread runs."""
    rig = Rig()

    def broken(_now_ns: int) -> list[object]:
        raise RuntimeError("broken")

    rig.now = S
    rig.loop._round()
    assert rig.board.protecting_fresh(rig.now)

    monkeypatch.setattr(rig.core, "due", broken)
    rig.now = 2 * S
    with pytest.raises(RuntimeError, match="broken"):
        rig.loop._round()
    assert not rig.board.protecting_fresh(rig.now)
