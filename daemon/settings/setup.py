"""What the watcher is told beside the plan: pure data, compiled from the configuration.

Drivers' classes and their validated options stand in it as they are; the models of the file itself don't, so that
they can be forgotten once the watcher runs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietbench.daemon.sinks.options import SinkOptions

__all__ = ["AnnunciatorSetup", "BusSetup", "DeviceSetup", "SinkSetup", "WatcherSetup"]


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
class SinkSetup:
    """One sink; its options hold secrets, which their representation leaves out."""

    name: str
    options: SinkOptions


@dataclass(frozen=True, slots=True)
class WatcherSetup:
    """Everything but the plan; all paths are absolute.

    ``annunciators`` is by bench. ``page_uid`` is the user whose commands may speak for others, None for nobody.
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
