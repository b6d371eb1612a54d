"""Mistakes that people make in a configuration: one edit each to a good file, and what must be said of it."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

GOOD = (Path(__file__).parent / "good.toml").read_text(encoding="utf-8")
STATION = (Path(__file__).parent / "station.toml").read_text(encoding="utf-8")
"""A bench with all that alarms ask for: seats, tools, a board, buttons, reference resistors."""


class Mistake(NamedTuple):
    """Replace ``old`` (its first occurrence) by ``new``; the one finding names ``key`` and says ``word``.

    ``at`` is text of the line that it must name, if not the first line of ``new``.
    """

    name: str
    old: str
    new: str
    key: str
    word: str
    at: str = ""
    base: str = GOOD

    def text(self) -> str:
        """Return the file with the mistake in it."""
        assert self.base.count(self.old) >= 1, self.name
        return self.base.replace(self.old, self.new, 1)

    def line(self) -> int:
        """Return the line that must be named."""
        mark = self.at or self.new.strip().splitlines()[0]
        lines = self.text().splitlines()
        return next(number for number, line in enumerate(lines, 1) if mark in line)
