"""The buzzer's rhythm and the lamp's flashing as a view shows them, from the patterns that drive the real ones."""

from __future__ import annotations

from quietbench.daemon.core.records import Rhythm
from quietbench.daemon.watcher.rhythms import FLASH, PATTERNS, Pattern

STEP_S = 0.05


def heard(rhythm: str, elapsed_s: float, steps: int) -> list[bool]:
    """Return the last ``steps`` steps of `STEP_S`, the newest last, of a rhythm that began ``elapsed_s`` ago.

    An unknown rhythm is silent.
    """
    pattern = PATTERNS.get(Rhythm(rhythm), ()) if rhythm in _KNOWN else ()
    now = int(elapsed_s / STEP_S)
    return [_on(pattern, now - back) for back in reversed(range(steps))]


def dark(now_s: float) -> bool:
    """Say whether a flashing lamp is off now."""
    return not _on(FLASH, int(now_s / STEP_S))


_KNOWN = frozenset(rhythm.value for rhythm in Rhythm)


def _on(pattern: Pattern, step: int) -> bool:
    """Say whether a pattern is on in a step counted from its beginning; whole steps keep the sums exact."""
    parts = [round(part_s / STEP_S) for pair in pattern for part_s in pair]
    if not parts or step < 0:
        return False
    at = step % sum(parts)
    for index, part in enumerate(parts):
        if at < part:
            return index % 2 == 0
        at -= part
    return False
