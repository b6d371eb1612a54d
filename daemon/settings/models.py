"""The whole configuration of one watcher, as pydantic models.

The tables by theme stand in modules of their own: `benches`, `channels`, `limits`, `sinks`; those of buses and
the GPIO chip belong to the drivers. What a table alone can't tell (references, conflicts, what the limits need)
is checked in a second pass over the raw tables, see `check`.
"""

from __future__ import annotations

import zoneinfo
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, ConfigDict, Field, model_validator

from quietbench.daemon.settings.benches import BenchTable, EarthTree, RoomTable
from quietbench.daemon.settings.fields import (
    AccountName,
    Name,
    NameOrNames,
    OneLine,
    PathText,
    Period,
    Table,
    TimeOfDay,
    refuse,
)
from quietbench.daemon.settings.findings import nearest_of
from quietbench.daemon.settings.sinks import SinkTable
from quietbench.drivers.buses import BusSettings, GpioSettings

__all__ = [
    "ClockTable",
    "Configuration",
    "DeviceTable",
    "QuietHoursTable",
    "SiteTable",
    "StoreTable",
    "WatcherTable",
]


def _is_time_zone(name: str) -> str:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = nearest_of(name, zoneinfo.available_timezones())
        wanted = 'a name of the time zone database, as "UTC"'
        raise refuse("unknown time zone", wanted=wanted, nearest=near) from None
    return name


class QuietHoursTable(Table):
    """Hours in which what does not protect shows and does not sound, in the site's time zone."""

    begin: TimeOfDay = Field(alias="from", description="When they begin.")
    end: TimeOfDay = Field(alias="to", description="When they end, the next day if that is earlier.")

    @model_validator(mode="after")
    def _lasts(self) -> Self:
        if self.begin == self.end:
            raise refuse(
                "quiet hours without length", wanted="two times that differ", got=f'twice "{self.end}"'
            )
        return self


class SiteTable(Table):
    """The place that is watched."""

    name: OneLine = Field(description="What people call the site.")
    time_zone: Annotated[OneLine, AfterValidator(_is_time_zone)] = Field(
        "UTC", description="Time zone of reports and faces; records are in UTC."
    )
    limit_profile: NameOrNames = Field(
        description="Limit profile: the name of a built-in one, the path of an own file, or a list of them."
    )
    language: Literal["en", "de"] = Field("en", description="Language of what people are told.")
    quiet_hours: QuietHoursTable | None = Field(
        None, description="Hours in which only paths and dangers sound; none if not given."
    )
    responsible: OneLine | None = Field(
        None, description="Who answers for the alarms of all benches and rooms that name nobody else."
    )


class WatcherTable(Table):
    """This watcher."""

    name: Name = Field(description="Its name in topics and records.")
    socket: PathText = Field("/run/quietbench/watcher.sock", description="Unix socket that it serves.")
    socket_group: AccountName | None = Field(
        None, description="Group that may use the socket; the watcher's own if not given."
    )
    page_user: AccountName | None = Field(
        None, description="User whose commands may speak for other people: the page's; nobody if not given."
    )


class StoreTable(Table):
    """Where records are kept."""

    folder: PathText = Field("/var/lib/quietbench", description="Folder of the store.")
    commit_every_s: Annotated[float, Field(gt=0, le=60)] = Field(
        1.0, description="Time that readings are grouped before they are written (s); events go at once."
    )


class ClockTable(Table):
    """How the watcher knows that the wall clock is right."""

    known: Literal["timesync", "always"] = Field(
        "timesync",
        description='"timesync" waits for the first synchronisation; "always" is for a battery clock.',
    )


class DeviceTable(Table):
    """The keys that every device has; the others are the driver's own options."""

    model_config = ConfigDict(extra="allow")

    driver: OneLine = Field(description="Name of the driver; `quietbench drivers` lists them.")
    bus: OneLine | None = Field(None, description="The bus that the device hangs on.")
    every_s: Period = Field(1.0, description="Time between polls (s).")
    deadline_s: Period | None = Field(None, description="Longest time that one poll may take (s).")


class Configuration(Table):
    """The whole file."""

    version: Literal[1] = Field(description="Version of this format.")
    site: SiteTable
    watcher: WatcherTable
    store: StoreTable = StoreTable(folder="/var/lib/quietbench", commit_every_s=1.0)
    clock: ClockTable = ClockTable(known="timesync")
    gpio: GpioSettings | None = Field(None, description="What drives the lines; needed by lines and SPI.")
    earth_tree: EarthTree = Field(default_factory=dict, description="Stretches that benches share.")
    buses: dict[Name, BusSettings] = Field(default_factory=dict, description="What devices hang on.")
    devices: dict[Name, DeviceTable] = Field(default_factory=dict, description="What is read.")
    benches: dict[Name, BenchTable] = Field(default_factory=dict, description="The workstations.")
    rooms: dict[Name, RoomTable] = Field(
        default_factory=dict, description="Rooms, with channels of no single bench."
    )
    sinks: dict[Name, SinkTable] = Field(default_factory=dict, description="Where records are sent on.")
