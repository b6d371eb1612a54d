"""Each of two hundred mistakes gives exactly one finding that says where, what, and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietbench.daemon.settings.check import check_file
from quietbench.daemon.settings.findings import Severity

from . import mistakes_alarms, mistakes_channels, mistakes_places, mistakes_wiring
from .mistakes import GOOD, STATION, Mistake

MISTAKES = (
    *mistakes_wiring.MISTAKES,
    *mistakes_channels.MISTAKES,
    *mistakes_places.MISTAKES,
    *mistakes_alarms.MISTAKES,
)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Where the configuration stands."""
    return tmp_path / "watcher.toml"


@pytest.mark.parametrize("good", [GOOD, STATION], ids=["good", "station"])
def test_the_good_file_has_no_finding(good: str, file: Path) -> None:
    """Without a mistake there is nothing to say."""
    file.write_text(good, encoding="utf-8")
    assert check_file(file).text() == ""


def test_there_are_at_least_a_hundred_mistakes() -> None:
    """The table holds what was promised, each under a name of its own."""
    assert len({mistake.name for mistake in MISTAKES}) == len(MISTAKES) >= 100


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.name.replace(" ", "-"))
def test_one_mistake_gives_one_clear_finding(mistake: Mistake, file: Path) -> None:
    """File, line, key and the expected word stand in one finding, and the file is refused."""
    file.write_text(mistake.text(), encoding="utf-8")
    report = check_file(file)
    assert len(report.findings) == 1, report.text()
    (finding,) = report.findings
    text = finding.text()
    assert finding.severity is Severity.ERROR
    assert report.exit_code == 2
    assert finding.key == mistake.key, text
    assert mistake.word in text, text
    assert finding.wanted, text
    assert "\n" not in text
    if mistake.at != "nowhere":
        assert text.startswith(f"{file}:{finding.line}: "), text
        assert finding.line == mistake.line(), text


@pytest.mark.parametrize("secret", ["hunter2", "31337", "abcdef=="])
def test_a_secret_in_the_file_is_never_repeated(secret: str, file: Path) -> None:
    """The finding says that it is not shown, and does not show it."""
    for mistake in MISTAKES:
        if secret in mistake.new:
            file.write_text(mistake.text(), encoding="utf-8")
            assert secret not in check_file(file).text(), mistake.name
