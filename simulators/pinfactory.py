"""A pin factory of the GPIO library whose pins hang on a simulated board in another process.

It stands where the factory of a real chip would stand: registered in the library's entry-point group, made with
an address, and from there on the library's own code does the work. Pi tables, pulls, reservations and software
SPI are the library's (its mock factory); levels, edges and voltages come from the board.

What is like a real chip: handlers run on one dispatch thread, one after the other, and get the edge's own time;
reports beyond what the dispatch queue holds are lost while levels stay true; an exception in a handler is logged
and the next one is called all the same; outputs fall back when the process that set them dies. What is not:
``bounce_time`` is kept and ignored, there is no PWM, and the SPI clock runs as fast as the interpreter does.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import threading
import time
from functools import partial
from typing import Any

from gpiozero import Device
from gpiozero.mixins import SharedMixin
from gpiozero.pins.mock import MockFactory, MockPin
from gpiozero.pins.spi import SPISoftware

from quietbench.drivers.errors import SetupError, WireError
from quietbench.simulators.link import ConverterLink, Hearers, Link
from quietbench.simulators.mcp3208 import Converter, chip_kind
from quietbench.simulators.wire import Chip, Greeting

_log = logging.getLogger(__name__)

_QUEUED_REPORTS = 4096
"""As many as the 64 KiB pipe of the real backend holds, at 16 bytes each."""


class SimulatedPin(MockPin):  # type: ignore[misc]  # the library ships no types
    """A line of the simulated board.

    ``level`` is what stands on it now, mirrored here; reading it costs no more than an attribute.
    """

    def __init__(self, factory: SimulatedPinFactory, info: Any) -> None:
        self._driven: int | None = None
        super().__init__(factory, info)

    @property
    def line(self) -> int:
        """Get the BCM number."""
        return int(self._number)

    @property
    def level(self) -> bool:
        """Get the mirrored level, whether or not the board is there."""
        return bool(self._state)

    def put(self, level: bool) -> None:
        """Let something inside the factory, a chip, drive this input."""
        self._state = level

    def follow(self, level: int | None) -> None:
        """Take a level from the board without an edge: it stood so before anybody looked."""
        self._driven = level
        if self._function == "input":
            self._state = self._at_rest()

    def drive(self, level: int | None, ns: int) -> None:
        """Take an edge from the board: the line stands at ``level`` since CLOCK_MONOTONIC ``ns``."""
        self._driven = level
        if self._function == "input":
            self._move(self._at_rest(), ns)

    def clear_states(self) -> None:
        """Do nothing: the mock's list of all past levels would grow for as long as a watcher runs."""

    def _at_rest(self) -> bool:
        if self._driven is not None:
            return bool(self._driven)
        return bool(self._state) if self._pull == "floating" else bool(self._pull == "up")

    def _move(self, level: bool, ns: int) -> None:
        if level == self._state:
            return
        self._state = level
        if self._when_changed is not None and self._edges in ("both", "rising" if level else "falling"):
            self._factory.report(self, ns, int(level))

    def _get_state(self) -> bool:
        if self._factory.link.lost is not None:
            raise WireError(self._factory.link.lost)
        return bool(self._state)

    def _change_state(self, value: bool) -> bool:
        if value == self._state:
            return False
        self._state = value
        self._factory.tell(self, value)
        return True

    def _set_function(self, value: str) -> None:
        was = self._function
        if value == "output":
            # The kernel claims an output at level 0 before anything else is asked of it.
            self._state = False
        super()._set_function(value)
        if value == "output" or was == "output":
            self._factory.tell(self, self._state)

    def _set_pull(self, value: str) -> None:
        super()._set_pull(value)
        self._move(self._at_rest(), time.monotonic_ns())

    def drive_high(self) -> None:
        """Do nothing: the library would pull the line up here, but it follows the board first."""

    def drive_low(self) -> None:
        """Do nothing: see `drive_high`."""

    def _call_when_changed(self, ticks: float | None = None, state: int | None = None) -> None:
        # Neither the mock's own, which knows no time of the edge, nor its parent's, which stumbles over a handler
        # that was taken away while the edge waited.
        handler = self._get_when_changed()
        if handler is not None:
            handler(ticks, state)


class _InsidePin(SimulatedPin):
    """A line that ends at a chip inside the factory: the board hears nothing of it."""

    def _change_state(self, value: bool) -> bool:
        changed = value != self._state
        self._state = value
        return changed

    def _set_function(self, value: str) -> None:
        MockPin._set_function(self, value)  # noqa: SLF001  # past our parent, which would tell the board

    def _get_state(self) -> bool:
        return bool(self._state)


class _ClockPin(_InsidePin):
    def __init__(self, factory: SimulatedPinFactory, info: Any) -> None:
        self.spi_devices: list[Converter] = []
        super().__init__(factory, info)

    def _set_state(self, value: bool) -> None:
        self._state = bool(value)
        for device in self.spi_devices:
            device.on_clock()


class _SelectPin(_InsidePin):
    def __init__(self, factory: SimulatedPinFactory, info: Any) -> None:
        self.spi_device: Converter | None = None
        super().__init__(factory, info)

    def _set_state(self, value: bool) -> None:
        self._state = bool(value)
        if self.spi_device is not None:
            self.spi_device.on_select()


class _SpiShared(SharedMixin, SPISoftware):  # type: ignore[misc]  # the library ships no types
    @classmethod
    def _shared_key(cls, *, clock_pin: int, select_pin: int, pin_factory: Any, **_: Any) -> tuple[int, ...]:
        # The library's key leaves the factory out, so a second factory would be handed the first one's pins.
        return (clock_pin, select_pin, id(pin_factory))


class SimulatedPinFactory(MockFactory):  # type: ignore[misc]  # the library ships no types
    """Pins of the simulated board that listens at the Unix socket ``address``.

    While the board is away, reading a pin, setting an output and converting raise `WireError`; what was set is
    told to the board when it is back. The one thing shared by all factories is the library's own
    ``Device.pin_factory``: the shared SPI bus asks that one, so this factory takes the place if it is empty.

    Raises:
        WireError: nobody listens at ``address``.
    """

    def __init__(self, address: str) -> None:
        self.link = Link(str(address))
        self._by_line: dict[int, SimulatedPin] = {}
        self._levels = dict(self.link.greeting.levels)
        self._converters = ConverterLink(str(address))
        self._reports: queue.SimpleQueue[tuple[SimulatedPin, int, int] | None] = queue.SimpleQueue()
        self.lost_reports = 0
        super().__init__(revision=self.link.greeting.revision, pin_class=SimulatedPin)
        self.chips = self._place_all()
        self._dispatcher = threading.Thread(target=self._dispatch, name="simulated-board-edges", daemon=True)
        self._dispatcher.start()
        self.link.start(Hearers(self._edge, self._take_levels, self._tell_outputs))

    def close(self) -> None:
        """Let every line go, end the threads and leave the board; idempotent."""
        super().close()
        self.link.close()
        self._converters.close()
        self._reports.put(None)
        if threading.current_thread() is not self._dispatcher:
            self._dispatcher.join(timeout=2.0)
        if Device.pin_factory is self:
            Device.pin_factory = None

    def pin(self, name: Any, pin_class: type[Any] | None = None, **kwargs: Any) -> Any:
        """Return the pin called ``name``, standing where the board drives it."""
        pin = super().pin(name, pin_class=pin_class, **kwargs)
        if pin.line not in self._by_line:
            self._by_line[pin.line] = pin
            pin.follow(self._levels.get(pin.line))
        return pin

    def reset(self) -> None:
        """Forget all pins and reservations, between tests."""
        self._by_line.clear()
        super().reset()

    def spi(self, **spi_args: Any) -> Any:
        """Return the library's software SPI on the lines asked for.

        There is nothing to fall back from: what fails here fails loudly, where the library would warn and try
        again.
        """
        spi_args, rest = self._extract_spi_args(**spi_args)
        if Device.pin_factory is None:
            Device.pin_factory = self
        return self._get_spi_class(bool(rest.pop("shared", False)), hardware=False)(
            pin_factory=self, **spi_args
        )

    def report(self, pin: SimulatedPin, ns: int, level: int) -> None:
        """Queue an edge for the dispatch thread; beyond 4,096 waiting ones it is lost and counted."""
        if self._reports.qsize() < _QUEUED_REPORTS:
            self._reports.put((pin, ns, level))
            return
        self.lost_reports += 1
        if self.lost_reports == 1:
            _log.warning("edge reports are lost: more than %d wait for their handler", _QUEUED_REPORTS)

    def tell(self, pin: SimulatedPin, level: bool) -> None:
        """Tell the board what an output stands at now; never waits.

        Raises:
            WireError: the board is away.
        """
        message = f'[{pin.line},"{pin.function}",{int(level)},{time.monotonic_ns()}]\n'.encode()
        if pin.function == "output":
            self.link.send(message)
            return
        with contextlib.suppress(
            WireError
        ):  # a line that is let go while the board is away is free there too
            self.link.send(message)

    def _get_spi_class(self, shared: bool, hardware: bool) -> type[Any]:  # noqa: ARG002  # the library's signature
        return _SpiShared if shared else SPISoftware

    def _place_all(self) -> tuple[Converter, ...]:
        try:
            return tuple(self._place(chip) for chip in self.link.greeting.chips)
        except SetupError:
            self.link.close()
            raise

    def _place(self, chip: Chip) -> Converter:
        kind = chip_kind(chip.kind)
        self.pin(chip.clock, pin_class=_ClockPin)
        self.pin(chip.select, pin_class=_SelectPin)
        self.pin(chip.mosi, pin_class=_InsidePin)
        self.pin(chip.miso, pin_class=_InsidePin)
        return Converter(
            kind,
            (chip.clock, chip.mosi, chip.miso, chip.select),
            reference_v=chip.reference_v,
            sample=partial(self._sample, chip.select),
            pin_factory=self,
        )

    def _sample(self, select: int, inputs: tuple[int, ...]) -> list[float]:
        if self.link.lost is not None:
            raise WireError(self.link.lost)
        return self._converters.volts(select, inputs)

    def _edge(self, line: int, level: int | None, ns: int) -> None:
        if level is None:
            self._levels.pop(line, None)
        else:
            self._levels[line] = level
        pin = self._by_line.get(line)
        if pin is not None:
            pin.drive(level, ns)

    def _take_levels(self, greeting: Greeting) -> None:
        self._levels = dict(greeting.levels)
        for line, pin in list(self._by_line.items()):
            pin.follow(self._levels.get(line))

    def _tell_outputs(self) -> None:
        for pin in list(self._by_line.values()):
            if pin.function == "output" and not isinstance(pin, _InsidePin):
                self.tell(pin, pin.level)

    def _dispatch(self) -> None:
        while (report := self._reports.get()) is not None:
            pin, ns, level = report
            try:
                pin._call_when_changed(ns / 1e9, level)  # noqa: SLF001  # the library's own hook for a backend
            except Exception:  # noqa: BLE001  # one handler's mistake must not deafen all the others
                _log.exception("the handler of line %d failed on an edge", pin.line)
