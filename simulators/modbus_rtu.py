"""The answering side of Modbus over serial line, on bytes: checksum, frames, register reads, and spoilt answers.

Written from the public specifications (MODBUS Application Protocol V1.1b3, sections 6.3, 6.4 and 7; MODBUS over
Serial Line V1.02, section 2.5 and appendix B). It shares no code with what it is asked by: an error made on one
side must not cancel the same error on the other.
"""

from __future__ import annotations

import enum
import random
import struct
from collections.abc import Callable

ReadRegister = Callable[[str, int], int]
"""Gives the 16 bits of a register: table ("input" or "holding") and number; raises KeyError if there is none."""

_TABLES = {3: "holding", 4: "input"}
_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE, _DEVICE_FAILURE = 1, 2, 3, 4
_MOST_REGISTERS = 125


class Mode(enum.Enum):
    """How a slave behaves: well, or one of the ways in which they fail."""

    OK = "ok"
    SILENT = "silent"
    LATE = "late"  # the right answer, after the master has given up
    GARBAGE = "garbage"  # bytes that mean nothing
    SHORT = "short"  # half a frame
    FEWER = "fewer"  # a whole frame with one register less than was asked for
    EXCEPTION = "exception"  # "slave device failure"
    BAD_CHECKSUM = "bad_checksum"


def _crc_table() -> tuple[int, ...]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)  # the register of the specification
        table.append(value)
    return tuple(table)


_CRC_TABLE = _crc_table()


def crc16(data: bytes) -> int:
    """Return the checksum of ``data``: polynomial 0xA001 reflected, preset 0xFFFF; sent low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def frame(address: int, pdu: bytes) -> bytes:
    """Return the bytes on the wire for a PDU of the slave ``address``."""
    body = bytes((address,)) + pdu
    return body + struct.pack("<H", crc16(body))


def pdu_for(data: bytes, addresses: frozenset[int]) -> tuple[int, bytes] | None:
    """Return (address, PDU) of a whole frame for one of ``addresses``, or None for anything else.

    A slave is silent to what is not whole, not for it, or for everybody (address 0).
    """
    if not 4 <= len(data) <= 256 or data[0] not in addresses or data[0] == 0:
        return None
    if struct.pack("<H", crc16(data[:-2])) != data[-2:]:
        return None
    return data[0], data[1:-2]


def answer(pdu: bytes, read: ReadRegister) -> bytes:
    """Return the answering PDU to a request PDU: registers, or an exception."""
    table = _TABLES.get(pdu[0])
    if table is None:
        return _exception(pdu, _ILLEGAL_FUNCTION)
    if len(pdu) != 5:
        return _exception(pdu, _ILLEGAL_VALUE)
    first, count = struct.unpack(">HH", pdu[1:])
    if not 1 <= count <= _MOST_REGISTERS:
        return _exception(pdu, _ILLEGAL_VALUE)
    try:
        words = [read(table, register) for register in range(first, first + count)]
    except KeyError:
        return _exception(pdu, _ILLEGAL_ADDRESS)
    except OverflowError:
        return _exception(pdu, _DEVICE_FAILURE)
    return struct.pack(f">BB{count}H", pdu[0], 2 * count, *words)


def spoil(address: int, request: bytes, good: bytes, mode: Mode, chance: random.Random) -> bytes:
    """Return the frame that a slave in ``mode`` puts on the wire where ``good`` would be right.

    Silence is no bytes. LATE looks like OK; its delay is the port's business.
    """
    whole = frame(address, good)
    if mode is Mode.SILENT:
        return b""
    if mode is Mode.GARBAGE:
        return _garbage(whole, chance)
    if mode is Mode.SHORT:
        return whole[: len(whole) // 2]
    if mode is Mode.FEWER:
        return frame(address, _fewer(good))
    if mode is Mode.EXCEPTION:
        return frame(address, _exception(request, _DEVICE_FAILURE))
    if mode is Mode.BAD_CHECKSUM:
        return whole[:-1] + bytes((whole[-1] ^ 0x5A,))
    return whole


def _exception(pdu: bytes, code: int) -> bytes:
    return bytes((pdu[0] | 0x80, code))


def _garbage(whole: bytes, chance: random.Random) -> bytes:
    noise = chance.randbytes(len(whole))
    # One time in 65,536 noise would be a whole frame; then it would not be garbage.
    return noise if struct.pack("<H", crc16(noise[:-2])) != noise[-2:] else bytes(len(whole))


def _fewer(good: bytes) -> bytes:
    if good[0] & 0x80:
        return good
    return bytes((good[0], good[1] - 2)) + good[2:-2]
