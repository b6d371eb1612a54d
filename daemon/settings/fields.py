"""The kinds of value that the tables of a configuration share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints
from pydantic_core import PydanticCustomError

__all__ = [
    "LINE_LAST",
    "PATTERN_WORDS",
    "AccountName",
    "ClientId",
    "Delay",
    "Line",
    "Name",
    "NameOrNames",
    "Names",
    "OneLine",
    "PathText",
    "Period",
    "Table",
    "TimeOfDay",
    "refuse",
    "short_form",
    "text_or_table",
    "without_repeats",
]

LINE_LAST = 27
"""Highest line that a 40-pin header carries, by the chip's own (BCM) numbers."""

_NAME = r"^[a-z0-9]+(?:[-_][a-z0-9]+)*$"
_ONE_LINE = r"^[^\x00-\x1f\x7f-\x9f]+$"

_ACCOUNT = r"^[a-z_][a-z0-9_-]{0,31}$"
_CLIENT = r"^[A-Za-z0-9._-]{1,64}$"
_TIME_OF_DAY = r"^(?:[01][0-9]|2[0-3]):[0-5][0-9]$"

PATTERN_WORDS = {
    _ACCOUNT: "the name of a user or group of the machine",
    _CLIENT: "the name by which the broker knows a client: letters, digits and . _ -, at most 64",
    _TIME_OF_DAY: 'a time of day in quotes, from "00:00" to "23:59"',
    _NAME: "a name of small letters and digits, parted by - or _",
    _ONE_LINE: "one line of text, at least one character",
}
"""What a pattern asks for, in words."""

Name = Annotated[str, StringConstraints(pattern=_NAME, max_length=40)]
"""A name of this file: it becomes a level of topics and part of ids, so it holds no separator of theirs."""

OneLine = Annotated[str, StringConstraints(pattern=_ONE_LINE, max_length=200)]
"""Text that is shown to people; control characters could take over a terminal."""

PathText = Annotated[str, StringConstraints(pattern=_ONE_LINE, max_length=1000)]
"""A path; a relative one starts at the configuration's folder."""

AccountName = Annotated[str, StringConstraints(pattern=_ACCOUNT)]
"""A user or group of the machine."""

ClientId = Annotated[str, StringConstraints(pattern=_CLIENT)]
"""The name by which a broker knows a client; it is a level of topics too."""

TimeOfDay = Annotated[str, StringConstraints(pattern=_TIME_OF_DAY)]
"""Hour and minute of the site's own time."""

Period = Annotated[float, Field(gt=0, le=3600)]
"""A time between two polls or the like (s)."""

Delay = Annotated[float, Field(ge=0, le=3600)]
"""A time that may be none (s)."""

Line = Annotated[int, Field(ge=0, le=LINE_LAST)]
"""A GPIO line by its BCM number."""


class Table(BaseModel):
    """A table of the file: unknown keys are refused, types are taken at their word, NaN is no number."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def refuse(
    what: str, *, wanted: str, got: str | None = None, nearest: str | None = None
) -> PydanticCustomError:
    """Return an error for a validator to raise; `check` shows its parts.

    ``got`` replaces the value itself where that must not be shown, or would not help.
    """
    parts = {"what": what, "wanted": wanted, "got": got, "nearest": nearest}
    given = {key: value for key, value in parts.items() if value is not None}
    return PydanticCustomError("refused", "{what}: wanted {wanted}", given)


T = TypeVar("T")


def short_form(key: str) -> Callable[[Any], Any]:
    """Return a validator that takes a bare text as a table with this one key."""

    def expand(value: Any) -> Any:
        return {key: value} if isinstance(value, str) else value

    return expand


def text_or_table(key: str, table: type[BaseModel]) -> BeforeValidator:
    """Return the marker of a field that may be a table or, short, only the text of its ``key``."""
    return BeforeValidator(short_form(key), json_schema_input_type=str | table)


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def without_repeats(names: list[str]) -> list[str]:
    """Return the names; one given twice is refused."""
    repeated = sorted({name for name in names if names.count(name) > 1})
    if repeated:
        raise refuse("a name given twice", wanted="each name once", got=", ".join(repeated))
    return names


Names = Annotated[list[OneLine], Field(min_length=1), AfterValidator(without_repeats)]
"""A list of names without repeats."""

NameOrNames = Annotated[Names, BeforeValidator(_as_list, json_schema_input_type=str | list[str])]
"""One name, or a list of them."""
