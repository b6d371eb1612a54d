"""From a contact's edge to the buzzer's line, with a hundred other channels polled at 10 Hz, store and broker on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from quietbench.daemon.watcher.runtime import SWITCH_INTERVAL_S
from tests.benchmarks import load
from tests.benchmarks.processes import Talker, WatcherProcess, wait_held
from tests.benchmarks.report import ms, quantile, table
from tests.support.brokers import Mosquitto

MOST_MEDIAN_NS, MOST_P999_NS = 500_000, 10_000_000
INTERPRETERS_OWN_S = 0.005
SETTLE_EDGES = 50

Times = dict[str, Any]


def test_the_buzzer_follows_an_edge_at_once(folder: Path, short: bool) -> None:
    """Median at most 0.5 ms and p99.9 at most 10 ms, beside a bare callback on the same board."""
    count = 1_000 if short else 10_000
    bare = _bare(folder / "bare", count)
    chosen = _watched(folder / "chosen", count, SWITCH_INTERVAL_S)
    default = _watched(folder / "default", count, INTERPRETERS_OWN_S)

    rows = [_row("bare callback of the GPIO library", bare, bare)]
    rows += [_row(f"watcher, switch interval {SWITCH_INTERVAL_S * 1e3:g} ms (its own)", chosen, bare)]
    rows += [_row("  of these, openings", _only(chosen, "opening"), _only(bare, "opening"))]
    rows += [_row(f"watcher, switch interval {INTERPRETERS_OWN_S * 1e3:g} ms (default)", default, bare)]
    head = ["edge to buzzer, ms", "edges", "missed", "median", "p99", "p99.9", "worst", "median / bare"]
    table(f"{load.CHANNELS} other channels at {load.RATE_HZ:g} Hz, store and MQTT on", head, rows)
    assert chosen["missed"] == 0
    assert quantile(_all(chosen), 0.5) <= MOST_MEDIAN_NS
    assert quantile(_all(chosen), 0.999) <= MOST_P999_NS


def _bare(folder: Path, count: int) -> Times:
    folder.mkdir()
    with Talker("board", str(folder)) as board, Talker("bare_callback", str(folder / "board.sock")):
        return _timed(board, count)


def _watched(folder: Path, count: int, switch_interval_s: float) -> Times:
    folder.mkdir()
    with Mosquitto() as broker, Talker("board", str(folder)) as board:
        text = load.configuration(mqtt_port=broker.port, database_url=None)
        with WatcherProcess(folder, text, switch_interval_s=switch_interval_s) as watcher:
            wait_held(watcher, board)
            return _timed(board, count)


def _timed(board: Talker, count: int) -> Times:
    board.ask(do="edges", count=SETTLE_EDGES, seed=0)
    return dict(board.ask(do="edges", count=count, seed=1))


def _all(times: Times) -> list[int]:
    return [*times["opening"], *times["closing"]]


def _only(times: Times, which: str) -> Times:
    return {"opening": [], "closing": [], "missed": 0, which: times[which]}


def _row(name: str, times: Times, bare: Times) -> list[object]:
    values = _all(times)
    shown = [ms(quantile(values, part)) for part in (0.5, 0.99, 0.999)]
    ratio = quantile(values, 0.5) / quantile(_all(bare), 0.5)
    return [name, len(values), times["missed"], *shown, ms(max(values)), f"{ratio:.1f}"]
