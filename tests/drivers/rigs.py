"""Stand-ins for devices at the process boundary, for the tests of drivers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from gpiozero.exc import GPIOZeroError
from gpiozero.pins.mock import MockFactory, MockPin, MockSPIDevice, MockSPIInterfaceShared

from quietbench.drivers.adc import AdcDriver, AdcOptions
from quietbench.drivers.buses import GpioBusSettings, GpioChip, PinBus, SpiBusSettings, open_bus
from quietbench.drivers.contact import ContactDriver, ContactOptions
from quietbench.drivers.modbus import ModbusDriver, ModbusOptions
from quietbench.drivers.modbus.frames import check_sum
from quietbench.drivers.serial_port import SerialBusSettings
from quietbench.drivers.testing import PtyPort, Turn
from quietbench.drivers.testing.contract import Behaviour


class PluggablePin(MockPin):  # type: ignore[misc]  # the library ships no types
    """A pin whose chip can be gone."""

    def _get_state(self) -> bool:
        self.factory.check()
        return bool(super()._get_state())


class PluggableSpi(MockSPIInterfaceShared):  # type: ignore[misc]
    """A software SPI whose port can be gone; its key tells factories apart, which the library's does not."""

    @classmethod
    def _shared_key(
        cls, clock_pin: Any, mosi_pin: Any, miso_pin: Any, select_pin: Any, pin_factory: Any
    ) -> Any:
        return (clock_pin, select_pin, id(pin_factory))

    def transfer(self, data: Any) -> Any:
        self.pin_factory.check()
        return super().transfer(data)


class PluggableFactory(MockFactory):  # type: ignore[misc]
    """The library's mock, with a plug."""

    def __init__(self) -> None:
        super().__init__(pin_class=PluggablePin)
        self.there = True
        self.transfers = 0

    def check(self) -> None:
        if not self.there:
            raise OSError(19, "No such device")

    def pin(self, name: Any, pin_class: Any = None, **kwargs: Any) -> Any:
        self.check()
        return super().pin(name, pin_class=pin_class, **kwargs)

    def spi(self, **spi_args: Any) -> Any:
        self.check()
        return super().spi(**spi_args)

    def _get_spi_class(self, shared: bool, hardware: bool) -> Any:
        return PluggableSpi


class Mcp3xxx(MockSPIDevice):  # type: ignore[misc]
    """The converter as the data sheet draws it: start bit, single-ended, three channel bits, null bit, result.

    ``conversions`` lists the inputs in the order of conversion; ``first_after_change`` is added to the first
    conversion after the multiplexer has moved, as charge left from the other input would be.
    """

    def __init__(self, factory: Any, counts: Mapping[int, int | list[int]], bits: int = 12) -> None:
        super().__init__(11, 10, 9, 8, pin_factory=factory)
        self.counts = dict(counts)
        self.bits = bits
        self.conversions: list[int] = []
        self.requests: list[int] = []
        self.first_after_change = 0

    def on_start(self) -> None:
        super().on_start()
        self.command: list[int] = []

    def on_bit(self) -> None:
        bit = self.rx_buf[-1]
        if len(self.command) == 5 or not (self.command or bit):
            return
        self.command.append(int(bit))
        if len(self.command) == 5:
            self.tx_buf = [0, 0]  # the sample time, then the null bit
            self.tx_word(self._convert(), self.bits)

    def _convert(self) -> int:
        _, single, *channel = self.command
        assert single == 1
        number = channel[0] * 4 + channel[1] * 2 + channel[2]
        moved = bool(self.conversions) and self.conversions[-1] != number
        self.conversions.append(number)
        held = self.counts[number]
        count = held if isinstance(held, int) else held.pop(0)
        return count + (self.first_after_change if moved else 0)


class PinRig:
    """A board with a plug: its factory, and a bus on it."""

    def __init__(self, settings: GpioBusSettings | SpiBusSettings) -> None:
        MockFactory().reset()
        self.factory = PluggableFactory()
        bus = open_bus("board", settings, GpioChip.around(self.factory))
        assert isinstance(bus, PinBus)
        self.bus = bus

    def unplug(self) -> None:
        self.factory.there = False

    def replug(self) -> None:
        self.factory.there = True

    def close(self) -> None:
        self.factory.there = True
        self.bus.close()
        self.bus.chip.close()
        self.factory.reset()


class ContactRig(PinRig):
    """A contact to ground on line 22 with a pull-up."""

    def __init__(self) -> None:
        super().__init__(GpioBusSettings(kind="gpio"))

    def driver(self, **changes: Any) -> ContactDriver:
        keys = {"line": 22, "closed": "low", "pull": "up", **changes}
        return ContactDriver(ContactOptions.model_validate(keys), self.bus)

    @property
    def pin(self) -> Any:
        return self.factory.pin(22)


class AdcRig(PinRig):
    """A converter on chip select 0."""

    def __init__(self, counts: Mapping[int, int | list[int]], chip: str = "MCP3208") -> None:
        super().__init__(SpiBusSettings(kind="spi"))
        self.chip = chip
        self.device = Mcp3xxx(self.factory, counts, bits=12 if chip.startswith("MCP32") else 10)

    def driver(self, number: int = 0, **changes: Any) -> AdcDriver:
        keys = {"chip": self.chip, "input": number, **changes}
        return AdcDriver(AdcOptions.model_validate(keys), self.bus)

    def close(self) -> None:
        super().close()
        self.device.close()


class BusyError(GPIOZeroError):  # type: ignore[misc]
    """What a backend says when another program holds a line."""


class ModbusDevice:
    """A Modbus RTU slave in twenty lines: register N holds ``values`` of N, else 1000 + N."""

    def __init__(self, address: int = 1, deadline_s: float = 0.1) -> None:
        self.address = address
        self.deadline_s = deadline_s
        self.values: dict[int, int] = {}
        self.behaviour: Behaviour | str = "well"
        self.requests: list[tuple[int, int, int]] = []
        self._received = b""

    def answer(self, data: bytes) -> Iterable[Turn]:
        self._received += data
        while len(self._received) >= 8:
            frame, self._received = self._received[:8], self._received[8:]
            assert check_sum(frame[:6]) == frame[6:]
            yield from self._act(frame)

    def _act(self, frame: bytes) -> Iterable[Turn]:
        function, first, count = (
            frame[1],
            int.from_bytes(frame[2:4], "big"),
            int.from_bytes(frame[4:6], "big"),
        )
        self.requests.append((function, first, count))
        if frame[0] != self.address:
            return []
        registers = [self.values.get(number, 1000 + number) for number in range(first, first + count)]
        whole = self._frame(bytes([function, 2 * count]) + b"".join(n.to_bytes(2, "big") for n in registers))
        return getattr(self, f"_{self.behaviour}")(whole, frame)  # type: ignore[no-any-return]

    def _frame(self, pdu: bytes) -> bytes:
        body = bytes([self.address]) + pdu
        return body + check_sum(body)

    def _well(self, whole: bytes, _frame: bytes) -> list[Turn]:
        return [Turn(0, whole)]

    def _silent(self, _whole: bytes, _frame: bytes) -> list[Turn]:
        return []

    def _garbage(self, whole: bytes, _frame: bytes) -> list[Turn]:
        return [Turn(0, bytes(byte ^ 0x55 for byte in whole))]

    def _half(self, whole: bytes, _frame: bytes) -> list[Turn]:
        return [Turn(0, whole[: len(whole) // 2])]

    def _trickle(self, whole: bytes, _frame: bytes) -> list[Turn]:
        return [Turn(0.002 * place, whole[place : place + 1]) for place in range(len(whole))]

    def _babble(self, _whole: bytes, _frame: bytes) -> list[Turn]:
        return [Turn(0.001 * place, b"\x01\x04\x04" * 40) for place in range(40)]

    def _late(self, whole: bytes, _frame: bytes) -> list[Turn]:
        return [Turn(1.5 * self.deadline_s, whole)]

    def _refused(self, _whole: bytes, frame: bytes) -> list[Turn]:
        return [Turn(0, self._frame(bytes([frame[1] | 0x80, 2])))]

    def _short(self, whole: bytes, _frame: bytes) -> list[Turn]:
        return [Turn(0, self._frame(bytes([whole[1], 2]) + whole[3:5]))]

    def _noise_first(self, whole: bytes, _frame: bytes) -> list[Turn]:
        return [Turn(0, b"\x00\xff"), Turn(0.002, whole)]

    def _echo(self, whole: bytes, frame: bytes) -> list[Turn]:
        return [Turn(0, frame), Turn(0.002, whole)]

    def _echo_alone(self, _whole: bytes, frame: bytes) -> list[Turn]:
        return [Turn(0, frame)]


CLIMATE = {
    "relative_humidity": {"table": "input", "register": 0, "type": "uint16"},
    "air_temperature": {"table": "input", "register": 1, "type": "int16"},
}


class ModbusRig:
    """A slave behind a pseudo-terminal."""

    def __init__(self, folder: Path, deadline_s: float = 0.1, **bus_keys: Any) -> None:
        self.deadline_s = deadline_s
        self.device = ModbusDevice(deadline_s=deadline_s)
        self.port = PtyPort(folder / "air", self.device.answer)
        settings = SerialBusSettings.model_validate({"kind": "serial", "port": self.port.link, **bus_keys})
        self.bus = open_bus("air", settings)

    def driver(self, points: Mapping[str, Any] = CLIMATE, **changes: Any) -> ModbusDriver:
        keys = {"address": 1, "points": points, "deadline_s": self.deadline_s, **changes}
        return ModbusDriver(ModbusOptions.model_validate(keys), self.bus)

    def behave(self, behaviour: str) -> None:
        self.device.behaviour = behaviour

    def unplug(self) -> None:
        self.port.unplug()

    def replug(self) -> None:
        self.port.plug()

    def close(self) -> None:
        self.bus.close()
        self.port.close()
