"""The contract every driver keeps, as test classes for people who write their own.

Subclass `DriverContract` in a test module of yours, say how to make a `Rig`, and run pytest::

    class TestMyDriver(DriverContract):
        def make_rig(self, folder: Path) -> MyRig:
            return MyRig(folder)

A rig stands in for the device at the process boundary: it hands out drivers and can pull the plug. For a device
that is asked over a serial line, `LineContract` adds silence, garbage, half an answer, one byte at a time and
babble, and `PtyPort` is a serial port that can be unplugged.
"""

from quietbench.drivers.testing.contract import DriverContract, LineContract, LineRig, Rig
from quietbench.drivers.testing.ports import PtyPort, Turn

__all__ = ["DriverContract", "LineContract", "LineRig", "PtyPort", "Rig", "Turn"]
