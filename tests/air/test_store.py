"""From a watcher's store through the child process to the command, and results that are kept."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from quietbench.daemon import analysis
from quietbench.daemon.air.store_source import read_store
from quietbench.daemon.analysis import AnalysisError, Bounds, run_analysis
from quietbench.daemon.cli.airing import Wish, answered
from quietbench.daemon.errors import ConfigurationError

from .kit import START_S, Floats, note, stored


def room(days: float, level: float = 0.4, every_s: float = 600.0) -> tuple[Floats, Floats, Floats]:
    times = START_S + np.arange(0.0, days * 86_400.0, every_s)
    humidity = level + 0.05 * np.cos(2.0 * np.pi * times / 86_400.0)
    return times, humidity, np.full_like(times, 294.25)


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for kept results."""
    monkeypatch.setenv("QUIETBENCH_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def wish(**changed: object) -> Wish:
    values: dict[str, object] = dict.fromkeys(Wish.__slots__) | {"csv": (), "zone": "UTC", "altitude": 0.0}
    return Wish(**{**values, **changed})  # type: ignore[arg-type]


def test_a_store_gives_back_what_was_written(tmp_path: Path) -> None:
    """Times to the microsecond, values by the conversion in force, the band and the salt checks."""
    times, humidity, air_k = room(1.0)
    check = note("room-2/humidity", {"salt": "NaCl", "difference": 0.01, "u": 0.002})
    stored(tmp_path, {"room-2": (times, humidity, air_k), "room-3": room(0.5)}, [check])

    air = read_store(tmp_path)
    sensor = air.rooms[0].sensors[0]

    assert (air.site, [one.name for one in air.rooms]) == ("An invented site", ["room-2", "room-3"])
    assert np.abs(sensor.times_s - times).max() < 1e-5
    assert np.abs(sensor.humidity - humidity).max() < 0.0006
    assert sensor.air_k[0] == pytest.approx(294.25, abs=0.06)
    assert (air.rooms[0].band.low, air.rooms[0].band.high, air.rooms[0].band.low_strict) == (0.30, 0.70, True)
    assert air.salt_checks[0]["subject"] == "room-2/humidity"
    assert len(read_store(tmp_path, "room-2", back_s=3600.0).rooms[0].sensors[0]) == 6


def test_two_sensors_of_a_room_find_their_own_temperatures(tmp_path: Path) -> None:
    """By the ending of their names."""
    times, humidity, air_k = room(1.0)
    stored(tmp_path, {"room-2": (times, humidity, air_k), "room-2#-2": (times, humidity, air_k + 2.0)})

    first, second = read_store(tmp_path).rooms[0].sensors

    assert (first.name, second.name) == ("room-2/humidity", "room-2/humidity-2")
    assert second.air_k[0] - first.air_k[0] == pytest.approx(2.0, abs=0.11)


@pytest.mark.slow
def test_the_command_tells_all_rooms(tmp_path: Path, cache: Path) -> None:
    """In text and as JSON; without numpy in the command's own process."""
    stored(tmp_path / "store", {"room-2": room(5.0), "room-3": room(5.0, level=0.28)})
    program = (
        "import sys; from quietbench.daemon.cli.app import app\n"
        "try: app(sys.argv[1:])\n"
        "finally: assert 'numpy' not in sys.modules"
    )
    command = [sys.executable, "-c", program, "air", "--store", str(tmp_path / "store")]
    text = subprocess.run(command, capture_output=True, text=True, check=True, env=dict(os.environ)).stdout
    told = json.loads(subprocess.run([*command, "--json"], capture_output=True, text=True, check=True).stdout)

    assert "room-3\n" in text
    assert "below the 30 %RH limit" in text or "within limits" in text
    assert [one["room"] for one in told["rooms"]] == ["room-2", "room-3"]


@pytest.mark.slow
def test_asking_again_costs_no_process(tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the store goes on, or the question is another one."""
    stored(tmp_path / "store", {"room-2": room(4.0)})
    ran: list[list[str]] = []
    real = analysis._run

    def counted(module: str, arguments: Sequence[str], bounds: Bounds) -> str:
        ran.append(list(arguments))
        return real(module, arguments, bounds)

    monkeypatch.setattr(analysis, "_run", counted)

    first, again = (answered(wish(store=tmp_path / "store")) for _ in range(2))
    answered(wish(store=tmp_path / "store", zone="Etc/GMT-9"))

    assert first == again
    assert len(ran) == 2


def test_a_wrong_question_is_refused(tmp_path: Path, cache: Path) -> None:
    """With what was wanted: neither source, both, limits beside a store."""
    for wrong in (
        wish(),
        wish(store=tmp_path, csv=(tmp_path / "a.csv",)),
        wish(store=tmp_path, low=30.0),
        wish(csv=(tmp_path / "missing.csv",)),
    ):
        with pytest.raises(ConfigurationError):
            answered(wrong)


@pytest.mark.slow
def test_what_the_analysis_finds_wrong_comes_through(tmp_path: Path, cache: Path) -> None:
    """A room that is not there, an unknown zone: in the analysis's own words."""
    stored(tmp_path / "store", {"room-2": room(0.2)})

    with pytest.raises(ConfigurationError, match="wanted one of room-2"):
        answered(wish(store=tmp_path / "store", room="room-9"))
    with pytest.raises(ConfigurationError, match="time zone"):
        answered(wish(store=tmp_path / "store", zone="Nowhere"))


@pytest.mark.slow
def test_bounds_of_time_and_memory_hold(cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What takes too long is ended; what takes too much is refused by the system and said."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    (tmp_path / "sleeping.py").write_text("import time; time.sleep(60)")
    (tmp_path / "hungry.py").write_text("import time; time.sleep(0.3); bytearray(900_000_000)")

    with pytest.raises(AnalysisError, match="not done after"):
        run_analysis("sleeping", [], position="", bounds=Bounds(seconds=0.5))
    with pytest.raises(AnalysisError, match="more than 200 MB"):
        run_analysis("hungry", [], position="", bounds=Bounds(megabytes=200))
