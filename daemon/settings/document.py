"""A configuration as it was read: its text, its raw tables, and the lines that say what where."""

from __future__ import annotations

import datetime as dt
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any

from quietbench.daemon.settings.findings import Finding, Severity, nearest_of
from quietbench.daemon.settings.scan import KeyScan, Path
from quietbench.daemon.settings.secrets import SECRET_KEYS

__all__ = ["Document", "Unusable", "at", "read_document", "shown", "table_of"]

LARGEST_BYTES = 1024 * 1024
"""A file for one watcher has some kilobytes; what is larger was named by mistake."""

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_POSITION = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_REPEATED = ("Cannot overwrite a value", "Cannot declare", "Duplicate inline table key", "Cannot mutate")
_SECRET_WORDS = (*SECRET_KEYS, "secret", "passphrase", "passwd", "api_key", "credential")
_HIDDEN = "a value that is not shown"
_LONGEST_SHOWN = 60
_LONGEST_PART = 600


class Unusable(Exception):  # noqa: N818 - carries a finding, is no error of the program
    """The file gives no tables at all; ``finding`` says why."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.text())
        self.finding = finding


@dataclass(frozen=True, slots=True)
class Document:
    """One TOML file, parsed. ``name`` is the path as the user gave it, ``folder`` where relative paths start."""

    name: str
    folder: FilePath
    raw: dict[str, Any]
    scan: KeyScan = field(repr=False)

    def finding(
        self,
        path: Path,
        what: str,
        *,
        got: str | None = None,
        wanted: str = "",
        nearest: str | None = None,
        severity: Severity = Severity.ERROR,
    ) -> Finding:
        """Return a finding about the key at ``path``; what was got is the raw value unless given."""
        value = shown(at(self.raw, path), path) if got is None else got
        line = self.scan.line(path)
        table, key = _split(path)
        return Finding(
            file=self.name,
            line=line,
            table=plain(dotted(table)),
            key=plain(dotted(key)),
            what=plain(what),
            got=plain(value),
            wanted=plain(wanted),
            nearest=None if nearest is None else plain(nearest),
            severity=severity,
        )

    def tables(self, *path: str) -> Iterator[tuple[str, dict[str, Any]]]:
        """Yield name and content of every table directly under ``path``; anything else there is passed over."""
        for name, value in table_of(self.raw, *path).items():
            if isinstance(value, dict):
                yield name, value

    def place(self, path: str) -> FilePath:
        """Return a path of the file as an absolute one."""
        return (self.folder / path).absolute()


def read_document(path: FilePath) -> Document:
    """Read and parse a file.

    Raises:
        Unusable: it can't be read, is no UTF-8, holds nothing, or is no TOML.
    """
    name = str(path)
    text = _decoded(name, _content(name, path))
    scan = KeyScan(text)
    raw = _parsed(name, text, scan)
    if not raw:
        raise Unusable(
            _whole(name, "the file holds no tables", wanted="a configuration, beginning with version = 1")
        )
    return Document(name, path.absolute().parent, raw, scan)


def _whole(name: str, what: str, *, line: int | None = None, got: str = "", wanted: str = "") -> Finding:
    return Finding(name, line, "", "", what, got, wanted)


def _content(name: str, path: FilePath) -> bytes:
    wanted = "a TOML file that can be read"
    try:
        if path.is_dir():
            raise Unusable(_whole(name, "this is a directory", wanted=wanted))
        if path.exists() and not path.is_file():
            raise Unusable(_whole(name, "this is no regular file", wanted=wanted))
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise Unusable(_whole(name, "there is no such file", wanted=wanted)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a usable path"
        raise Unusable(_whole(name, f"the file can't be read: {reason}", wanted=wanted)) from None
    if len(data) > LARGEST_BYTES:
        raise Unusable(_whole(name, "the file is too large", wanted=f"at most {LARGEST_BYTES} bytes"))
    if not data.strip():
        raise Unusable(
            _whole(name, "the file is empty", wanted="a configuration, beginning with version = 1")
        )
    return data


def _decoded(name: str, data: bytes) -> str:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        got = f"byte 0x{data[error.start]:02x}"
        raise Unusable(
            _whole(name, "the file is not UTF-8", line=line, got=got, wanted="UTF-8 text")
        ) from None
    if text.startswith("\ufeff"):
        raise Unusable(
            _whole(
                name, "the file begins with a byte-order mark", line=1, wanted="UTF-8 text without that mark"
            )
        )
    return text


def _parsed(name: str, text: str, scan: KeyScan) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        finding = _whole(name, "tables or lists are nested too deeply", wanted="at most a few levels")
        raise Unusable(finding) from None
    except ValueError as error:
        raise Unusable(_syntax(name, str(error), text, scan)) from None


def _syntax(name: str, message: str, text: str, scan: KeyScan) -> Finding:
    if message.startswith(_REPEATED) and scan.repeats:
        path, first, second = scan.repeats[0]
        return Finding(
            name,
            second,
            dotted(path[:-1]),
            dotted(path[-1:]),
            "given twice",
            f"lines {first} and {second}",
            "each key and table once",
        )
    position = _POSITION.search(message)
    line = _line_of(position, text)
    what = message[: position.start()] if position else "a number or date that can't be"
    column = f", column {position[2]}" if position and position[2] else ""
    return _whole(name, f"not TOML{column}: {what[0].lower()}{what[1:]}", line=line, wanted="TOML 1.0")


def _line_of(position: re.Match[str] | None, text: str) -> int | None:
    if position is None:
        return None
    return int(position[1]) if position[1] else text.count("\n", 0, len(text.rstrip())) + 1


def plain(text: str) -> str:
    """Return text of a file fit to be shown: on one line, not endless, no codes that take over a terminal."""
    text = text if len(text) <= _LONGEST_PART else text[: _LONGEST_PART - 1] + "…"
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)


def _split(path: Path) -> tuple[Path, Path]:
    """Part a path into its table and its key; an element of a list goes with the list's key."""
    at_key = next((i for i in range(len(path) - 1, -1, -1) if isinstance(path[i], str)), 0)
    return path[:at_key], path[at_key:]


def dotted(path: Path) -> str:
    """Write a path as TOML does."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            key = step if _BARE.fullmatch(step) else json.dumps(step[:_LONGEST_SHOWN], ensure_ascii=True)
            text += f".{key}" if text else key
    return text


def table_of(raw: Any, *path: str) -> dict[str, Any]:
    """Return the table at a path, an empty one where there is none."""
    found = at(raw, path)
    return found if isinstance(found, dict) else {}


def at(raw: Any, path: Path) -> Any:
    """Return the raw value at a path, None where there is none."""
    for step in path:
        if isinstance(raw, Mapping):
            raw = raw.get(step)
        elif isinstance(raw, list) and isinstance(step, int) and step < len(raw):
            raw = raw[step]
        else:
            return None
    return raw


def shown(value: Any, path: Path = ()) -> str:
    """Return a raw value for a message: short, on one line, and never a secret."""
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "an empty list" if not value else "a list"
    return _HIDDEN if _secret(value, path) else _scalar(value)


def _secret(value: Any, path: Path) -> bool:
    keys = [step for step in path if isinstance(step, str)]
    in_address = keys[:1] == ["sinks"] and isinstance(value, str) and ("@" in value or "?" in value)
    return in_address or any(nearest_of(key, _SECRET_WORDS) for key in keys[1:])


def _scalar(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        # A hexadecimal number may be longer than the interpreter is willing to write in decimal.
        return str(value) if value.bit_length() < 64 else "a very long number"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return value.isoformat()
    text = str(value)
    return json.dumps(
        text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…", ensure_ascii=False
    )
