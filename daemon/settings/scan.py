"""The lines on which a TOML text defines its keys and tables.

The standard library's parser drops positions, so this reads the text a second time, for keys alone. It never
fails: on text that is no TOML it finds what it can. Paths are tuples of keys, with numbers for elements of
arrays: ``("sinks", "broker", "port")``, ``("limits", 3, "bound")``.
"""

from __future__ import annotations

import re
from bisect import bisect_right

__all__ = ["KeyScan", "Path"]

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BASIC = re.compile(r'"((?:[^"\\\n]|\\.)*)"')
_LITERAL = re.compile(r"'([^'\n]*)'")
_LONG_BASIC = re.compile(r'"""(?:[^\\]|\\.)*?"""{1,3}', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''.*?'''{1,3}", re.DOTALL)
_SCALAR = re.compile(r"[^,\]}\n#]*")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|(.))", re.DOTALL)
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r"}
_DEEPEST = 40


class KeyScan:
    """Where a text defines what.

    ``lines`` maps a path to the line (from 1) of its first definition; ``repeats`` lists paths whose second
    definition is none that TOML allows, with both lines.
    """

    def __init__(self, text: str) -> None:
        self.lines: dict[Path, int] = {}
        self.repeats: list[tuple[Path, int, int]] = []
        self._text = text
        self._at = 0
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self._table: Path = ()
        self._arrays: dict[Path, int] = {}
        self._settled: set[Path] = set()
        self._scan()

    def line(self, path: Path) -> int | None:
        """Return the line of a path, or of the nearest table around it that the text defines."""
        for length in range(len(path), 0, -1):
            found = self.lines.get(path[:length])
            if found is not None:
                return found
        return None

    def _scan(self) -> None:
        while True:
            self._skip(_BLANK)
            if self._at >= len(self._text):
                return
            before = self._at
            self._statement()
            if self._at == before:
                self._next_line()

    def _statement(self) -> None:
        if self._text.startswith("[[", self._at):
            self._at += 2
            self._array_header()
            self._next_line()
        elif self._text.startswith("[", self._at):
            self._at += 1
            self._table_header()
            self._next_line()
        elif not self._pair(self._table, 0):
            self._next_line()

    def _array_header(self) -> None:
        line = self._line()
        path = self._inside(self._keys())
        if not path:
            return
        count = self._arrays.get(path, 0)
        self._arrays[path] = count + 1
        self._table = (*path, count)
        for length in range(1, len(self._table) + 1):
            self._note(self._table[:length], line)

    def _table_header(self) -> None:
        line = self._line()
        path = self._inside(self._keys())
        if path:
            self._define(path, line)
            self._table = path
        for length in range(1, len(path)):
            self._note(path[:length], line)

    def _inside(self, keys: list[str]) -> Path:
        """Return a header's path, with the last element of every array of tables that it goes through."""
        path: Path = ()
        for number, key in enumerate(keys):
            path = (*path, key)
            if path in self._arrays and number < len(keys) - 1:
                path = (*path, self._arrays[path] - 1)
        return path

    def _pair(self, table: Path, depth: int) -> bool:
        """Read "key = value"; return whether there was one."""
        line = self._line()
        keys = self._keys()
        self._skip(_SPACE)
        if not keys or not self._take("="):
            return False
        for length in range(1, len(keys)):
            self._note((*table, *keys[:length]), line)
        path = (*table, *keys)
        self._define(path, line)
        self._value(path, depth)
        return True

    def _define(self, path: Path, line: int) -> None:
        if path in self._settled:
            self.repeats.append((path, self.lines[path], line))
        self._settled.add(path)
        self._note(path, line)

    def _note(self, path: Path, line: int) -> None:
        self.lines.setdefault(path, line)

    def _keys(self) -> list[str]:
        keys: list[str] = []
        while True:
            self._skip(_SPACE)
            key = self._key()
            if key is None:
                return keys
            keys.append(key)
            self._skip(_SPACE)
            if not self._take("."):
                return keys

    def _key(self) -> str | None:
        for pattern in (_BASIC, _LITERAL):
            quoted = pattern.match(self._text, self._at)
            if quoted:
                self._at = quoted.end()
                return _ESCAPE.sub(_unescape, quoted[1]) if pattern is _BASIC else quoted[1]
        bare = _BARE.match(self._text, self._at)
        if bare is None:
            return None
        self._at = bare.end()
        return bare[0]

    def _value(self, path: Path, depth: int) -> None:
        self._skip(_SPACE)
        if depth > _DEEPEST:
            self._skip_nested()
        elif self._take("{"):
            self._inline_table(path, depth + 1)
        elif self._take("["):
            self._array(path, depth + 1)
        elif not self._string():
            self._skip(_SCALAR)

    def _inline_table(self, path: Path, depth: int) -> None:
        while self._pair(path, depth):
            self._skip(_BLANK)
            if not self._take(","):
                break
            self._skip(_BLANK)
        self._close("}")

    def _array(self, path: Path, depth: int) -> None:
        for index in range(len(self._text)):
            self._skip(_BLANK)
            if self._at >= len(self._text) or self._text[self._at] == "]":
                break
            self._note((*path, index), self._line())
            before = self._at
            self._value((*path, index), depth)
            self._skip(_BLANK)
            if not self._take(",") or self._at == before:
                break
        self._close("]")

    def _close(self, bracket: str) -> None:
        self._skip(_BLANK)
        self._take(bracket)

    def _string(self) -> bool:
        for pattern in (_LONG_BASIC, _LONG_LITERAL, _BASIC, _LITERAL):
            match = pattern.match(self._text, self._at)
            if match:
                self._at = match.end()
                return True
        return False

    def _skip_nested(self) -> None:
        """Pass over a value too deep to have keys that anyone meant."""
        open_brackets = 0
        while self._at < len(self._text):
            if self._string():
                continue
            sign = self._text[self._at]
            open_brackets += (sign in "[{") - (sign in "]}")
            if open_brackets < 0 or (open_brackets == 0 and sign in ",\n"):
                return
            self._at += 1

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self._text, self._at)
        if match:
            self._at = match.end()

    def _take(self, sign: str) -> bool:
        taken = self._text.startswith(sign, self._at)
        self._at += len(sign) if taken else 0
        return taken

    def _next_line(self) -> None:
        end = self._text.find("\n", self._at)
        self._at = len(self._text) if end < 0 else end + 1

    def _line(self) -> int:
        return bisect_right(self._starts, self._at)


def _unescape(match: re.Match[str]) -> str:
    code = match[1] or match[2]
    if code is None:
        return _ESCAPES.get(match[3], match[3])
    number = int(code, 16)
    return chr(number) if number < 0x110000 else ""
