"""A real watcher, a strap that opens six times, a repair put on record, and what the tracing makes of it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.support.site import CLOSED, OPEN, STRAP_1, SimulatedSite

OPENINGS = 6


def run(*words: str, folder: Path) -> str:
    command = [sys.executable, "-m", "quietbench.daemon.cli", *words]
    environment = {**os.environ, "XDG_CACHE_HOME": str(folder / "cache")}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.slow
def test_openings_of_a_strap_are_traced_and_a_repair_is_followed(folder: Path) -> None:
    """Every opening is found with its length; the strap's stretches are the suspects; the repair is counted from."""
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        for _ in range(OPENINGS):
            site.control.line(STRAP_1, OPEN)
            time.sleep(0.15)  # the opening itself lasts so long
            site.control.line(STRAP_1, CLOSED)
            time.sleep(0.25)
        site.wait_bench("bench-1", "held")
        said = run(
            "repair", "bench-1/cord", "--what", "new cord", "--role", "technician", "--why", "opens",
            "--socket", str(folder / "watcher.sock"), folder=folder,
        )  # fmt: skip
        site.stop_watcher()
    assert "bench-1/cord: new cord" in said
    found = json.loads(run("trace", "--store", str(folder / "store"), "--json", folder=folder))
    strap = next(channel for channel in found["channels"] if channel["channel"] == "bench-1/strap")
    assert strap["dropouts"] == OPENINGS
    assert strap["read_by"] == "edges"
    assert {part["stretch"] for part in found["suspects"][0]["parts"]} >= {"bench-1/cord", "bench-1/band"}
    repair = found["repairs"][0]
    assert (repair["subject"], repair["what"], repair["after"]) == ("bench-1/cord", "new cord", 0)
    assert repair["before"] >= 1
