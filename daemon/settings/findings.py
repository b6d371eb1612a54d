"""What `check` finds: each mistake once, with where it is, what was got, what was wanted."""

from __future__ import annotations

import difflib
import enum
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Finding", "Report", "Severity", "nearest_of"]

EXIT_WELL = 0
EXIT_WRONG = 2


class Severity(enum.Enum):
    """Whether the file can be used all the same."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing about the file.

    ``line`` counts from 1 and is None where the file as a whole is meant. ``table`` and ``key`` are written as
    in TOML ("benches.bench-1.channels.mat", "source"), "" at the top. ``got`` never holds a secret.
    ``nearest`` is the nearest right spelling, if one is near.
    """

    file: str
    line: int | None
    table: str
    key: str
    what: str
    got: str
    wanted: str
    nearest: str | None = None
    severity: Severity = Severity.ERROR

    def text(self) -> str:
        """Return the finding as one line for people."""
        return "".join((self._place(), self.what, self._got(), self._wanted(), self._nearest()))

    def _place(self) -> str:
        line = "" if self.line is None else f":{self.line}"
        mark = "warning: " if self.severity is Severity.WARNING else ""
        table = f"[{self.table}] " if self.table else ""
        key = f"{self.key}: " if self.key else ""
        return f"{self.file}{line}: {mark}{table}{key}"

    def _got(self) -> str:
        return f"; got {self.got}" if self.got else ""

    def _wanted(self) -> str:
        return f"; wanted {self.wanted}" if self.wanted else ""

    def _nearest(self) -> str:
        return f'; did you mean "{self.nearest}"?' if self.nearest else ""


@dataclass(frozen=True, slots=True)
class Report:
    """All findings about one file, in the order of its lines."""

    file: str
    findings: tuple[Finding, ...] = ()

    @property
    def errors(self) -> tuple[Finding, ...]:
        """Return what keeps the file from being used."""
        return tuple(f for f in self.findings if f.severity is Severity.ERROR)

    @property
    def warnings(self) -> tuple[Finding, ...]:
        """Return what is allowed but should be known."""
        return tuple(f for f in self.findings if f.severity is Severity.WARNING)

    @property
    def ok(self) -> bool:
        """Say whether the file can be used."""
        return not self.errors

    @property
    def exit_code(self) -> int:
        """Return what a command that checks should exit with: 0, or 2 where the file can't be used."""
        return EXIT_WELL if self.ok else EXIT_WRONG

    def text(self) -> str:
        """Return every finding, one a line."""
        return "\n".join(finding.text() for finding in self.findings)


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings sorted by file and line, each once."""
    return tuple(sorted(dict.fromkeys(findings), key=lambda f: (f.file, f.line or 0, f.table, f.key)))


def nearest_of(word: str, choices: Iterable[str]) -> str | None:
    """Return the choice that ``word`` most likely stands for, or None when none is near."""
    plain = {_plain(choice): choice for choice in choices}
    near = difflib.get_close_matches(_plain(word)[:200], plain, n=1, cutoff=0.6)
    return plain[near[0]] if near else None


def _plain(word: str) -> str:
    return word.casefold().replace("-", "_").replace(" ", "_")
