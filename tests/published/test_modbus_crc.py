"""The check sum of Modbus RTU against published values.

Sources:
    MODBUS over Serial Line, Specification and Implementation Guide V1.02, section 6.2.2 (appendix B, CRC generation):
    polynomial A001 hex reflected, register preset to FFFF hex, low byte sent first; its example, the frame 02 07,
    has the CRC 1241 hex and goes out as 41 then 12.
    Catalogue of parametrised CRC algorithms, entry CRC-16/MODBUS: the check value of the nine ASCII digits
    "123456789" is 4B37 hex.
"""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from quietbench.drivers.modbus.blocks import Block
from quietbench.drivers.modbus.frames import Request, check_sum, request_frame


def test_the_specification_s_example() -> None:
    """Frame 02 07: CRC 1241 hex, low byte first."""
    assert check_sum(bytes([0x02, 0x07])) == bytes([0x41, 0x12])


def test_the_catalogue_s_check_value() -> None:
    """CRC-16/MODBUS of "123456789" is 4B37 hex."""
    assert check_sum(b"123456789") == bytes([0x37, 0x4B])


def test_the_request_s_layout() -> None:
    """MODBUS Application Protocol V1.1b3, 6.3: registers 108 to 110 are asked as 03 00 6B 00 03."""
    frame = request_frame(Request(0x11, Block("holding", 107, 3)))
    assert frame[:-2] == bytes([0x11, 0x03, 0x00, 0x6B, 0x00, 0x03])
    assert frame[-2:] == check_sum(frame[:-2])


@given(st.binary(max_size=256))
def test_bit_by_bit_as_the_specification_describes(data: bytes) -> None:
    """Appendix B's procedure, step by step, agrees with the table that is used."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register, carry = register >> 1, register & 1
            register ^= 0xA001 if carry else 0

    assert check_sum(data) == bytes([register & 0xFF, register >> 8])
