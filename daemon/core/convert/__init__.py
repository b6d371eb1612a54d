"""From raw to SI: one module per kind of front end, each with its uncertainty budget and source."""

from __future__ import annotations

from quietbench.daemon.core.convert.base import Conversion, Sense, Value
from quietbench.daemon.core.convert.contact import Contact
from quietbench.daemon.core.convert.divider import Divider
from quietbench.daemon.core.convert.linear import Linear

__all__ = ["CONVERSIONS", "Contact", "Conversion", "Divider", "Linear", "Sense", "Value"]

CONVERSIONS: dict[str, type[Conversion]] = {kind.kind: kind for kind in (Contact, Divider, Linear)}
"""By the word that configuration and store use."""
