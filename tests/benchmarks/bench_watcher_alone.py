"""The watcher by itself: resident memory under load and on the demo's site, and how soon a bench has a state."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from tests.benchmarks import load
from tests.benchmarks.processes import Talker, WatcherProcess, resident_mb, wait_held
from tests.benchmarks.report import quantile, table
from tests.support.brokers import Mosquitto, VictoriaMetrics, wait_until
from tests.support.site import GREEN_1, SimulatedSite

MOST_MB = {"MQTT": 50.0, "MQTT and line protocol": 75.0}
MOST_START_S = 1.5
STARTS = 5
FLIPS = 200
"""Edges before the memory is read, so that alarms have gone all ways."""

_BARE = {
    "MQTT": "import gpiozero, sqlite3, pydantic, serial, paho.mqtt.client",
    "MQTT and line protocol": "import gpiozero, sqlite3, pydantic, serial, paho.mqtt.client, influxdb_client",
}
_SAY = "; print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmRSS:')))"


@contextmanager
def _sinks(which: str) -> Iterator[tuple[int, str | None]]:
    """Start the far ends of these sinks; give the broker's port and the database's address."""
    with ExitStack() as stack:
        broker = stack.enter_context(Mosquitto())
        both = which != "MQTT"
        database = stack.enter_context(VictoriaMetrics()).url if both else None
        yield broker.port, database


def _bare_mb(which: str) -> float:
    """Return what an interpreter holds that has only imported the libraries."""
    answer = subprocess.run([sys.executable, "-c", _BARE[which] + _SAY], check=True, capture_output=True)
    return int(answer.stdout) / 1024


def _loaded_mb(folder: Path, which: str, seconds: float) -> list[float]:
    """Return the resident memory after a fifth of the time, and at its end."""
    with _sinks(which) as (port, url), Talker("board", str(folder)) as board:
        text = load.configuration(mqtt_port=port, database_url=url)
        with WatcherProcess(folder, text) as watcher:
            wait_held(watcher, board)
            board.ask(do="edges", count=FLIPS, seed=2)
            time.sleep(seconds / 5)
            early = resident_mb(watcher.process.pid)
            time.sleep(seconds * 4 / 5)
            return [early, resident_mb(watcher.process.pid)]


def _demo_mb(folder: Path, which: str, seconds: float) -> list[float]:
    with _sinks(which) as (port, url), SimulatedSite(folder, more=_sink_tables(port, url)) as site:
        site.start_watcher()
        assert site.watcher is not None
        site.wait_bench("bench-1", "held")
        time.sleep(seconds / 5)
        early = resident_mb(site.watcher.pid)
        time.sleep(seconds * 4 / 5)
        return [early, resident_mb(site.watcher.pid)]


def _sink_tables(port: int, url: str | None) -> str:
    text = f'\n[sinks.broker]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {port}\n'
    if url is not None:
        text += f'[sinks.history]\nkind = "line-protocol"\nurl = "{url}"\nbucket = "benches"\n'
    return text


@pytest.mark.parametrize("which", list(MOST_MB))
def test_the_watcher_stays_small(folder: Path, short: bool, which: str) -> None:
    """At most 50 MB with MQTT on and 75 MB with both sinks, beside the bare imports."""
    seconds = 30.0 if short else 180.0
    bare = _bare_mb(which)
    rows = []
    worst = 0.0
    for name, measure in (("100 channels at 10 Hz", _loaded_mb), ("the demo's site", _demo_mb)):
        place = folder / name[:4].strip()
        place.mkdir()
        early, late = measure(place, which, seconds)
        worst = max(worst, early, late)
        rows.append((name, f"{early:.1f}", f"{late:.1f}", f"{late / bare:.2f}"))
    rows.append(("bare imports of the same libraries", "", f"{bare:.1f}", "1.00"))
    head = ["resident memory, MB", f"after {seconds / 5:g} s", f"after {seconds:g} s", "/ bare"]
    table(f"Watcher alone with {which}: wanted at most {MOST_MB[which]:g} MB", head, rows)
    assert worst <= MOST_MB[which]


def test_a_bench_has_a_state_soon_after_the_start(folder: Path) -> None:
    """From exec to the green lamp of the demo's first bench in at most 1.5 s, five times out of five."""
    times_s = []
    bare_s = []
    with Mosquitto() as broker, SimulatedSite(folder, more=_sink_tables(broker.port, None)) as site:
        for _ in range(STARTS):
            bare_s.append(_bare_start_s())
            times_s.append(_start_s(site))
            site.stop_watcher()
    middle, bare = quantile(times_s, 0.5), quantile(bare_s, 0.5)
    rows = [
        (
            "watcher on the demo's site, MQTT on",
            f"{middle:.2f}",
            f"{max(times_s):.2f}",
            f"{middle / bare:.1f}",
        ),
        ("bare imports of the same libraries", f"{bare:.2f}", f"{max(bare_s):.2f}", "1.0"),
    ]
    table(
        "From exec to the first bench state: wanted at most 1.5 s", ["s", "median", "worst", "/ bare"], rows
    )
    assert middle <= MOST_START_S


def _start_s(site: SimulatedSite) -> float:
    began_ns = time.monotonic_ns()
    site.start_watcher(wait=False)

    def lit() -> bool:
        green = site.control.outputs().outputs.get(GREEN_1)
        return green is not None and green.level == 1 and green.changed_ns > began_ns

    wait_until(lit, f"the green lamp; the watcher said {site.said()[-2000:]}")
    return (site.control.outputs().outputs[GREEN_1].changed_ns - began_ns) / 1e9


def _bare_start_s() -> float:
    began = time.monotonic()
    _bare_mb("MQTT")
    return time.monotonic() - began
