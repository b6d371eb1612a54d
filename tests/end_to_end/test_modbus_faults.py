"""A humidity transmitter that misbehaves: a fault within three polls, and recovery alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.brokers import wait_until
from tests.support.site import SimulatedSite, demo_config, monotonic_ns

pytestmark = pytest.mark.slow
POLL_S = 0.5
FAULT = "room-2/humidity:fault"
CONFIG = demo_config().replace("every_s = 2.0\ndeadline_s = 0.5", f"every_s = {POLL_S}\ndeadline_s = 0.2")


@pytest.mark.parametrize(
    ("mode", "reasons"),
    [
        ("unplugged", {"unplugged"}),
        ("silent", {"silent"}),
        ("late", {"silent", "late"}),
        ("garbage", {"bad_checksum", "silent"}),
        ("short", {"bad_checksum", "silent"}),
        ("bad_checksum", {"bad_checksum"}),
        ("exception", {"refused"}),
    ],
)
def test_a_fault_alarm_within_three_polls_and_recovery_alone(
    folder: Path, mode: str, reasons: set[str]
) -> None:
    """Both benches stay held: air decides nothing there."""
    assert demo_config() != CONFIG
    with SimulatedSite(folder, config=CONFIG) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        good = len(site.readings())
        wait_until(lambda: any(r.channel == "room-2/humidity" for r in site.readings()), f"{good} readings")

        began_ns = monotonic_ns()
        if mode == "unplugged":
            site.control.unplug("air")
        else:
            site.control.modbus("air", 1, mode, late_s=0.3)

        site.wait_alarm(FAULT, "unacknowledged", within_s=6.0)
        alarm = site.stored(FAULT)
        assert (alarm.monotonic_ns - began_ns) / 1e9 <= 3 * POLL_S + 0.6, "three polls and their deadlines"
        assert alarm.body["reason"] in reasons
        assert site.bench("bench-1")["state"] == "held"
        wrong = [
            r.value for r in site.readings() if r.channel == "room-2/humidity" and r.monotonic_ns > began_ns
        ]
        assert all(v is None or 0.2 < v < 0.8 for v in wrong), "no plausible number out of noise"

        if mode == "unplugged":
            site.control.replug("air")
        else:
            site.control.modbus("air", 1, "ok")

        site.wait_alarm(FAULT, "returned unacknowledged", within_s=12.0)


def test_an_adapter_that_is_plugged_in_later_is_found(folder: Path) -> None:
    """The watcher starts without it, says so, and needs nobody when it comes."""
    with SimulatedSite(folder, config=CONFIG) as site:
        site.control.unplug("air")
        site.start_watcher()
        site.wait_alarm(FAULT, "unacknowledged")
        assert "ports/air" in site.ask("status")["devices_failing"]["climate"]

        site.control.replug("air")

        site.wait_alarm(FAULT, "returned unacknowledged", within_s=12.0)


def test_a_board_that_is_not_there_at_the_start_is_waited_for(folder: Path) -> None:
    """No lines, no converter, no port: benches unknown, every channel at fault, and all recovers alone."""
    site = SimulatedSite(folder)
    try:
        site.start_watcher()
        site.wait_alarm("bench-1/strap:fault", "unacknowledged")
        assert site.bench("bench-1")["state"] == "unknown"
        assert site.bench("bench-1")["rhythm"] == "high"

        site.start_simulators()

        site.wait_bench("bench-1", "held", within_s=20.0)
        site.wait_relay(energised=True, within_s=20.0)
    finally:
        site.__exit__()
