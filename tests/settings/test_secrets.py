"""Secrets come from the environment, systemd credentials or a private file, and are never shown."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.check import check_file
from quietbench.daemon.settings.compile import compile_plan, compile_setup, load, load_setup
from quietbench.daemon.settings.secrets import read_secret, rooted
from quietbench.daemon.sinks.options import LineProtocolOptions, MqttOptions

from .mistakes import GOOD

SECRET = "hunter2 with a blank"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A private file with a secret and the line end of an editor."""
    path = tmp_path / "secret"
    path.write_text(SECRET + "\n", encoding="utf-8")
    path.chmod(0o600)
    return path


def test_a_variable_of_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """env:NAME."""
    monkeypatch.setenv("BROKER_PASSWORD", SECRET)
    assert read_secret("env:BROKER_PASSWORD") == SECRET


def test_a_credential_of_the_service(monkeypatch: pytest.MonkeyPatch, file: Path) -> None:
    """credential:NAME in the folder that systemd names; its mode is systemd's business."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(file.parent))
    file.chmod(0o440)
    assert read_secret("credential:secret") == SECRET


def test_a_private_file(file: Path) -> None:
    """file:PATH, without the line end."""
    assert read_secret(f"file:{file}") == SECRET


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644, 0o610, 0o601, 0o620])
def test_a_file_that_others_may_reach_is_refused(file: Path, mode: int) -> None:
    """Any bit of group or others; the mode is named, the content is not."""
    file.chmod(mode)
    with pytest.raises(ConfigurationError, match=f"got mode {mode:04o}, wanted 0600") as raised:
        read_secret(f"file:{file}")
    assert SECRET not in str(raised.value)


def test_the_representation_shows_nothing(file: Path) -> None:
    """A secret in a traceback or a log of arguments stays hidden."""
    secret = read_secret(f"file:{file}")
    assert SECRET not in repr(secret)
    assert SECRET not in repr({"password": [secret]})


@pytest.mark.parametrize(
    ("reference", "words"),
    [
        ("env:NO_SUCH_VARIABLE", "env:NO_SUCH_VARIABLE: no such variable"),
        ("credential:x", "CREDENTIALS_DIRECTORY is not set"),
        ("file:/nowhere/at/all", "file:/nowhere/at/all: No such file"),
        ("file:/dev/null", "no regular file"),
        ("file:/tmp", "no regular file"),
    ],
)
def test_a_secret_that_is_not_there_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, reference: str, words: str
) -> None:
    """The reference is named: it is no secret."""
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    with pytest.raises(ConfigurationError, match=words):
        read_secret(reference)


@pytest.mark.parametrize(
    "literal", ["hunter2", "env:", "env:A-B", "credential:../x", "credential:..", "vault:x", ""]
)
def test_a_literal_is_refused_unseen(literal: str) -> None:
    """What might be a secret is not repeated."""
    with pytest.raises(ConfigurationError, match="env:NAME") as raised:
        read_secret(literal)
    assert not literal or literal not in str(raised.value).replace('"env:NAME"', "")


@pytest.mark.parametrize(("content", "word"), [(b"", "empty"), (b"\n", "empty"), (b"\xff\xfe", "not UTF-8")])
def test_a_file_without_a_usable_secret(file: Path, content: bytes, word: str) -> None:
    """Empty, or no text; its bytes are not in the message nor in what it came from."""
    file.write_bytes(content)
    with pytest.raises(ConfigurationError, match=word) as raised:
        read_secret(f"file:{file}")
    assert raised.value.__cause__ is None


def test_a_file_too_long_for_a_secret(file: Path) -> None:
    """Named by mistake."""
    file.write_bytes(b"x" * 100_000)
    with pytest.raises(ConfigurationError, match="longer than"):
        read_secret(f"file:{file}")


def test_relative_files_start_at_the_configuration(file: Path) -> None:
    """Only files have folders."""
    assert read_secret(rooted("file:secret", file.parent)) == SECRET
    assert rooted("env:NAME", file.parent) == "env:NAME"


def with_file(tmp_path: Path) -> Path:
    """A configuration whose broker's password is in the file "secret" beside it."""
    path = tmp_path / "watcher.toml"
    path.write_text(GOOD.replace('"env:BROKER_PASSWORD"', '"file:secret"'), encoding="utf-8")
    return path


def test_check_finds_a_file_that_others_may_read(file: Path) -> None:
    """An error, since the watcher would refuse it."""
    file.chmod(0o644)
    (finding,) = check_file(with_file(file.parent)).findings
    assert (finding.table, finding.key, finding.got) == ("sinks.broker", "password", "mode 0644")


def test_check_warns_of_a_file_that_is_not_there_yet(tmp_path: Path) -> None:
    """No error: it may be laid down later, and check may run elsewhere."""
    report = check_file(with_file(tmp_path))
    assert report.ok
    assert [finding.what for finding in report.warnings] == ["there is no such file now"]


def test_the_setup_holds_secrets_that_it_does_not_show(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read when the watcher is put together; not in any representation."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(file.parent))
    (file.parent / "history-token").write_text("abcdef==", encoding="utf-8")
    _, setup = load_setup(with_file(file.parent))
    broker, history = (sink.options for sink in setup.sinks)
    assert isinstance(broker, MqttOptions)
    assert isinstance(history, LineProtocolOptions)
    assert (broker.password, history.token) == (SECRET, "abcdef==")
    assert SECRET not in repr(setup)
    assert "abcdef==" not in repr(setup)


def test_a_missing_secret_keeps_the_watcher_from_starting(tmp_path: Path) -> None:
    """And names the reference."""
    with pytest.raises(ConfigurationError, match=r"file:.*secret: No such file"):
        load_setup(with_file(tmp_path))


def test_compiling_asks_for_each_secret_once(tmp_path: Path) -> None:
    """By its reference, a relative file made absolute."""
    asked: list[str] = []

    def secret(reference: str) -> str:
        asked.append(reference)
        return "x"

    settings = load(with_file(tmp_path))
    compile_setup(settings, compile_plan(settings), secret=secret)
    assert asked == [f"file:{tmp_path / 'secret'}", "credential:history-token"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_can_not_be_opened(file: Path) -> None:
    """No rights: said in the system's words."""
    file.chmod(0)
    with pytest.raises(ConfigurationError, match="Permission denied"):
        read_secret(f"file:{file}")
