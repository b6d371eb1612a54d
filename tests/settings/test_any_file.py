"""Whatever a file holds, `check` answers with findings: never an exception, never a secret."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.check import check_file
from quietbench.daemon.settings.compile import load
from quietbench.daemon.settings.findings import Report

from .mistakes import GOOD, STATION
from .test_scan import VALUES
from .writing import write_toml

SHARED = (HealthCheck.function_scoped_fixture,)
RAWS = (tomllib.loads(GOOD), tomllib.loads(STATION))


def paths(raw: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Yield every place of a tree."""
    for key, value in raw.items() if isinstance(raw, dict) else enumerate(raw):
        yield (*path, key)
        if isinstance(value, dict | list):
            yield from paths(value, (*path, key))


PATHS = st.sampled_from([path for raw in RAWS for path in paths(raw)])


def holder(path: tuple[str | int, ...]) -> Any:
    """Return a copy of a good file's tables that has this place."""
    return deepcopy(next(raw for raw in RAWS if path in set(paths(raw))))


def report_on(tmp_path: Path, content: bytes) -> Report:
    """Check a file with this content; every finding can be shown as one line."""
    file = tmp_path / "watcher.toml"
    file.write_bytes(content)
    report = check_file(file)
    assert all("\n" not in finding.text() and finding.what for finding in report.findings)
    assert report.exit_code == (0 if report.ok else 2)
    return report


@pytest.mark.slow
@settings(max_examples=70, deadline=None, suppress_health_check=SHARED)
@given(st.binary(max_size=200) | st.text(alphabet="[]{}=.,'\"\\#\n 1a", max_size=60).map(str.encode))
def test_any_bytes_give_findings(tmp_path: Path, content: bytes) -> None:
    """No bytes raise anything, and none are a configuration."""
    assert report_on(tmp_path, content).errors


@pytest.mark.slow
@settings(max_examples=70, deadline=None, suppress_health_check=SHARED)
@given(st.integers(0, len(GOOD.encode()) - 1), st.binary(max_size=3), st.integers(0, 8))
def test_any_damage_to_the_bytes_is_survived(tmp_path: Path, at: int, put: bytes, cut: int) -> None:
    """Some bytes replaced by others anywhere."""
    good = GOOD.encode()
    report_on(tmp_path, good[:at] + put + good[at + cut :])


@pytest.mark.slow
@settings(max_examples=120, deadline=None, suppress_health_check=SHARED)
@given(st.lists(st.tuples(PATHS, VALUES), min_size=1, max_size=3), st.integers())
def test_any_value_anywhere_is_survived(
    tmp_path: Path, changes: list[tuple[tuple[str | int, ...], Any]], seed: int
) -> None:
    """Values of any kind in any places: findings, or a file that is right all the same."""
    raw = holder(changes[0][0])
    for path, value in changes:
        put(raw, path, value)
    report_on(tmp_path, write_toml(raw, Random(seed))[0].encode())


@pytest.mark.slow
@settings(max_examples=80, deadline=None, suppress_health_check=SHARED)
@given(PATHS, PATHS, st.sampled_from(["drop", "move", "copy", "rename"]), st.text(max_size=5))
def test_any_table_moved_dropped_or_renamed_is_survived(
    tmp_path: Path, source: tuple[str | int, ...], target: tuple[str | int, ...], what: str, name: str
) -> None:
    """Tables and keys in places where they do not belong."""
    raw = holder(source)
    value = deepcopy(get(raw, source))
    if what in ("drop", "move", "rename"):
        drop(raw, source)
    if what in ("move", "copy"):
        put(raw, target, value)
    if what == "rename":
        put(raw, (*source[:-1], name), value)
    report_on(tmp_path, write_toml(raw)[0].encode())


def get(raw: Any, path: tuple[str | int, ...]) -> Any:
    """Return the value at a path."""
    for step in path:
        raw = raw[step]
    return raw


def put(raw: Any, path: tuple[str | int, ...], value: Any) -> None:
    """Put a value at a path, if there is still such a place."""
    for step in path[:-1]:
        if not has(raw, step):
            return
        raw = raw[step]
    if has(raw, path[-1]) or (isinstance(raw, dict) and isinstance(path[-1], str)):
        raw[path[-1]] = value


def has(raw: Any, step: str | int) -> bool:
    """Say whether a table or list has an element."""
    if isinstance(raw, dict):
        return step in raw
    return isinstance(raw, list) and isinstance(step, int) and step < len(raw)


def drop(raw: Any, path: tuple[str | int, ...]) -> None:
    """Take a value out."""
    del get(raw, path[:-1])[path[-1]]


def test_values_written_another_way_are_still_right(tmp_path: Path) -> None:
    """The order and style of a file do not matter."""
    for raw in RAWS:
        for seed in range(5):
            assert report_on(tmp_path, write_toml(raw, Random(seed))[0].encode()).text() == ""


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"", "empty"),
        (b" \n\n", "empty"),
        (b"# nothing\n", "no tables"),
        (b"version = 1\n\xff\n", "not UTF-8; got byte 0xff"),
        (b"\xef\xbb\xbfversion = 1\n", "byte-order mark"),
        (b"version = 1\nversion = 2\n", "given twice; got lines 1 and 2"),
        (b"a = " + b"[" * 5000 + b"]" * 5000, "nested too deeply"),
        (b"a = " + b"9" * 5000, "number or date that can't be"),
        (b"version = 0x" + b"f" * 9000 + b"\n", "a very long number"),
        (b".".join([b"a"] * 3000) + b" = 1\n", "unknown key"),
        (b"#" * (1 << 20) + b"##", "too large"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_file_that_gives_nothing_says_why(tmp_path: Path, content: bytes, word: str) -> None:
    """One clear message each, or the usual ones where the file can be read."""
    assert word in report_on(tmp_path, content).text()


def test_a_line_of_bad_encoding_is_named(tmp_path: Path) -> None:
    """The line of the first bad byte."""
    assert report_on(tmp_path, b"a = 1\nb = 2\nc = '\xe9'\n").findings[0].line == 3


def test_a_file_that_is_not_there_is_one_finding(tmp_path: Path) -> None:
    """Named as the user wrote it."""
    (finding,) = check_file(tmp_path / "none.toml").findings
    assert "no such file" in finding.text()
    assert str(tmp_path) in finding.text()


def test_a_directory_is_one_finding(tmp_path: Path) -> None:
    """Not opened, not a traceback."""
    (finding,) = check_file(tmp_path).findings
    assert "directory" in finding.text()


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """A file that would block is refused."""
    os.mkfifo(tmp_path / "pipe")
    (finding,) = check_file(tmp_path / "pipe").findings
    assert "no regular file" in finding.text()


def test_a_path_that_can_be_none_is_one_finding() -> None:
    """A NUL byte, or a name longer than any."""
    for path in ("a\0b", "x" * 5000):
        (finding,) = check_file(path).findings
        assert finding.severity.value == "error"


def test_loading_raises_with_every_finding(tmp_path: Path) -> None:
    """The watcher refuses what check refuses, with the same words."""
    file = tmp_path / "watcher.toml"
    file.write_text(GOOD.replace("line = 22", "line = 99").replace('"even"', '"evn"'), encoding="utf-8")
    with pytest.raises(ConfigurationError) as raised:
        load(file)
    assert str(raised.value) == check_file(file).text()
    assert len(str(raised.value).splitlines()) == 2
