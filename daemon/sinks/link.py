"""One connection to a broker, from its first packet to its last, by the MQTT library.

A link is used once. When it breaks it is thrown away together with everything the library still holds in memory,
and the next one begins empty: what was not acknowledged comes again from the store. So the library never
re-sends on its own (after a reconnect it would do so without regard to the in-flight limit), and no message
lives in it alone.

The library's callbacks run in its network thread, which an exception would end without a word; they only put a
note into the inbox and let nothing escape. No lock of ours is held around `publish`.
"""

from __future__ import annotations

import logging
import socket
import ssl
import sys
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from quietbench.daemon.sinks.options import MqttOptions, TlsOptions

_log = logging.getLogger(__name__)

_QOS = 1
_PACKET_OVERHEAD = 5 + 2 + 2  # fixed header at its longest, topic length, packet identifier
_WITH_WILL = "Disconnect with will message"  # MQTT 5.0, 3.14.2.1, 0x04
_RECEIVE_MAXIMUM_UNSAID = 65_535  # MQTT 5.0, 3.2.2.3.3
_PACKET_MOST_BYTES = 1 << 17
"""The longest packet that a broker may send us: twice the longest command, so that a little too long is answered."""
_UNHEARD_MOST = 32
"""How many messages of one topic may wait for the sink's thread; more fall away, and cost the others nothing."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a broker said in its CONNACK. ``packet_bytes`` None: as large as one likes."""

    receive_maximum: int
    packet_bytes: int | None
    maximum_qos: int
    retain: bool


@dataclass(frozen=True, slots=True)
class Connected:
    """The broker answered; ``code`` 0 means that it lets us in."""

    ears: Ears
    code: int
    name: str
    limits: Limits


@dataclass(frozen=True, slots=True)
class Unreached:
    """No connection came about."""

    ears: Ears
    error: BaseException | None


@dataclass(frozen=True, slots=True)
class Lost:
    """The connection ended; ``by_broker`` when it said so, with its reason."""

    ears: Ears
    code: int
    name: str
    by_broker: bool


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """The broker answered a message: only ``code`` tells whether it took it."""

    ears: Ears
    mid: int
    code: int
    name: str


@dataclass(frozen=True, slots=True)
class Granted:
    """The broker answered a subscription: a code and its name for each topic, in the order asked for."""

    ears: Ears
    mid: int
    codes: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Arrived:
    """A message came in; ``retained`` when the broker kept it, or was told to."""

    ears: Ears
    topic: str
    payload: bytes
    retained: bool


Note = Connected | Unreached | Lost | Acknowledged | Granted | Arrived


class _TidySocket(ssl.SSLSocket):
    """Closes itself when the handshake fails; the library lets go of it without doing so."""

    def do_handshake(self, block: bool = False) -> None:
        """Perform the handshake."""
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def tls_context(options: TlsOptions) -> ssl.SSLContext:
    """Return a context that verifies the broker and its name, and shows our certificate if there is one.

    Raises:
        OSError: a file can't be read, or is no certificate or key.
    """
    context = ssl.create_default_context(cafile=options.ca)
    context.sslsocket_class = _TidySocket
    if options.certificate is not None:
        context.load_cert_chain(options.certificate, options.key)
    return context


class Ears:
    """The callbacks of one link, run by the library's thread: each only makes a note.

    Apart from the link, so that the library's client refers to nobody who refers to it: with the last word of
    its thread it is gone, and its sockets are closed, without waiting for the collector of cycles.
    """

    def __init__(self, post: Callable[[object], None]) -> None:
        self._post = post
        self.closed = False
        # Two counters, each written by one thread alone.
        self._arrived: Counter[str] = Counter()
        self._heard: Counter[str] = Counter()

    def heard(self, topic: str) -> None:
        """Make room for another message of a topic; from the sink's thread."""
        self._heard[topic] += 1

    def on_socket_open(self, _client: Any, _data: Any, connection: Any) -> None:
        """End a connection that was given up while it was made: let in, it would take the session from the next."""
        if self.closed:
            _end(connection)

    def on_connect(
        self, _client: Any, _data: Any, _flags: Any, code: ReasonCode, properties: Properties | None
    ) -> None:
        """Note the broker's answer to CONNECT."""
        self._note(lambda: Connected(self, code.value, code.getName(), _limits(properties)))

    def on_connect_fail(self, _client: Any, _data: Any) -> None:
        """Note why there is no connection."""
        # The library calls this while it handles the error, and does not hand it over.
        error = sys.exc_info()[1]
        self._note(lambda: Unreached(self, error))

    def on_disconnect(self, _client: Any, _data: Any, flags: Any, code: ReasonCode, _properties: Any) -> None:
        """Note the end."""
        by_broker = bool(flags.is_disconnect_packet_from_server)
        self._note(lambda: Lost(self, code.value, code.getName(), by_broker))

    def on_publish(self, _client: Any, _data: Any, mid: int, code: ReasonCode, _properties: Any) -> None:
        """Note an acknowledgement."""
        self._note(lambda: Acknowledged(self, mid, code.value, code.getName()))

    def on_subscribe(
        self, _client: Any, _data: Any, mid: int, codes: Sequence[ReasonCode], _properties: Any
    ) -> None:
        """Note what became of a subscription."""
        self._note(lambda: Granted(self, mid, tuple((code.value, code.getName()) for code in codes)))

    def on_message(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        """Note a message, unless too many of its topic wait."""
        self._note(lambda: self._arrival(message))

    def _arrival(self, message: mqtt.MQTTMessage) -> Note | None:
        topic = message.topic
        if self._arrived[topic] - self._heard[topic] >= _UNHEARD_MOST:
            return None
        self._arrived[topic] += 1
        return Arrived(self, topic, bytes(message.payload), bool(message.retain))

    def _note(self, make: Callable[[], Note | None]) -> None:
        try:
            if not self.closed and (note := make()) is not None:
                self._post(note)
        except Exception:  # noqa: BLE001  an exception here would end the library's thread without a sign
            _log.warning("mqtt: a callback failed", exc_info=True)


class Link:
    """A connection in the making, made, or gone."""

    def __init__(
        self, options: MqttOptions, client_id: str, will: tuple[str, bytes], post: Callable[[object], None]
    ) -> None:
        """Prepare; nothing is sent yet.

        Raises:
            OSError: a file of the TLS options can't be used.
        """
        self.ears = Ears(post)
        self._options = options
        self._properties = _publish_properties()
        self._properties_bytes = len(self._properties.pack())  # type: ignore[no-untyped-call]
        self._client = _client(options, client_id, self.ears)
        self._client.will_set(will[0], will[1], qos=_QOS, retain=True)

    def open(self) -> None:
        """Start to connect, in the library's thread; how it went comes as a note."""
        self._client.connect_async(
            self._options.host,
            self._options.port,
            keepalive=self._options.keepalive_s,
            clean_start=True,
            properties=_connect_properties() if self._options.commands else None,
        )
        self._client.loop_start()

    def subscribe(self, topics: Sequence[str]) -> int | None:
        """Ask for topics at QoS 1; return the number the answer will carry, None when the connection is gone.

        What the broker keeps of them stays there, and what is published to be kept shows that it is.
        """
        options = SubscribeOptions(
            qos=_QOS, retainAsPublished=True, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND
        )
        return self._client.subscribe([(topic, options) for topic in topics])[1]

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Hand a message to the library; return the number its acknowledgement will carry."""
        return self._client.publish(topic, payload, _QOS, retain, self._properties).mid

    def packet_bytes(self, topic: str, payload: bytes) -> int:
        """Return how long the packet of a message is at most."""
        return _PACKET_OVERHEAD + len(topic.encode()) + self._properties_bytes + len(payload)

    def cut(self) -> None:
        """End the connection at once and without goodbye, so that the broker publishes the will; never blocks."""
        self.ears.closed = True
        self._shut_down()
        self._client.disconnect()  # nothing goes out any more: it only tells the library's thread to end

    def close(self, deadline_s: float, *, with_will: bool) -> bool:
        """Say goodbye and wait for the library's thread to end; return whether it did within ``deadline_s``.

        ``with_will``: the broker shall publish the will all the same.
        """
        self.ears.closed = True
        self._client.disconnect(ReasonCode(PacketTypes.DISCONNECT, _WITH_WILL) if with_will else None)
        # `loop_stop` waits without a limit, so somebody else waits for it.
        stopper = threading.Thread(target=self._client.loop_stop, name="mqtt-stop", daemon=True)
        stopper.start()
        stopper.join(deadline_s * 0.7)
        if stopper.is_alive():
            self._shut_down()
            stopper.join(deadline_s * 0.3)
        return not stopper.is_alive()

    def _shut_down(self) -> None:
        connection = self._client.socket()
        if connection is not None:
            _end(connection)


def _client(options: MqttOptions, client_id: str, ears: Ears) -> mqtt.Client:
    """Return a client of the library that makes one connection and keeps no window of its own."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id, protocol=mqtt.MQTTv5, reconnect_on_failure=False
    )
    client.suppress_exceptions = True
    client.connect_timeout = options.connect_s
    # The delay between attempts is ours, with jitter; the library's thread ends at once when the first one fails.
    client.reconnect_delay_set(0, 1)
    client.max_inflight_messages_set(_RECEIVE_MAXIMUM_UNSAID)
    if options.username is not None:
        client.username_pw_set(options.username, options.password)
    if options.tls is not None:
        client.tls_set_context(tls_context(options.tls))
    client.on_socket_open = ears.on_socket_open
    client.on_connect = ears.on_connect
    client.on_connect_fail = ears.on_connect_fail
    client.on_disconnect = ears.on_disconnect
    client.on_publish = ears.on_publish
    client.on_subscribe = ears.on_subscribe
    client.on_message = ears.on_message
    return client


def _publish_properties() -> Properties:
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.PayloadFormatIndicator = 1
    properties.ContentType = "application/json"
    return properties


def _connect_properties() -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = _PACKET_MOST_BYTES
    return properties


def _limits(properties: Properties | None) -> Limits:
    return Limits(
        receive_maximum=getattr(properties, "ReceiveMaximum", _RECEIVE_MAXIMUM_UNSAID),
        packet_bytes=getattr(properties, "MaximumPacketSize", None),
        maximum_qos=getattr(properties, "MaximumQoS", 2),
        retain=getattr(properties, "RetainAvailable", 1) == 1,
    )


def _end(connection: Any) -> None:
    with suppress(OSError):  # already gone
        # The plain socket's method, also for TLS: the library's thread may be reading from the upper layer now.
        socket.socket.shutdown(connection, socket.SHUT_RDWR)
