"""A contact on a GPIO line: strap contact, earth bond, presence, door.

Level is truth, edges are hints. An edge carries the kernel's own time, so a short opening is stamped to the
microsecond; but edges get lost (the backend's pipe drops them when full, and the kernel when its queue is), none
comes for a line that was already active when it was claimed, and an exception in a handler would silence every line
of the process. So the level is polled all the same, what edges said is reconciled with it, and the disagreements
are counted. There is no debounce here: what counts as an opening is the business of the limits.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Sequence
from typing import Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field

from quietbench.drivers.api import Bus, Description, Put
from quietbench.drivers.buses import pin_bus
from quietbench.drivers.errors import DriverError, WireError
from quietbench.drivers.pins import pin_failures, pin_fault
from quietbench.drivers.samples import Sample

__all__ = ["ContactDriver", "ContactOptions"]

POINT = "value"
_PULLS = {"up": "up", "down": "down", "none": "floating"}
_OLDEST_EDGE_NS = 60_000_000_000


class ContactOptions(BaseModel):
    """The keys of a contact."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    line: int = Field(ge=0, le=27, description="BCM line number.")
    closed: Literal["low", "high"] = Field(description="Level of the line while the contact is closed.")
    pull: Literal["up", "down", "none"] = Field(description="The chip's own resistor on this line.")


class ContactDriver:
    """One contact; raw is 1 while it is closed and 0 while it is open."""

    options: ClassVar[type[ContactOptions]] = ContactOptions
    bus_kind: ClassVar[str | None] = "gpio"

    def __init__(self, options: ContactOptions, bus: Bus | None) -> None:
        self._options = options
        self._bus = bus
        self._factory: Any = None
        self._pin: Any = None
        self._put: Put | None = None
        self._closed_level = int(options.closed == "high")
        self._told: int | None = None  # what edges and polls have told so far
        self._edges = 0
        self._polled_ns = 0
        self._doubted_at: int | None = None  # number of edges when level and edges first disagreed
        self.mismatches = 0
        """Times that the level had changed and no edge had told."""
        self.lost_edges = 0
        """Edges that could not be handed over."""

    def open(self) -> None:
        """Claim the line as an input; safe to call again after `close`."""
        self.close()
        bus = pin_bus(self._bus, "gpio")
        factory = bus.pin_factory()
        fault: DriverError | None = None
        try:
            factory.reserve_pins(self, self._options.line)
            self._factory = factory
            self._pin = factory.pin(self._options.line)
            self._pin.input_with_pull(_PULLS[self._options.pull])
        except pin_failures() as failure:
            fault = pin_fault(failure, self._where(), bus.chip.where)
        if fault is not None:
            self.close()
            raise fault

    def close(self) -> None:
        """Let go of the line; idempotent, never raises."""
        pin, factory = self._pin, self._factory
        self._pin = self._factory = self._put = self._told = None
        if pin is not None:
            with contextlib.suppress(*pin_failures()):
                pin.when_changed = None
            with contextlib.suppress(*pin_failures()):
                pin.close()
        if factory is not None:
            factory.release_pins(self, self._options.line)

    def describe(self) -> Description:
        """Say which line, and what closed looks like."""
        options = self._options
        return Description(
            summary=f"contact, closed when the line is {options.closed}, pull {options.pull}",
            where=self._where(),
            points=(POINT,),
        )

    def read(self) -> Sequence[Sample]:
        """Poll the level and reconcile it with what the edges told.

        Stamped before the level is read: were it the other way round, an edge in between would be older than
        a poll that says the opposite, and lose against it until the next poll.
        """
        now_ns = self._polled_ns = time.monotonic_ns()
        raw = self._level()
        self._reconcile(raw)
        return (Sample(POINT, now_ns, raw),)

    def listen(self, put: Put) -> None:
        """Report edges from now on; `read` afterwards, for none comes for what is already so."""
        pin = self._opened_pin()
        self._put = put
        try:
            pin.when_changed = self._changed
        except pin_failures() as failure:
            raise pin_fault(failure, self._where(), "edge detection") from failure

    def _level(self) -> int:
        pin = self._opened_pin()
        try:
            return int(int(bool(pin.state)) == self._closed_level)
        except pin_failures() as failure:
            raise pin_fault(failure, self._where(), "level") from failure

    def _changed(self, ticks: float, state: float) -> None:
        # Runs on the backend's one dispatch thread, which serves every line.
        try:
            raw = int(int(bool(state)) == self._closed_level)
            self._told = raw
            self._edges += 1
            if self._put is not None:
                # Reports take their time: one that a poll has overtaken goes right behind that poll, for what is
                # older than the last sample counts for nothing, and a short opening would be lost altogether.
                self._put(Sample(POINT, max(_edge_time(ticks), self._polled_ns + 1), raw))
        except Exception:  # noqa: BLE001 - whatever escaped here would deafen all lines; the next poll tells the level
            self.lost_edges += 1

    def _reconcile(self, raw: int) -> None:
        # An edge may be on its way while its level is polled: only a second poll with none in between is a mismatch.
        edges = self._edges
        if self._put is None or self._told is None or raw == self._told:
            self._told, self._doubted_at = raw, None
        elif self._doubted_at == edges:
            self.mismatches += 1
            self._told, self._doubted_at = raw, None
        else:
            self._doubted_at = edges

    def _opened_pin(self) -> Any:
        if self._pin is None:
            raise WireError(f"{self._where()} is not open")
        return self._pin

    def _where(self) -> str:
        return f"GPIO line {self._options.line}"

    def _conflicts_with(self, other: object) -> bool:
        # Asked by the pin factory's reservations: a line serves one device.
        return other is not self


def _edge_time(ticks: float) -> int:
    """Return the edge's CLOCK_MONOTONIC nanoseconds from the backend's seconds.

    Kernels before 5.7 stamp edges with the wall clock: a stamp that can't be a recent monotonic time is
    replaced by now.
    """
    now_ns = time.monotonic_ns()
    edge_ns = round(ticks * 1e9)
    return edge_ns if now_ns - _OLDEST_EDGE_NS <= edge_ns <= now_ns else now_ns
