"""From what a model refuses to findings: each with its line, what was got and what was wanted.

A missing and an unknown key of one table that resemble each other are one mistake, a misspelling, and one message.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any

from pydantic import BaseModel, ValidationError

from quietbench.daemon.settings.document import Document, at, table_of
from quietbench.daemon.settings.findings import Finding, nearest_of
from quietbench.daemon.settings.scan import Path
from quietbench.daemon.settings.words import Node, keys_of, node_at, wanted_words

__all__ = ["Complaints", "Validated", "validated"]

_ALIKE = 0.6
_SCALARS = frozenset({"int_type", "float_type", "string_type", "bool_type"})
_GOT_WANTED = re.compile(r"^(?:(?P<what>.*?),? )?got (?P<got>.+?), wanted (?P<wanted>.+)$", re.DOTALL)
_TYPE_ENDINGS = ("_type", "_parsing", "_from_float", "_from_date", "_from_datetime", "_inexact")


@dataclass(frozen=True, slots=True)
class Validated:
    """What a model made of raw values: the object, or the errors."""

    value: Any
    errors: tuple[Mapping[str, Any], ...]


def validated(model: type[BaseModel], raw: Any) -> Validated:
    """Validate raw values of TOML, taking its types at their word.

    Models of drivers may be lax, so that lists become tuples and texts become paths; but TOML knows numbers from
    texts, and "22" for 22 is a mistake in any of them.
    """
    value, errors = _validated(model, raw, strict=False)
    _, strict_errors = _validated(model, raw, strict=True)
    places = {error["loc"] for error in errors}
    more = [e for e in strict_errors if e["type"] in _SCALARS and e["loc"] not in places]
    errors = (*errors, *more)
    return Validated(None if errors else value, errors)


def _validated(
    model: type[BaseModel], raw: Any, *, strict: bool
) -> tuple[BaseModel | None, tuple[Mapping[str, Any], ...]]:
    try:
        return model.model_validate(raw, strict=strict or None), ()
    except ValidationError as error:
        return None, tuple(error.errors(include_url=False, include_input=False))


class Complaints:
    """Findings from the errors of one document, sorted out by table."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._missing: dict[Path, dict[str, str]] = {}
        self._unknown: dict[Path, dict[str, tuple[str, ...]]] = {}
        self._other: dict[Path, Finding] = {}

    def add(self, errors: tuple[Mapping[str, Any], ...], schema: Node, base: Path = ()) -> None:
        """Take the errors of a model with this schema that validated the raw value at ``base``."""
        raw = at(self._document.raw, base) if base else self._document.raw
        for error in errors:
            loc = _located(raw, error["loc"])
            self._take(error, schema, raw, loc, base)

    def unknown(self, table: Path, key: str, known: tuple[str, ...]) -> None:
        """Take a key that no model of its table knows."""
        self._unknown.setdefault(table, {})[key] = known

    def findings(self) -> Iterator[Finding]:
        """Yield every mistake once."""
        for table in dict.fromkeys((*self._missing, *self._unknown)):
            yield from self._of_table(table)
        yield from self._other.values()

    def sections_misspelt(self) -> frozenset[str]:
        """Return the top-level tables that a misspelt key most likely stands for."""
        near = (nearest_of(key, known) for key, known in self._unknown.get((), {}).items())
        return frozenset(name for name in near if name is not None)

    def _take(self, error: Mapping[str, Any], schema: Node, raw: Any, loc: Path, base: Path) -> None:
        path = (*base, *loc)
        table = (*base, *loc[:-1])
        kind = error["type"]
        if kind == "missing":
            self._missing.setdefault(table, {})[str(loc[-1])] = wanted_words(node_at(schema, raw, loc))
        elif kind == "union_tag_not_found":
            wanted = wanted_words(_tag_node(schema, raw, loc))
            self._missing.setdefault(path, {})[_tag_key(error)] = wanted
        elif kind == "extra_forbidden":
            self.unknown(table, str(loc[-1]), keys_of(node_at(schema, raw, loc[:-1])))
        else:
            self._other.setdefault(path, self._finding(error, schema, raw, loc, base))

    def _of_table(self, table: Path) -> Iterator[Finding]:
        missing = dict(self._missing.get(table, {}))
        unknown = dict(self._unknown.get(table, {}))
        loose = self._undeclared(table) if not unknown else {}
        for wrong, right in _pairs(missing, {**unknown, **loose}):
            wanted = f'"{right}": {missing[right]}' if missing[right] else f'"{right}"'
            yield self._document.finding(
                (*table, wrong),
                "unknown key, and a needed one is missing",
                got=f'"{wrong}"',
                wanted=wanted,
                nearest=right,
            )
            missing.pop(right)
            unknown.pop(wrong, None)
        for key, wanted in missing.items():
            yield self._document.finding(
                (*table, key), "missing key", got="nothing", wanted=wanted or "a value"
            )
        for key, known in unknown.items():
            wanted = "one of " + ", ".join(known) if known else "no such key"
            yield self._document.finding(
                (*table, key),
                "unknown key",
                got=f'"{key[:60]}"',
                wanted=wanted,
                nearest=nearest_of(key, known),
            )

    def _undeclared(self, table: Path) -> dict[str, tuple[str, ...]]:
        """Return a table's keys that could be misspelt needed ones where its model allows any others."""
        keys = table_of(self._document.raw, *(str(step) for step in table))
        return dict.fromkeys(keys, ()) if table[:1] == ("devices",) else {}

    def _finding(self, error: Mapping[str, Any], schema: Node, raw: Any, loc: Path, base: Path) -> Finding:
        path = (*base, *loc)
        context = error.get("ctx", {})
        if error["type"] == "refused":
            return self._document.finding(
                path,
                context["what"],
                got=context.get("got"),
                wanted=context["wanted"],
                nearest=context.get("nearest"),
            )
        if error["type"] in ("value_error", "assertion_error"):
            return self._said_by_model(error, schema, raw, loc, base)
        node = node_at(schema, raw, loc)
        if error["type"] == "union_tag_invalid":
            path, node = (*path, _tag_key(error)), _tag_node(schema, raw, loc)
        wanted = wanted_words(node) or error["msg"]
        if loc and error.get("loc", ())[-1:] == ("[key]",):
            return self._wrong_name(path)
        value = at(self._document.raw, path)
        nearest = nearest_of(value, map(str, node.get("enum", ()))) if isinstance(value, str) else None
        return self._document.finding(path, _what(error["type"]), wanted=wanted, nearest=nearest)

    def _wrong_name(self, path: Path) -> Finding:
        name = str(path[-1])
        near = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:40]
        wanted = "a name of small letters and digits, parted by - or _, at most 40 characters"
        got = self._document.finding(path, "").key
        return self._document.finding(path, "not a usable name", got=got, wanted=wanted, nearest=near or None)

    def _said_by_model(
        self, error: Mapping[str, Any], schema: Node, raw: Any, loc: Path, base: Path
    ) -> Finding:
        """Show an error that a model of a driver said in its own words, at the key that it speaks of."""
        text = str(error.get("ctx", {}).get("error") or error["msg"]).removeprefix("Value error, ")
        keys = keys_of(node_at(schema, raw, loc))
        named = [word for word in re.findall(r"[a-z][a-z0-9_]*", text) if word in keys]
        path = (*base, *loc, *named[:1])
        match = _GOT_WANTED.match(text)
        if match is None:
            return self._document.finding(path, text, got="", wanted="what fits the other keys of this table")
        return self._document.finding(
            path, match["what"] or "not possible", got=match["got"], wanted=match["wanted"]
        )


def _what(kind: str) -> str:
    if kind.endswith(_TYPE_ENDINGS) or kind in ("is_instance_of", "date_from_datetime_inexact"):
        return "wrong type"
    if kind in ("literal_error", "enum", "union_tag_invalid"):
        return "unknown word"
    if kind in ("too_short", "too_long", "string_too_short", "string_too_long"):
        return "wrong length"
    return "out of range" if kind.startswith(("greater", "less", "finite")) else "not usable"


def _located(raw: Any, loc: tuple[str | int, ...]) -> Path:
    """Return an error's place as a path of raw keys: a model's own marks of alternatives are left out."""
    path: list[str | int] = []
    for number, step in enumerate(loc):
        if not isinstance(raw, dict | list) or step == "[key]":
            break
        if at(raw, (step,)) is None and number < len(loc) - 1 and loc[number + 1] != "[key]":
            continue
        path.append(step)
        raw = at(raw, (step,))
    return tuple(path)


def _tag_key(error: Mapping[str, Any]) -> str:
    return str(error.get("ctx", {}).get("discriminator", "kind")).strip("'")


def _tag_node(schema: Node, raw: Any, loc: Path) -> Node:
    """Return what the deciding key of a union may be."""
    parent = node_at(schema, raw, loc[:-1])
    candidates = (*parent.get("patternProperties", {}).values(), *parent.get("properties", {}).values())
    own = parent.get("properties", {}).get(loc[-1]) if loc else None
    for node in (own, *candidates) if own else candidates:
        for part in (node, *node.get("anyOf", ())):
            if "discriminator" in part:
                return {"enum": list(part["discriminator"]["mapping"])}
    return {}


def _likeness(wrong: str, right: str) -> float:
    return SequenceMatcher(None, wrong[:100].casefold(), right).ratio()


def _pairs(missing: Mapping[str, str], unknown: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return (wrong, right) pairs that resemble each other, the most alike first, each key once."""
    both = ((wrong, right) for wrong in unknown for right in missing)
    scored = sorted(((_likeness(wrong, right), wrong, right) for wrong, right in both), reverse=True)
    pairs: list[tuple[str, str]] = []
    for score, wrong, right in scored:
        taken = any(wrong == w or right == r for w, r in pairs)
        if score >= _ALIKE and not taken:
            pairs.append((wrong, right))
    return pairs
