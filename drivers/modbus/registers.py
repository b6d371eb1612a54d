"""Registers to numbers and back: pure.

A register is sixteen bits, high byte first on the wire. Of numbers in two registers the protocol says nothing:
"big" has the high word in the lower register, "little" the low word.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Literal, get_args

__all__ = ["RegisterType", "WordOrder", "decode", "encode", "width"]

RegisterType = Literal["int16", "uint16", "int32", "uint32", "float32"]
WordOrder = Literal["big", "little"]

_FORMATS: dict[RegisterType, str] = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
}
assert set(_FORMATS) == set(get_args(RegisterType))


def width(kind: RegisterType) -> int:
    """Return how many registers a number of this type takes: 1 or 2."""
    return struct.calcsize(_FORMATS[kind]) // 2


def decode(words: Sequence[int], kind: RegisterType, word_order: WordOrder = "big") -> int | float:
    """Return the number in ``words``, as many as `width` says, each 0 to 65535.

    A float32 may be infinite or not a number.

    Raises:
        ValueError: the wrong count of words, or one that is none.
    """
    if len(words) != width(kind):
        raise ValueError(f"{kind}: got {len(words)} registers, wanted {width(kind)}")
    try:
        packed = struct.pack(f">{len(words)}H", *_ordered(words, word_order))
    except struct.error as failure:
        raise ValueError(f"{kind}: got {list(words)}, wanted registers of 0 to 65535") from failure
    number: int | float = struct.unpack(_FORMATS[kind], packed)[0]
    return number


def encode(number: float, kind: RegisterType, word_order: WordOrder = "big") -> tuple[int, ...]:
    """Return the registers that hold ``number``; `decode` gives it back, a float32 to its precision.

    Raises:
        ValueError: the type can't hold this number.
    """
    try:
        packed = struct.pack(_FORMATS[kind], number)
    except (struct.error, OverflowError) as failure:
        raise ValueError(f"got {number!r}, wanted what fits {kind}") from failure
    return tuple(_ordered(struct.unpack(f">{width(kind)}H", packed), word_order))


def _ordered(words: Sequence[int], word_order: WordOrder) -> Sequence[int]:
    return words if word_order == "big" else words[::-1]
