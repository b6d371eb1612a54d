"""Names that must stand for something: buses, devices, points, stretches, ends."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.settings.bench_words import word_findings
from quietbench.daemon.settings.channels import BY_HAND
from quietbench.daemon.settings.context import ChannelPlace, Context, Unknowns
from quietbench.daemon.settings.devices import driver_class
from quietbench.daemon.settings.document import table_of
from quietbench.daemon.settings.findings import Finding, nearest_of
from quietbench.daemon.settings.trees import EARTH, SITE, Trees

__all__ = ["reference_findings"]


def reference_findings(context: Context) -> Iterator[Finding]:
    """Yield every name that stands for nothing, and every way that does not lead to earth."""
    unknowns = Unknowns(context.document)
    yield from _buses(context, unknowns)
    yield from _sources(context, unknowns)
    for place in context.trees.places:
        yield from _tree(context, place, unknowns)
    _measures(context, unknowns)
    _required(context, unknowns)
    yield from word_findings(context, unknowns)
    yield from unknowns.findings()


def _buses(context: Context, unknowns: Unknowns) -> Iterator[Finding]:
    document = context.document
    buses = table_of(document.raw, "buses")
    for name, device in document.tables("devices"):
        bus = device.get("bus")
        path = ("devices", name, "bus")
        kind = _bus_kind_wanted(device)
        if bus is None and isinstance(kind, str) and not _misspelt_bus(device):
            wanted = _bus_of_kind(buses, kind)
            yield document.finding(path, "missing key", got="nothing", wanted=wanted)
        elif isinstance(bus, str) and kind is None:
            yield document.finding(path, "this driver needs no bus", wanted="no such key")
        elif isinstance(bus, str) and bus not in buses and "buses" not in context.misspelt:
            unknowns.use("bus", bus, path, tuple(buses))
        elif isinstance(bus, str) and isinstance(kind, str) and _kind_of(buses, bus) not in (None, kind):
            what = f'a bus of another kind, "{_kind_of(buses, bus)}"'
            yield document.finding(path, what, wanted=_bus_of_kind(buses, kind))


def _misspelt_bus(device: dict[str, Any]) -> bool:
    """Say whether some key looks like a misspelt "bus", which is told already."""
    return any(nearest_of(key, ("bus",)) for key in device)


def _bus_kind_wanted(device: dict[str, Any]) -> Any:
    """Return the kind of bus that a device's driver needs, None for none, False where it can't be told."""
    driver = driver_class(device["driver"]) if isinstance(device.get("driver"), str) else ""
    return False if isinstance(driver, str) else driver.bus_kind


def _kind_of(buses: dict[str, Any], bus: str) -> Any:
    kind = table_of(buses, bus).get("kind")
    return kind if kind in ("gpio", "spi", "serial") else None


def _bus_of_kind(buses: dict[str, Any], kind: str) -> str:
    fitting = [f'"{name}"' for name in buses if _kind_of(buses, name) == kind]
    return " or ".join(fitting) if fitting else f'a bus of kind "{kind}"; the file has none'


def _sources(context: Context, unknowns: Unknowns) -> Iterator[Finding]:
    used: dict[tuple[str, str], ChannelPlace] = {}
    devices = table_of(context.document.raw, "devices")
    for channel in context.channels:
        source = channel.raw.get("source")
        if _lacks_source(channel.raw):
            yield context.document.finding(
                (*channel.path, "source"), "missing key", got="nothing", wanted='"device", or "device.point"'
            )
        if not isinstance(source, str) or "devices" in context.misspelt:
            continue
        device, _, point = source.partition(".")
        path = (*channel.path, "source")
        if device not in devices:
            unknowns.use("device", device, path, tuple(devices))
            continue
        points = context.points.get(device, ())
        point = point or (points[0] if len(points) == 1 else "")
        if points and point not in points:
            yield _no_point(context, channel, device, point, points)
        elif (device, point) in used:
            first = used[device, point]
            what = f"a source that {first.full} uses already"
            yield context.document.finding(path, what, wanted="one channel for each point of a device")
        else:
            used[device, point] = channel


def _lacks_source(raw: dict[str, Any]) -> bool:
    """Say whether a channel that must be read names no source, nor anything that looks like a misspelt one."""
    quantity = raw.get("quantity")
    by_hand = isinstance(quantity, str) and (
        quantity in BY_HAND or (quantity not in QUANTITIES and nearest_of(quantity, BY_HAND) is not None)
    )
    return not by_hand and not any(key == "source" or nearest_of(key, ("source",)) for key in raw)


def _no_point(
    context: Context, channel: ChannelPlace, device: str, point: str, points: tuple[str, ...]
) -> Finding:
    some = " or ".join(f'"{device}.{name}"' for name in points[:12])
    near = nearest_of(point, points)
    what = f"device {device} has no such point" if point else f"device {device} has several points"
    nearest = f"{device}.{near}" if near else None
    return context.document.finding((*channel.path, "source"), what, wanted=some, nearest=nearest)


def _tree(context: Context, place: str, unknowns: Unknowns) -> Iterator[Finding]:
    base = ("earth_tree",) if place == SITE else ("benches", place, "earth_tree")
    trees = context.trees
    told: set[str] = set()
    for name, node in trees.places[place].items():
        path = (*base, name)
        if name == EARTH:
            yield context.document.finding(
                path, "earth hangs on nothing", wanted="another name for this node"
            )
        elif place != SITE and name in trees.places[SITE]:
            what = "a name that the shared earth tree has already"
            yield context.document.finding(path, what, wanted="a name of its own", got=f'"{name}"')
        elif node.hangs_on is not None and trees.find(place, node.hangs_on) is None:
            at = (*path, "hangs_on") if isinstance(_value(context, base, name), dict) else path
            unknowns.use(
                "node of the earth tree", node.hangs_on, at, (EARTH, *trees.names(place)), owner=place
            )
        elif f"{place}/{name}" not in told:
            cycle = _cycle(trees, f"{place}/{name}")
            told.update(cycle)
            if cycle:
                what = f"a circle that never reaches earth: {' → '.join((*cycle, cycle[0]))}"
                yield context.document.finding(path, what, wanted="a way to earth")


def _value(context: Context, base: tuple[str, ...], name: str) -> Any:
    return table_of(context.document.raw, *base).get(name)


def _cycle(trees: Trees, full: str) -> tuple[str, ...]:
    """Return the circle that a stretch is part of, empty if none."""
    way = trees.way(full)
    return way if way and trees.up(way[-1]) == full else ()


def _measures(context: Context, unknowns: Unknowns) -> None:
    for channel in context.channels:
        names = channel.raw.get("measures")
        place = channel.place if channel.section == "benches" else SITE
        for number, name in enumerate(names if isinstance(names, list) else ()):
            known = isinstance(name, str) and name != EARTH and context.trees.find(place, name) is not None
            if isinstance(name, str) and not known and not _excused(context, place):
                path = (*channel.path, "measures", number)
                unknowns.use("node of the earth tree", name, path, context.trees.names(place), owner=place)


def _excused(context: Context, place: str) -> bool:
    """Say whether a bench has no tree of its own, which is told already."""
    return place != SITE and not context.trees.places.get(place)


def _required(context: Context, unknowns: Unknowns) -> None:
    for bench, table in context.document.tables("benches"):
        names = table.get("required")
        own = tuple(context.trees.places.get(bench, {}))
        for number, name in enumerate(names if isinstance(names, list) else ()):
            if isinstance(name, str) and name not in own and own:
                path = ("benches", bench, "required", number)
                unknowns.use("node of the earth tree", name, path, own, owner=bench)
