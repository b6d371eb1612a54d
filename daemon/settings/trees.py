"""Earth trees by full names: stretches of benches ("bench-1/cord"), and of the site they share ("site/panel")."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from quietbench.daemon.settings.document import table_of

__all__ = ["EARTH", "SITE", "Node", "Trees", "hangs_on", "trees_of"]

EARTH = "earth"
SITE = "site"


@dataclass(frozen=True, slots=True)
class Node:
    """One node as the file has it: what it says it hangs on (None where that is no text)."""

    name: str
    hangs_on: str | None


@dataclass(frozen=True, slots=True)
class Trees:
    """The trees of all places; ``places`` maps "site" and the benches to their nodes by short name."""

    places: Mapping[str, Mapping[str, Node]]

    def find(self, place: str, name: str) -> str | None:
        """Return the full name that a short or full one stands for at a place; None where there is no such node.

        A bench's own nodes come first, then the site's; earth is earth everywhere.
        """
        if name == EARTH:
            return EARTH
        for owner in (place, SITE):
            if name in self.places.get(owner, {}):
                return f"{owner}/{name}"
            if name.startswith(f"{owner}/") and name.removeprefix(f"{owner}/") in self.places.get(owner, {}):
                return name
        return None

    def names(self, place: str) -> tuple[str, ...]:
        """Return the names that may be used at a place."""
        return (*self.places.get(place, {}), *(self.places.get(SITE, {}) if place != SITE else ()))

    def up(self, full: str) -> str | None:
        """Return what a stretch hangs on, by full name; None where that can't be told."""
        place, _, name = full.partition("/")
        node = self.places.get(place, {}).get(name)
        return None if node is None or node.hangs_on is None else self.find(place, node.hangs_on)

    def way(self, full: str) -> tuple[str, ...]:
        """Return the stretches from one to earth, as far as they lead; a cycle ends it."""
        way: dict[str, None] = {}
        at: str | None = full
        while at is not None and at != EARTH and at not in way:
            way[at] = None
            at = self.up(at)
        return tuple(way)

    def ends(self, bench: str) -> tuple[str, ...]:
        """Return the short names of a bench's nodes on which nothing hangs."""
        nodes = self.places.get(bench, {})
        carried = {self.find(bench, node.hangs_on) for node in nodes.values() if node.hangs_on is not None}
        return tuple(name for name in nodes if f"{bench}/{name}" not in carried)


def trees_of(raw: Mapping[str, Any]) -> Trees:
    """Return the trees of a raw configuration; whatever is no tree in it is left out."""
    benches = {
        str(name): _nodes(table_of(bench, "earth_tree")) for name, bench in table_of(raw, "benches").items()
    }
    return Trees({**benches, SITE: _nodes(table_of(raw, "earth_tree"))})


def _nodes(table: Mapping[str, Any]) -> dict[str, Node]:
    return {name: Node(name, hangs_on(value)) for name, value in table.items()}


def hangs_on(value: Any) -> str | None:
    """Return what a node's value says it hangs on: a text, or a table with ``hangs_on``."""
    if isinstance(value, dict):
        value = value.get("hangs_on")
    return value if isinstance(value, str) else None
