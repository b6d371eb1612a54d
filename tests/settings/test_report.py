"""What a report says: everything at once, in order, errors apart from warnings."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietbench.daemon.settings.check import check_file
from quietbench.daemon.settings.findings import Finding, Report, Severity, nearest_of

from .mistakes import GOOD


def report_on(tmp_path: Path, *edits: tuple[str, str]) -> Report:
    """Check the good file with some edits."""
    text = GOOD
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    file = tmp_path / "watcher.toml"
    file.write_text(text, encoding="utf-8")
    return check_file(file)


def test_everything_wrong_is_told_at_once_and_in_order(tmp_path: Path) -> None:
    """Fields, references, conflicts and limits in one report: wrong fields hide none of the others."""
    report = report_on(
        tmp_path,
        ('known = "always"', 'known = "never"'),
        ("line = 23", "line = 22"),
        ('source = "mat-1"', 'source = "mat-9"'),
        ('band = "cord"', 'band = "crod"'),
        ("bound = 33", "bound = 72"),
        ("relay = 21", "relay = 3"),
        ('"env:BROKER_PASSWORD"', '"secret"'),
    )
    assert [finding.key for finding in report.findings] == [
        "known",
        "line",
        "band",
        "source",
        "relay",
        "dry",
        "password",
    ]
    lines = [finding.line or 0 for finding in report.findings]
    assert lines == sorted(lines)


def test_a_finding_reads_as_one_line() -> None:
    """File, line, table, key, what, got, wanted, nearest."""
    finding = Finding("w.toml", 12, "store", "folde", "unknown key", '"folde"', "one of folder", "folder")
    assert finding.text() == (
        'w.toml:12: [store] folde: unknown key; got "folde"; wanted one of folder; did you mean "folder"?'
    )


def test_a_warning_says_that_it_is_one() -> None:
    """And leaves the exit code alone."""
    finding = Finding("w.toml", None, "", "", "so", "", "", severity=Severity.WARNING)
    assert finding.text() == "w.toml: warning: so"
    report = Report("w.toml", (finding,))
    assert (report.ok, report.exit_code, report.warnings) == (True, 0, (finding,))


def test_a_misspelt_needed_key_is_one_message(tmp_path: Path) -> None:
    """Not one for the key that is missing and one for the key that is unknown."""
    (finding,) = report_on(tmp_path, ("line = 22", "lien = 22")).findings
    assert (finding.key, finding.nearest) == ("lien", "line")


def test_two_misspelt_keys_of_one_table_are_told_apart(tmp_path: Path) -> None:
    """Each with the one that it resembles."""
    report = report_on(tmp_path, ('closed = "low"\npull = "up"', 'closd = "low"\npul = "up"'))
    assert [(finding.key, finding.nearest) for finding in report.findings] == [
        ("closd", "closed"),
        ("pul", "pull"),
    ]


def test_a_missing_and_an_unlike_unknown_key_are_two_messages(tmp_path: Path) -> None:
    """They are two mistakes."""
    report = report_on(tmp_path, ("line = 22", "watchers = 22"))
    assert {(finding.key, finding.what) for finding in report.findings} == {
        ("watchers", "unknown key"),
        ("line", "missing key"),
    }


def test_a_name_that_is_gone_is_told_once_with_all_its_uses(tmp_path: Path) -> None:
    """Renaming a bus breaks all its devices: one message, which names the other lines."""
    (finding,) = report_on(tmp_path, ("[buses.lines]", "[buses.gpio]")).findings
    assert finding.key == "bus"
    assert finding.what.startswith("no such bus (also used at line")
    assert finding.what.count(",") == 1


WARNINGS = [
    (
        'measures = ["common_point", "panel"]',
        'measures = ["common_point"]',
        "no channel watches site/panel: this bench can never be held",
    ),
    (
        "lamp = { red = 13, yellow = 16, green = 18 }\n",
        "",
        "",
    ),
    (
        "buzzer = 12\nlamp = { red = 13, yellow = 16, green = 18 }\n",
        "",
        "nothing tells the operator when a path opens",
    ),
    ('"s20.20-2021", "j', '"iec-61340-5-1-2024", "j', "limit profile iec-61340-5-1-2024 is unverified"),
    (
        'tls = { ca = "ca.pem", certificate = "own.pem", key = "own.key" }\n',
        "",
        "password goes over the network",
    ),
    (
        '"https://history.example:8428"',
        '"http://history.example:8428"',
        "token goes over the network unencrypted",
    ),
    ('"https://history.example:8428"', '"http://127.0.0.1:8428"', ""),
    ("every_s = 2.0\ndeadline_s = 0.6", "every_s = 0.5\ndeadline_s = 0.6", "a poll may take longer"),
    (
        '[benches.bench-1.channels.presence]\nquantity = "presence"\nsource = "presence-1"\n',
        "",
        "no channel uses this device",
    ),
    (
        "[buses.air]",
        '[buses.spare]\nkind = "serial"\nport = "b"\n\n[buses.air]',
        "no device hangs on this bus",
    ),
]


@pytest.mark.parametrize(("old", "new", "words"), WARNINGS)
def test_a_usable_file_may_have_warnings(tmp_path: Path, old: str, new: str, words: str) -> None:
    """At most one here; the file is accepted."""
    report = report_on(tmp_path, (old, new))
    assert report.ok, report.text()
    assert len(report.warnings) == (1 if words else 0), report.text()
    assert words in report.text()


def test_warnings_wait_until_there_are_no_errors(tmp_path: Path) -> None:
    """They might be echoes of them."""
    report = report_on(tmp_path, (WARNINGS[0][0], WARNINGS[0][1]), ("line = 22", "line = 99"))
    assert report.warnings == ()


@pytest.mark.parametrize(
    ("word", "nearest"), [("Time-Zone", "time_zone"), ("tiem_zone", "time_zone"), ("qqq", None), ("", None)]
)
def test_the_nearest_spelling(word: str, nearest: str | None) -> None:
    """Case and kind of dash don't matter; far is far."""
    assert nearest_of(word, ["name", "time_zone"]) == nearest


@pytest.mark.parametrize("key", ["passwrd", "api_key", "Token", "passphrase", "client_secret"])
def test_a_value_under_any_key_like_a_secret_is_hidden(tmp_path: Path, key: str) -> None:
    """Also where the key is unknown or in the wrong table."""
    text = report_on(tmp_path, ('name = "room-2"', f'name = "room-2"\n{key} = "hunter2"')).text()
    assert key in text
    assert "hunter2" not in text
