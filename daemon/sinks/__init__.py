"""Where records are sent on: MQTT and line protocol, following the store by cursor.

Importing this package imports no client library; `open_sink` imports the one that its options need.
"""

from __future__ import annotations

from random import Random

from quietbench.daemon.sinks.base import Sink, SinkContext
from quietbench.daemon.sinks.options import (
    LineProtocolOptions,
    MqttOptions,
    RetryOptions,
    SinkOptions,
    TlsOptions,
)

__all__ = [
    "LineProtocolOptions",
    "MqttOptions",
    "RetryOptions",
    "Sink",
    "SinkContext",
    "SinkOptions",
    "TlsOptions",
    "open_sink",
]


def open_sink(name: str, options: SinkOptions, context: SinkContext, *, random: Random | None = None) -> Sink:
    """Return a sink that is not started yet; its far end need not be there. ``random`` is for jitter.

    Raises:
        ConfigurationError: the options can never work.
    """
    from quietbench.daemon.sinks.follower import Follower

    jitter = random or Random()  # noqa: S311  spreads retries, guards nothing
    if isinstance(options, MqttOptions):
        from quietbench.daemon.sinks.mqtt import MqttFarEnd

        return Follower(
            name, context, MqttFarEnd(options, context, jitter), retry=options.retry, random=jitter
        )
    from quietbench.daemon.sinks.line_protocol import LineProtocolFarEnd

    return Follower(name, context, LineProtocolFarEnd(options, context), retry=options.retry, random=jitter)
