"""The lines of keys and tables, however the same tables are written."""

from __future__ import annotations

import tomllib
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietbench.daemon.settings.scan import KeyScan

from .mistakes import GOOD
from .writing import write_toml

KEYS = st.text(st.characters(codec="utf-8", exclude_characters="\r"), max_size=6) | st.sampled_from(
    ["a", "b-c", "d_e", "1"]
)
SCALARS = (
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | st.text(st.characters(codec="utf-8"), max_size=8)
    | st.dates()
)
VALUES: st.SearchStrategy[Any] = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=12,
)
TABLES = st.dictionaries(KEYS, VALUES, max_size=5)


@pytest.mark.slow
@settings(max_examples=200, deadline=None)
@given(TABLES, st.integers())
def test_every_key_is_found_on_its_line(raw: dict[str, Any], seed: int) -> None:
    """Dotted, quoted, inline, in arrays, after strings of several lines: the line is right."""
    text, where = write_toml(raw, Random(seed))
    assert tomllib.loads(text) == raw
    assert KeyScan(text).lines == where


@pytest.mark.slow
@settings(max_examples=200, deadline=None)
@given(st.text() | st.text(alphabet="[]{}=.,'\"\\#\n a1"))
def test_any_text_is_scanned_to_its_end(text: str) -> None:
    """Text that is no TOML raises nothing, and no line lies outside of it."""
    scan = KeyScan(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in scan.lines.values())


def test_a_key_that_is_not_there_has_the_line_of_its_table() -> None:
    """What is missing is shown where it should stand."""
    scan = KeyScan("a = 1\n[b.c]\nd = 2\n")
    assert scan.line(("b", "c", "missing", "deeper")) == 2
    assert scan.line(("nowhere",)) is None


def test_a_second_definition_is_told_with_both_lines() -> None:
    """Keys and tables alike."""
    scan = KeyScan("[a]\nx = 1\n\nx = 2\n[a]\n")
    assert scan.repeats == [(("a", "x"), 2, 4), (("a",), 1, 5)]


def test_tables_of_an_array_are_counted() -> None:
    """A header below an array of tables belongs to its last element."""
    scan = KeyScan("[[limits]]\nname = 1\n[[limits]]\nname = 2\n[limits.source]\nx = 3\n")
    assert scan.lines["limits", 1, "name"] == 4
    assert scan.lines["limits", 1, "source", "x"] == 6


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_line_ends_of_other_systems_count_the_same(ends: str) -> None:
    """A file edited elsewhere has the same lines."""
    assert KeyScan(GOOD.replace("\n", ends)).lines == KeyScan(GOOD).lines


def test_deep_nesting_ends() -> None:
    """A list nested a thousand times is passed over, and what follows is found."""
    scan = KeyScan("a = " + "[" * 1000 + "]" * 1000 + "\nb = 1\n")
    assert scan.lines["b",] == 2
