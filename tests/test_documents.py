"""Parts of the documentation that are drawn from the code must be as the code is.

``python -m tests.test_documents`` writes them anew.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from quietbench.daemon.core.alarm import diagram
from quietbench.daemon.core.situation import REQUIRED

DOCS = Path(__file__).parent.parent / "docs"


def situations() -> str:
    """Return the table of required ways as Markdown."""
    rows = [
        f"| {situation.value} | {' or '.join(way.value for way in ways)} |"
        for situation, ways in REQUIRED.items()
    ]
    empty = "| nobody, no board, no hot tool | none: the bench is `empty` |"
    return "\n".join(
        ["| situation | way to earth that must be watched and good |", "|---|---|", *rows, empty]
    )


GENERATED = {
    ("alarms.md", "diagram"): lambda: f"```mermaid\n{diagram()}\n```",
    ("alarms.md", "situations"): situations,
}


def replaced(page: str, name: str) -> str:
    text = (DOCS / page).read_text("utf-8")
    pattern = rf"(<!-- generated: {name} -->\n).*?(<!-- end -->)"
    new, count = re.subn(
        pattern, lambda found: f"{found[1]}{GENERATED[page, name]()}\n{found[2]}", text, flags=re.DOTALL
    )
    assert count == 1
    return new


@pytest.mark.parametrize(("page", "name"), GENERATED)
def test_generated_parts_are_fresh(page: str, name: str) -> None:
    """Otherwise: python -m tests.test_documents."""
    assert (DOCS / page).read_text("utf-8") == replaced(page, name)


if __name__ == "__main__":
    for place in GENERATED:
        (DOCS / place[0]).write_text(replaced(*place), "utf-8")
