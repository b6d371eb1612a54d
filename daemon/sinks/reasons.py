"""What MQTT 5 reason codes mean for a record: whose fault it is, and whether a person has to act.

Numbers and names: MQTT Version 5.0 (OASIS Standard, 7 March 2019), 2.4, table 2-6.
"""

from __future__ import annotations

from collections.abc import Sequence

from quietbench.daemon.sinks.base import Accepted, Outcome, Refused, Trouble

SUCCESS = 0x00
NO_MATCHING_SUBSCRIBERS = 0x10
UNSPECIFIED_ERROR = 0x80
MALFORMED_PACKET = 0x81
PROTOCOL_ERROR = 0x82
IMPLEMENTATION_SPECIFIC = 0x83
SERVER_UNAVAILABLE = 0x88
SERVER_BUSY = 0x89
SERVER_SHUTTING_DOWN = 0x8B
KEEP_ALIVE_TIMEOUT = 0x8D
SESSION_TAKEN_OVER = 0x8E
PACKET_IDENTIFIER_IN_USE = 0x91
PACKET_TOO_LARGE = 0x95
PAYLOAD_FORMAT_INVALID = 0x99
CONNECTION_RATE_EXCEEDED = 0x9F

_RECORDS_FAULT = {UNSPECIFIED_ERROR, IMPLEMENTATION_SPECIFIC, PAYLOAD_FORMAT_INVALID}
_PASSES_BY_ITSELF = {
    SUCCESS,
    UNSPECIFIED_ERROR,
    SERVER_UNAVAILABLE,
    SERVER_BUSY,
    SERVER_SHUTTING_DOWN,
    KEEP_ALIVE_TIMEOUT,
    PACKET_IDENTIFIER_IN_USE,
    CONNECTION_RATE_EXCEEDED,
}


def is_failure(code: int) -> bool:
    """Say whether a reason code is a refusal (2.4: 0x80 and above)."""
    return code >= UNSPECIFIED_ERROR


def outcome_of_puback(code: int, name: str, topic: str) -> Outcome:
    """Return what an acknowledgement says about the message it belongs to."""
    if not is_failure(code):
        return Accepted()
    why = f'the broker refuses a message on "{topic}": {name} (0x{code:02X})'
    if code in _RECORDS_FAULT:
        return Refused(why)
    return Trouble(why, visible=code not in _PASSES_BY_ITSELF)


def trouble_of_suback(refused: Sequence[tuple[str, int, str]]) -> Trouble:
    """Return what refused subscriptions mean: topic, code and the code's name of each."""
    said = ", ".join(f'"{topic}" ({name}, 0x{code:02X})' for topic, code, name in refused)
    why = f"the broker refuses to hand on commands from {said}: check what it allows this user to read"
    return Trouble(why, visible=True)


def trouble_of_connack(code: int, name: str, where: str) -> Trouble:
    """Return what a refused connection means."""
    return _trouble(f"{where} refuses the connection", code, name)


def trouble_of_disconnect(code: int, name: str, where: str) -> Trouble:
    """Return what it means that the broker sent the client away."""
    return _trouble(f"{where} ended the connection", code, name)


_ADVICE = {
    0x84: ": the broker must speak MQTT 5",
    0x85: ": choose another client_id",
    0x86: ": check username and password",
    0x87: ": check what the broker allows this user",
    SESSION_TAKEN_OVER: ": another program uses the same client_id",
    0x9A: ": the broker must allow retained messages",
    0x9B: ": the broker must allow QoS 1",
}


def _trouble(what: str, code: int, name: str) -> Trouble:
    return Trouble(
        f"{what}: {name} (0x{code:02X}){_ADVICE.get(code, '')}", visible=code not in _PASSES_BY_ITSELF
    )
