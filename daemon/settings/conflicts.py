"""Things that only one may have: lines, ports, converter inputs, addresses, registers, names."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from quietbench.daemon.settings.context import Context
from quietbench.daemon.settings.document import Document, at, table_of
from quietbench.daemon.settings.findings import Finding, nearest_of
from quietbench.daemon.settings.scan import Path
from quietbench.drivers.adc import CHIPS
from quietbench.drivers.pins import pin_factory_names

__all__ = ["conflict_findings"]

_RESERVED_PLACES = ("site", "watcher", "earth")
_LONGEST_SOCKET = 107
_SPI_LINES = {9: "MISO", 10: "MOSI", 11: "SCLK"}
_SPI_SELECT = {0: 8, 1: 7}
_WIDE = frozenset({"int32", "uint32", "float32"})


def conflict_findings(context: Context) -> Iterator[Finding]:
    """Yield everything that two parts of the file claim, and what the machine can't have."""
    document = context.document
    yield from _lines(document)
    yield from _ports(document)
    yield from _inputs(document)
    yield from _addresses(document)
    for name, device in document.tables("devices"):
        yield from _registers(document, name, device)
    yield from _places(document)
    yield from _chip(document, context.misspelt)
    yield from _socket(document)
    yield from _sinks(document)
    yield from _anything(context)


class _Claims:
    """Who was first to claim what."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._first: dict[object, str] = {}

    def claim(self, key: object, path: Path, who: str, what: str, wanted: str) -> Iterator[Finding]:
        first = self._first.setdefault(key, who)
        if first is not who:
            yield self._document.finding(path, f"{what} is used already, by {first}", wanted=wanted)


def _lines(document: Document) -> Iterator[Finding]:
    claims = _Claims(document)
    for line, who in _spi_lines(document):
        list(claims.claim(line, (), who, "", ""))
    for path, who in _line_paths(document):
        line = at(document.raw, path)
        if isinstance(line, int) and not isinstance(line, bool):
            yield from claims.claim(line, path, who, f"line {line}", "a line of its own")


def _spi_lines(document: Document) -> Iterator[tuple[int, str]]:
    for name, bus in document.tables("buses"):
        if bus.get("kind") != "spi":
            continue
        who = f"the SPI bus {name}"
        for line, signal in _SPI_LINES.items():
            # Two chips on one port share its three lines.
            yield line, f"SPI ({signal})"
        select = bus.get("device", 0)
        if isinstance(select, int) and select in _SPI_SELECT:
            yield _SPI_SELECT[select], f"{who} (chip select)"


def _line_paths(document: Document) -> Iterator[tuple[Path, str]]:
    buses = table_of(document.raw, "buses")
    for name, device in document.tables("devices"):
        bus = device.get("bus")
        if isinstance(bus, str) and table_of(buses, bus).get("kind") == "gpio":
            yield ("devices", name, "line"), f"device {name}"
    for bench, table in document.tables("benches"):
        for keys in (("buzzer",), ("lamp", "red"), ("lamp", "yellow"), ("lamp", "green"), ("relay",)):
            if at(table, ("annunciators", *keys)) is not None:
                yield ("benches", bench, "annunciators", *keys), f"{' '.join(keys)} of {bench}"
        references = table.get("references")
        for number in range(len(references) if isinstance(references, list) else 0):
            yield ("benches", bench, "references", number, "line"), f"reference {number + 1} of {bench}"


def _ports(document: Document) -> Iterator[Finding]:
    claims = _Claims(document)
    for name, bus in document.tables("buses"):
        port = bus.get("port")
        if bus.get("kind") == "serial" and isinstance(port, str) and "\0" not in port:
            place = document.place(port)
            key = "port"
            yield from claims.claim(
                place, ("buses", name, key), f"bus {name}", f"port {port}"[:80], "a port of its own"
            )
        if bus.get("kind") == "spi":
            chip = ("spi", _plain(bus.get("port", 0)), _plain(bus.get("device", 0)))
            key = "device" if "device" in bus else "kind"
            what = "this port and chip select"
            yield from claims.claim(
                chip, ("buses", name, key), f"bus {name}", what, "one bus for all inputs of a chip"
            )
        if bus.get("kind") == "gpio":
            yield from claims.claim(
                "gpio", ("buses", name, "kind"), f"bus {name}", "the GPIO chip", "one bus for all lines"
            )


def _plain(value: Any) -> Any:
    """Return what can be compared: a wrong value is equal to nothing."""
    return value if isinstance(value, int | str) else object()


def _inputs(document: Document) -> Iterator[Finding]:
    claims = _Claims(document)
    chips: dict[str, tuple[str, str]] = {}
    for name, device in document.tables("devices"):
        bus, number, chip = device.get("bus"), device.get("input"), device.get("chip")
        if device.get("driver") != "adc" or not isinstance(bus, str):
            continue
        if isinstance(number, int):
            path: Path = ("devices", name, "input")
            what = f"input {number} of {bus}" if number.bit_length() < 64 else "this input"
            yield from claims.claim((bus, number), path, f"device {name}", what, "an input of its own")
        chip = chip if isinstance(chip, str) else ""
        first, same = chips.setdefault(bus, (name, chip))
        if chip in CHIPS and same in CHIPS and chip != same:
            what = f"another chip on the same bus, by device {first}"
            yield document.finding(("devices", name, "chip"), what, wanted=f'"{same}", or another bus')


def _addresses(document: Document) -> Iterator[Finding]:
    claims = _Claims(document)
    for name, device in document.tables("devices"):
        bus, address = device.get("bus"), device.get("address")
        if isinstance(bus, str) and isinstance(address, int) and device.get("driver") == "modbus":
            what = f"address {address}" if address.bit_length() < 64 else "this address"
            path: Path = ("devices", name, "address")
            wanted = "one device for each address; it may have many points"
            yield from claims.claim((bus, address), path, f"device {name}", what, wanted)


def _registers(document: Document, name: str, device: dict[str, Any]) -> Iterator[Finding]:
    """Find two points that read one register differently."""
    taken: dict[tuple[str, int], tuple[str, object]] = {}
    for point, table in table_of(device, "points").items():
        read = _reading(table) if isinstance(table, dict) else None
        if read is None:
            continue
        where, first, width, how = read
        for register in range(first, first + width):
            other, before = taken.setdefault((where, register), (point, how))
            if other != point and before != how:
                path = ("devices", name, "points", point, "register")
                what = f"register {register} is read by point {other} in another way"
                yield document.finding(path, what, wanted="registers of its own, or the same type and start")
                break


def _reading(table: dict[str, Any]) -> tuple[str, int, int, object] | None:
    where, first, kind = table.get("table"), table.get("register"), table.get("type", "uint16")
    if not isinstance(where, str) or not isinstance(first, int) or not isinstance(kind, str):
        return None
    order = table.get("word_order", "big")
    width = 2 if kind in _WIDE else 1
    how = (first, kind, order if width == 2 and isinstance(order, str) else "")
    return where, first, width, how


def _places(document: Document) -> Iterator[Finding]:
    benches = table_of(document.raw, "benches")
    for section in ("benches", "rooms"):
        for name in table_of(document.raw, section):
            if name in _RESERVED_PLACES:
                wanted = "another name: this one is taken by what the watcher itself adds"
                yield document.finding((section, name), "a reserved name", got=f'"{name}"', wanted=wanted)
            elif section == "rooms" and name in benches:
                wanted = "a name of its own: benches and rooms share one set of channel names"
                yield document.finding(
                    (section, name), "a name that a bench has", got=f'"{name}"', wanted=wanted
                )


def _chip(document: Document, misspelt: frozenset[str]) -> Iterator[Finding]:
    gpio = document.raw.get("gpio")
    if isinstance(gpio, dict):
        factory = gpio.get("factory")
        names = pin_factory_names()
        if isinstance(factory, str) and factory not in names:
            wanted = "one of " + ", ".join(names)
            yield document.finding(
                ("gpio", "factory"), "no such pin factory", wanted=wanted, nearest=nearest_of(factory, names)
            )
        return
    user = _user_of_lines(document)
    if gpio is None and user is not None and "gpio" not in misspelt:
        wanted = "a table [gpio] with factory, which drives the lines"
        yield document.finding(user, "lines without a chip", got="no table [gpio]", wanted=wanted)


def _user_of_lines(document: Document) -> Path | None:
    for name, bus in document.tables("buses"):
        if bus.get("kind") in ("gpio", "spi"):
            return ("buses", name, "kind")
    for bench, table in document.tables("benches"):
        for key in ("annunciators", "references"):
            if table.get(key):
                return ("benches", bench, key)
    return None


def _socket(document: Document) -> Iterator[Finding]:
    socket = at(document.raw, ("watcher", "socket"))
    if not isinstance(socket, str) or "\0" in socket:
        return
    length = len(str(document.place(socket)).encode())
    if length > _LONGEST_SOCKET:
        wanted = f"a path of at most {_LONGEST_SOCKET} bytes in full, which is what the kernel takes"
        yield document.finding(
            ("watcher", "socket"), "the path is too long", got=f"{length} bytes", wanted=wanted
        )


def _sinks(document: Document) -> Iterator[Finding]:
    for name, sink in document.tables("sinks"):
        path: Path = ("sinks", name)
        tls = sink.get("tls")
        if "password" in sink and "username" not in sink and not _has_near(sink, "username"):
            wanted = "the name that goes with the password"
            yield document.finding((*path, "username"), "missing key", got="nothing", wanted=wanted)
        if sink.get("commands") and not ("username" in sink or _has_near(sink, "username")):
            wanted = "a username, so that the broker lets in nobody unnamed, or no such key"
            yield document.finding(
                (*path, "commands"), "commands from a broker without sign-in", wanted=wanted
            )
        if isinstance(tls, dict) and ("certificate" in tls) != ("key" in tls):
            absent = "key" if "certificate" in tls else "certificate"
            if not _has_near(tls, absent):
                wanted = "certificate and key, or neither"
                yield document.finding((*path, "tls", absent), "missing key", got="nothing", wanted=wanted)


def _has_near(table: dict[str, Any], key: str) -> bool:
    return any(nearest_of(given, (key,)) for given in table)


def _anything(context: Context) -> Iterator[Finding]:
    if not context.channels and not context.misspelt & {"benches", "rooms"}:
        wanted = "at least one table [benches.NAME.channels.NAME] or [rooms.NAME.channels.NAME]"
        yield context.document.finding((), "no channel: nothing would be watched", got="", wanted=wanted)
