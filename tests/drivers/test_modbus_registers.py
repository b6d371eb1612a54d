"""Registers to numbers and back."""

from __future__ import annotations

import math
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.drivers.modbus.registers import RegisterType, WordOrder, decode, encode, width

INTEGERS = {
    "int16": (-(2**15), 2**15 - 1),
    "uint16": (0, 2**16 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "uint32": (0, 2**32 - 1),
}
ORDERS = st.sampled_from(["big", "little"])

PAIRS = [
    ((0x01F4,), "uint16", "big", 500),
    ((0xFFFF,), "int16", "big", -1),
    ((0x8000,), "int16", "little", -32768),
    ((0x0001, 0x0002), "uint32", "big", 65538),
    ((0x0002, 0x0001), "uint32", "little", 65538),
    ((0xFFFF, 0xFFFE), "int32", "big", -2),
    ((0x4248, 0x0000), "float32", "big", 50.0),
    ((0x0000, 0x4248), "float32", "little", 50.0),
]


@pytest.mark.parametrize(("words", "kind", "order", "number"), PAIRS)
def test_known_pairs_both_ways(words: tuple[int, ...], kind: Any, order: Any, number: float) -> None:
    """Each pair decodes and encodes."""
    assert decode(words, kind, order) == number
    assert encode(number, kind, order) == words


@given(st.data(), st.sampled_from(sorted(INTEGERS)), ORDERS)
def test_integers_survive_the_way_there_and_back(data: st.DataObject, kind: Any, order: Any) -> None:
    """Every number of a type comes back exactly."""
    number = data.draw(st.integers(*INTEGERS[kind]))
    assert decode(encode(number, kind, order), kind, order) == number


@given(st.floats(width=32, allow_nan=False), ORDERS)
def test_floats_survive_the_way_there_and_back(number: float, order: WordOrder) -> None:
    """Every float of single precision comes back exactly, infinities too."""
    assert decode(encode(number, "float32", order), "float32", order) == number


@given(st.data(), st.sampled_from([*sorted(INTEGERS), "float32"]), ORDERS)
def test_registers_survive_the_way_there_and_back(
    data: st.DataObject, kind: RegisterType, order: WordOrder
) -> None:
    """Any registers are a number, and encode to themselves; of the NaNs only that they are one."""
    words = tuple(data.draw(st.lists(st.integers(0, 65535), min_size=width(kind), max_size=width(kind))))
    number = decode(words, kind, order)
    if math.isnan(number):
        assert math.isnan(decode(encode(number, kind, order), kind, order))
    else:
        assert encode(number, kind, order) == words


@pytest.mark.parametrize(
    ("number", "kind"), [(65536, "uint16"), (-1, "uint32"), (1.5, "int16"), (1e39, "float32")]
)
def test_what_does_not_fit_is_refused(number: float, kind: Any) -> None:
    """Nothing wraps and nothing clips in silence."""
    with pytest.raises(ValueError, match=f"wanted what fits {kind}"):
        encode(number, kind)


@pytest.mark.parametrize(
    ("words", "kind"), [((1,), "uint32"), ((1, 2), "uint16"), ((), "int16"), ((65536,), "int16")]
)
def test_wrong_registers_are_refused(words: tuple[int, ...], kind: Any) -> None:
    """A count that is not the type's, or a word beyond sixteen bits."""
    with pytest.raises(ValueError, match="wanted"):
        decode(words, kind)


def test_the_format_is_ieee_754() -> None:
    """A float32 in big order is the big-endian single of the standard."""
    assert b"".join(word.to_bytes(2, "big") for word in encode(-12.75, "float32")) == struct.pack(
        ">f", -12.75
    )
