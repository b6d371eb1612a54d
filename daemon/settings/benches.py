"""The tables of places: benches with their earth tree and annunciators, and rooms."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from quietbench.daemon.settings.channels import ChannelTable
from quietbench.daemon.settings.fields import (
    Delay,
    Line,
    Name,
    NameOrNames,
    Names,
    OneLine,
    Table,
    text_or_table,
)
from quietbench.daemon.settings.seats import LowLine, ReferenceTable, SeatTable, ToolTable

__all__ = [
    "AnnunciatorsTable",
    "BenchTable",
    "EarthTree",
    "LampTable",
    "RoomTable",
    "StretchTable",
]


class StretchTable(Table):
    """One stretch of the way to earth."""

    hangs_on: OneLine = Field(description='The next node towards earth, or "earth" itself.')
    part: OneLine | None = Field(None, description="The part that forms it, for the inventory.")


EarthTree = dict[Name, Annotated[StretchTable, text_or_table("hangs_on", StretchTable)]]
"""Node = what it hangs on, towards earth; each stretch is named by its far node."""


class LampTable(Table):
    """The lamp's lines, by colour."""

    red: Line = Field(description="Line of the red light: a path is open.")
    yellow: Line = Field(description="Line of the yellow light: can't be told, or something warns.")
    green: Line = Field(description="Line of the green light: all watched paths held.")


class AnnunciatorsTable(Table):
    """What a bench sounds, shows and switches, by BCM line numbers."""

    buzzer: Line | None = Field(None, description="Line of an active buzzer.")
    lamp: LampTable | None = Field(None, description="Lines of the lamp.")
    relay: LowLine | None = Field(
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
    seats: dict[Name, SeatTable] = Field(
        default_factory=dict,
        description="Places for people; without any, one for every required end that a strap channel measures.",
    )
    tools: dict[Name, ToolTable] = Field(default_factory=dict, description="Irons and the like.")
    board: NameOrNames | None = Field(
        None, description="Channels that tell whether a board is out; without any, one is while in use."
    )
    references: list[ReferenceTable] = Field(
        default_factory=list, description="Known resistors that lines switch in for the check before work."
    )
    silence_button: NameOrNames | None = Field(None, description="Buttons that quiet the buzzer for a while.")
    silence_s: Annotated[float, Field(gt=0, le=600)] = Field(120.0, description="That while (s).")
    ready_button: NameOrNames | None = Field(None, description="Buttons that begin the check before work.")
    ready_every_h: Annotated[float, Field(gt=0, le=168)] | None = Field(
        None, description="How long a passed check before work counts (h); none is asked for if not given."
    )
    live_button: NameOrNames | None = Field(None, description="Buttons of live work.")
    strap_off_above_v: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        None,
        description="Site's rule: the voltage above which straps come off (V). No default; live work needs it.",
    )
    responsible: OneLine | None = Field(
        None, description="Who answers for this bench's alarms; the site's if not given."
    )


class RoomTable(Table):
    """A room: channels that belong to no single bench."""

    responsible: OneLine | None = Field(
        None, description="Who answers for this room's alarms; the site's if not given."
    )
    title: OneLine | None = Field(None, description="What people call it; its name if not given.")
    channels: dict[Name, ChannelTable] = Field(default_factory=dict, description="What is measured here.")
