"""Numbers for people."""

from __future__ import annotations

from collections.abc import Sequence


def quantile(values: Sequence[float], part: float) -> float:
    """Return the value that this part of all do not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(part * len(ordered)))]


def table(title: str, head: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Print a table: first column to the left, numbers to the right."""
    cells = [[str(cell) for cell in row] for row in (head, *rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(head))]
    print(f"\n\n{title}")
    for row in cells:
        rest = (cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True))
        print("  " + "  ".join((row[0].ljust(widths[0]), *rest)))


def ms(nanoseconds: float) -> str:
    """Return nanoseconds as milliseconds."""
    return f"{nanoseconds / 1e6:.3f}"
