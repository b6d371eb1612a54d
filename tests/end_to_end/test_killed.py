"""kill -9, hang, and the relay: what holds when the watcher does not."""

from __future__ import annotations

import getpass
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.brokers import wait_until
from tests.support.site import (
    BUZZER_1,
    CLOSED,
    OPEN,
    RELAY_1,
    STRAP_1,
    SimulatedSite,
    monotonic_ns,
)

pytestmark = pytest.mark.slow
PLUGIN = Path(__file__).parent.parent / "support" / "plugin"

WITH_A_DRIVER_THAT_MISBEHAVES = """
[devices.odd]
driver = "misbehaving"
trigger = "{trigger}"
every_s = 0.1
deadline_s = 0.2

[benches.bench-1.channels.second]
quantity = "earth_bond"
source = "odd"
measures = ["common_point"]
"""


def kill(site: SimulatedSite, _trigger: Path) -> None:
    assert site.watcher is not None
    site.watcher.kill()


def freeze(site: SimulatedSite, _trigger: Path) -> None:
    assert site.watcher is not None
    os.kill(site.watcher.pid, signal.SIGSTOP)


def block_the_core(_site: SimulatedSite, trigger: Path) -> None:
    trigger.write_text("block the core")


def hang_the_bus(_site: SimulatedSite, trigger: Path) -> None:
    trigger.write_text("hang")


def end_the_bus(_site: SimulatedSite, trigger: Path) -> None:
    trigger.write_text("exit")


@pytest.mark.parametrize("harm", [kill, freeze, block_the_core, hang_the_bus, end_the_bus])
def test_the_relay_drops_within_a_second_and_a_half(
    folder: Path, harm: Callable[[SimulatedSite, Path], None]
) -> None:
    """No thread pulses by itself: whatever stops, the stage behind the line drops."""
    trigger = folder / "trigger"
    more = WITH_A_DRIVER_THAT_MISBEHAVES.format(trigger=trigger)
    environment = {"PYTHONPATH": str(PLUGIN)}
    with SimulatedSite(folder, more=more, environment=environment) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        site.wait_relay(energised=True)
        began_ns = monotonic_ns()

        harm(site, trigger)

        site.wait_relay(energised=False, within_s=4.0)
        dropped_ns = site.control.outputs().relays[RELAY_1].changed_ns
        assert (dropped_ns - began_ns) / 1e9 <= 1.5


def test_the_relay_stays_up_while_all_is_well(folder: Path) -> None:
    """Not one drop in five seconds, with poll batches, commits and a follower going on."""
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        site.wait_relay(energised=True)
        since_ns = site.control.outputs().relays[RELAY_1].changed_ns
        time.sleep(5.0)

        assert site.control.outputs().relays[RELAY_1].changed_ns == since_ns


def test_a_killed_watcher_leaves_every_committed_record_and_starts_again(folder: Path) -> None:
    """The buzzer line falls back, the run is told from the next, numbers go on, alarms are remembered."""
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        site.control.line(STRAP_1, OPEN)
        site.wait_alarm("bench-1/strap:closed", "unacknowledged")
        site.wait_output(BUZZER_1, 1)
        wait_until(lambda: any(e.subject == "bench-1/strap:closed" for e in site.events()), "on disk")
        before_events, before_readings = site.events(), site.readings()

        site.stop_watcher(signal.SIGKILL)

        site.wait_output(BUZZER_1, 0)
        site.start_watcher()
        assert site.events()[: len(before_events)] == before_events
        assert site.readings()[: len(before_readings)] == before_readings
        assert site.ask("status")["run"] == 2
        site.wait_alarm("bench-1/strap:closed", "unacknowledged")
        site.wait_output(BUZZER_1, 1)

        site.control.line(STRAP_1, CLOSED)
        site.wait_alarm("bench-1/strap:closed", "returned unacknowledged")
        numbers = [e.n for e in site.events()] + [r.n for r in site.readings()]
        assert sorted(numbers) == list(range(1, max(numbers) + 1))


def test_a_clean_stop_takes_less_than_five_seconds_and_leaves_everything_on_disk(folder: Path) -> None:
    """Outputs off, socket gone, the run's end recorded."""
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        site.control.line(STRAP_1, OPEN)
        site.wait_output(BUZZER_1, 1)
        began = time.monotonic()

        assert site.stop_watcher() == 0

        assert time.monotonic() - began < 5.0
        site.wait_output(BUZZER_1, 0)
        assert not (folder / "watcher.sock").exists()
        assert site.events()[-1].body == {"ended": True}


def test_a_shelf_and_its_end_survive_a_kill(folder: Path) -> None:
    """Shelved for eight seconds, killed after one: back at its own time, not eight seconds after the restart."""
    me = {"person": getpass.getuser(), "role": "lead", "why": "waiting for a cord"}
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        site.control.line(STRAP_1, OPEN)
        site.wait_alarm("bench-1/strap:closed", "unacknowledged")
        site.ask("shelve", alarm="bench-1/strap:closed", for_s=8.0, **me)
        shelved_ns = monotonic_ns()
        site.wait_output(BUZZER_1, 0)
        wait_until(lambda: site.events()[-1].body.get("to") in ("shelved", "open"), "the shelf on disk")

        site.stop_watcher(signal.SIGKILL)
        site.start_watcher()

        site.wait_alarm("bench-1/strap:closed", "shelved")
        assert site.bench("bench-1")["state"] == "open", "a shelf never touches the state"
        site.wait_alarm("bench-1/strap:closed", "unacknowledged", within_s=12.0)
        back = [e for e in site.events() if e.subject == "bench-1/strap:closed" and e.kind.value == "alarm"][
            -1
        ]
        assert abs((back.monotonic_ns - shelved_ns) / 1e9 - 8.0) < 0.5
        site.wait_output(BUZZER_1, 1)
