"""What the simulated hardware itself costs: the load's reads of lines and converters in a bare loop, and no more.

``python -m tests.benchmarks.bare_reads BOARD_SOCKET CONVERSIONS SECONDS`` keeps the load's rhythm and prints, as
JSON, the processor time and the number of readings. ``CONVERSIONS`` is how often each converter input is converted
for one reading: six by the driver, once by the plain script. The serial line is not in it: a pseudo-terminal is
the kernel's, and what speaks on it is the watcher's own cost, or the plain script's.
"""

from __future__ import annotations

import json
import sys
import time

import gpiozero

from quietbench.simulators.pinfactory import SimulatedPinFactory
from tests.benchmarks import load


def main(address: str, conversions: int, seconds: float) -> None:
    """Read in the load's rhythm and say what it cost."""
    factory = SimulatedPinFactory(address)
    gpiozero.Device.pin_factory = factory
    lines = [factory.pin(line) for line in load.CONTACT_LINES]
    for line in lines:
        line.function = "input"
    inputs = [
        gpiozero.MCP3208(channel=number, device=select)
        for select, numbers in load.ADC_INPUTS
        for number in numbers
    ]
    for one in inputs:
        _ = one.raw_value
    began_s, rounds = time.process_time(), int(seconds * load.RATE_HZ)
    next_s = time.monotonic()
    for _ in range(rounds):
        for line in lines:
            _ = line.state
        for one in inputs:
            for _ in range(conversions):
                _ = one.raw_value
        next_s += load.EVERY_S
        time.sleep(max(0.0, next_s - time.monotonic()))
    print(json.dumps({"cpu_s": time.process_time() - began_s, "readings": rounds * load.CHANNELS}))
    factory.close()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), float(sys.argv[3]))
