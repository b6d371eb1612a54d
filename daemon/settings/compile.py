"""From a checked configuration to the plan of the core and the setup of the watcher."""

from __future__ import annotations

import pwd
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from quietbench.daemon.core.convert import Contact
from quietbench.daemon.core.plan import Channel, Limit, Plan, Priority, Requirement, Source
from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.advice import watched
from quietbench.daemon.settings.bench_making import bench_of, may_be_ungrounded, references_of
from quietbench.daemon.settings.benches import AnnunciatorsTable, BenchTable, RoomTable
from quietbench.daemon.settings.channels import ChannelTable
from quietbench.daemon.settings.check import inspect
from quietbench.daemon.settings.context import ChannelPlace, Context
from quietbench.daemon.settings.conversions import thin_raw_of
from quietbench.daemon.settings.devices import driver_class
from quietbench.daemon.settings.findings import Report
from quietbench.daemon.settings.judgement import judge
from quietbench.daemon.settings.limit_making import OWN_RULE, path_resound_ns, priority_of
from quietbench.daemon.settings.models import Configuration, DeviceTable, QuietHoursTable
from quietbench.daemon.settings.secrets import read_secret, rooted
from quietbench.daemon.settings.setup import (
    AnnunciatorSetup,
    BusSetup,
    DeviceSetup,
    SinkSetup,
    WatcherSetup,
)
from quietbench.daemon.settings.sinks import LineProtocolTable, MqttTable, TlsTable
from quietbench.daemon.sinks.options import LineProtocolOptions, MqttOptions, SinkOptions, TlsOptions

__all__ = ["Settings", "compile_plan", "compile_setup", "load", "load_setup"]

_SECOND_NS = 1_000_000_000
_SHORTEST_SILENCE_S = 2.0
_POLLS_MISSED = 3
_DEADLINE_S = 0.5
_HEALTH_SILENT_S = 10.0
_WORKING = Source(OWN_RULE, "", "", "own choice", "", "every line of buzzer, lamp and relay can be driven")
_MQTT_PORT, _MQTTS_PORT = 1883, 8883
_GATED = frozenset({"strap_contact", "strap_resistance"})


@dataclass(frozen=True, slots=True)
class Settings:
    """A configuration without errors, with everything that was found out on the way."""

    file: Path
    folder: Path
    configuration: Configuration
    options: dict[str, Any]
    context: Context
    report: Report


def load(path: Path | str) -> Settings:
    """Read a configuration.

    Raises:
        ConfigurationError: it has errors; the text holds every finding, one a line.
    """
    found = inspect(path)
    if found.configuration is None or found.options is None or found.context is None:
        raise ConfigurationError(found.report.text())
    return Settings(Path(path), found.folder, found.configuration, found.options, found.context, found.report)


def load_setup(path: Path | str) -> tuple[Plan, WatcherSetup]:
    """Read a configuration and compile it.

    Raises:
        ConfigurationError: it has errors, or a secret can't be read.
    """
    settings = load(path)
    plan = compile_plan(settings)
    return plan, compile_setup(settings, plan)


def compile_plan(settings: Settings) -> Plan:
    """Return what the core is to watch: full names, SI units, every limit with its source."""
    configuration, context = settings.configuration, settings.context
    benches = tuple(bench_of(context, name, table) for name, table in configuration.benches.items())
    gated_at = {bench.name for bench in benches if may_be_ungrounded(bench)}
    channels = (_channel(settings, place, gated_at) for place in context.channels)
    assert context.rules is not None
    return Plan(
        site=configuration.site.name,
        watcher=configuration.watcher.name,
        benches=benches,
        channels=(*channels, *_health(configuration)),
        profile=context.rules.name,
    )


def compile_setup(
    settings: Settings, plan: Plan, *, secret: Callable[[str], str] = read_secret
) -> WatcherSetup:
    """Return what the watcher needs beside the plan; ``secret`` reads a reference.

    Raises:
        ConfigurationError: a secret can't be read, or there is no such user.
    """
    configuration, folder = settings.configuration, settings.folder
    page_user = configuration.watcher.page_user
    gpio = configuration.gpio
    return WatcherSetup(
        socket=_place(folder, configuration.watcher.socket),
        socket_group=configuration.watcher.socket_group,
        page_uid=None if page_user is None else _uid(page_user),
        store_folder=_place(folder, configuration.store.folder),
        commit_every_s=configuration.store.commit_every_s,
        clock_known=configuration.clock.known,
        time_zone=configuration.site.time_zone,
        gpio=None if gpio is None else _with_places(gpio, folder, "address"),
        buses=tuple(_buses(configuration, folder)),
        devices=tuple(_devices(settings, plan)),
        annunciators={
            name: _annunciators(bench.annunciators)
            for name, bench in configuration.benches.items()
            if bench.annunciators is not None
        },
        sinks=tuple(
            SinkSetup(name, _sink_options(table, folder, secret))
            for name, table in configuration.sinks.items()
        ),
        language=configuration.site.language,
        quiet_hours=_quiet_hours(configuration.site.quiet_hours),
        references={
            name: references_of(settings.context, name, bench)
            for name, bench in configuration.benches.items()
            if bench.references
        },
        responsible=_responsible(configuration),
    )


# -- the plan -----------------------------------------------------------------------------------------------


def _channel(settings: Settings, place: ChannelPlace, gated_at: set[str]) -> Channel:
    table, context = place.table, settings.context
    assert table is not None
    assert context.rules is not None
    quantity = QUANTITIES[table.quantity]
    judged = judge(table, context.rules)
    assert judged.conversion is not None
    return Channel(
        name=place.full,
        quantity=quantity.name,
        unit=quantity.unit,
        conversion=judged.conversion,
        limits=judged.limits,
        measures=watched(context, place),
        fault_priority=_fault_priority(table, path=quantity.path),
        gated=quantity.name in _GATED and place.place in gated_at,
        fault_after=table.fault_after,
        silent_after_ns=_ns(_silent_after_s(settings, table)),
        heartbeat_ns=_ns(table.heartbeat_s),
        thin_raw=thin_raw_of(table),
        fault_resound_ns=_fault_resound_ns(table, path=quantity.path),
        stuck_after_ns=_ns(table.stuck_after_s or 0.0),
        calibration_due="" if table.calibration_due is None else table.calibration_due.isoformat(),
    )


def _fault_resound_ns(table: ChannelTable, *, path: bool) -> int:
    if table.fault_resound_s is not None:
        return _ns(table.fault_resound_s)
    return path_resound_ns(protects=path)


def _fault_priority(table: ChannelTable, *, path: bool) -> Priority:
    if table.fault_priority is not None:
        return priority_of(table.fault_priority)
    return Priority.HIGH if path else Priority.MEDIUM


def _silent_after_s(settings: Settings, table: ChannelTable) -> float:
    if table.silent_after_s is not None:
        return table.silent_after_s
    if table.source is None:
        return 0.0  # nothing is ever read there, so no silence means anything
    device = settings.configuration.devices[_source(settings, table.source)[0]]
    return max(_POLLS_MISSED * device.every_s, _SHORTEST_SILENCE_S)


def _source(settings: Settings, source: str) -> tuple[str, str]:
    """Return device and point; a device with one point needs no point to be named."""
    device, _, point = source.partition(".")
    return device, point or settings.context.points[device][0]


def _health(configuration: Configuration) -> Iterator[Channel]:
    yield _health_channel("watcher/store", Priority.MEDIUM)
    yield _health_channel("watcher/clock", Priority.LOW)
    if any(bench.annunciators is not None for bench in configuration.benches.values()):
        # A line that can't be driven is known, not a measurement that fails: so an alarm of a limit.
        working = Limit("working", Requirement.AT_LEAST, 1.0, _WORKING, Priority.MEDIUM)
        yield replace(_health_channel("watcher/outputs", Priority.MEDIUM), limits=(working,))
    for name in configuration.sinks:
        yield _health_channel(f"watcher/sink-{name}", Priority.LOW)


def _health_channel(name: str, priority: Priority) -> Channel:
    return Channel(
        name=name,
        quantity="watcher_health",
        unit=QUANTITIES["watcher_health"].unit,
        conversion=Contact(),
        fault_priority=priority,
        fault_after=1,
        silent_after_ns=_ns(_HEALTH_SILENT_S),
    )


def _ns(seconds: float) -> int:
    return round(seconds * _SECOND_NS)


# -- the setup ----------------------------------------------------------------------------------------------


def _buses(configuration: Configuration, folder: Path) -> Iterator[BusSetup]:
    for name, bus in configuration.buses.items():
        settings = _with_places(bus, folder, "port") if bus.kind == "serial" else bus
        yield BusSetup(name, bus.kind, settings)


def _devices(settings: Settings, plan: Plan) -> Iterator[DeviceSetup]:
    index_of = {channel.name: index for index, channel in enumerate(plan.channels)}
    points: dict[str, dict[str, int]] = {name: {} for name in settings.configuration.devices}
    for place in settings.context.channels:
        assert place.table is not None
        if place.table.source is not None:
            device, point = _source(settings, place.table.source)
            points[device][point] = index_of[place.full]
    for name, table in settings.configuration.devices.items():
        options = settings.options[name]
        yield DeviceSetup(
            name=name,
            driver=driver_class(table.driver),
            options=options,
            bus=table.bus,
            every_s=table.every_s,
            deadline_s=_deadline_s(table, options),
            points=points[name],
        )


def _deadline_s(table: DeviceTable, options: Any) -> float:
    """Return a device's deadline: its own, else its driver's, else what suits a local conversion."""
    if table.deadline_s is not None:
        return table.deadline_s
    return float(getattr(options, "deadline_s", _DEADLINE_S))


def _quiet_hours(table: QuietHoursTable | None) -> tuple[int, int] | None:
    return None if table is None else (_minutes(table.begin), _minutes(table.end))


def _minutes(time_of_day: str) -> int:
    hours, _, minutes = time_of_day.partition(":")
    return int(hours) * 60 + int(minutes)


def _responsible(configuration: Configuration) -> dict[str, str]:
    places: dict[str, BenchTable | RoomTable] = {**configuration.benches, **configuration.rooms}
    named = {name: table.responsible or configuration.site.responsible for name, table in places.items()}
    return {name: person for name, person in named.items() if person is not None}


def _annunciators(table: AnnunciatorsTable) -> AnnunciatorSetup:
    lamp = {} if table.lamp is None else dict(table.lamp.model_dump())
    return AnnunciatorSetup(table.buzzer, lamp, table.relay)


def _sink_options(
    table: MqttTable | LineProtocolTable, folder: Path, secret: Callable[[str], str]
) -> SinkOptions:
    def read(reference: str | None) -> str | None:
        return None if reference is None else secret(rooted(reference, folder))

    tls = None if table.tls is None else _tls(table.tls, folder)
    if isinstance(table, LineProtocolTable):
        token = read(table.token) or ""
        return LineProtocolOptions(table.url, table.bucket, table.organisation, token, tls)
    options = MqttOptions(
        host=table.host,
        port=table.port or (_MQTT_PORT if tls is None else _MQTTS_PORT),
        prefix=table.prefix,
        username=table.username,
        password=read(table.password),
        tls=tls,
        commands=tuple(table.commands),
    )
    return options if table.client_id is None else replace(options, client_id=table.client_id)


def _tls(table: TlsTable, folder: Path) -> TlsOptions:
    files = (table.ca, table.certificate, table.key)
    return TlsOptions(*(None if file is None else _place(folder, file) for file in files))


def _with_places(settings: Any, folder: Path, key: str) -> Any:
    """Return a driver's settings with the path under ``key`` made absolute, in the type that it has."""
    value = getattr(settings, key)
    if value is None:
        return settings
    return settings.model_copy(update={key: type(value)(_place(folder, str(value)))})


def _place(folder: Path, path: str) -> Path:
    return (folder / path).absolute()


def _uid(user: str) -> int:
    try:
        return pwd.getpwnam(user).pw_uid
    except KeyError:
        raise ConfigurationError(
            f"[watcher] page_user: no such user on this machine; got {user!r}, wanted the page's user, or no such key"
        ) from None
