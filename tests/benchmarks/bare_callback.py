"""The least that can follow an edge: the GPIO library's callback sets the buzzer's line. Nothing else runs here.

``python -m tests.benchmarks.bare_callback BOARD_SOCKET`` writes ``ready`` and stays until its input ends.
"""

from __future__ import annotations

import sys

import gpiozero

from quietbench.simulators.pinfactory import SimulatedPinFactory
from tests.benchmarks import load


def main(address: str) -> None:
    """Connect the edge to the buzzer and wait."""
    factory = SimulatedPinFactory(address)
    contact = gpiozero.DigitalInputDevice(
        load.EDGE_LINE, pull_up=None, active_state=True, pin_factory=factory
    )
    buzzer = gpiozero.DigitalOutputDevice(load.BUZZER_LINE, pin_factory=factory)
    contact.when_activated = buzzer.on
    contact.when_deactivated = buzzer.off
    print("ready", flush=True)
    sys.stdin.read()
    contact.close()
    buzzer.close()
    factory.close()


if __name__ == "__main__":
    main(sys.argv[1])
