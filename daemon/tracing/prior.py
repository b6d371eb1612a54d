"""What is believed before anything is seen. Own choices, weak on purpose; common practice, no source.

A stretch is healthy, with a rate near nothing, or it has a fault, with a rate anywhere from one a week to some an
hour. Parts that move have a fault more often. A channel also shows dropouts of its own that are no opening at all.
The truths of the scoring are drawn from exactly this.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Kind(enum.Enum):
    """Kinds of part that an earth path is made of."""

    CORD = "cord"
    SNAP = "snap"
    LEAD = "lead"
    STUD = "stud"
    BUS = "bus"
    PANEL_JOINT = "panel joint"
    OTHER = "part"


@dataclass(frozen=True, slots=True)
class Prior:
    """Gamma rates (shape, and the hours of observation that the scale is worth) and chances.

    ``fault_chance`` by kind is the chance that a stretch has a fault. ``false_*``: dropouts of a channel's own.
    ``dead_chance``: a channel that looks well and shows nothing at all.
    """

    fault_chance: dict[Kind, float]
    fault_shape: float = 0.7
    fault_hours: float = 3.5
    healthy_shape: float = 0.3
    healthy_hours: float = 600.0
    false_shape: float = 0.5
    false_hours: float = 250.0
    dead_chance: float = 0.02


PRIOR = Prior(
    {
        Kind.CORD: 0.04,
        Kind.SNAP: 0.04,
        Kind.LEAD: 0.02,
        Kind.STUD: 0.015,
        Kind.OTHER: 0.015,
        Kind.BUS: 0.005,
        Kind.PANEL_JOINT: 0.01,
    }
)

_WORDS = (
    ("cord", Kind.CORD),
    ("band", Kind.SNAP),
    ("snap", Kind.SNAP),
    ("skin", Kind.SNAP),
    ("jack", Kind.SNAP),
    ("lead", Kind.LEAD),
    ("wire", Kind.LEAD),
    ("tip", Kind.LEAD),
    ("mat", Kind.STUD),
    ("stud", Kind.STUD),
    ("common_point", Kind.STUD),
    ("bus", Kind.BUS),
    ("panel", Kind.PANEL_JOINT),
    ("earth", Kind.PANEL_JOINT),
)


def kind_of(name: str) -> Kind:
    """Return the kind of part that a stretch's name tells; the first word that fits decides."""
    last = name.rsplit("/", 1)[-1].lower()
    return next((kind for word, kind in _WORDS if word in last), Kind.OTHER)
