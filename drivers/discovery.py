"""Drivers by entry point: the built-in ones and those of other packages alike.

A package that can't be imported is named with its reason and harms no other driver.
"""

from __future__ import annotations

import difflib
import importlib.metadata
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from quietbench.drivers.api import ENTRY_POINT_GROUP, Driver
from quietbench.drivers.errors import SetupError

__all__ = ["DriverEntry", "driver_names", "find_drivers", "load_driver"]

BUS_KINDS = ("gpio", "spi", "serial", None)
_METHODS = ("open", "close", "describe", "read")


@dataclass(frozen=True, slots=True)
class DriverEntry:
    """What stands behind one driver name: the class, or why there is none."""

    name: str
    target: str
    package: str
    driver: type[Driver] | None
    error: str | None


def driver_names() -> tuple[str, ...]:
    """Return all names, importing none of the drivers."""
    return tuple(sorted({entry.name for entry in _entries()}))


def find_drivers() -> dict[str, DriverEntry]:
    """Import every driver on this machine, by name in order; those that fail carry their ``error``.

    This loads the libraries of all of them: for lists and schemas. A watcher loads what it needs by `load_driver`.
    """
    return {name: _found(name) for name in driver_names()}


def load_driver(name: str) -> type[Driver]:
    """Return the driver class of this name.

    Raises:
        SetupError: no such name, offered by two packages, or it can't be imported or used.
    """
    entry = _found(name)
    if entry.driver is None:
        raise SetupError(entry.error or f"driver {name!r} is not there")
    return entry.driver


def _entries() -> list[importlib.metadata.EntryPoint]:
    # A package seen twice on the path (editable and installed) offers the same target twice: once is meant.
    found = importlib.metadata.entry_points(group=ENTRY_POINT_GROUP)
    return list({(entry.name, entry.value): entry for entry in found}.values())


def _found(name: str) -> DriverEntry:
    entries = [entry for entry in _entries() if entry.name == name]
    if len(entries) == 1:
        return _loaded(entries[0])
    targets = ", ".join(entry.value for entry in entries)
    return DriverEntry(name, targets, "", None, _not_one(name, targets))


def _not_one(name: str, targets: str) -> str:
    if targets:
        return f"driver {name!r} is offered by more than one package: {targets}; uninstall all but one"
    known = driver_names()
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    return f"got driver {name!r}, wanted one of {', '.join(known)}{hint}"


def _loaded(entry: importlib.metadata.EntryPoint) -> DriverEntry:
    package = entry.dist.name if entry.dist else ""
    try:
        loaded = entry.load()
    except Exception as failure:  # noqa: BLE001 - other people's module code may raise anything; it is told by name
        error = (
            f"driver {entry.name!r} ({entry.value}) can't be imported: {type(failure).__name__}: {failure}"
        )
        return DriverEntry(entry.name, entry.value, package, None, error)
    lacks = shortcomings(loaded)
    if lacks:
        error = f"driver {entry.name!r} ({entry.value}) is no driver: {'; '.join(lacks)}"
        return DriverEntry(entry.name, entry.value, package, None, error)
    return DriverEntry(entry.name, entry.value, package, loaded, None)


def shortcomings(candidate: Any) -> list[str]:
    """Return what a class lacks to be a driver, one text each; none if it is one."""
    if not isinstance(candidate, type):
        return [f"got {candidate!r}, wanted a class"]
    options = getattr(candidate, "options", None)
    kind = getattr(candidate, "bus_kind", "")
    lacks = [f"method {name} is missing" for name in _METHODS if not callable(getattr(candidate, name, None))]
    if not (isinstance(options, type) and issubclass(options, BaseModel)):
        lacks.append(f"options: got {options!r}, wanted a pydantic model")
    if kind not in BUS_KINDS:
        lacks.append(f"bus_kind: got {kind!r}, wanted one of {', '.join(map(repr, BUS_KINDS))}")
    return lacks
