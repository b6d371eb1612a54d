"""The tables of who and what works at a bench: seats, tools, and the resistors that prove the measurement."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from quietbench.daemon.settings.fields import LINE_LAST, Line, NameOrNames, OneLine, Table, refuse

__all__ = ["LowLine", "ReferenceTable", "SeatTable", "ToolTable"]

LOW_FIRST = 9
"""Lines 0 to 8 are pulled up from power-on: what hangs there is switched on by a board that runs nothing."""


def _is_low_from_power_on(line: int) -> int:
    if line >= LOW_FIRST:
        return line
    wanted = f"a line that is low from power-on: {LOW_FIRST} to {LINE_LAST} (0 to 8 are pulled up)"
    raise refuse("a line that is high from power-on", wanted=wanted)


LowLine = Annotated[Line, AfterValidator(_is_low_from_power_on)]
"""A line for what must be off while nothing drives it."""


class SeatTable(Table):
    """One place for one person."""

    end: OneLine = Field(description="The end of the earth tree at which the person hangs (skin).")
    presence: NameOrNames | None = Field(
        None, description="Channels that tell who is at this seat; those of the whole bench if not given."
    )
    posture: Literal["seated", "standing"] = Field(
        "seated", description="How the person works; only a standing one may be grounded by footwear."
    )
    footwear: OneLine | None = Field(
        None, description="Channel whose test of footwear and floor may stand in for the strap."
    )
    # A shift of twelve hours (own choice): what was tested yesterday says nothing of today.
    footwear_valid_h: Annotated[float, Field(gt=0, le=24)] = Field(
        12.0, description="How long a test counts after it was entered (h)."
    )
    visitor: bool = Field(False, description="A visitor's: watched as any other, left out of readiness.")


class ToolTable(Table):
    """A soldering iron or the like."""

    end: OneLine = Field(description="The end of the earth tree that is the tool's.")
    hot: OneLine = Field(description="Channel that tells whether it is hot: its earth is required then.")


class ReferenceTable(Table):
    """A known resistor that a line switches into the sense wire of a channel, for the check before work."""

    line: LowLine = Field(description="Line of its switch; must be low from power-on.")
    channel: OneLine = Field(description="The channel that reads it.")
    ohm: Annotated[float, Field(gt=0)] = Field(description="Its resistance (ohm).")
    tolerance: Annotated[float, Field(ge=0, lt=1)] = Field(
        0.01, description="Its relative tolerance, half-width."
    )
