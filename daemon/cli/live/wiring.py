"""A path drawn as what it is: a line from its end to earth, whole or with a break where a stretch is open.

A stretch is named by its end away from earth, so its link stands to the right of its name::

    skin ━━ ╳ ━━ band ━━ ╳ ━━ cord ━━━━━ jack ━━━━━ common point ━━━━━ earth
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.text import Text

from quietbench.daemon.socket.lines import Path

EARTH = "earth"


@dataclass(frozen=True, slots=True)
class Ink:
    """The characters of one kind of terminal: box drawing, or plain ASCII."""

    whole: str
    cross: str
    doubt: str
    unwatched: str
    pulses: str  # pause, right half, left half, whole
    lamps: dict[str, str]
    dark_lamps: dict[str, str]
    marks: dict[str, str]  # live work, the check before work, a quieted buzzer
    unicode: bool

    def link(self, state: str, width: int) -> str:
        """Return a link of an odd ``width`` (at least 3) for a stretch's state."""
        if state == "good":
            return self.whole * width
        if state == "unwatched":
            return (f"{self.unwatched} " * width)[:width]
        side = self.whole * ((width - 3) // 2)
        return f"{side} {self.cross if state == 'open' else self.doubt} {side}"

    def strip(self, halves: Sequence[bool]) -> str:
        """Return sound and pause as a strip, two halves to a cell."""
        return "".join(
            self.pulses[2 * left + right] for left, right in zip(halves[::2], halves[1::2], strict=True)
        )


UNICODE = Ink(
    whole="━",
    cross="╳",
    doubt="?",
    unwatched="·",
    pulses="▁▐▌█",
    lamps={"green": "●", "red": "■", "yellow": "▲", "white": "◇", "unknown": "?"},
    dark_lamps={"green": "○", "red": "□", "yellow": "△"},
    marks={"live": "◆", "passed": "☑", "missing": "☐", "failed": "☒", "silenced": "⊘"},
    unicode=True,
)
ASCII = Ink(
    whole="=",
    cross="X",
    doubt="?",
    unwatched=".",
    pulses="_###",
    lamps={"green": "O", "red": "#", "yellow": "^", "white": "-", "unknown": "?"},
    dark_lamps={},
    marks={"live": "<>", "passed": "[v]", "missing": "[ ]", "failed": "[x]", "silenced": "(-)"},
    unicode=False,
)

_FOLDED = {"→": "->", "±": "+-", "°": "", "µ": "u", "…": "..", "’": "'", "–": "-", "»": ">"}


def folded(text: str) -> str:
    """Return a text in plain ASCII, for terminals that have nothing else."""
    text = "".join(_FOLDED.get(character, character) for character in text)
    return text.encode("ascii", "replace").decode()


STATE_STYLES = {"good": "green", "open": "bold red", "unknown": "bold yellow", "unwatched": "bold yellow"}
_LINK_WIDTHS = (7, 5, 3)


def draw_path(path: Path, width: int, ink: Ink) -> list[Text]:
    """Return one path to earth in at most ``width`` columns, on one line where it fits, else on several."""
    link_width = next((w for w in _LINK_WIDTHS if _length(path, w) <= width), _LINK_WIDTHS[-1])
    lines = [Text()]
    for stretch in path:
        piece = Text(stretch.label)
        link = Text(f" {ink.link(stretch.state, link_width)} ", STATE_STYLES.get(stretch.state, ""))
        if lines[-1].cell_len and lines[-1].cell_len + piece.cell_len + link.cell_len > width:
            lines.append(Text("  "))
        lines[-1].append_text(piece).append_text(link)
    if lines[-1].cell_len + len(EARTH) > width:
        lines.append(Text("  "))
    lines[-1].append(EARTH)
    return lines


def break_words(path: Path) -> str:
    """Return where a path is open, in words, for where no line is drawn: "open at band, cord"."""
    for state, words in (("open", "open at"), ("unknown", "not known at"), ("unwatched", "not watched at")):
        names = [stretch.label for stretch in path if stretch.state == state]
        if names:
            return f"{words} {', '.join(names)}"
    return "whole"


def _length(path: Path, link_width: int) -> int:
    return sum(len(stretch.label) + link_width + 2 for stretch in path) + len(EARTH)
