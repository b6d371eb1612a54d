"""The exchange on a serial line that several devices share: one question, one answer, and the silences between.

RTU answers carry no number of their question. So after a failed exchange the line is left alone for as long as was
waited, whatever comes then is thrown away, and only then is anybody asked again: an answer up to twice as late as
allowed is never taken for another's. (A device slower still can't be told from a prompt one by this protocol: its
``deadline_s`` must be raised.) What came too late is remembered, so that a slow device is called late, not silent.

Deadlines are CLOCK_MONOTONIC: a step of the wall clock holds nobody.
"""

from __future__ import annotations

import time

from quietbench.drivers.errors import AnswerError, DriverError, WireError
from quietbench.drivers.modbus.frames import (
    SHORTEST_ANSWER,
    Request,
    find_answer,
    request_frame,
    without_echo,
)
from quietbench.drivers.samples import Reason
from quietbench.drivers.serial_port import SerialBusSettings, SerialPort

__all__ = ["ModbusLine"]

_LONGEST_HEARD = 1024
"""Bytes; the longest frame has 256, so this much without an answer is babble."""


class ModbusLine:
    """A port on which Modbus RTU is spoken."""

    def __init__(self, settings: SerialBusSettings) -> None:
        self._port = SerialPort(settings)
        self._port.discard_input()
        self._pause_ns = pause_ns(settings)
        self._heard_ns = 0
        self._quiet_until_ns = 0
        self._owing: int | None = None  # the address whose answer may still come
        self._late: set[int] = set()

    def settle(self) -> None:
        """Wait for the end of the silence that a failed exchange left, and drop what came meanwhile.

        Raises:
            WireError: the port has gone.
        """
        strays = b""
        while time.monotonic_ns() < self._quiet_until_ns:
            strays = self._port.read_some(self._quiet_until_ns) or strays
        strays = self._port.read_some(0) or strays
        self._port.discard_input()
        if strays and self._owing is not None:
            self._late.add(self._owing)
        self._owing = None

    def ask(self, request: Request, *, deadline_ns: int, patience_ns: int) -> tuple[int, ...]:
        """Return the registers asked for.

        Args:
            request: the question.
            deadline_ns: monotonic time at which to stop waiting.
            patience_ns: how long the line is left alone if this fails.

        Raises:
            WireError: nothing came (SILENT), answers come after their deadline (LATE), the port has gone (UNPLUGGED).
            AnswerError: garbage (BAD_CHECKSUM) or an exception (REFUSED).
        """
        try:
            registers = self._exchange(request, deadline_ns)
        except DriverError as failure:
            if failure.reason is not Reason.REFUSED:
                self._quiet_until_ns = time.monotonic_ns() + patience_ns
                self._owing = request.address
            raise
        self._late.discard(request.address)
        return registers

    def close(self) -> None:
        """Let go of the port; idempotent, never raises."""
        self._port.close()

    def _exchange(self, request: Request, deadline_ns: int) -> tuple[int, ...]:
        sent = request_frame(request)
        self._pause()
        self._port.write(sent)
        heard = b""
        while (registers := find_answer(without_echo(heard, sent), request)) is None:
            chunk = self._port.read_some(deadline_ns)
            heard += chunk
            if not chunk or len(heard) > _LONGEST_HEARD:
                raise self._unanswered(request, heard, sent)
            self._heard_ns = time.monotonic_ns()
        return registers

    def _pause(self) -> None:
        # Devices find the start of a frame by the silence before it.
        rest_ns = self._heard_ns + self._pause_ns - time.monotonic_ns()
        if rest_ns > 0:
            time.sleep(rest_ns / 1e9)

    def _unanswered(self, request: Request, heard: bytes, sent: bytes) -> DriverError:
        answer = without_echo(heard, sent)
        if answer:
            shown = answer[: 4 * SHORTEST_ANSWER].hex(" ")
            return AnswerError(f"{request}: {len(answer)} bytes came and no whole answer among them: {shown}")
        if request.address in self._late:
            return WireError(
                f"{request}: answers come after the deadline: raise deadline_s", reason=Reason.LATE
            )
        return WireError(f"{request}: no answer{self._echo_hint(heard)}", reason=Reason.SILENT)

    def _echo_hint(self, heard: bytes) -> str:
        if heard and not self._port.settings.echo:
            return ", only our own bytes came back: set echo = true if the adapter does that"
        if not heard and self._port.settings.echo:
            return ", and our own bytes did not come back though echo = true: check the adapter"
        return "; check address, wiring and power of the device"


def pause_ns(settings: SerialBusSettings) -> int:
    """Return the silence between frames: 3.5 characters, 1.75 ms above 19200 baud.

    Modbus over Serial Line V1.02, 2.5.1.1.
    """
    if settings.baud_rate > 19200:
        return 1_750_000
    return round(3.5 * settings.character_bits / settings.baud_rate * 1e9)
