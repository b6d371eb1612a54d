"""The driver: points of one device, read in as few requests as their registers allow."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, ClassVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

from quietbench.drivers.api import Bus, Description
from quietbench.drivers.errors import SetupError, WireError
from quietbench.drivers.modbus.blocks import Block, Span, Table, plan_blocks
from quietbench.drivers.modbus.frames import Request
from quietbench.drivers.modbus.line import ModbusLine
from quietbench.drivers.modbus.registers import RegisterType, WordOrder, decode, width
from quietbench.drivers.samples import Reason, Sample

__all__ = ["ModbusDriver", "ModbusOptions", "ModbusPoint"]

_REGISTERS = 65536


class ModbusPoint(BaseModel):
    """Where one number stands in the device."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    table: Table
    # With the underscore, for a pydantic model has a method of the plain name.
    register_: int = Field(alias="register", ge=0, lt=_REGISTERS, description="As sent on the wire, from 0.")
    type: RegisterType = "uint16"
    word_order: WordOrder = Field(
        default="big", description="For two registers: which word is in the lower one."
    )

    @property
    def span(self) -> Span:
        """Get the registers this point takes."""
        return Span(self.table, self.register_, width(self.type))

    @model_validator(mode="after")
    def _ends_within_the_table(self) -> ModbusPoint:
        if self.span.end > _REGISTERS:
            raise ValueError(
                f"{self.type} at register {self.register_} ends past the last register {_REGISTERS - 1}"
            )
        return self


PointName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]


class ModbusOptions(BaseModel):
    """The keys of a Modbus RTU device."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: int = Field(ge=1, le=247, description="The device's address on the line.")
    points: dict[PointName, ModbusPoint] = Field(min_length=1)
    deadline_s: float = Field(
        default=0.5,
        gt=0,
        le=10,
        description="For all answers of one poll; longer than the device's slowest answer.",
    )
    bridge_registers: int = Field(
        default=8,
        ge=0,
        le=100,
        description="Unused registers between two points that are read along; 0 for a device that refuses those.",
    )


class ModbusDriver:
    """Registers of one device; raw is the register's number, unscaled."""

    options: ClassVar[type[ModbusOptions]] = ModbusOptions
    bus_kind: ClassVar[str | None] = "serial"

    def __init__(self, options: ModbusOptions, bus: Bus | None) -> None:
        self._options = options
        self._bus = bus
        self._deadline_ns = round(options.deadline_s * 1e9)
        blocks = plan_blocks(
            (point.span for point in options.points.values()), bridge=options.bridge_registers
        )
        self._requests = tuple(Request(options.address, block) for block in blocks)
        self._places = tuple(_place(name, point, blocks) for name, point in options.points.items())

    def open(self) -> None:
        """Open the port; whether the device answers is seen when it is read."""
        self._line()

    def close(self) -> None:
        """Do nothing: the port belongs to the bus, and other devices may be on it."""

    def describe(self) -> Description:
        """Say which address, and what is read."""
        count = len(self._requests)
        requests = "one request" if count == 1 else f"{count} requests"
        return Description(
            summary=f"Modbus RTU device, {requests} a poll",
            where=f"address {self._options.address}",
            points=tuple(self._options.points),
        )

    def read(self) -> Sequence[Sample]:
        """Return all points, in the order of the configuration.

        A float that is infinite or not a number, by which devices say that a sensor failed, is a sample without
        a value, reason OUT_OF_SPAN. The deadline starts when the line is free: after another device's failed
        exchange that may take as long as that one's deadline.
        """
        line = self._line()
        try:
            answers = self._ask(line)
        except WireError as failure:
            if failure.reason is Reason.UNPLUGGED:
                self._close_bus()
            raise
        now_ns = time.monotonic_ns()
        return tuple(_sample(place, now_ns, answers) for place in self._places)

    def _ask(self, line: ModbusLine) -> list[tuple[int, ...]]:
        line.settle()
        deadline_ns = time.monotonic_ns() + self._deadline_ns
        return [
            line.ask(request, deadline_ns=deadline_ns, patience_ns=self._deadline_ns)
            for request in self._requests
        ]

    def _line(self) -> ModbusLine:
        if self._bus is None or self._bus.kind != "serial":
            raise SetupError(f"got bus of kind {getattr(self._bus, 'kind', None)!r}, wanted 'serial'")
        line = self._bus.shared(ModbusLine)
        if not isinstance(line, ModbusLine):
            raise SetupError(f"bus {self._bus.name} is used by another protocol: {type(line).__name__}")
        return line

    def _close_bus(self) -> None:
        # The next to ask opens the port by path: the adapter may come back under the same link as another device.
        if self._bus is not None:
            self._bus.close()


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a point's registers stand in the answers of a poll."""

    name: str
    type: RegisterType
    word_order: WordOrder
    answer: int
    registers: slice


def _place(name: str, point: ModbusPoint, blocks: Sequence[Block]) -> _Place:
    span = point.span
    answer = next(number for number, block in enumerate(blocks) if block.holds(span))
    start = span.first - blocks[answer].first
    return _Place(name, point.type, point.word_order, answer, slice(start, start + span.width))


def _sample(place: _Place, now_ns: int, answers: Sequence[tuple[int, ...]]) -> Sample:
    raw = decode(answers[place.answer][place.registers], place.type, place.word_order)
    if not math.isfinite(raw):
        return Sample(place.name, now_ns, None, Reason.OUT_OF_SPAN)
    return Sample(place.name, now_ns, raw)
