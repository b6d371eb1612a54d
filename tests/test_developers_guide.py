"""What README.md and DEVELOPERS.md show must run."""

from __future__ import annotations

import re
import subprocess
import sys
import types
from pathlib import Path
from typing import cast

import pytest

from quietbench.drivers.api import AnswerError, Driver, PolledDriver, WireError

ROOT = Path(__file__).parent.parent


def code_blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", (ROOT / page).read_text("utf-8"), flags=re.DOTALL)


def test_the_smallest_driver_of_the_guide_works(tmp_path: Path) -> None:
    """Copied from the page as it stands: it reads, and fails in the words of the error tree."""
    module = types.ModuleType("smallest_driver")
    code = compile(code_blocks("DEVELOPERS.md", "python")[0], "DEVELOPERS.md", "exec", dont_inherit=True)
    exec(code, module.__dict__)
    path = tmp_path / "number"
    driver = module.FileDriver(module.FileOptions(path=path), None)
    assert isinstance(driver, Driver)
    polled = cast("PolledDriver", driver)

    with pytest.raises(WireError):
        driver.open()
    path.write_text("2.5\n")
    driver.open()
    assert [(s.point, s.raw) for s in polled.read()] == [("value", 2.5)]
    path.write_text("two\n")
    with pytest.raises(AnswerError):
        polled.read()
    driver.close()
    assert driver.describe().points == ("value",)


def commands() -> list[list[str]]:
    lines = "\n".join(code_blocks("README.md", "sh")).splitlines()
    return [line.split("#")[0].split() for line in lines if line.startswith("quietbench ")]


@pytest.mark.slow
@pytest.mark.parametrize("command", commands(), ids=lambda words: words[1])
def test_every_command_of_the_readme_exists(command: list[str]) -> None:
    """Its help says every option that the page uses."""
    shown = subprocess.run(
        [sys.executable, "-m", "quietbench.daemon.cli", command[1], "--help"],
        capture_output=True,
        text=True,
        check=True,
        env={"PATH": "/usr/bin:/bin", "COLUMNS": "200"},
    ).stdout

    for option in [word for word in command if word.startswith("--")]:
        assert option in shown


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_every_link_leads_somewhere(page: str) -> None:
    """Relative links name files of the tree."""
    for target in re.findall(r"\]\(([^)#]+)\)", (ROOT / page).read_text("utf-8")):
        if "://" not in target:
            assert (ROOT / target).exists(), target
