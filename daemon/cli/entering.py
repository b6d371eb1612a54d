"""Commands to the watcher that a person answers for, and what a watcher says of itself."""

from __future__ import annotations

import datetime as dt
import getpass
import re
from collections.abc import Mapping
from typing import Any

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.figures import figure
from quietbench.daemon.settings.units import UNITS
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.lines import ReadingLine, Snapshot

_SAID = {
    "acknowledge": "{alarm} acknowledged by {person}",
    "reset": "{alarm} reset by {person}",
    "shelve": "{alarm} shelved by {person}{until}. Bench state and relay follow the condition all the same.",
    "unshelve": "{alarm} is back from its shelf, by {person}",
    "remove": (
        "{alarm} taken out of service by {person}. Bench state and relay follow the condition all the same."
        " Put it back with: quietbench put-back {alarm} --role … --why …"
    ),
    "put-back": "{alarm} back in service, by {person}",
    "silence": (
        "{bench}: buzzer silenced by {person}. Nothing is acknowledged by that; what comes new sounds at once."
    ),
    "live": (
        "{bench}: live work declared by {person}{until}.{rule}"
        " Straps come off only as your site's rules say; the view and the lamp show it;"
        " a new ready check is needed afterwards."
    ),
    "end-live": "{bench}: live work ended by {person}. The strap alarms are back; a new ready check is needed.",
    "note": "{subject}: note kept, by {person}",
}

BLOT = "(not shown)"
_SECRET_KEY = re.compile("password|passphrase|token|secret|credential", re.IGNORECASE)
_IN_ADDRESS = re.compile(r"(?<=://)[^/@\s]+(?=@)")

_DURATION = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*(s|m|min|h)\s*")
_SECONDS = {"s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}

_TYPED = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)\s*(\S+)\s*")


def own_name() -> str:
    """Return the login name of whoever runs this: the watcher takes commands in no other name."""
    return getpass.getuser()


def parse_figure(text: str) -> tuple[float, str]:
    """Return (SI value, SI unit) of a figure typed with its unit: "24 Mohm", "24Mohm", "45 %RH", "1e7 ohm".

    Raises:
        ConfigurationError: no number, or no unit that is known; a bare number is refused because 24 ohm and
            24 Mohm differ by a factor of a million.
    """
    match = _TYPED.fullmatch(text)
    unit = UNITS.get(match[2].replace("Ω", "ohm")) if match else None
    if match is None or unit is None:
        known = ", ".join(word for word in UNITS if word != "1")
        raise ConfigurationError(f"got {text!r}, wanted a number with its unit ({known}), such as 24Mohm")
    return unit.point(float(match[1].replace(",", "."))), unit.si


def parse_duration(text: str) -> float:
    """Return the seconds of a duration as typed: "90s", "20m", "2h".

    Raises:
        ConfigurationError: no number, or no unit: 20 seconds and 20 hours are both easily meant.
    """
    match = _DURATION.fullmatch(text)
    if match is None:
        raise ConfigurationError(
            f"--for: got {text!r}, wanted a number with s, m or h, such as 90s, 20m or 2h"
        )
    return float(match[1].replace(",", ".")) * _SECONDS[match[2]]


def command(path: str, do: str, fields: Mapping[str, object], who: Mapping[str, str]) -> str:
    """Give a command; return what to say of it. Raises `SocketError`."""
    with SocketClient(path) as client:
        answer = client.request(do, **fields, **who)
    event = answer.get("event", {}) if isinstance(answer, dict) else {}
    return _SAID[do].format(**fields, **who, until=_until(event, fields.get("for_s")), rule=_rule(event))


def _until(event: Mapping[str, Any], for_s: object) -> str:
    """Return until when something lasts that begins with an event, in words."""
    if not isinstance(for_s, float) or "time" not in event:
        return ""
    until = dt.datetime.fromisoformat(str(event["time"])) + dt.timedelta(seconds=for_s)
    return f" until {until:%H:%M:%S} UTC"


def _rule(event: Mapping[str, Any]) -> str:
    body = event.get("body")
    volt = body.get("strap_off_above_v") if isinstance(body, dict) else None
    return "" if volt is None else f" The site's rule: straps off above {figure('', 'V', float(volt))}."


def enter(path: str, channel: str, typed: str, who: Mapping[str, str]) -> str:
    """Enter a value measured by hand; return what to say.

    Raises:
        ConfigurationError: the value is no figure, or its unit is not the channel's.
        SocketError: not reached, or refused.
    """
    value, unit = parse_figure(typed)
    known = _reading_of(path, channel)
    if known is not None and known.unit != unit:
        raise ConfigurationError(f"{channel} is in {known.unit}: got {typed!r}, a value in {unit}")
    with SocketClient(path) as client:
        client.request("enter", channel=channel, value=value, **who)
    shown = figure(known.quantity if known else "", unit, value)
    return f"{channel}: {shown} entered by {who['person']}, measured with {who['instrument']}"


def status(path: str) -> Mapping[str, Any]:
    """Return what the watcher says of itself, its greeting included, secrets left out. Raises `SocketError`."""
    with SocketClient(path) as client:
        answer = client.request("status")
        greeting = client.greeting
    assert greeting is not None
    about = {"site": greeting.site, "watcher": greeting.watcher, "run": greeting.run}
    said = (
        {key: part for key, part in answer.items() if key != "quietbench"} if isinstance(answer, dict) else {}
    )
    told = without_secrets({**about, "software": greeting.software, **said})
    assert isinstance(told, dict)
    return told


def without_secrets(value: object) -> object:
    """Return a JSON value with passwords and the like blotted out.

    A watcher should say none; but its texts quote what libraries say, and people paste what they see.
    """
    if isinstance(value, dict):
        return {
            key: BLOT if _SECRET_KEY.search(str(key)) and part is not None else without_secrets(part)
            for key, part in value.items()
        }
    if isinstance(value, list):
        return [without_secrets(part) for part in value]
    return _IN_ADDRESS.sub(BLOT, value) if isinstance(value, str) else value


def snapshot(path: str, *, timeout_s: float = 5.0) -> Snapshot:
    """Return everything as it stands. Raises `SocketError`."""
    with SocketClient(path, timeout_s=timeout_s) as client:
        first = next(client.follow())
    assert isinstance(first, Snapshot)
    return first


def _reading_of(path: str, channel: str) -> ReadingLine | None:
    return next((reading for reading in snapshot(path).readings if reading.channel == channel), None)
