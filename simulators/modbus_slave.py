"""A serial port with Modbus slaves on it: a pseudo-terminal behind a stable name, paced as a wire would be.

A pseudo-terminal hands bytes over at once, a wire does not. So a request is taken as arriving for as long as its
characters last, its end is the specified 3.5 characters of silence, and the answer goes out one character time
after another. A master that has set another speed is not understood.

Traps that shaped this: the far end must be raw or the terminal echoes; without a slave end of our own held open
the master end reports an error as soon as a client closes; a blocking read would keep the terminal alive after an
unplug, so reading waits for readiness; and the terminal's own name changes, hence the link.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import termios
import tty
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from quietbench.simulators.modbus_rtu import Mode, ReadRegister, answer, pdu_for, spoil
from quietbench.simulators.model.chance import stream

_log = logging.getLogger(__name__)

DEFAULT_LATE_S = 0.8
_SHORTEST_TICK_S = 0.0005
_OUTPUT_SPEED = 5  # place in the list of tcgetattr(3)


@dataclass(frozen=True, slots=True)
class Framing:
    """A serial line's speed and character: one start bit, eight data bits, parity or none, one or two stop bits."""

    baud_rate: int = 9600
    parity: bool = False
    stop_bits: int = 1

    @property
    def character_s(self) -> float:
        """Get how long one character lasts, in seconds."""
        return (9 + self.parity + self.stop_bits) / self.baud_rate

    @property
    def silence_s(self) -> float:
        """Get the silence that ends a frame: 3.5 characters, fixed at 1.75 ms above 19,200 baud."""
        return 0.00175 if self.baud_rate > 19200 else 3.5 * self.character_s


@dataclass(slots=True)
class Slave:
    """One device on a port; ``read`` gives its registers, ``mode`` how it behaves, ``late_s`` how late LATE is."""

    address: int
    read: ReadRegister
    mode: Mode = Mode.OK
    late_s: float = DEFAULT_LATE_S
    requests: int = 0


@dataclass(slots=True)
class SlavePort:
    """A pseudo-terminal at ``link`` with ``slaves`` on it. All methods belong to the event loop's thread."""

    name: str
    link: Path
    framing: Framing
    slaves: dict[int, Slave]
    seed: int = 0
    _master: int | None = None
    _slave: int | None = None
    _heard: bytearray = field(default_factory=bytearray)
    _heard_until_s: float = 0.0
    _timer: asyncio.TimerHandle | None = None
    _to_send: bytes = b""

    @property
    def plugged(self) -> bool:
        """Get whether the adapter is there."""
        return self._master is not None

    def plug(self) -> None:
        """Put the adapter in: a new pseudo-terminal under the old name; nothing happens if it is there."""
        if self._master is not None:
            return
        self._master, self._slave = os.openpty()
        tty.setraw(self._master)
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.link.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.link.with_name(f".{self.link.name}.new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self.link)
        asyncio.get_running_loop().add_reader(self._master, self._hear)

    def unplug(self) -> None:
        """Pull the adapter out: the name is gone and whoever has it open finds the line hung up; idempotent."""
        if self._master is None or self._slave is None:
            return
        asyncio.get_running_loop().remove_reader(self._master)
        self._forget()
        self.link.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = None

    def _forget(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None
        self._heard.clear()
        self._to_send = b""

    def _hear(self) -> None:
        assert self._master is not None
        with contextlib.suppress(BlockingIOError):
            data = os.read(self._master, 4096)
            if self._to_send or not self._understands():
                return  # a transceiver that sends or waits to send hears nothing; at another speed it hears noise
            now_s = asyncio.get_running_loop().time()
            self._heard += data
            self._heard_until_s = max(self._heard_until_s, now_s) + len(data) * self.framing.character_s
            self._at(self._heard_until_s + self.framing.silence_s, self._frame_ended)

    def _understands(self) -> bool:
        assert self._slave is not None
        speed: int = termios.tcgetattr(self._slave)[_OUTPUT_SPEED]
        return speed == getattr(termios, f"B{self.framing.baud_rate}", speed)

    def _frame_ended(self) -> None:
        whole = bytes(self._heard)
        self._heard.clear()
        request = pdu_for(whole, frozenset(self.slaves))
        if request is None:
            return
        slave = self.slaves[request[0]]
        slave.requests += 1
        chance = stream(self.seed, "garbage", self.name, slave.requests)
        self._to_send = spoil(slave.address, request[1], answer(request[1], slave.read), slave.mode, chance)
        if self._to_send:
            start_s = asyncio.get_running_loop().time() + (slave.late_s if slave.mode is Mode.LATE else 0.0)
            self._at(start_s + self.framing.character_s, lambda: self._send(start_s, 0))

    def _send(self, start_s: float, sent: int) -> None:
        assert self._master is not None
        now_s = asyncio.get_running_loop().time()
        due = min(len(self._to_send), max(sent + 1, int((now_s - start_s) / self.framing.character_s)))
        with contextlib.suppress(BlockingIOError):  # nobody reads and the buffer is full: lost, as on a wire
            os.write(self._master, self._to_send[sent:due])
        if due == len(self._to_send):
            self._to_send = b""
            return
        next_s = max(start_s + (due + 1) * self.framing.character_s, now_s + _SHORTEST_TICK_S)
        self._at(next_s, lambda: self._send(start_s, due))

    def _at(self, when_s: float, what: Callable[[], None]) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_at(when_s, what)
