"""The serial port's traps."""

from __future__ import annotations

import os
import resource
import termios
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from quietbench.drivers.errors import WireError
from quietbench.drivers.samples import Reason
from quietbench.drivers.serial_port import SerialBusSettings, SerialPort
from quietbench.drivers.testing import PtyPort, Turn


def settings(path: Path, **keys: Any) -> SerialBusSettings:
    return SerialBusSettings.model_validate({"kind": "serial", "port": path, **keys})


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def soon(seconds: float = 1.0) -> int:
    return time.monotonic_ns() + round(seconds * 1e9)


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[PtyPort]:
    made = PtyPort(tmp_path / "port", lambda data: [Turn(0, data[::-1])])
    yield made
    made.close()


@pytest.fixture
def port(pty: PtyPort) -> Iterator[SerialPort]:
    made = SerialPort(settings(pty.link))
    yield made
    made.close()


def test_bytes_go_out_and_come_back(port: SerialPort) -> None:
    """Any bytes, the terminal's control characters too."""
    port.write(b"\x03\x04\x11\x13\r\n\x00\xff")
    assert port.read_some(soon()) == b"\xff\x00\n\r\x13\x11\x04\x03"


def test_waiting_ends_at_the_deadline(port: SerialPort) -> None:
    """Nothing comes: empty, and not before the deadline."""
    begun = time.monotonic()
    assert port.read_some(soon(0.03)) == b""
    assert 0.03 <= time.monotonic() - begun < 0.5


def test_a_deadline_in_the_past_never_waits(port: SerialPort) -> None:
    """As used to drain what is there."""
    assert port.read_some(0) == b""


def test_a_second_opener_is_refused(pty: PtyPort, port: SerialPort) -> None:
    """The port is held exclusively."""
    with pytest.raises(WireError, match="another program holds it"):
        SerialPort(settings(pty.link))


def test_a_closed_port_can_be_opened_again(pty: PtyPort, port: SerialPort) -> None:
    """Close lets go of the lock; twice does no harm."""
    port.close()
    port.close()
    SerialPort(settings(pty.link)).close()


def test_a_missing_port_says_so(tmp_path: Path) -> None:
    """Which path, and what to do."""
    with pytest.raises(WireError, match=r"nowhere can't be opened: it is not there") as caught:
        SerialPort(settings(tmp_path / "nowhere"))
    assert caught.value.reason is Reason.UNPLUGGED


def test_what_is_no_port_is_refused(tmp_path: Path) -> None:
    """A plain file is no terminal."""
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(WireError, match="file can't be opened"):
        SerialPort(settings(tmp_path / "file"))


@pytest.mark.parametrize("operation", ["read", "write", "flush"])
def test_each_way_of_meeting_an_unplugged_adapter_is_a_wire_error(
    pty: PtyPort, port: SerialPort, operation: str
) -> None:
    """The library raises SerialException, OSError and termios.error here, by turns."""
    actions = {
        "read": lambda: port.read_some(soon()),
        "write": lambda: port.write(b"x"),
        "flush": port.discard_input,
    }
    pty.unplug()
    with pytest.raises(WireError) as caught:
        actions[operation]()
    assert caught.value.reason is Reason.UNPLUGGED
    port.close()


@pytest.mark.parametrize(
    "failure",
    [
        OSError(5, "Input/output error"),
        termios.error(5, "Input/output error"),
        TypeError("closed"),
        ValueError("fd"),
    ],
)
def test_every_odd_error_becomes_a_wire_error(
    port: SerialPort, monkeypatch: pytest.MonkeyPatch, failure: Exception
) -> None:
    """Whatever type the library chooses."""

    def fail(*_: object) -> None:
        raise failure

    monkeypatch.setattr(port._port, "reset_input_buffer", fail)
    with pytest.raises(WireError, match="can't be flushed"):
        port.discard_input()


def test_a_port_closed_under_a_reader_is_a_wire_error(port: SerialPort) -> None:
    """TypeError in the library: its descriptor is None."""
    port.close()
    with pytest.raises(WireError):
        port.read_some(soon())
    with pytest.raises(WireError):
        port.write(b"x")


def test_modem_lines_are_low_when_the_port_is_opened(pty: PtyPort, monkeypatch: pytest.MonkeyPatch) -> None:
    """Boards that take DTR for a reset are left alone."""
    told: list[tuple[str, bool]] = []
    monkeypatch.setattr(
        serial.Serial, "_update_dtr_state", lambda self: told.append(("dtr", self._dtr_state))
    )
    monkeypatch.setattr(
        serial.Serial, "_update_rts_state", lambda self: told.append(("rts", self._rts_state))
    )
    SerialPort(settings(pty.link)).close()
    assert told == [("dtr", False), ("rts", False)]


def test_no_wait_is_for_ever(port: SerialPort) -> None:
    """The library's timeouts default to None."""
    assert port._port.timeout == 0
    assert port._port.write_timeout == 1.0
    assert port._port.exclusive is True


def test_a_high_descriptor_is_an_error_of_the_wire_and_no_crash(pty: PtyPort) -> None:
    """select() takes descriptors below 1024 only."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < 1200:
        pytest.skip("the machine allows no descriptor above 1023")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, 1200), hard))
    held = [os.open("/dev/null", os.O_RDONLY)]
    try:
        while held[-1] < 1024:
            held.append(os.dup(held[0]))
        high = SerialPort(settings(pty.link))
        with pytest.raises(WireError):
            high.write(b"x")
        high.close()
    finally:
        for descriptor in held:
            os.close(descriptor)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_no_descriptor_is_left_behind(pty: PtyPort) -> None:
    """Opening again and again for as long as an adapter is missing costs nothing."""
    before = open_descriptors()
    for _ in range(5):
        SerialPort(settings(pty.link)).close()
    pty.unplug()
    for _ in range(5):
        with pytest.raises(WireError):
            SerialPort(settings(pty.link))
    pty.plug()
    assert open_descriptors() == before


def test_the_bits_of_a_character(tmp_path: Path) -> None:
    """Ten for 8N1, eleven with parity or a second stop bit."""
    assert settings(tmp_path).character_bits == 10
    assert settings(tmp_path, parity="even").character_bits == 11
    assert settings(tmp_path, stop_bits=2).character_bits == 11
