"""Processor time for one reading polled: the watcher with both sinks, beside a plain script that does less."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks import load
from tests.benchmarks.processes import ROOT, Talker, WatcherProcess, cpu_s, wait_held
from tests.benchmarks.report import table
from tests.support.brokers import Mosquitto, VictoriaMetrics

MOST_RATIO = 0.1
SETTLE_S = 5.0
"""Until the sinks stand and all first readings are through."""


@dataclass(frozen=True, slots=True)
class Cost:
    """Processor time of a process over a number of readings."""

    cpu_s: float
    readings: float

    @property
    def us(self) -> float:
        """Get the microseconds for one reading."""
        return self.cpu_s / self.readings * 1e6


def test_a_reading_costs_a_tenth_of_what_it_costs_a_plain_script(folder: Path, short: bool) -> None:
    """At most a tenth, the simulated hardware's own cost taken off on both sides."""
    seconds = 15.0 if short else 60.0
    watcher, its_mock = _watcher(folder / "watcher", seconds)
    plain, plains_mock = _plain(folder / "plain", seconds)

    ours, theirs = watcher.us - its_mock.us, plain.us - plains_mock.us
    rows = [
        _row("watcher, both sinks on", watcher, its_mock, theirs),
        _row("plain script", plain, plains_mock, theirs),
    ]
    head = ["CPU for one reading polled, µs", "in all", "the mock's", "own", "/ plain"]
    table(f"{load.CHANNELS} channels at {load.RATE_HZ:g} Hz: wanted at most {MOST_RATIO:g}", head, rows)
    assert ours / theirs <= MOST_RATIO


def _row(name: str, cost: Cost, mock: Cost, theirs: float) -> tuple[str, str, str, str, str]:
    own = cost.us - mock.us
    return (name, f"{cost.us:.0f}", f"{mock.us:.0f}", f"{own:.0f}", f"{own / theirs:.3f}")


def _watcher(folder: Path, seconds: float) -> tuple[Cost, Cost]:
    folder.mkdir()
    with Mosquitto() as broker, VictoriaMetrics() as database, Talker("board", str(folder)) as board:
        text = load.configuration(mqtt_port=broker.port, database_url=database.url)
        with WatcherProcess(folder, text) as watcher:
            wait_held(watcher, board)
            time.sleep(SETTLE_S)
            requests, before_s = board.ask(do="counts")["requests"], cpu_s(watcher.process.pid)
            time.sleep(seconds)
            used_s = cpu_s(watcher.process.pid) - before_s
            polls = (board.ask(do="counts")["requests"] - requests) / len(load.MODBUS_ADDRESSES)
        return Cost(used_s, polls * load.CHANNELS), _mock(folder, load.CONVERSIONS_PER_READING, seconds)


def _plain(folder: Path, seconds: float) -> tuple[Cost, Cost]:
    folder.mkdir()
    with Mosquitto() as broker, VictoriaMetrics() as database, Talker("board", str(folder)):
        places = [str(folder / "board.sock"), str(folder / load.PORT), str(broker.port), database.url]
        cost = _run("plain_script", *places, str(seconds))
        return cost, _mock(folder, 1, seconds)


def _mock(folder: Path, conversions: int, seconds: float) -> Cost:
    return _run("bare_reads", str(folder / "board.sock"), str(conversions), str(seconds / 2))


def _run(module: str, *arguments: str) -> Cost:
    command = [sys.executable, "-m", f"tests.benchmarks.{module}", *arguments]
    answer = json.loads(subprocess.run(command, check=True, capture_output=True, cwd=ROOT).stdout)
    return Cost(answer["cpu_s"], answer["readings"])
