"""What a bench must hold in which situation: one table, read by the code, the documentation and the tests.

=====================  ==========================================================================
situation              ways to earth that must be watched and good
=====================  ==========================================================================
somebody seated        the seat's strap
somebody standing      the seat's strap, or footwear and floor with a test of today
board out              every worksurface, person or not
tool hot               that tool's earth
nobody, no board, no   none: the bench is empty
hot tool
=====================  ==========================================================================

Where nothing tells whether a board is out, one counts as out while the bench is in use. What can't be told
counts as so: a person there, a board out, a tool hot.
"""

from __future__ import annotations

import enum


class Situation(enum.Enum):
    """One row of the table."""

    SEATED = "somebody seated"
    STANDING = "somebody standing"
    BOARD_OUT = "board out"
    TOOL_HOT = "tool hot"


class Way(enum.Enum):
    """What kind of end a way to earth begins at."""

    STRAP = "strap"
    FOOTWEAR = "footwear and floor, tested today"
    SURFACE = "worksurface"
    TOOL = "tool earth"


REQUIRED: dict[Situation, tuple[Way, ...]] = {
    Situation.SEATED: (Way.STRAP,),
    Situation.STANDING: (Way.STRAP, Way.FOOTWEAR),
    Situation.BOARD_OUT: (Way.SURFACE,),
    Situation.TOOL_HOT: (Way.TOOL,),
}
"""By situation the ways of which one is required; `STANDING` has two that may stand in for each other."""
