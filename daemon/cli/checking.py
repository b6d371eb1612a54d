"""The command ``check``: every finding, or that there is none."""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from pathlib import Path

from rich.console import Console
from rich.text import Text

from quietbench.daemon.cli.exits import Exit
from quietbench.daemon.settings.check import check_file
from quietbench.daemon.settings.findings import Finding, Report, Severity


def check(file: Path, *, as_json: bool) -> Exit:
    """Print what is wrong with a configuration; return the exit code."""
    report = check_file(file)
    if as_json:
        print(json.dumps([_as_json(finding) for finding in report.findings], ensure_ascii=False, indent=2))
    elif os.isatty(1):
        _draw(report)
    else:
        # One finding a line: for grep and for editors that jump to file:line.
        print(report.text() or f"{report.file}: nothing wrong")
    return Exit(report.exit_code)


def _as_json(finding: Finding) -> dict[str, object]:
    return {**asdict(finding), "severity": finding.severity.value, "text": finding.text()}


def _draw(report: Report) -> None:
    console = Console(highlight=False)
    for finding in report.findings:
        console.print(_drawn(finding))
    console.print(Text(_summary(report), "bold"))


def _drawn(finding: Finding) -> Text:
    """Return a finding on lines of its own: where, what, then got, wanted and the nearest spelling."""
    error = finding.severity is Severity.ERROR
    line = "" if finding.line is None else f":{finding.line}"
    text = Text(f"{finding.file}{line}", "bold")
    text.append(f"  [{finding.table}] " if finding.table else "  ").append(finding.key, "bold")
    text.append("\n  error: " if error else "\n  warning: ", "bold red" if error else "bold yellow")
    text.append(finding.what)
    for word, said in (("got", finding.got), ("wanted", finding.wanted), ("did you mean", finding.nearest)):
        if said:
            text.append(f"\n  {word}: ", "dim").append(said)
    return text.append("\n")


def _summary(report: Report) -> str:
    errors, warnings = len(report.errors), len(report.warnings)
    if not report.findings:
        return f"{report.file}: nothing wrong"
    return f"{report.file}: {_counted(errors, 'error')}, {_counted(warnings, 'warning')}"


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
