"""Figures of the air's analysis: a year at one minute of four rooms, with forecast, beside a bare pass over them.

The arrays are made, not read: roll-ups are what a year is to be read from. What reading raw readings from the store
costs is told beside it, for a month of one room.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from quietbench.daemon.air.store_source import read_store
from tests.air.kit import START_S, Floats, stored
from tests.benchmarks.report import table

_MINUTES = 365 * 1440
_ROOMS = 4

_CHILD = """
import json, resource, sys, time
import numpy as np
folder, bare = sys.argv[1], sys.argv[2] == "bare"
times = np.load(folder + "/times.npy")
rooms = [np.load(f"{folder}/room-{n}.npy") for n in range(int(sys.argv[3]))]
if not bare:
    from quietbench.daemon.air.analysis import Surroundings, analysed
    from quietbench.daemon.air.outside import Band
    from quietbench.daemon.air.series import tidied
    from quietbench.daemon.air.store_source import Room
begin = time.perf_counter()
if bare:
    told = [float(np.sort(values).sum()) for room in rooms for values in room]
else:
    series = [tidied(f"room-{n}", times, rh, t, u_humidity=0.01, u_air_k=0.2) for n, (rh, t) in enumerate(rooms)]
    told = analysed("", [Room(s.name, [s], Band(0.3, 0.7)) for s in series], Surroundings("CET"))
    assert all(room["forecast"]["method"] == "rhythm" for room in told["rooms"])
spent = time.perf_counter() - begin
json.dump([spent, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0], sys.stdout)
"""


def _year(seed: int) -> Floats:
    chance = np.random.default_rng(seed)
    minute = np.arange(_MINUTES)
    slow = np.cumsum(chance.normal(0.0, 0.0006, _MINUTES))
    slow -= np.interp(minute, minute[::10_080], slow[::10_080])
    humidity = (
        0.42 + 0.06 * np.cos(2.0 * np.pi * minute / 1440.0) + 0.1 * np.sin(2.0 * np.pi * minute / 525_600.0)
    )
    air_k = 294.0 + 1.5 * np.sin(2.0 * np.pi * minute / 1440.0)
    return np.stack([np.clip(humidity + slow, 0.02, 0.98).round(3), air_k.round(1)])


def _child(folder: Path, kind: str) -> tuple[float, float]:
    command = [sys.executable, "-c", _CHILD, str(folder), kind, str(_ROOMS)]
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}  # as the analysis is started
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
    spent, megabytes = json.loads(done.stdout)
    return spent, megabytes


@pytest.mark.slow
def test_a_year_of_four_rooms(folder: Path) -> None:
    """Wanted: under 2 s and 300 MB."""
    np.save(folder / "times.npy", START_S + 60.0 * np.arange(_MINUTES))
    for number in range(_ROOMS):
        np.save(folder / f"room-{number}.npy", _year(number))
    runs = [(_child(folder, "bare"), _child(folder, "full")) for _ in range(3)]
    (bare_s, bare_mb), (full_s, full_mb) = (min(column) for column in zip(*runs, strict=True))
    table(
        "A year at one minute of four rooms: full analysis with forecast",
        ("", "s", "MB", "ratio"),
        (
            ("bare: sort and sum the same arrays", f"{bare_s:.2f}", f"{bare_mb:.0f}", "1.0"),
            (
                "analysis and forecast of all rooms",
                f"{full_s:.2f}",
                f"{full_mb:.0f}",
                f"{full_s / bare_s:.1f}",
            ),
        ),
    )


@pytest.mark.slow
def test_a_month_of_one_room_from_the_store(folder: Path) -> None:
    """Raw readings by columns, without roll-ups."""
    year = _year(1)[:, : 30 * 1440]
    stored(folder, {"room-2": (START_S + 60.0 * np.arange(30 * 1440, dtype=np.float64), year[0], year[1])})
    begin = time.perf_counter()
    count = 2 * len(read_store(folder).rooms[0].sensors[0])
    spent = time.perf_counter() - begin
    rows = (("read, converted, paired", f"{count}", f"{spent:.2f}", f"{spent / count * 1e6:.1f}"),)
    table("A month at one minute from the store", ("", "readings", "s", "s a million"), rows)
