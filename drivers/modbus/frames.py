"""Requests and answers as bytes: the one place that knows the Modbus library. Pure.

The library changes its interface in minor releases; it is pinned, and only its frames and messages are used.

An answer is searched for in everything heard since the request, because lines put noise before a frame when a
transmitter switches on. Address, function, byte count and check sum have to fit, so noise is not taken for an answer.
"""

from __future__ import annotations

from dataclasses import dataclass

from pymodbus.constants import ExcCodes
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from quietbench.drivers.errors import AnswerError
from quietbench.drivers.modbus.blocks import Block
from quietbench.drivers.samples import Reason

__all__ = ["SHORTEST_ANSWER", "Request", "check_sum", "find_answer", "request_frame", "without_echo"]

SHORTEST_ANSWER = 5
"""Bytes of an exception: address, function, code, check sum."""

_REQUESTS = {"input": ReadInputRegistersRequest, "holding": ReadHoldingRegistersRequest}
_REFUSED = 0x80
_framer = FramerRTU(DecodePDU(is_server=False))


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked, of whom."""

    address: int
    block: Block

    @property
    def function(self) -> int:
        """Get the function code: 4 for input registers, 3 for holding registers."""
        return _REQUESTS[self.block.table].function_code

    @property
    def answer_size(self) -> int:
        """Get the bytes of the whole answer."""
        return SHORTEST_ANSWER + 2 * self.block.count

    def __str__(self) -> str:
        """Say it for people."""
        block = self.block
        return f"address {self.address}, {block.table} registers {block.first} to {block.end - 1}"


def check_sum(data: bytes) -> bytes:
    """Return the CRC-16 of a frame as it stands on the wire, low byte first."""
    return FramerRTU.compute_CRC(data).to_bytes(2, "big")


def request_frame(request: Request) -> bytes:
    """Return the bytes to send."""
    kind, block = _REQUESTS[request.block.table], request.block
    return _framer.buildFrame(kind(address=block.first, count=block.count, dev_id=request.address))


def without_echo(heard: bytes, sent: bytes) -> bytes:
    """Return what was heard after our own bytes, if those came back first; a part of them is nothing yet."""
    if heard.startswith(sent):
        return heard[len(sent) :]
    return b"" if sent.startswith(heard) else heard


def find_answer(heard: bytes, request: Request) -> tuple[int, ...] | None:
    """Return the registers, or ``None`` as long as there is no whole answer in ``heard``.

    Raises:
        AnswerError: a whole answer that is no good: the device refuses (REFUSED), or sends another number of
            registers than asked (BAD_CHECKSUM: not whole), as a late answer to another request would.
    """
    for start in range(len(heard) - SHORTEST_ANSWER + 1):
        registers = _answer_at(heard[start:], request)
        if registers is not None:
            return registers
    return None


def _answer_at(heard: bytes, request: Request) -> tuple[int, ...] | None:
    if heard[0] != request.address:
        return None
    if heard[1] == request.function | _REFUSED and _is_whole(heard[:SHORTEST_ANSWER]):
        raise _refusal(heard[2], request)
    frame = heard[: SHORTEST_ANSWER + heard[2]]
    if heard[1] != request.function or len(frame) < SHORTEST_ANSWER + heard[2] or not _is_whole(frame):
        return None
    if len(frame) != request.answer_size:
        raise AnswerError(f"{request}: got {heard[2] / 2:g} registers, wanted {request.block.count}")
    answer = _framer.decoder.decode(frame[1:-2])
    return None if answer is None else tuple(answer.registers)


def _is_whole(frame: bytes) -> bool:
    return check_sum(frame[:-2]) == frame[-2:]


def _refusal(code: int, request: Request) -> AnswerError:
    names = {member.value: member.name.replace("_", " ").lower() for member in ExcCodes}
    hint = "; does it have all of these registers?" if code == ExcCodes.ILLEGAL_ADDRESS else ""
    return AnswerError(
        f"{request}: refused with code {code} ({names.get(code, 'not in the standard')}){hint}",
        reason=Reason.REFUSED,
    )
