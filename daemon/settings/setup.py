"""What the watcher is told beside the plan: pure data, compiled from the configuration.

Drivers' classes and their validated options stand in it as they are; the models of the file itself don't, so that
they can be forgotten once the watcher runs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quietbench.daemon.sinks.options import SinkOptions

__all__ = ["AnnunciatorSetup", "BusSetup", "DeviceSetup", "ReferenceSetup", "SinkSetup", "WatcherSetup"]


@dataclass(frozen=True, slots=True)
class BusSetup:
    """One bus; ``settings`` is the drivers' model of its kind, with absolute paths."""

    name: str
    kind: str
    settings: Any


@dataclass(frozen=True, slots=True)
class DeviceSetup:
    """One device: ``driver`` is made by ``driver(options, bus)``.

    ``points`` maps each point that a channel uses to the channel's index in the plan.
    """

    name: str
    driver: Any
    options: Any
    bus: str | None
    every_s: float
    deadline_s: float
    points: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class AnnunciatorSetup:
    """The lines of one bench, by BCM number; ``lamp`` maps colours to lines, empty without a lamp."""

    buzzer: int | None
    lamp: Mapping[str, int]
    relay: int | None


@dataclass(frozen=True, slots=True)
class ReferenceSetup:
    """A known resistor of ``ohm`` that a line (BCM number) switches into the sense wire of a channel (full name).

    ``u_ohm`` is its standard uncertainty. ``over_limit``: the channel must show a violation while it is switched
    in; else it must read the resistor.
    """

    line: int
    channel: str
    ohm: float
    u_ohm: float
    over_limit: bool


@dataclass(frozen=True, slots=True)
class SinkSetup:
    """One sink; its options hold secrets, which their representation leaves out."""

    name: str
    options: SinkOptions


@dataclass(frozen=True, slots=True)
class WatcherSetup:
    """Everything but the plan; all paths are absolute.

    ``annunciators`` and ``references`` are by bench. ``page_uid`` is the user whose commands may speak for others,
    None for nobody. ``quiet_hours`` are minutes after midnight in ``time_zone``, begin and end; an end before
    the begin is the next day's. ``responsible`` maps benches and rooms to who answers for their alarms.
    """

    socket: Path
    socket_group: str | None
    page_uid: int | None
    store_folder: Path
    commit_every_s: float
    clock_known: str
    time_zone: str
    gpio: Any | None
    buses: tuple[BusSetup, ...]
    devices: tuple[DeviceSetup, ...]
    annunciators: Mapping[str, AnnunciatorSetup]
    sinks: tuple[SinkSetup, ...]
    language: str = "en"
    quiet_hours: tuple[int, int] | None = None
    references: Mapping[str, tuple[ReferenceSetup, ...]] = field(default_factory=dict)
    responsible: Mapping[str, str] = field(default_factory=dict)
