"""The lines of a check before work, as typed and frozen values: what is said, asked, and what each step came to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from quietbench.daemon.socket.errors import ProtocolError
from quietbench.daemon.socket.lines import printable

END = "end"
"""The step of the last line, whose result is the whole check's."""

_KINDS = ("ask", "say", "result")


@dataclass(frozen=True, slots=True)
class ReadyLine:
    """One line: ``kind`` is "ask" (answer yes or no), "say" or "result"; ``text`` what is asked, said or came out.

    A result has its ``why`` in words, and ``numbers`` in SI units, not looked at any further.
    """

    bench: str
    step: str
    kind: str
    text: str
    why: str = ""
    numbers: Mapping[str, Any] = field(default_factory=dict)

    @property
    def last(self) -> bool:
        """Say whether the check is over with this line."""
        return self.kind == "result" and self.step == END

    @classmethod
    def parse(cls, line: Any) -> ReadyLine:
        """Read what stands under "ready"; raises `ProtocolError`."""
        if not isinstance(line, dict):
            raise ProtocolError(f"key 'ready': got {line!r:.60}, wanted an object")
        kind = next((kind for kind in _KINDS if kind in line), None)
        if kind is None:
            raise ProtocolError(f"a line of a ready check without any of {', '.join(_KINDS)}")
        numbers = line.get("numbers", {})
        if not isinstance(numbers, dict):
            raise ProtocolError(f"key 'numbers': got {numbers!r:.60}, wanted an object")
        why = _text(line, "why") if "why" in line else ""
        return cls(_text(line, "bench"), _text(line, "step"), kind, _text(line, kind), why, numbers)


def _text(line: Mapping[str, Any], key: str) -> str:
    value = line.get(key)
    if not isinstance(value, str):
        raise ProtocolError(f"key {key!r}: got {value!r:.60}, wanted text")
    return printable(value)
