"""The commands ``profiles``, ``drivers`` and ``status``: lists to be read in 80 columns, or as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from quietbench.daemon.cli.exits import Exit
from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.figures import figure, wanted
from quietbench.daemon.settings.units import UNITS

if TYPE_CHECKING:
    from pydantic import BaseModel

    from quietbench.daemon.settings.limits import ProfileLimit
    from quietbench.daemon.settings.profiles import Profile
    from quietbench.drivers.discovery import DriverEntry


def _console() -> Console:
    return Console(highlight=False, soft_wrap=False)


def _print_json(value: object) -> None:
    print(json.dumps(value, ensure_ascii=False, indent=2))


# --- profiles ---


def list_profiles(name: str | None, *, as_json: bool) -> None:
    """Print one profile in full, or all with their sources.

    Raises:
        ConfigurationError: no such profile, or its file is wrong.
    """
    from quietbench.daemon.settings.profiles import built_in_profiles, load_profile

    shown = [load_profile(name, Path.cwd())] if name else list(built_in_profiles())
    if as_json:
        _print_json([_profile_json(profile) for profile in shown])
        return
    console = _console()
    for profile in shown:
        _print_profile(console, profile, full=name is not None)
    console.print(
        "Every number says how sure it is: compare an unverified one with your own copy of the edition before "
        "you rely on it."
    )


def _profile_json(profile: Profile) -> dict[str, object]:
    return {
        "name": profile.name,
        "title": profile.title,
        "unverified": profile.unverified,
        "remark": profile.remark,
        "limits": [limit.model_dump() for limit in profile.limits],
    }


def _print_profile(console: Console, profile: Profile, *, full: bool) -> None:
    from quietbench.daemon.settings.profiles import SHOCK

    console.print(Text(profile.name, "bold").append(f"  {profile.title}", "not bold"))
    if profile.unverified:
        _indented(console, "Not checked against the edition it is named after.", 2, "bold yellow")
    if profile.remark:
        _indented(console, profile.remark, 2, "")
    own = [limit for limit in profile.limits if full or profile.name == SHOCK or not limit.shock]
    for quantity, limits in groupby(own, key=lambda limit: limit.quantity):
        console.print(Text(f"  {QUANTITIES[quantity].label}", "underline"))
        for limit in limits:
            _print_limit(console, limit, full=full)
    if len(own) < len(profile.limits):
        _indented(console, f'and the limits of "{SHOCK}", which belong to every profile', 2, "italic")
    console.print()


def _print_limit(console: Console, limit: ProfileLimit, *, full: bool) -> None:
    bound = wanted(
        limit.quantity, UNITS[limit.unit].si, limit.requirement, str(UNITS[limit.unit].point(limit.bound))
    )
    line = Text(f"    {limit.name}: ").append(bound, "bold").append(f"  {', '.join(_remarks(limit))}", "dim")
    console.print(line)
    source = ", ".join(part for part in (limit.document, limit.edition, limit.clause) if part)
    _indented(console, f"from {source}", 6, "")
    _indented(console, f"trust: {limit.trust}", 6, "yellow" if "unverified" in limit.trust else "")
    if full:
        measured = f"measured by {limit.test_method}" if limit.test_method else ""
        for words in (measured, limit.remark, _delays(limit)):
            _indented(console, words, 6, "dim")


def _remarks(limit: ProfileLimit) -> Iterator[str]:
    yield f"{limit.priority} priority"
    if limit.protects:
        yield "opens the path"
    if limit.optional:
        yield "only where asked for"
    if limit.conductors:
        yield f"straps with {limit.conductors} conductor{'s' if limit.conductors > 1 else ''}"


def _delays(limit: ProfileLimit) -> str:
    parts = [f"deadband {_step(limit)}"] if limit.deadband else []
    parts += [f"sounds after {limit.on_delay_s:g} s"] if limit.on_delay_s else []
    parts += [f"stops after {limit.off_delay_s:g} s"] if limit.off_delay_s else []
    return ", ".join(parts)


def _step(limit: ProfileLimit) -> str:
    """Return the deadband; a step of temperature is no temperature, so only resistances and such are scaled."""
    unit = UNITS[limit.unit]
    return (
        f"{limit.deadband:g} {limit.unit}"
        if unit.plus
        else figure(limit.quantity, unit.si, unit.step(limit.deadband))
    )


def _indented(console: Console, text: str, by: int, style: str) -> None:
    if text:
        console.print(Padding(Text(text, style), (0, 0, 0, by)))


# --- drivers ---


def list_drivers(*, as_json: bool) -> Exit:
    """Print the drivers on this machine; return 1 when one is broken."""
    from quietbench.drivers.discovery import find_drivers

    entries = list(find_drivers().values())
    if as_json:
        _print_json([_driver_json(entry) for entry in entries])
    else:
        console = _console()
        for entry in entries:
            _print_driver(console, entry)
    return Exit.RUN if any(entry.error for entry in entries) else Exit.FINE


def _driver_json(entry: DriverEntry) -> dict[str, object]:
    driver = entry.driver
    return {
        "name": entry.name,
        "target": entry.target,
        "package": entry.package,
        "error": entry.error,
        "bus": driver.bus_kind if driver else None,
        "options": driver.options.model_json_schema() if driver else None,
    }


def _print_driver(console: Console, entry: DriverEntry) -> None:
    if entry.driver is None:
        console.print(Text(f"{entry.name}  ", "bold").append("can't be used", "bold red"))
        _indented(console, entry.error or "no reason given", 4, "")
        console.print()
        return
    bus = f"on a {entry.driver.bus_kind} bus" if entry.driver.bus_kind else "needs no bus"
    console.print(
        Text(entry.name, "bold").append(f"  {bus}, from {entry.package or entry.target}", "not bold")
    )
    _indented(console, _first_line(entry.driver.__doc__), 2, "")
    for name, kind, text in option_rows(entry.driver.options):
        console.print(Text(f"    {name}", "bold").append(f"  {kind}", "dim"))
        _indented(console, text, 8, "")
    console.print()


def option_rows(model: type[BaseModel]) -> Iterator[tuple[str, str, str]]:
    """Yield name, kind with range and default, and description of every option of a driver."""
    schema = model.model_json_schema()
    definitions = schema.get("$defs", {})
    required = set(schema.get("required", ()))
    for name, field in schema.get("properties", {}).items():
        kind = _kind(field, definitions)
        default = "needed" if name in required else f"if not given {json.dumps(field.get('default'))}"
        yield name, f"{kind}, {default}", str(field.get("description", ""))


def _kind(field: Mapping[str, Any], definitions: Mapping[str, Any]) -> str:
    """Return what a value may be, in words, from its JSON schema."""
    if "$ref" in field:
        return _kind(definitions.get(field["$ref"].rpartition("/")[2], {}), definitions)
    if "enum" in field:
        return "one of " + ", ".join(map(str, field["enum"]))
    if "const" in field:
        return str(field["const"])
    choices = [choice for key in ("anyOf", "oneOf") for choice in field.get(key, ())]
    if choices:
        return " or ".join(_kind(c, definitions) for c in choices if c.get("type") != "null")
    if field.get("type") == "array":
        return f"list of {_kind(field.get('items', {}), definitions)}"
    return _KINDS.get(field.get("type", ""), "value") + _range(field)


_KINDS = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
    "object": "table",
}


def _range(field: Mapping[str, Any]) -> str:
    words = (
        ("minimum", "from"),
        ("exclusiveMinimum", "above"),
        ("maximum", "to"),
        ("exclusiveMaximum", "below"),
    )
    return "".join(f" {word} {field[key]:g}" for key, word in words if key in field)


def _first_line(text: str | None) -> str:
    return (text or "").strip().partition("\n")[0]


# --- status ---


def print_status(status: Mapping[str, Any], *, as_json: bool) -> None:
    """Print what a watcher says of itself."""
    if as_json:
        _print_json(status)
        return
    for name, value in _flat(status):
        print(f"{name.replace('_', ' '):<24} {value}")


def _flat(value: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, str]]:
    for name, part in value.items():
        if isinstance(part, Mapping) and part:
            yield from _flat(part, f"{before}{name} ")
        else:
            yield before + name, _said(part)


def _said(value: object) -> str:
    if value is None or value == {}:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return ", ".join(map(_said, value)) or "none"
    return str(value)
