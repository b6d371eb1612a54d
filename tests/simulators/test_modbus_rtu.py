"""The answering side of Modbus, on bytes."""

from __future__ import annotations

import random
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.simulators.modbus_rtu import Mode, answer, crc16, frame, pdu_for, spoil

CELLS = {("input", 0): 441, ("input", 1): 0xFFFB, ("holding", 7): 3, ("holding", 8): 4}
ALL = frozenset(range(1, 248))


def read(table: str, number: int) -> int:
    """Read a register of a small device, one of whose registers is broken."""
    if number == 99:
        raise OverflowError("does not fit")
    return CELLS[table, number]


def test_the_checksum_is_that_of_the_specification() -> None:
    """02 07 has CRC 1241 hex, sent 41 12 (MODBUS over Serial Line V1.02, appendix B)."""
    assert crc16(bytes((0x02, 0x07))) == 0x1241
    assert frame(0x02, b"\x07") == b"\x02\x07\x41\x12"


@pytest.mark.parametrize(
    ("request_hex", "answer_hex"),
    [
        ("04 0000 0002", "04 04 01b9 fffb"),
        ("04 0001 0001", "04 02 fffb"),
        ("03 0007 0002", "03 04 0003 0004"),
        ("03 0006 0001", "83 02"),  # illegal data address
        ("04 0000 0003", "84 02"),  # a map read past its end
        ("04 0000 0000", "84 03"),  # illegal data value: no registers
        ("04 0000 007e", "84 03"),  # 126, one more than a frame holds
        ("04 0063 0001", "84 04"),  # slave device failure
        ("06 0000 0001", "86 01"),  # illegal function: these devices can't be written
        ("04 0000", "84 03"),
    ],
)
def test_requests_are_answered_as_specified(request_hex: str, answer_hex: str) -> None:
    """Registers, or the exception that the application protocol names."""
    assert answer(bytes.fromhex(request_hex), read) == bytes.fromhex(answer_hex)


def test_a_frame_for_another_device_or_for_all_is_left_alone() -> None:
    """Only a whole frame for an address that is there is taken up."""
    request = bytes.fromhex("0400000002")
    assert pdu_for(frame(5, request), frozenset((5,))) == (5, request)
    assert pdu_for(frame(6, request), frozenset((5,))) is None
    assert pdu_for(frame(0, request), frozenset((0, 5))) is None


@given(st.integers(1, 247), st.binary(min_size=1, max_size=252), st.data())
def test_one_wrong_bit_is_always_noticed(address: int, pdu: bytes, data: st.DataObject) -> None:
    """A checksum of 16 bits sees every single-bit error."""
    whole = bytearray(frame(address, pdu))
    bit = data.draw(st.integers(0, 8 * len(whole) - 1))
    whole[bit // 8] ^= 1 << bit % 8
    assert pdu_for(bytes(whole), ALL) is None


@given(st.binary(max_size=300))
def test_any_bytes_give_an_answer_or_silence(data: bytes) -> None:
    """Nothing that comes over a wire can raise."""
    request = pdu_for(data, ALL)
    assert request is None or answer(request[1], read)


@given(st.binary(min_size=1, max_size=253))
def test_any_pdu_is_answered_with_its_function_or_its_exception(pdu: bytes) -> None:
    """An answer always names the function it answers."""
    assert answer(pdu, read)[0] & 0x7F == pdu[0] & 0x7F


def test_each_fault_spoils_the_answer_in_its_own_way() -> None:
    """Silence, noise, half a frame, a register less, an exception, a wrong checksum; late is right but late."""
    request = bytes.fromhex("0400000002")
    good = answer(request, read)
    spoilt = {mode: spoil(1, request, good, mode, random.Random(1)) for mode in Mode}
    assert spoilt[Mode.OK] == spoilt[Mode.LATE] == frame(1, good)
    assert spoilt[Mode.SILENT] == b""
    assert len(spoilt[Mode.GARBAGE]) == len(frame(1, good))
    assert pdu_for(spoilt[Mode.GARBAGE], ALL) is None
    assert frame(1, good).startswith(spoilt[Mode.SHORT])
    assert len(spoilt[Mode.SHORT]) == 4
    assert pdu_for(spoilt[Mode.FEWER], ALL) == (1, bytes.fromhex("040201b9"))
    assert pdu_for(spoilt[Mode.EXCEPTION], ALL) == (1, bytes.fromhex("8404"))
    assert spoilt[Mode.BAD_CHECKSUM][:-2] == frame(1, good)[:-2]
    assert struct.unpack("<H", spoilt[Mode.BAD_CHECKSUM][-2:])[0] != crc16(frame(1, good)[:-2])
