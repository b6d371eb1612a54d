"""The commands over a real store: what is printed, what goes out as JSON, and the exit code."""

from __future__ import annotations

import importlib.resources
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator

from quietbench.daemon.cli.alarms import list_history, list_open, tell_health
from quietbench.daemon.cli.exits import Exit
from quietbench.daemon.cli.periods import lasting, parse_moment
from quietbench.daemon.cli.replaying import replay_history
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.limit_making import from_profile
from quietbench.daemon.settings.profiles import load_profile
from quietbench.daemon.upkeep.profiling import with_profile
from tests.upkeep.recording import (
    DAY,
    MS,
    SECOND,
    Sample,
    bench,
    closed,
    humidity,
    mat,
    plan_of,
    recorded,
    strap,
    write_run,
)

pytestmark = pytest.mark.slow  # a store is written

SCHEMAS = Path(str(importlib.resources.files("quietbench.config"))) / "schemas"


def chattering() -> list[Sample]:
    """Thirty-one days: forty short openings in the middle, and one at the end that nobody answers."""
    samples: list[Sample] = [(1, 0, 1), (2, 1, 2800)]
    for k in range(40):
        at_ns = 15 * DAY + k * 15 * SECOND
        samples += [(at_ns, 0, 0), (at_ns + (150 + k) * MS, 0, 1)]
    return [*samples, (31 * DAY, 0, 0)]


def small_plan() -> Plan:
    return plan_of([strap("b", closed()), mat("b")], [bench("b")])


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("upkeep") / "store"
    plan = small_plan()
    write_run(folder, plan, recorded(plan, chattering()))
    return folder


def replayed(store: Path, *settings: str, **more: Any) -> Exit:
    asked: dict[str, Any] = {
        "since": None,
        "until": None,
        "profile": None,
        "verified": False,
        "as_json": False,
    }
    return replay_history(store, **{**asked, "settings": settings, **more})


def valid(name: str, text: str) -> Any:
    told = json.loads(text)
    Draft7Validator(json.loads((SCHEMAS / f"{name}.json").read_text())).validate(told)
    return told


@pytest.mark.parametrize("name", ["alarms", "replay"])
def test_the_commands_have_help_with_an_example(name: str) -> None:
    """Readable in 80 columns."""
    command = [sys.executable, "-P", "-m", "quietbench.daemon.cli", name, "--help"]
    env = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "TERM": "xterm"}
    done = subprocess.run(command, capture_output=True, text=True, env=env, timeout=30, check=True)
    assert f"Example: quietbench {name}" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_history_and_health_need_a_store() -> None:
    """A watcher tells only what stands."""
    command = [sys.executable, "-P", "-m", "quietbench.daemon.cli", "alarms", "--health"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert (done.returncode, done.stdout) == (Exit.INPUT, "")
    assert "--store FOLDER" in done.stderr


@pytest.mark.parametrize("name", ["replay", "alarm-figures"])
def test_the_schemas_are_schemas(name: str) -> None:
    """By their own meta-schema."""
    Draft7Validator.check_schema(json.loads((SCHEMAS / f"{name}.json").read_text()))


def test_unchanged_is_the_same_to_the_byte(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --verify or without any change."""
    assert replayed(written) is Exit.FINE
    assert replayed(written, verified=True) is Exit.FINE
    first, second = capsys.readouterr().out.splitlines()
    assert first == second
    assert first.startswith("no difference: ")
    assert replayed(written, as_json=True) is Exit.FINE
    assert valid("replay", capsys.readouterr().out)["same"] is True


def test_a_record_that_was_altered_is_found(
    written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first difference is told and the exit code is 1."""
    store = tmp_path / "store"
    shutil.copytree(written, store)
    with sqlite3.connect(store / "records.db") as connection:
        connection.execute("UPDATE event SET body = replace(body, 'high', 'low') WHERE kind = 'alarm'")
    connection.close()
    assert replayed(store) is Exit.RUN
    assert "alarm of b/strap:closed" in capsys.readouterr().out
    assert replayed(store, as_json=True) is Exit.RUN
    assert "replay gives" in valid("replay", capsys.readouterr().out)["runs"][0]["difference"]


def test_other_limits_are_told(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before, after, and what no longer sounds."""
    assert replayed(written, "b/strap.closed.on_delay_s=0.2") is Exit.FINE
    said = capsys.readouterr().out
    assert (
        "b/strap:closed: 41 → 1" not in said
    )  # the last one stands until the record ends: its delay runs on
    assert "50 recorded" not in said
    assert "40 recorded openings no longer sound, the longest 0.19 s" in said
    replayed(written, "b/strap.closed.on_delay_s=0.2", as_json=True)
    told = valid("replay", capsys.readouterr().out)
    assert told["alarms"][0]["silenced"] == 40
    assert told["difference"] is True


def test_the_same_bound_again_is_no_difference(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Though somebody asked for it."""
    replayed(written, "b/strap.closed=1")
    assert "no difference: these are the limits that were in force" in capsys.readouterr().out


@pytest.mark.parametrize(
    "asked", [{"verified": True}, {"since": "2031-05-02", "until": "2031-05-01"}, {"since": "soon"}]
)
def test_what_can_not_be_asked_is_refused(written: Path, asked: dict[str, Any]) -> None:
    """Before anything is replayed."""
    with pytest.raises(ConfigurationError):
        replayed(written, "b/strap.closed=1", **asked)


def test_health_compares_what_one_person_answers_for(
    written: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With source and trust beside each target, and a delay proposed with its effect."""
    tell_health(written, None, None, answers=["lead=b"], propose=True, as_json=False)
    said = capsys.readouterr().out
    flowed = " ".join(said.split())
    assert "lead answers for b" in said
    assert "alarms that chatter: 1, wanted none: BEYOND" in said
    assert "ISA-TR18.2.5 and EEMUA 191; from memory, unverified." in flowed
    assert "b/strap:closed: 0.2 s on-delay: 41 →" in flowed
    assert "40 recorded openings no longer sound, the longest 0.19 s; all stay in dropouts" in flowed
    tell_health(written, None, None, answers=["lead=b"], propose=True, as_json=True)
    told = valid("alarm-figures", capsys.readouterr().out)
    assert told["persons"][0]["figures"]["alarms"] == 41
    assert told["proposals"][0]["value"] == 0.2


def test_nobody_named_is_no_verdict(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A single bench gets a trend."""
    tell_health(written, None, None, answers=[], propose=False, as_json=False)
    said = capsys.readouterr().out
    assert "BEYOND" not in said
    assert "within\n" not in said
    assert "b: no trend shown from day to day" in said


@pytest.mark.parametrize(
    ("answers", "wanted"), [("lead", "NAME=bench-1"), ("lead=c", "wanted one of b"), ("=b", "NAME=")]
)
def test_who_answers_for_nothing_is_refused(written: Path, answers: str, wanted: str) -> None:
    """A bench that was never watched would look quiet."""
    with pytest.raises(ConfigurationError, match=wanted):
        tell_health(written, None, None, answers=[answers], propose=False, as_json=False)


def test_open_alarms_come_from_the_store(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the sentence of each."""
    list_open("", written, as_json=False)
    said = capsys.readouterr().out
    assert "unacknowledged  b/strap:closed" in said
    assert "Strap path open" in said
    list_open("", written, as_json=True)
    assert json.loads(capsys.readouterr().out)[0]["alarm"] == "b/strap:closed"


def test_history_is_of_a_time(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The last day holds the last alarm alone."""
    list_history(written, "1d", None, as_json=False)
    (line,) = capsys.readouterr().out.splitlines()
    assert line.endswith("b/strap:closed: returned unacknowledged → unacknowledged (condition)")


def test_another_profile_replaces_the_old_ones_numbers_alone() -> None:
    """What the site changed on them, and its own limits, stay; every number has its new source."""
    old, new = load_profile("s20.20-2021"), load_profile("iec-61340-5-1-2016")
    upper = next(from_profile(x) for x in old.limits if (x.quantity, x.name) == ("mat_resistance", "upper"))
    wanted = next(from_profile(x) for x in new.limits if (x.quantity, x.name) == ("mat_resistance", "upper"))
    plan = plan_of([strap("b"), mat("b", upper), humidity("room")], [bench("b")], "s20.20-2021")

    found = with_profile(plan, "iec-61340-5-1-2016")

    assert found.profile == "iec-61340-5-1-2016"
    assert found.channels[0].limits == plan.channels[0].limits
    (after,) = [limit for limit in found.channels[1].limits if limit.name == "upper"]
    assert after.source == wanted.source
    with pytest.raises(ConfigurationError, match="no limit profile"):
        with_profile(plan, "s20.20-1066")


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("1970-01-02", 86_400 * SECOND),
        ("1970-01-01T01:00", 3600 * SECOND),
        ("1970-01-01T02:00+01:00", 3600 * SECOND),
        ("2d", 8 * DAY),
        ("1.5h", 10 * DAY - 5400 * SECOND),
    ],
)
def test_moments_as_typed(text: str, ns: int) -> None:
    """UTC unless it says otherwise, or back from the last record."""
    assert parse_moment(text, 10 * DAY) == ns


@pytest.mark.parametrize(
    ("ns", "text"),
    [
        (189_000_000, "0.19 s"),
        (0, "0 s"),
        (150 * SECOND, "2.5 min"),
        (3 * 3600 * SECOND, "3.0 h"),
        (DAY * 3, "3.0 days"),
    ],
)
def test_lengths_as_people_read_them(ns: int, text: str) -> None:
    """Two or three digits."""
    assert lasting(ns) == text
