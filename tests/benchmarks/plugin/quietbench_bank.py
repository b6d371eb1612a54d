"""A contact that shares its line with others, so that sixty of them fit on a header of 28 lines.

Each is a device of its own with the real contact driver inside: the same scheduling, the same read of the pin
through the GPIO library, the same reconciling, so a channel costs what a contact on a line of its own costs. What
it lacks is edge detection, for a line has one handler; polled contacts that never move would not see one anyway.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict

from quietbench.drivers.api import Bus, Description, Sample
from quietbench.drivers.contact import ContactDriver, ContactOptions


class BankContactOptions(BaseModel):
    """As those of a contact; the key has another name because `check` lets a ``line`` be used only once."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    shared_line: int
    closed: Literal["low", "high"]
    pull: Literal["up", "down", "none"]


class _SharingContact(ContactDriver):
    def _conflicts_with(self, other: object) -> bool:
        return not isinstance(other, _SharingContact)


class BankContactDriver:
    """One contact of many on a line."""

    options: ClassVar[type[Any]] = BankContactOptions
    bus_kind: ClassVar[str | None] = "gpio"

    def __init__(self, options: BankContactOptions, bus: Bus | None) -> None:
        own = ContactOptions(line=options.shared_line, closed=options.closed, pull=options.pull)
        self._contact = _SharingContact(own, bus)

    def open(self) -> None:
        """Claim the line, together with the others."""
        self._contact.open()

    def close(self) -> None:
        """Let go of the line."""
        self._contact.close()

    def describe(self) -> Description:
        """Say what the contact says."""
        return self._contact.describe()

    def read(self) -> Sequence[Sample]:
        """Read the line as a contact does."""
        return self._contact.read()
