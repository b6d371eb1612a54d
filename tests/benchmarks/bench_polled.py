"""From a condition on a polled channel to the buzzer's line: within one poll period plus 5 ms (p99)."""

from __future__ import annotations

import os
import random
import time
from pathlib import Path

from tests.benchmarks.processes import PLUGIN
from tests.benchmarks.report import ms, quantile, table
from tests.support.site import BUZZER_1, SimulatedSite

EVERY_S = 0.1
MOST_P99_NS = round(EVERY_S * 1e9) + 5_000_000

POLLED = """
[devices.polled]
driver = "file-contact"
path = "{path}"
every_s = {every_s}

[benches.bench-1.channels.second]
quantity = "earth_bond"
source = "polled"
measures = ["common_point"]
limits.closed = {{ off_delay_s = 0 }}
"""


def test_a_polled_condition_sounds_within_a_poll_and_five_milliseconds(folder: Path, short: bool) -> None:
    """The contact changes at random moments between polls; no edge tells of it."""
    count = 60 if short else 400
    contact = folder / "contact"
    contact.write_bytes(b"1")
    more = POLLED.format(path=contact, every_s=EVERY_S)
    with SimulatedSite(folder, more=more, environment={"PYTHONPATH": str(PLUGIN)}) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        delays = _opened_and_closed(site, contact, count)

    shown = [ms(quantile(delays, part)) for part in (0.5, 0.99)]
    ratio = f"{quantile(delays, 0.99) / (EVERY_S * 1e9):.2f}"
    table(
        "condition to buzzer, polled at 10 Hz",
        ["ms", "openings", "median", "p99", "worst", "p99 / period"],
        [["polled contact", len(delays), *shown, ms(max(delays)), ratio]],
    )
    assert quantile(delays, 0.99) <= MOST_P99_NS


def _opened_and_closed(site: SimulatedSite, contact: Path, count: int) -> list[int]:
    """Open and close so often; return the time from each opening to the buzzer being set (ns)."""
    chance = random.Random("polled")
    file = os.open(contact, os.O_WRONLY)
    delays = []
    for _ in range(count):
        time.sleep(chance.uniform(0.01, 0.11))
        opened_ns = time.monotonic_ns()
        os.pwrite(file, b"0", 0)
        site.wait_output(BUZZER_1, 1)
        delays.append(site.control.outputs().outputs[BUZZER_1].changed_ns - opened_ns)
        os.pwrite(file, b"1", 0)
        site.wait_output(BUZZER_1, 0)
    os.close(file)
    return delays
