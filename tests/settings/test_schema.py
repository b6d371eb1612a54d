"""The published JSON Schema is the models', and accepts what `check` accepts."""

from __future__ import annotations

import datetime as dt
import json
import tomllib
from typing import Any

import jsonschema
import pytest

from quietbench.daemon.settings.schema import configuration_schema, schema_text, stored_schema

from .mistakes import GOOD, STATION

EXAMPLES = stored_schema().parents[1] / "examples"
SCHEMA = configuration_schema()


def plain(value: Any) -> Any:
    """Return TOML's values as JSON has them."""
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [plain(inner) for inner in value]
    return value.isoformat() if isinstance(value, dt.date) else value


def errors(text: str) -> list[str]:
    """Return what the schema has against a configuration."""
    validator = jsonschema.Draft202012Validator(SCHEMA)
    return [error.message for error in validator.iter_errors(plain(tomllib.loads(text)))]


def test_the_stored_schema_is_the_models() -> None:
    """When this fails: python -m quietbench.daemon.settings.schema."""
    assert stored_schema().read_text(encoding="utf-8") == schema_text()


def test_the_schema_is_one() -> None:
    """By its own dialect."""
    jsonschema.Draft202012Validator.check_schema(json.loads(schema_text()))


@pytest.mark.parametrize(
    "text", [GOOD, STATION, *(path.read_text(encoding="utf-8") for path in EXAMPLES.glob("*.toml"))]
)
def test_the_schema_accepts_what_is_right(text: str) -> None:
    """The good file and every example."""
    assert errors(text) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("version = 1", "version = 2"),
        ("line = 22", "lien = 22"),
        ("line = 22", "line = 99"),
        ('driver = "contact"', 'driver = "contakt"'),
        ('bus = "air"\n', ""),
        ('"strap_contact"', '"strap_contakt"'),
        ("red = 13, ", ""),
        ('source = "strap-1"\n', ""),
        ('"uint16"', '"uint_16"'),
    ],
)
def test_the_schema_refuses_what_is_wrong(old: str, new: str) -> None:
    """As far as a schema can."""
    assert errors(GOOD.replace(old, new, 1))


def test_every_key_is_described() -> None:
    """An editor can say what it is for, except where the name says all there is."""
    speaking = {
        "kind",
        "table",
        "type",
        "parity",
        "stop_bits",
        "points",
        "chip",
        "site",
        "watcher",
        "store",
        "clock",
    }
    silent = {
        f"{name}.{key}"
        for name, part in SCHEMA["$defs"].items()
        for key, field in part.get("properties", {}).items()
        if "description" not in field and key not in speaking and not name.startswith(("Profile",))
    }
    assert silent == set()
