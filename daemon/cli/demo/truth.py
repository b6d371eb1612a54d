"""What really happened, read from the file that the simulators write beside the simulated site."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

DROPOUT_NS = 1_000_000_000
"""An opening shorter than this is a dropout; a longer one is a path that stands open."""


@dataclass(frozen=True, slots=True)
class Opening:
    """A path that was really open at a bench, from and to in monotonic nanoseconds."""

    bench: str
    start_ns: int
    end_ns: int

    @property
    def lasted_ns(self) -> int:
        """Get how long it was open."""
        return self.end_ns - self.start_ns

    @property
    def is_dropout(self) -> bool:
        """Say whether it was a short one."""
        return self.lasted_ns < DROPOUT_NS


class TruthTail:
    """Reads a growing file of JSON lines; a half-written last line waits for its end."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._at = 0

    def new(self) -> list[dict[str, Any]]:
        """Return the lines that came since the last call."""
        try:
            with self._path.open("rb") as file:
                file.seek(self._at)
                data = file.read()
        except FileNotFoundError:
            return []
        whole, _, _ = data.rpartition(b"\n")
        self._at += len(whole) + 1 if whole else 0
        return [json.loads(line) for line in whole.splitlines()]


def openings(lines: Iterable[dict[str, Any]], stretches: frozenset[str]) -> list[Opening]:
    """Return when, at each bench, any of the stretches was open: overlapping ones are one opening for a loop."""
    found: dict[str, list[Opening]] = {}
    closed = [line for line in lines if line["what"] == "closed" and line["stretch"] in stretches]
    for line in sorted(closed, key=lambda line: int(line["start_ns"])):
        found.setdefault(line["bench"], []).append(Opening(line["bench"], line["start_ns"], line["end_ns"]))
    return [opening for bench in sorted(found) for opening in _merged(found[bench])]


def _merged(parts: list[Opening]) -> list[Opening]:
    whole: list[Opening] = []
    for part in parts:
        if whole and part.start_ns <= whole[-1].end_ns:
            whole[-1] = Opening(part.bench, whole[-1].start_ns, max(part.end_ns, whole[-1].end_ns))
        else:
            whole.append(part)
    return whole
