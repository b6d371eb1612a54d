"""The tables of limits: a site's own on a channel, and the numbers of a limit profile."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.settings.fields import Delay, Name, OneLine, Table, refuse, text_or_table
from quietbench.daemon.settings.findings import nearest_of

__all__ = [
    "BUILT_IN_LIMITS",
    "DANGEROUS",
    "LONGEST_ON_DELAY_S",
    "LimitName",
    "LimitTable",
    "PriorityWord",
    "ProfileLimit",
    "ProfileTable",
    "QuantityName",
    "RequirementWord",
    "SourceTable",
    "Trust",
]

PriorityWord = Literal["low", "medium", "high"]
RequirementWord = Literal["<", "<=", ">", ">="]

FAULT = "fault"
BUILT_IN_LIMITS = ("closed", "change")
"""Limits that every fitting channel has without a profile."""

DANGEROUS = ("earth_offset", "outlet_wiring")
"""Quantities that can speak of danger to people: two earths apart, a live earth, line and earth swapped."""

LONGEST_ON_DELAY_S = 0.5
"""The longest that an alarm of a path, or of danger to people, may be held back (s; own choice)."""

_UNSEEN = frozenset({"watcher_health"})
_QUANTITIES = tuple(name for name in QUANTITIES if name not in _UNSEEN)


def _is_quantity(name: str) -> str:
    if name in _QUANTITIES:
        return name
    wanted = "one of " + ", ".join(_QUANTITIES)
    raise refuse("unknown quantity", wanted=wanted, nearest=nearest_of(name, _QUANTITIES))


QuantityName = Annotated[
    str, AfterValidator(_is_quantity), Field(json_schema_extra={"enum": list(_QUANTITIES)})
]
"""What a channel measures."""


def _is_free(name: str) -> str:
    if name != FAULT:
        return name
    raise refuse("a reserved name", wanted=f'another name: "{FAULT}" is the alarm of the measurement itself')


LimitName = Annotated[Name, AfterValidator(_is_free)]
"""A limit's name on its channel; part of the alarm's id."""

Trust = Literal[
    "seen on a public copy of the table",
    "second-hand: a trade page quoting the clause",
    "seen on one poor copy, unverified",
    "from memory, high confidence",
    "from memory, unverified",
    "value of the 2016 edition, unverified",
    "common practice, no source",
    "own choice",
]
"""How sure a number of a built-in profile is."""


class SourceTable(Table):
    """Where a site's own limit comes from."""

    document: OneLine = Field(description="The document that sets the number, or the site's rule.")
    edition: Annotated[str, Field(max_length=100)] = Field("", description="Its edition or date.")
    clause: Annotated[str, Field(max_length=100)] = Field("", description="Clause, table or row.")
    test_method: Annotated[str, Field(max_length=200)] = Field(
        "", description="How it is meant to be measured."
    )
    trust: OneLine = Field("as stated by the site", description="How sure the number is, in words.")
    remark: Annotated[str, Field(max_length=500)] = Field("", description="Anything else.")


class LimitTable(Table):
    """One limit of a channel: a new one, or changes to the profile's limit of the same name.

    A new limit needs requirement, bound and source; so does a bound changed from the profile's.
    """

    requirement: RequirementWord | None = Field(None, description="The relation that a value must satisfy.")
    bound: float | None = Field(None, description="The bound, in `unit`.")
    unit: str | None = Field(
        None, description="Unit of bound and deadband; the quantity's SI unit if not given."
    )
    priority: PriorityWord | None = Field(None, description="How soon a person must act.")
    deadband: Annotated[float, Field(ge=0)] | None = Field(
        None, description="How much better than the bound a value must be before the alarm clears."
    )
    on_delay_s: Delay | None = Field(
        None,
        description="How long a violation lasts before it sounds (s); at most 0.5 where it protects or is a danger.",
    )
    off_delay_s: Delay | None = Field(None, description="How long it must be well before it stops (s).")
    protects: bool | None = Field(
        None, description="Whether a violation opens the paths that the channel measures."
    )
    entered: bool | None = Field(None, description="Whether it is judged by values entered by hand.")
    latching: bool | None = Field(
        None, description="Whether the alarm stays until a person resets it, also when all is well again."
    )
    resound_s: Delay | None = Field(
        None,
        description="Time after which an acknowledged alarm that still stands sounds again (s), 0 for never; "
        "300 where it protects, 120 where it is a danger, else 0, if not given.",
    )
    danger: bool | None = Field(
        None, description="Whether it speaks of danger to people and leads every other sentence."
    )
    use: bool | None = Field(
        None, description="Use an optional limit of the profile, or (with a source) leave one out."
    )
    source: Annotated[SourceTable, text_or_table("document", SourceTable)] | None = Field(
        None, description="Where the number comes from: a text, or a table."
    )


class ProfileLimit(Table):
    """One number of a limit profile, with everything that says where it comes from."""

    quantity: QuantityName
    name: LimitName
    requirement: RequirementWord
    bound: float
    unit: str
    priority: PriorityWord
    deadband: Annotated[float, Field(ge=0)] = 0.0
    on_delay_s: Delay = 0.0
    off_delay_s: Delay = 0.0
    protects: bool = False
    entered: bool = Field(False, description="Judged by values entered by hand.")
    latching: bool = Field(False, description="Stays until a person resets it.")
    resound_s: Delay | None = Field(None, description="When it sounds again; by rule if not given.")
    danger: bool = Field(False, description="Speaks of danger to people.")
    optional: bool = Field(False, description="Off unless a channel asks for it.")
    shock: bool = Field(False, description="Protects persons from shock: can't be left out.")
    conductors: Literal[1, 2] | None = Field(None, description="Only for straps with this many conductors.")
    document: OneLine
    edition: Annotated[str, Field(max_length=100)]
    clause: Annotated[str, Field(max_length=200)]
    test_method: Annotated[str, Field(max_length=300)]
    trust: OneLine
    remark: Annotated[str, Field(max_length=500)] = ""


class ProfileTable(Table):
    """A limit profile: one published edition, or a site's own rules."""

    version: Literal[1]
    name: Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(?:[-_.][a-z0-9]+)*$", max_length=60)]
    title: OneLine
    unverified: bool = Field(
        False, description="Its numbers have not been checked against the edition it is named after."
    )
    remark: Annotated[str, Field(max_length=1000)] = ""
    limits: list[ProfileLimit] = Field(default_factory=list)
