"""Commands to the watcher that a person answers for: acknowledge an alarm, enter a periodic check."""

from __future__ import annotations

import getpass
import re
from collections.abc import Mapping
from typing import Any

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.figures import figure
from quietbench.daemon.settings.units import UNITS
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.lines import ReadingLine, Snapshot

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


def acknowledge(path: str, alarm: str, who: Mapping[str, str]) -> str:
    """Acknowledge an alarm; return what to say. Raises `SocketError`."""
    with SocketClient(path) as client:
        client.request("acknowledge", alarm=alarm, **who)
    return f"{alarm} acknowledged by {who['person']}"


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
    """Return what the watcher says of itself, its greeting included. Raises `SocketError`."""
    with SocketClient(path) as client:
        answer = client.request("status")
        greeting = client.greeting
    assert greeting is not None
    about = {"site": greeting.site, "watcher": greeting.watcher, "run": greeting.run}
    said = (
        {key: part for key, part in answer.items() if key != "quietbench"} if isinstance(answer, dict) else {}
    )
    return {**about, "software": greeting.software, **said}


def snapshot(path: str, *, timeout_s: float = 5.0) -> Snapshot:
    """Return everything as it stands. Raises `SocketError`."""
    with SocketClient(path, timeout_s=timeout_s) as client:
        first = next(client.follow())
    assert isinstance(first, Snapshot)
    return first


def _reading_of(path: str, channel: str) -> ReadingLine | None:
    return next((reading for reading in snapshot(path).readings if reading.channel == channel), None)
