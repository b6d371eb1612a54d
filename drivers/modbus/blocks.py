"""Points to requests: registers that lie near each other are read in one go. Pure.

Each request costs two silences of three and a half characters, the device's thinking time and eleven bytes of
frame: at 9600 baud as much as fifteen registers. And values of one answer belong to one moment.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

__all__ = ["LARGEST_BLOCK", "Block", "Span", "Table", "plan_blocks"]

Table = Literal["input", "holding"]

LARGEST_BLOCK = 125
"""Registers that one answer can carry (Modbus Application Protocol V1.1b3, 6.3 and 6.4)."""


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """The registers of one point."""

    table: Table
    first: int
    width: int

    @property
    def end(self) -> int:
        """Get the register after the last."""
        return self.first + self.width


@dataclass(frozen=True, slots=True)
class Block:
    """The registers of one request."""

    table: Table
    first: int
    count: int

    @property
    def end(self) -> int:
        """Get the register after the last."""
        return self.first + self.count

    def holds(self, span: Span) -> bool:
        """Say whether a point can be read from this block."""
        return span.table == self.table and self.first <= span.first and span.end <= self.end


def plan_blocks(spans: Iterable[Span], *, bridge: int) -> tuple[Block, ...]:
    """Return requests that cover all spans, each span whole in one of them.

    Args:
        spans: the points; they may overlap.
        bridge: unused registers between two points that may be read along; a device may refuse registers it lacks.
    """
    blocks: list[Block] = []
    for span in sorted(set(spans)):
        grown = _grown(blocks[-1], span, bridge) if blocks else None
        if grown is None:
            blocks.append(Block(span.table, span.first, span.width))
        else:
            blocks[-1] = grown
    return tuple(blocks)


def _grown(block: Block, span: Span, bridge: int) -> Block | None:
    count = max(block.end, span.end) - block.first
    near = span.table == block.table and span.first - block.end <= bridge
    return Block(block.table, block.first, count) if near and count <= LARGEST_BLOCK else None
