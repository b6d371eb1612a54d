"""What a sink is told by the configuration: plain data, secrets already read.

The settings models map to these; a secret is a string by now and never shows in a representation, so that it
can't reach a log by way of a dataclass.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from quietbench.daemon.errors import ConfigurationError

_IDENTITY = re.compile(r"[A-Za-z0-9._-]{1,64}")


@dataclass(frozen=True, slots=True)
class TlsOptions:
    """How a far end is trusted, and how it may trust us.

    ``ca`` is a PEM file of authorities; None takes the machine's own. ``certificate`` and ``key`` (PEM) are
    the client's, both or neither. There is no way to leave the far end unverified.
    """

    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


@dataclass(frozen=True, slots=True)
class RetryOptions:
    """How long to wait after trouble, in seconds of the monotonic clock.

    Delays double from ``first_s`` to ``most_s``, each cut by up to half at random. Trouble that a person need
    not know of at once (the far end is away, busy or slow) becomes a fault after ``patience_s``. A fault of
    the connection is taken back once a new one has held for ``steady_s``.
    """

    first_s: float = 1.0
    most_s: float = 30.0
    patience_s: float = 300.0
    steady_s: float = 10.0


@dataclass(frozen=True, slots=True)
class MqttOptions:
    """An MQTT 5 broker.

    ``client_id`` empty takes "quietbench-" and the watcher's name. ``window`` is the most messages in flight
    (1 to 20; a smaller Receive Maximum of the broker wins). ``batch`` is the most readings in one message. An
    acknowledgement that takes longer than ``ack_s`` ends the connection; ``status_every_s`` is how often the
    retained status is renewed, so that a connection that carries nothing is still known to live.

    ``commands`` are the identities that may give commands, each on a topic of its own, which the broker has to
    keep for it (see `quietbench.daemon.sinks.commands`); empty, as a rule, takes none from anybody.

    Raises:
        ConfigurationError: commands without a name to sign in with, or from what is no identity.
    """

    host: str
    port: int = 1883
    prefix: str = "quietbench"
    client_id: str = ""
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: TlsOptions | None = None
    keepalive_s: int = 20
    connect_s: float = 10.0
    ack_s: float = 20.0
    status_every_s: float = 60.0
    window: int = 20
    batch: int = 200
    commands: tuple[str, ...] = ()
    retry: RetryOptions = RetryOptions()

    def __post_init__(self) -> None:
        for identity in self.commands:
            if not _IDENTITY.fullmatch(identity):
                raise ConfigurationError(
                    f"commands of an MQTT sink: got {identity[:80]!r}, wanted the name by which the broker knows "
                    "a client: 1 to 64 of A-Z a-z 0-9 . _ -"
                )
        if self.commands and not self.username:
            raise ConfigurationError(
                "commands of an MQTT sink: got no username, wanted a broker at which everybody signs in; "
                "name username and password, or leave commands out"
            )


@dataclass(frozen=True, slots=True)
class LineProtocolOptions:
    """A database that takes line protocol at ``/api/v2/write`` under ``url``.

    ``token`` empty sends none that means anything. A batch goes when it has ``batch`` records or its first
    record has waited ``age_s``; ``answer_s`` bounds one request.
    """

    url: str
    bucket: str = "quietbench"
    organisation: str = ""
    token: str = field(default="", repr=False)
    tls: TlsOptions | None = None
    connect_s: float = 3.0
    answer_s: float = 10.0
    batch: int = 1000
    age_s: float = 1.0
    retry: RetryOptions = RetryOptions()


SinkOptions = MqttOptions | LineProtocolOptions
"""Whatever kinds of sink there are."""
