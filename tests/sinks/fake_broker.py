"""A small MQTT 5 broker that misbehaves on request. It works on bytes and shares nothing with the client library.

It takes one client after the other on a loopback port, notes every PUBLISH, and answers each with what ``answer``
returns: a reason code, None for no answer at all, or `CUT` to end the connection.

A SUBSCRIBE is noted and answered with ``suback`` for each topic; what a subscriber gets, the test sends (`send`).

Not built: topics that match, QoS 2, retained messages, sessions.
"""

from __future__ import annotations

import contextlib
import json
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Self

CUT = -1

CONNECT, PUBLISH, SUBSCRIBE, PINGREQ, DISCONNECT = 1, 3, 8, 12, 14


@dataclass(frozen=True)
class Published:
    """A PUBLISH as it came. ``connection`` counts from 1."""

    connection: int
    topic: str
    payload: bytes
    qos: int
    retain: bool
    dup: bool
    size: int

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


@dataclass
class FakeBroker:
    """Runs between ``with``; may be paused (`close_door`) and opened again on the same port."""

    answer: Callable[[Published], int | None] = lambda _published: 0
    connack: bytes = bytes((0, 0))
    """Reason code and properties of the CONNACK, behind the flags."""
    say_goodbye: int | None = None
    """A reason code for a DISCONNECT that is sent before a connection is cut."""
    published: list[Published] = field(default_factory=list)
    connects: int = 0
    goodbyes: list[int] = field(default_factory=list)
    """Reason codes of the client's DISCONNECTs: 0 in good order, 4 with the will."""
    client_ids: list[str] = field(default_factory=list)
    suback: int = 1
    """The code that every subscription gets; the granted QoS, or a refusal."""
    answer_subscriptions: bool = True
    subscribed: list[tuple[str, int]] = field(default_factory=list)
    """Topics and options of all subscriptions."""
    outstanding_most: int = 0

    def __enter__(self) -> Self:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._client: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.shutdown(socket.SHUT_RDWR)
        self._thread.join(5.0)

    def on(self, topic: str) -> list[Published]:
        return [one for one in list(self.published) if one.topic == topic]

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Send a message at QoS 0 to the client that is there."""
        assert self._client is not None
        body = struct.pack("!H", len(topic)) + topic.encode() + b"\x00" + payload
        self._client.sendall(_packet(0x30 | retain, body))

    def _serve(self) -> None:
        while True:
            try:
                self._client, _ = self._server.accept()
            except OSError:
                return
            with self._client as client, contextlib.suppress(OSError):
                self._talk(client)

    def _talk(self, client: socket.socket) -> None:
        unanswered = 0
        for first, body in _packets(client):
            kind = first >> 4
            if kind == CONNECT:
                self.connects += 1
                self.client_ids.append(_text(body, 10 + 1 + body[10])[0])
                client.sendall(_packet(0x20, b"\x00" + self.connack))
                if self.connack[0]:
                    return
            elif kind == PUBLISH:
                unanswered += 1
                self.outstanding_most = max(self.outstanding_most, unanswered)
                mid, published = _published(self.connects, first, body)
                self.published.append(published)
                code = self.answer(published)
                if code == CUT:
                    if self.say_goodbye is not None:
                        client.sendall(_packet(0xE0, bytes((self.say_goodbye, 0))))
                    return
                if code is not None:
                    unanswered -= 1
                    client.sendall(_packet(0x40, struct.pack("!H", mid) + bytes((code, 0))))
            elif kind == SUBSCRIBE:
                topics = list(_subscriptions(body))
                self.subscribed += topics
                codes = bytes([self.suback] * len(topics))
                if self.answer_subscriptions:
                    client.sendall(_packet(0x90, body[:2] + b"\x00" + codes))
            elif kind == PINGREQ:
                client.sendall(_packet(0xD0, b""))
            elif kind == DISCONNECT:
                self.goodbyes.append(body[0] if body else 0)
                return


def _packets(client: socket.socket) -> Iterator[tuple[int, bytes]]:
    stream = client.makefile("rb")
    with stream:
        while first := stream.read(1):
            length, shift = 0, 0
            while True:
                byte = stream.read(1)[0]
                length |= (byte & 0x7F) << shift
                shift += 7
                if not byte & 0x80:
                    break
            yield first[0], stream.read(length)


def _packet(first: int, body: bytes) -> bytes:
    length, left = b"", len(body)
    while left >= 128:
        length, left = length + bytes((left & 0x7F | 0x80,)), left >> 7
    return bytes((first,)) + length + bytes((left,)) + body


def _subscriptions(body: bytes) -> Iterator[tuple[str, int]]:
    at = 3 + body[2]
    while at < len(body):
        topic, at = _text(body, at)
        yield topic, body[at]
        at += 1


def _text(body: bytes, at: int) -> tuple[str, int]:
    (length,) = struct.unpack_from("!H", body, at)
    return body[at + 2 : at + 2 + length].decode(), at + 2 + length


def _published(connection: int, first: int, body: bytes) -> tuple[int, Published]:
    topic, at = _text(body, 0)
    (mid,) = struct.unpack_from("!H", body, at)
    at += 2
    properties = body[at]
    assert properties < 128
    payload = body[at + 1 + properties :]
    size = 1 + (1 if len(body) < 128 else 2 if len(body) < 16384 else 3) + len(body)
    qos, retain, dup = (first >> 1) & 3, bool(first & 1), bool(first & 8)
    return mid, Published(connection, topic, payload, qos, retain, dup, size)


def connack(
    code: int = 0, *, receive_maximum: int | None = None, packet_bytes: int | None = None, **parts: int
) -> bytes:
    """Return the tail of a CONNACK with the limits a broker may set (MQTT 5.0, 3.2.2.3)."""
    properties = b""
    if receive_maximum is not None:
        properties += b"\x21" + struct.pack("!H", receive_maximum)
    if packet_bytes is not None:
        properties += b"\x27" + struct.pack("!I", packet_bytes)
    for name, identifier in (("maximum_qos", 0x24), ("retain", 0x25)):
        if name in parts:
            properties += bytes((identifier, parts[name]))
    return bytes((code, len(properties))) + properties
