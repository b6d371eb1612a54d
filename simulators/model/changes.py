"""What can happen in the model, each with its model time in seconds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StretchChanged:
    """A stretch really opened or closed, whoever sees it."""

    at_s: float
    bench: str
    stretch: str
    open: bool


@dataclass(frozen=True, slots=True)
class PresenceChanged:
    """Somebody came to a bench or left it."""

    at_s: float
    bench: str
    present: bool


@dataclass(frozen=True, slots=True)
class ContactChanged:
    """A contact signal, as it stands on a wire to the board, changed."""

    at_s: float
    signal: str
    closed: bool


Change = StretchChanged | PresenceChanged | ContactChanged
