"""Every driver keeps the contract."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietbench.drivers.testing import DriverContract, LineContract
from tests.drivers.rigs import AdcRig, ContactRig, ModbusRig


class TestContact(DriverContract):
    """A contact behind the GPIO library's mock."""

    def make_rig(self, folder: Path) -> ContactRig:
        return ContactRig()


class TestAdc(DriverContract):
    """An MCP3208 behind the GPIO library's mock, clocked bit by bit."""

    def make_rig(self, folder: Path) -> AdcRig:
        return AdcRig({0: 2048})


@pytest.mark.slow
class TestModbus(LineContract):
    """A Modbus RTU device behind a pseudo-terminal."""

    def make_rig(self, folder: Path) -> ModbusRig:
        return ModbusRig(folder, deadline_s=0.1)
