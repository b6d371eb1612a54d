"""Days of several scenarios as the real watcher records them: stored alarms come out of replay to the byte."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.upkeep.history import History
from quietbench.daemon.upkeep.verifying import verify
from tests.support.brokers import wait_until
from tests.support.site import SimulatedSite

pytestmark = pytest.mark.slow


def told(*arguments: object) -> Any:
    command = [sys.executable, "-P", "-m", "quietbench.daemon.cli", *map(str, arguments), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    return json.loads(done.stdout)


def record_until(site: SimulatedSite, events: int, how: signal.Signals) -> None:
    """Let a watcher run until the store holds so many events more, then end it."""
    wanted = (len(site.events()) if (site.folder / "store").exists() else 0) + events
    site.start_watcher()
    wait_until(lambda: len(site.events()) >= wanted, f"{events} events more", within_s=40.0)
    site.stop_watcher(how)


@pytest.mark.parametrize("scenario", ["demo", "dying-cord"])
def test_every_run_of_a_scenario_is_reproduced(folder: Path, scenario: str) -> None:
    """One run stopped, the next killed in the middle: what is stored of both follows from its inputs."""
    with SimulatedSite(folder, scenario=scenario, speed=20.0) as site:
        record_until(site, 30, signal.SIGTERM)
        record_until(site, 15, signal.SIGKILL)

    with StoreReader(folder / "store") as reader:
        history = History(reader)
        found = [
            verify(run.number, history.plan(run), history.records(run), ended=run.stored.ended)
            for run in history.runs
        ]
    assert len(found) == 2
    assert [one.difference for one in found] == ["", ""]
    assert all(one.records >= 15 for one in found)

    silent = told("replay", "--store", folder / "store", "--set", "*/strap.closed.on_delay_s=0.5")
    recorded = sum(alarm["recorded"] for alarm in silent["alarms"])
    assert recorded >= sum(alarm["count"] for alarm in silent["alarms"])
    assert [bench["open_s"] for bench in silent["benches"]] == pytest.approx(
        [bench["recorded_open_s"] for bench in silent["benches"]]
    )
