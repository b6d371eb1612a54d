"""The tables of places: benches with their earth tree and annunciators, and rooms."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from quietbench.daemon.settings.channels import ChannelTable
from quietbench.daemon.settings.fields import (
    LINE_LAST,
    Delay,
    Line,
    Name,
    Names,
    OneLine,
    Table,
    refuse,
    text_or_table,
)

__all__ = [
    "RELAY_FIRST",
    "AnnunciatorsTable",
    "BenchTable",
    "EarthTree",
    "LampTable",
    "RoomTable",
    "StretchTable",
]

RELAY_FIRST = 9
"""Lines 0 to 8 are pulled up from power-on: a relay there would be energised by a board that runs nothing."""


class StretchTable(Table):
    """One stretch of the way to earth."""

    hangs_on: OneLine = Field(description='The next node towards earth, or "earth" itself.')
    part: OneLine | None = Field(None, description="The part that forms it, for the inventory.")


EarthTree = dict[Name, Annotated[StretchTable, text_or_table("hangs_on", StretchTable)]]
"""Node = what it hangs on, towards earth; each stretch is named by its far node."""


def _is_low_from_power_on(line: int) -> int:
    if line >= RELAY_FIRST:
        return line
    wanted = f"a line that is low from power-on: {RELAY_FIRST} to {LINE_LAST} (0 to 8 are pulled up)"
    raise refuse("relay on a line that is high from power-on", wanted=wanted)


class LampTable(Table):
    """The lamp's lines, by colour."""

    red: Line = Field(description="Line of the red light: a path is open.")
    yellow: Line = Field(description="Line of the yellow light: can't be told, or something warns.")
    green: Line = Field(description="Line of the green light: all watched paths held.")


class AnnunciatorsTable(Table):
    """What a bench sounds, shows and switches, by BCM line numbers."""

    buzzer: Line | None = Field(None, description="Line of an active buzzer.")
    lamp: LampTable | None = Field(None, description="Lines of the lamp.")
    relay: Annotated[Line, AfterValidator(_is_low_from_power_on)] | None = Field(
        None, description="Line of the relay's pulse stage; must be low from power-on."
    )


class BenchTable(Table):
    """One workstation."""

    title: OneLine | None = Field(None, description="What people call it; its name if not given.")
    required: Names | None = Field(
        None, description="Ends whose whole way to earth must be watched and good; every end if not given."
    )
    presence_hold_s: Delay = Field(10.0, description="Time after which an absence counts (s).")
    earth_tree: Annotated[EarthTree, Field(min_length=1)] = Field(description="The wiring as it really is.")
    channels: dict[Name, ChannelTable] = Field(default_factory=dict, description="What is measured here.")
    annunciators: AnnunciatorsTable | None = Field(None, description="What tells people.")


class RoomTable(Table):
    """A room: channels that belong to no single bench."""

    title: OneLine | None = Field(None, description="What people call it; its name if not given.")
    channels: dict[Name, ChannelTable] = Field(default_factory=dict, description="What is measured here.")
