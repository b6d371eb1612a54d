"""Write raw tables as TOML in all the ways that people write it, and remember the line of every key."""

from __future__ import annotations

import datetime as dt
import json
from random import Random
from typing import Any

Path = tuple[str | int, ...]
Raw = dict[str, Any]


def write_toml(raw: Raw, random: Random | None = None) -> tuple[str, dict[Path, int]]:
    """Return the text and the lines of its keys; ``random`` chooses among ways to write the same."""
    writer = _Writer(random)
    writer.table((), raw)
    return "\n".join(writer.lines) + "\n", writer.where


class _Writer:
    def __init__(self, random: Random | None) -> None:
        self.random = random
        self.lines: list[str] = []
        self.where: dict[Path, int] = {}

    def chance(self, share: float) -> bool:
        return self.random is not None and self.random.random() < share

    def table(self, path: Path, content: Raw) -> None:
        """Write the plain keys of a table, then its tables, each under a header of its own."""
        later: list[tuple[str, Any]] = []
        for key, value in content.items():
            if (_is_table(value) and not self.chance(0.3)) or (_is_tables(value) and not self.chance(0.3)):
                later.append((key, value))
            else:
                self.pair(path, key, value)
        for key, value in later:
            for number, element in enumerate(value if isinstance(value, list) else [value]):
                self.headed((*path, key), element, number if isinstance(value, list) else None)

    def headed(self, path: Path, content: Raw, number: int | None) -> None:
        self.filler()
        header = ".".join(self.key(step) for step in path if isinstance(step, str))
        opened, closed = ("[", "]") if number is None else ("[[", "]]")
        self.lines.append(f"{opened}{header}{closed}" + self.remark())
        for length in range(1, len(path) + 1):
            self.where.setdefault(path[:length], len(self.lines))
        inner = path if number is None else (*path, number)
        self.where.setdefault(inner, len(self.lines))
        self.table(inner, content)

    def pair(self, path: Path, key: str, value: Any) -> None:
        self.filler()
        keys = [key]
        while _is_table(value) and len(value) == 1 and self.chance(0.5):
            ((inner, value),) = value.items()
            keys.append(inner)
        line = len(self.lines) + 1
        for length in range(1, len(keys) + 1):
            self.where[(*path, *keys[:length])] = line
        start = " . ".join(map(self.key, keys)) if self.chance(0.2) else ".".join(map(self.key, keys))
        text = f"{start} = {self.value((*path, *keys), value, line)}{self.remark()}"
        self.lines += text.split("\n")

    def filler(self) -> None:
        if self.chance(0.2):
            self.lines.append("")
        if self.chance(0.2):
            self.lines.append('# a remark = "with signs" [of] {its} own')

    def remark(self) -> str:
        return '  # "why" = [not]' if self.chance(0.2) else ""

    def key(self, key: str) -> str:
        bare = key != "" and all(sign.isascii() and (sign.isalnum() or sign in "-_") for sign in key)
        if bare and not self.chance(0.2):
            return key
        if "'" not in key and key.isprintable() and self.chance(0.4):
            return f"'{key}'"
        return quoted(key)

    def value(self, path: Path, value: Any, line: int) -> str:
        if isinstance(value, dict):
            return self.inline(path, value, line)
        if isinstance(value, list):
            return self.array(path, value, line)
        if isinstance(value, str) and self.chance(0.3):
            return f'"""\n{quoted(value)[1:-1]}"""'
        return scalar(value)

    def inline(self, path: Path, value: Raw, line: int) -> str:
        parts = []
        text = ""
        for key, inner in value.items():
            at = line + text.count("\n")
            self.where[(*path, key)] = at
            parts.append(f"{self.key(key)} = {self.value((*path, key), inner, at)}")
            text = ", ".join(parts)
        return "{ " + text + " }" if parts else "{}"

    def array(self, path: Path, value: list[Any], line: int) -> str:
        spread = self.chance(0.4)
        text = "["
        for number, inner in enumerate(value):
            text += "\n    " if spread else ""
            at = line + text.count("\n")
            self.where[(*path, number)] = at
            text += self.value((*path, number), inner, at)
            text += ", " if number < len(value) - 1 or spread else ""
        return text + ("\n]" if spread else "]")


def _is_table(value: Any) -> bool:
    return isinstance(value, dict)


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(element, dict) for element in value)


def quoted(text: str) -> str:
    """Return a basic string of TOML."""
    escaped = json.dumps(text, ensure_ascii=False)
    return "".join(f"\\u{ord(sign):04x}" if 0x7F <= ord(sign) < 0xA0 else sign for sign in escaped)


def scalar(value: Any) -> str:
    """Return a value that holds no others as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    return repr(value)
