"""The configuration is compiled by a child: the same comes of it, mistakes and accidents included."""

from __future__ import annotations

import importlib.resources
from pathlib import Path

import pytest

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.compile import load_setup
from quietbench.daemon.watcher import compiling

DEMO = importlib.resources.files("quietbench.config").joinpath("examples/demo.toml")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """The demo's configuration."""
    path = tmp_path / "site.toml"
    path.write_text(DEMO.read_text("utf-8"), encoding="utf-8")
    return path


@pytest.mark.slow
def test_plan_and_setup_are_those_compiled_here(file: Path) -> None:
    """Nothing is lost on the way through the pipe: drivers, their options, paths."""
    assert compiling.load_apart(file) == load_setup(file)


@pytest.mark.slow
def test_mistakes_are_told_in_the_same_words(file: Path) -> None:
    """What is wrong with a file is an error here, not in the child."""
    file.write_text(file.read_text("utf-8").replace("version = 1", "version = 99"), encoding="utf-8")
    with pytest.raises(ConfigurationError) as here:
        load_setup(file)
    with pytest.raises(ConfigurationError) as apart:
        compiling.load_apart(file)
    assert str(apart.value) == str(here.value)


@pytest.mark.slow
def test_a_child_that_dies_is_an_error(
    file: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """With what it died of in the log."""

    def die(_path: Path) -> None:
        raise MemoryError("no more")

    monkeypatch.setattr(compiling, "_compiled", die)
    with pytest.raises(ConfigurationError, match="without an answer"):
        compiling.load_apart(file)
    assert "MemoryError: no more" in capfd.readouterr().err
