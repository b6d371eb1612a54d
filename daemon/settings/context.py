"""What the second pass over a configuration looks at: raw tables, and what of them is well already."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from quietbench.daemon.settings.channels import ChannelTable
from quietbench.daemon.settings.document import Document
from quietbench.daemon.settings.findings import Finding, nearest_of
from quietbench.daemon.settings.rules import Rules
from quietbench.daemon.settings.scan import Path
from quietbench.daemon.settings.trees import Trees

__all__ = ["ChannelPlace", "Context", "Unknowns"]


@dataclass(frozen=True, slots=True)
class ChannelPlace:
    """One channel of the file: where it stands, and its table if that is well."""

    section: str
    place: str
    name: str
    raw: dict[str, Any]
    table: ChannelTable | None

    @property
    def path(self) -> Path:
        """Get the path of its table."""
        return (self.section, self.place, "channels", self.name)

    @property
    def full(self) -> str:
        """Get its name in the plan: "place/word"."""
        return f"{self.place}/{self.name}"


@dataclass(frozen=True, slots=True)
class Context:
    """A document with what the first pass found out.

    ``points`` maps each device to its points. ``misspelt`` are top-level tables that the file most likely has
    under a wrong name: what refers to their content would only echo that. ``rules`` is None where a limit
    profile can't be used.
    """

    document: Document
    trees: Trees
    channels: tuple[ChannelPlace, ...]
    points: Mapping[str, tuple[str, ...]]
    rules: Rules | None
    misspelt: frozenset[str]


class Unknowns:
    """Names that are used and not there: one finding for each, however often it is used."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._uses: dict[tuple[str, str, str], tuple[tuple[str, ...], list[Path]]] = {}

    def use(self, what: str, name: str, path: Path, choices: tuple[str, ...], *, owner: str = "") -> None:
        """Take note that ``path`` uses a name of which there is none; ``owner`` keeps equal names apart."""
        self._uses.setdefault((what, owner, name), (choices, []))[1].append(path)

    def findings(self) -> Iterator[Finding]:
        """Yield one finding for every name, at its first use."""
        for (what, _, name), (choices, paths) in self._uses.items():
            some = ", ".join(choices[:12]) + (", …" if len(choices) > 12 else "")
            others = sorted({line for line in map(self._document.scan.line, paths[1:]) if line is not None})
            also = f" (also used at line {', '.join(map(str, others))})" if others else ""
            yield self._document.finding(
                paths[0],
                f"no such {what}{also}",
                wanted=f"one of {some}" if choices else f"a {what} of this file; it has none",
                nearest=nearest_of(name, choices),
            )
