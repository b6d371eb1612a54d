"""A slave on a pseudo-terminal, asked by a raw serial port and by an independent client library."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ConnectionException, ModbusIOException

from quietbench.simulators.control import SimulatorControl

from .conftest import Simulator

pytestmark = pytest.mark.slow

READ_TWO = bytes.fromhex(
    "01 04 0000 0002 71cb"
)  # both input registers; checksum from an independent calculator
CHARACTER_S = 10 / 9600


@pytest.fixture
def control(simulator: Simulator) -> Iterator[SimulatorControl]:
    """Give the control socket; the port is whole again and its slave well afterwards."""
    with simulator.control() as control:
        control.force_humidity("room-2", 40.0)
        yield control
        control.unplug("air")  # a fresh terminal, with nothing left in it that was late
        control.replug("air")
        control.modbus("air", 1, "ok")
        control.force_humidity("room-2", None)


@pytest.fixture
def port(simulator: Simulator, control: SimulatorControl) -> Iterator[serial.Serial]:
    """Give the serial port, opened as a master opens it."""
    with serial.Serial(simulator.port, 9600, timeout=0.3, exclusive=True) as port:
        yield port


@pytest.fixture
def client(simulator: Simulator, control: SimulatorControl) -> Iterator[ModbusSerialClient]:
    """Give a client of an independent library."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    client = ModbusSerialClient(simulator.port, baudrate=9600, timeout=0.3, retries=0)
    assert client.connect()
    yield client
    client.close()  # type: ignore[no-untyped-call]


def ask(port: serial.Serial, request: bytes = READ_TWO, size: int = 9) -> bytes:
    """Send a request and read the answer."""
    port.reset_input_buffer()
    port.write(request)
    return bytes(port.read(size))


def test_a_raw_exchange_is_whole_and_paced(port: serial.Serial) -> None:
    """Two registers come back with the humidity in them, no sooner than the wire allows."""
    begun = time.monotonic()
    answer = ask(port)
    took = time.monotonic() - begun
    assert answer[:3] == bytes.fromhex("01 04 04")
    assert len(answer) == 9
    assert 390 <= int.from_bytes(answer[3:5]) <= 410
    assert took >= (8 + 3.5 + 9) * CHARACTER_S


def test_a_request_in_pieces_is_one_request(port: serial.Serial) -> None:
    """Bytes that follow each other within the silence belong together."""
    port.write(READ_TWO[:3])
    port.write(READ_TWO[3:])
    assert len(port.read(9)) == 9


def test_half_a_request_and_noise_get_silence(port: serial.Serial) -> None:
    """What is no frame is not answered, and the next frame is."""
    assert ask(port, READ_TWO[:4]) == b""
    assert ask(port, READ_TWO[:-1] + b"\x00") == b""
    assert len(ask(port)) == 9


def test_a_master_at_another_speed_is_not_understood(simulator: Simulator, control: SimulatorControl) -> None:
    """A wrong baud rate gives silence, as noise at a receiver does."""
    with serial.Serial(simulator.port, 19200, timeout=0.2) as port:
        assert ask(port) == b""


@pytest.mark.parametrize(
    ("mode", "size"),
    [("silent", 0), ("late", 0), ("garbage", 9), ("short", 4), ("fewer", 7), ("exception", 5)],
)
def test_each_mode_shows_on_the_wire(
    port: serial.Serial, control: SimulatorControl, mode: str, size: int
) -> None:
    """Each fault mode puts as many bytes on the wire as it should, and switching back cures it."""
    control.modbus("air", 1, mode, late_s=0.35)
    assert len(ask(port)) == size
    control.modbus("air", 1, "ok")
    port.read(16)  # what was late
    assert len(ask(port)) == 9


def test_a_late_answer_comes_to_the_next_question(port: serial.Serial, control: SimulatorControl) -> None:
    """After the master's time limit the whole answer arrives: what a careless master takes for the next one."""
    control.modbus("air", 1, "late", late_s=0.4)
    assert ask(port) == b""
    assert len(port.read(9)) == 9


def test_an_independent_client_reads_what_the_model_says(
    client: ModbusSerialClient, control: SimulatorControl
) -> None:
    """The transmitter is within its ±1 %RH and ±0.2 K of what really is."""
    registers = client.read_input_registers(0, count=2, device_id=1).registers
    assert registers[0] / 10 == pytest.approx(100 * control.value("room-2/relative_humidity"), abs=1.2)
    assert registers[1] / 10 + 273.15 == pytest.approx(control.value("room-2/air_temperature"), abs=0.4)


@pytest.mark.parametrize("mode", ["silent", "late", "garbage", "short", "bad_checksum"])
def test_an_independent_client_gets_nothing_it_can_use(
    client: ModbusSerialClient, control: SimulatorControl, mode: str
) -> None:
    """Where there is no whole frame in time, the client says so."""
    control.modbus("air", 1, mode)
    with pytest.raises(ModbusIOException):
        client.read_input_registers(0, count=2, device_id=1)


def test_an_independent_client_sees_an_exception_and_a_short_map(
    client: ModbusSerialClient, control: SimulatorControl
) -> None:
    """Exception 4 is reported as such; one register less than asked for looks well to a client that trusts."""
    control.modbus("air", 1, "exception")
    assert client.read_input_registers(0, count=2, device_id=1).exception_code == 4
    control.modbus("air", 1, "fewer")
    assert len(client.read_input_registers(0, count=2, device_id=1).registers) == 1
    control.modbus("air", 1, "ok")
    assert client.read_input_registers(0, count=3, device_id=1).exception_code == 2
    assert client.read_holding_registers(0, count=1, device_id=1).exception_code == 2


def test_unplugging_hangs_the_line_up_and_replugging_gives_a_new_one(
    simulator: Simulator, control: SimulatorControl, port: serial.Serial
) -> None:
    """The name goes, the open port fails; under the same name there is another terminal afterwards."""
    old = Path(simulator.port).readlink()
    control.unplug("air")
    assert not Path(simulator.port).is_symlink()
    with pytest.raises(OSError):
        port.write(READ_TWO)
    control.replug("air")
    assert Path(simulator.port).readlink() != old
    with serial.Serial(simulator.port, 9600, timeout=0.3) as again:
        assert len(ask(again)) == 9


def test_an_independent_client_finds_the_port_again(
    client: ModbusSerialClient, control: SimulatorControl
) -> None:
    """Unplugged it raises, replugged it reconnects by itself."""
    control.modbus("air", 1, "unplugged")
    with pytest.raises((ConnectionException, ModbusIOException)):
        client.read_input_registers(0, count=2, device_id=1)
    control.replug("air")
    assert len(client.read_input_registers(0, count=2, device_id=1).registers) == 2
