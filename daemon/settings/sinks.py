"""The tables of sinks: where records are sent on. None is on unless the file names it."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints

from quietbench.daemon.settings.fields import ClientId, OneLine, PathText, Table, refuse, without_repeats
from quietbench.daemon.settings.secrets import SecretReference

__all__ = ["LineProtocolTable", "MqttTable", "SinkTable", "TlsTable"]

Port = Annotated[int, Field(ge=1, le=65535)]

_URL = re.compile(
    r"https?://[A-Za-z0-9.\-_]+(?::\d{1,5})?(?:/[A-Za-z0-9._~/-]*)?|https?://\[[0-9A-Fa-f:.]+\](?::\d{1,5})?/?"
)
_HOST = re.compile(r"[A-Za-z0-9._:-]+")
_PREFIX = re.compile(r"(?!\$)[^\x00-\x1f+#/\s]+(?:/[^\x00-\x1f+#/\s]+)*")
_HIDDEN = "a text that is not shown"


def _is_url(url: str) -> str:
    if "@" in url or "?" in url:
        wanted = "scheme, host, port and path alone; a token goes to the key token"
        raise refuse("credentials or a query in an address", wanted=wanted, got=_HIDDEN)
    if not _URL.fullmatch(url):
        raise refuse("no web address", wanted='"http://host:port" or "https://host:port"', got=_HIDDEN)
    return url.rstrip("/")


def _is_host(host: str) -> str:
    if not _HOST.fullmatch(host):
        raise refuse("no host name", wanted="a host name or address alone", got=_HIDDEN)
    return host


def _is_prefix(prefix: str) -> str:
    if _PREFIX.fullmatch(prefix):
        return prefix
    raise refuse(
        "no topic prefix", wanted='topic levels parted by "/", without + # $ or blanks, as "quietbench"'
    )


Host = Annotated[str, StringConstraints(max_length=253), AfterValidator(_is_host)]


class TlsTable(Table):
    """Encryption towards a broker; an empty table trusts the machine's own authorities."""

    ca: PathText | None = Field(None, description="File of the authority to trust.")
    certificate: PathText | None = Field(None, description="File of the client's certificate.")
    key: PathText | None = Field(None, description="File of the client's key.")


class MqttTable(Table):
    """An MQTT 5 broker."""

    kind: Literal["mqtt"]
    host: Host = Field(description="Host name or address of the broker.")
    port: Port | None = Field(None, description="Port; 1883, or 8883 with tls.")
    prefix: Annotated[str, StringConstraints(max_length=100), AfterValidator(_is_prefix)] = Field(
        "quietbench", description="First levels of every topic."
    )
    client_id: ClientId | None = Field(
        None, description="The session's name at the broker; from the watcher's name if not given."
    )
    username: OneLine | None = Field(None, description="Name to sign in with.")
    password: SecretReference | None = Field(None, description="Where the password is.")
    tls: TlsTable | None = Field(None, description="Encryption; none if not given.")
    commands: Annotated[list[ClientId], AfterValidator(without_repeats)] = Field(
        default_factory=list,
        description="Names of the clients whose commands are taken; without any none ever is over MQTT.",
    )


class LineProtocolTable(Table):
    """A server that takes line protocol at /api/v2/write."""

    kind: Literal["line-protocol"]
    url: Annotated[str, StringConstraints(max_length=500), AfterValidator(_is_url)] = Field(
        description="Address of the server."
    )
    bucket: OneLine = Field("quietbench", description="Bucket to write to, where the server knows buckets.")
    organisation: Annotated[str, StringConstraints(max_length=200)] = Field(
        "", description="Organisation, likewise."
    )
    token: SecretReference | None = Field(None, description="Where the token is.")
    tls: TlsTable | None = Field(
        None, description="How an https address is trusted, if not by the machine's own."
    )


SinkTable = Annotated[MqttTable | LineProtocolTable, Field(discriminator="kind")]
