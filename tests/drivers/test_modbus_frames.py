"""Answers found among bytes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.drivers.errors import AnswerError
from quietbench.drivers.modbus.blocks import Block
from quietbench.drivers.modbus.frames import Request, check_sum, find_answer, request_frame, without_echo
from quietbench.drivers.samples import Reason

REQUEST = Request(1, Block("input", 0, 2))
REGISTERS = st.lists(st.integers(0, 65535), min_size=1, max_size=125)


def framed(*body: int) -> bytes:
    return bytes(body) + check_sum(bytes(body))


def answer(registers: list[int], address: int = 1, function: int = 4) -> bytes:
    data = b"".join(register.to_bytes(2, "big") for register in registers)
    return framed(address, function, len(data), *data)


def test_a_whole_answer_is_found() -> None:
    """Registers come out in their order."""
    assert find_answer(answer([470, 228]), REQUEST) == (470, 228)


@given(REGISTERS)
def test_any_registers_are_found_and_no_part_of_them_is(registers: list[int]) -> None:
    """The whole is an answer; every beginning of it is not yet one."""
    request = Request(1, Block("holding", 7, len(registers)))
    whole = answer(registers, function=3)
    assert find_answer(whole, request) == tuple(registers)
    assert all(find_answer(whole[:size], request) is None for size in range(len(whole)))


@given(st.binary(max_size=300))
def test_any_bytes_give_nothing_an_answer_or_an_answer_error(heard: bytes) -> None:
    """Nothing else escapes, whatever a line brings."""
    try:
        found = find_answer(heard, REQUEST)
    except AnswerError:
        return
    assert found is None or len(found) == 2


@given(st.binary(max_size=40))
def test_noise_before_an_answer_is_skipped(noise: bytes) -> None:
    """Transmitters that switch on leave bytes before the frame."""
    assert find_answer(noise + answer([1, 2]), REQUEST) == (1, 2)


@given(st.integers(0, 8), st.integers(0, 7))
def test_one_wrong_bit_is_no_answer(byte: int, bit: int) -> None:
    """The check sum finds every single-bit error."""
    spoilt = bytearray(answer([470, 228]))
    spoilt[byte] ^= 1 << bit
    assert find_answer(bytes(spoilt), REQUEST) is None


def test_fewer_registers_than_asked_are_an_error() -> None:
    """The library would hand them over without a word."""
    with pytest.raises(AnswerError, match="got 1 registers, wanted 2") as caught:
        find_answer(answer([470]), REQUEST)
    assert caught.value.reason is Reason.BAD_CHECKSUM


def test_more_registers_than_asked_are_an_error() -> None:
    """An answer to another request is not cut to size."""
    with pytest.raises(AnswerError, match="got 3 registers, wanted 2"):
        find_answer(answer([1, 2, 3]), REQUEST)


def test_an_exception_is_a_refusal_with_its_name() -> None:
    """Code 2 is an illegal address."""
    with pytest.raises(AnswerError, match=r"refused with code 2 \(illegal address\)") as caught:
        find_answer(framed(1, 0x84, 2), REQUEST)
    assert caught.value.reason is Reason.REFUSED


def test_an_unknown_exception_code_is_told_as_it_is() -> None:
    """Devices invent codes."""
    with pytest.raises(AnswerError, match="code 99 "):
        find_answer(framed(1, 0x84, 99), REQUEST)


@pytest.mark.parametrize(
    "other", [answer([1, 2], address=2), answer([1, 2], function=3), framed(2, 0x84, 2), framed(1, 0x83, 2)]
)
def test_answers_to_others_are_none(other: bytes) -> None:
    """Another address or another function."""
    assert find_answer(other, REQUEST) is None


def test_our_own_bytes_are_taken_off() -> None:
    """An echo before the answer is dropped, a part of it is nothing yet."""
    sent = request_frame(REQUEST)
    assert without_echo(sent + b"\x01\x04", sent) == b"\x01\x04"
    assert without_echo(sent[:3], sent) == b""
    assert without_echo(b"\x01\x04\x04", sent) == b"\x01\x04\x04"
