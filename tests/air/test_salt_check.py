"""``quietbench salt-check``: waits on the watcher's socket, reads, proposes, records."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from quietbench.daemon.cli.salting import SaltWish, earlier_points, settled
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.socket.lines import FollowedLine, Quiet, ReadingLine, Snapshot
from tests.support.site import SimulatedSite

from .kit import START_S, note, stored
from .test_store import room

WISH = SaltWish("room-2/humidity", "NaCl", None, 0.2, 900.0, 7200.0, None)


def reading(channel: str, quantity: str, value: float | None, quality: str = "good") -> ReadingLine:
    return ReadingLine(
        channel,
        quantity,
        "1",
        "2031-03-10T08:00:00Z",
        value,
        0.01,
        "=",
        quality,
        None if quality == "good" else "silent",
    )


def humid(value: float | None, quality: str = "good") -> ReadingLine:
    return reading("room-2/humidity", "relative_humidity", value, quality)


def warm(value: float = 294.15) -> ReadingLine:
    return reading("room-2/temperature", "air_temperature", value)


class Told:
    """Lines of a watcher, each at its time by a clock moved along."""

    def __init__(self, lines: list[tuple[float, FollowedLine]]) -> None:
        self.at = 0.0
        self._lines = lines

    def __iter__(self) -> Iterator[FollowedLine]:
        for self.at, line in self._lines:  # noqa: B020  the clock is what moves
            yield line

    def now(self) -> float:
        return self.at


def snapshot(*readings: ReadingLine) -> Snapshot:
    return Snapshot(benches=(), readings=readings, alarms=())


def approach(until_s: float, drift_k: float = 0.0) -> Told:
    """A sensor put over salt: it comes up within the hour and stays."""
    lines: list[tuple[float, FollowedLine]] = [(0.0, snapshot(humid(0.4), warm()))]
    for step in range(1, int(until_s / 30.0)):
        at = step * 30.0
        lines.append((at, humid(0.7613 - 0.36 * 2.718 ** (-at / 300.0))))
        lines.append((at, warm(294.15 + drift_k * at / 3600.0)))
    return Told(lines)


def test_it_waits_until_the_sensor_stands_still() -> None:
    """And reads the mean of what came after."""
    told = approach(7200.0)
    found = settled(told, WISH, now=told.now)

    assert found.humidity == pytest.approx(0.7613, abs=0.001)
    assert found.air_k == pytest.approx(294.15)
    assert 1500.0 < found.waited_s < 3600.0


def test_what_never_settles_is_told() -> None:
    """A vessel that warms up by two kelvin an hour."""
    told = approach(8000.0, drift_k=2.0)

    with pytest.raises(ConfigurationError, match=r"not settled after 120 min.*\+0\.2"):
        settled(told, WISH, now=told.now)


def test_a_silent_watcher_is_told() -> None:
    """Lines of other channels do not count."""
    lines: list[tuple[float, FollowedLine]] = [(0.0, snapshot(humid(0.4), warm()))]
    told = Told(lines + [(at * 5.0, Quiet(5.0)) for at in range(1, 50)])

    with pytest.raises(ConfigurationError, match="nothing heard of it"):
        settled(told, WISH, now=told.now)


def test_a_bad_reading_is_no_point() -> None:
    """Nor is a channel that is not there, or one without a temperature beside it."""
    for readings, words in (
        ((humid(None, "bad"), warm()), "no good reading"),
        ((warm(),), "wanted one of none"),
        ((humid(0.4),), "temperature beside"),
    ):
        told = Told([(0.0, snapshot(*readings))])
        with pytest.raises(ConfigurationError, match=words):
            settled(told, WISH, now=told.now)


def test_earlier_points_come_from_the_store(tmp_path: Path) -> None:
    """The newest over each salt, of this channel."""

    def point(salt: str, said: float) -> dict[str, object]:
        return {"salt": salt, "true": 0.33, "u_true": 0.001, "said": said, "u_said": 0.001}

    notes = [
        note("room-2/humidity", point("MgCl2", 0.30)),
        note("room-2/humidity", point("MgCl2", 0.35)),
        note("room-2/other", point("LiCl", 0.1)),
        note("room-2/humidity", {"salt": "NaCl"}),
    ]
    stored(tmp_path, {"room-2": room(0.1)}, notes)
    points = earlier_points(tmp_path, "room-2/humidity")

    assert [(one.salt, one.said) for one in points] == [("MgCl2", 0.35)]
    assert START_S > 0


@pytest.mark.slow
def test_over_a_real_watcher(tmp_path: Path) -> None:
    """The sensor is held at 76.3 %RH, as if over salt: a proposal, and a record with the person's reason."""
    with SimulatedSite(tmp_path) as site:
        site.control.force_humidity("room-2", 76.3)
        site.start_watcher()
        command = [
            *(
                sys.executable,
                "-m",
                "quietbench.daemon.cli",
                "salt-check",
                "room-2/humidity",
                "--salt",
                "NaCl",
            ),
            *("--role", "lead", "--why", "yearly check", "--settle", "0.05", "--json"),
            *("--socket", str(tmp_path / "watcher.sock")),
        ]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr
        detail = json.loads(done.stdout)
        site.stop_watcher()
        notes = [event for event in site.events() if event.body.get("do") == "note"]

    assert detail["difference"] == pytest.approx(0.7547 - detail["said"], abs=0.002)
    assert abs(detail["said"] - 0.763) < 0.012
    assert detail["correction"]["gain"] == 0.0
    assert [(event.subject, event.body["what"], event.body["why"]) for event in notes] == [
        ("room-2/humidity", "salt check", "yearly check")
    ]
    assert notes[0].body["detail"] == detail
