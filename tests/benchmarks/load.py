"""The load under which the watcher is measured: a hundred channels at 10 Hz, and one contact whose edges are timed.

Sixty contacts on twenty benches, ten mats on two converters, thirty climate points in three Modbus devices. One
place says what they are: the watcher's configuration, the plain script and the bare loops are made from it.
"""

from __future__ import annotations

CHANNELS, RATE_HZ = 100, 10.0
EVERY_S = 1.0 / RATE_HZ

EDGE_LINE, BUZZER_LINE, LAMP_LINES, RELAY_LINE = 22, 12, (13, 16, 18), 21
STRAP_LINE, BOND_LINE, PRESENCE_LINE = 4, 5, 23
"""Lines of the sixty contacts: straps and bonds are closed when low, presence when high."""

BENCHES = 20
CONTACT_LINES = (STRAP_LINE, BOND_LINE, PRESENCE_LINE) * BENCHES
SELECT_LINES = (8, 7)
ADC_INPUTS = ((0, tuple(range(8))), (1, (0, 1)))
"""(chip select, inputs) of the two converters."""
CONVERSIONS_PER_READING = 6
"""The driver's median of five, and the one that is thrown away after the multiplexer moved."""
MODBUS_ADDRESSES = (1, 2, 3)
REGISTERS = 10
BAUD_RATE = 115200
PORT = "ports/air"


def configuration(*, mqtt_port: int | None, database_url: str | None) -> str:
    """Return the watcher's configuration; the sinks are those whose far ends are given."""
    parts = [
        _HEAD,
        _EDGE_BENCH,
        *(_bench(number) for number in range(1, BENCHES + 1)),
        *_converters(),
        _climate(),
    ]
    if mqtt_port is not None:
        parts.append(f'[sinks.broker]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {mqtt_port}\n')
    if database_url is not None:
        parts.append(f'[sinks.history]\nkind = "line-protocol"\nurl = "{database_url}"\nbucket = "benches"\n')
    return "\n".join(parts)


_HEAD = f"""version = 1
[site]
name = "Hall for benchmarks"
time_zone = "UTC"
limit_profile = ["s20.20-2021", "j-std-001-climate"]
[watcher]
name = "hall"
socket = "watcher.sock"
[store]
folder = "store"
[clock]
known = "always"
[gpio]
factory = "quietbench-simulator"
address = "board.sock"
[buses.lines]
kind = "gpio"
[buses.converter-0]
kind = "spi"
device = 0
[buses.converter-1]
kind = "spi"
device = 1
[buses.air]
kind = "serial"
port = "{PORT}"
baud_rate = {BAUD_RATE}
"""

_TREE = """common_point = "earth"
jack = "common_point"
cord = "jack"
band = "cord"
skin = "band"
"""

_EDGE_BENCH = f"""[devices.edge]
driver = "contact"
bus = "lines"
line = {EDGE_LINE}
closed = "low"
pull = "up"
every_s = {EVERY_S}
[benches.edge]
title = "The one whose edges are timed"
[benches.edge.earth_tree]
{_TREE}
[benches.edge.channels.strap]
quantity = "strap_contact"
source = "edge"
measures = ["common_point", "jack", "cord", "band", "skin"]
# The built-in second would keep the buzzer on from one opening to the next, and only the first be timed.
limits.closed = {{ off_delay_s = 0.0 }}
[benches.edge.annunciators]
buzzer = {BUZZER_LINE}
lamp = {{ red = {LAMP_LINES[0]}, yellow = {LAMP_LINES[1]}, green = {LAMP_LINES[2]} }}
relay = {RELAY_LINE}
"""


def _bench(number: int) -> str:
    name = f"row-{number:02}"
    return "\n".join(
        (
            _contact(f"{name}-strap", STRAP_LINE, "low", "up"),
            _contact(f"{name}-bond", BOND_LINE, "low", "up"),
            _contact(f"{name}-presence", PRESENCE_LINE, "high", "down"),
            f"[benches.{name}.earth_tree]\n{_TREE}",
            *([f'mat = "common_point"\n{_mat(name, number - 1)}'] if number <= 10 else []),
            _channel(name, "strap", "strap_contact", '["jack", "cord", "band", "skin"]'),
            _channel(name, "bond", "earth_bond", '["common_point"]'),
            _channel(name, "presence", "presence", None),
        )
    )


def _contact(name: str, line: int, closed: str, pull: str) -> str:
    return (
        f'[devices.{name}]\ndriver = "bank"\nbus = "lines"\nshared_line = {line}\n'
        f'closed = "{closed}"\npull = "{pull}"\nevery_s = {EVERY_S}\n'
    )


def _channel(bench: str, word: str, quantity: str, measures: str | None) -> str:
    text = f'[benches.{bench}.channels.{word}]\nquantity = "{quantity}"\nsource = "{bench}-{word}"\n'
    return text if measures is None else f"{text}measures = {measures}\n"


def _mat(bench: str, index: int) -> str:
    return f"""[benches.{bench}.channels.mat]
quantity = "mat_resistance"
source = "mat-{index}"
measures = ["mat"]
commissioned_ohm = 2.2e7
commissioned_on = 2031-03-02
[benches.{bench}.channels.mat.conversion]
kind = "divider"
series_ohm = 1.0e7
series_tolerance = 0.01
excitation_v = 3.3
reference_v = 3.3
full_scale = 4096
leakage_a = 3e-11
"""


def _converters() -> list[str]:
    places = [(select, number) for select, inputs in ADC_INPUTS for number in inputs]
    return [
        f'[devices.mat-{index}]\ndriver = "adc"\nbus = "converter-{select}"\nchip = "MCP3208"\n'
        f"input = {number}\nevery_s = {EVERY_S}\n"
        for index, (select, number) in enumerate(places)
    ]


def _climate() -> str:
    return "\n".join(_transmitter(address) for address in MODBUS_ADDRESSES)


def _transmitter(address: int) -> str:
    lines = [
        f'[devices.air-{address}]\ndriver = "modbus"\nbus = "air"\naddress = {address}\nevery_s = {EVERY_S}'
    ]
    lines += [f'points.p{n} = {{ table = "input", register = {n} }}' for n in range(REGISTERS)]
    for n in range(REGISTERS):
        quantity, unit = ("air_temperature", "°C") if n % 2 else ("relative_humidity", "%RH")
        lines += [
            f"[rooms.hall.channels.a{address}-{n}]",
            f'quantity = "{quantity}"',
            f'source = "air-{address}.p{n}"',
            f'conversion = {{ kind = "linear", scale = 0.1, unit = "{unit}", u = 0.5 }}',
        ]
    return "\n".join(lines) + "\n"


def register_value(register: int, request: int) -> int:
    """Return what a register holds at the so-manieth request: 45.0 %RH or 21.5 °C, its last digit restless."""
    return (215 if register % 2 else 450) + (request + register) % 3 - 1
