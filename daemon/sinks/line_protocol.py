"""A database that takes line protocol as a far end, by the client library's synchronous mode.

The library's batching mode would keep records in memory, give up on them after a while and say so only in a
callback; here it only carries one request at a time, without retries of its own, and the store keeps the rest.
Sending a point again is harmless: the same tags and time overwrite.

Importing the library costs some 30 MB, so it happens in the sink's thread, and only where there is such a sink.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, cast

from quietbench.daemon.core.records import Event
from quietbench.daemon.sinks.answers import outcome_of_answer
from quietbench.daemon.sinks.base import (
    Accepted,
    Desk,
    Flight,
    Outcome,
    Refused,
    SinkContext,
    StoredEvent,
    StoredReading,
    Stream,
    Trouble,
)
from quietbench.daemon.sinks.line_codec import LineCodec
from quietbench.daemon.sinks.options import LineProtocolOptions

_UNSENDABLE = (ValueError, TypeError, KeyError, AttributeError, OverflowError)
"""What a record raises that can't be written as a line."""


class LineProtocolFarEnd:
    """The database."""

    needs_clock: frozenset[Stream] = frozenset(("events", "readings"))

    def __init__(self, options: LineProtocolOptions, context: SinkContext) -> None:
        self.batches: Mapping[Stream, int] = {"events": options.batch, "readings": options.batch}
        self.age_s = options.age_s
        self._options = options
        self._codec = LineCodec(context.site, context.watcher)
        self._clock = context.clock
        self._where = f"database {options.url}"
        self._client: Any = None  # the library carries no types
        self._write: Any = None

    def attach(self, desk: Desk) -> None:
        """Remember the follower."""
        self._desk = desk

    def tend(self, now_ns: int) -> float:  # noqa: ARG002  part of the face
        """Do nothing: there is no connection to keep."""
        return 1.0

    def room(self) -> bool:
        """Say yes: a request has come back before the next question."""
        return True

    def hear(self, note: object) -> None:
        """Nobody sends notes."""

    def offer(self, event: Event) -> None:
        """Leave live events to the stream: a database is read, not listened to."""

    def send(self, flight: Flight) -> None:
        """Write a flight and report its outcome before returning."""
        self._desk.settle(flight, self._outcome(flight))

    def close(self, deadline_ns: int) -> None:  # noqa: ARG002  part of the face
        """Close the connections."""
        if self._client is not None:
            self._client.close()
            self._client = self._write = None

    def _outcome(self, flight: Flight) -> Outcome:
        try:
            body = b"\n".join(self._lines(flight))
        except _UNSENDABLE as error:
            return Refused(f"can't be written as a line: {type(error).__name__}: {error}", certain=True)
        return self._post(body) if body else Accepted()

    def _lines(self, flight: Flight) -> list[bytes]:
        if flight.stream == "readings":
            return [
                self._codec.reading(reading) for reading in cast("tuple[StoredReading, ...]", flight.records)
            ]
        lines = [self._codec.event(event) for event in cast("tuple[StoredEvent, ...]", flight.records)]
        return [line for line in lines if line is not None]

    def _post(self, body: bytes) -> Outcome:
        """Write lines; both families of errors that the library raises become outcomes."""
        import urllib3

        with _without_numpy():
            from influxdb_client.rest import ApiException

        try:
            client = self._opened()
            self._write.write(self._options.bucket, self._options.organisation, body, "ns")
            answer = client.api_client.last_response
            return outcome_of_answer(answer.status, "", answer.getheaders(), self._where)
        except ApiException as error:
            return self._refusal(error)
        except UnicodeDecodeError:
            return Trouble(f"{self._where} answers with something that is no text", visible=True)
        except (urllib3.exceptions.HTTPError, OSError) as error:
            return Trouble(f"{self._where} can't be reached: {_root(error)}")

    def _refusal(self, error: Any) -> Outcome:
        if not error.status:  # the library's way to report that TLS failed
            waiting = "not yet valid" in str(error.reason) and not self._clock.known()
            return Trouble(f"{self._where}: TLS fails: {error.reason}", visible=not waiting)
        said = error.message if isinstance(error.message, str) else str(error.reason)
        return outcome_of_answer(error.status, said, error.headers or {}, self._where)

    def _opened(self) -> Any:
        if self._client is not None:
            return self._client
        with _without_numpy():
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS

        options, tls = self._options, self._options.tls
        self._client = InfluxDBClient(
            options.url,
            options.token,
            org=options.organisation,
            timeout=(int(options.connect_s * 1000), int(options.answer_s * 1000)),
            enable_gzip=True,
            verify_ssl=True,
            ssl_ca_cert=_text(tls and tls.ca),
            cert_file=_text(tls and tls.certificate),
            cert_key_file=_text(tls and tls.key),
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)
        return self._client


@contextmanager
def _without_numpy() -> Iterator[None]:
    """Keep the library from loading numpy where that is installed: 15 MB for data frames that nobody sends."""
    if "numpy" in sys.modules:
        yield
        return
    sys.modules["numpy"] = None  # type: ignore[assignment]  # what the import system takes for "not installed"
    try:
        yield
    finally:
        del sys.modules["numpy"]


def _text(path: object) -> str | None:
    return None if path is None else str(path)


def _root(error: BaseException) -> str:
    """Return the innermost cause in words: the library wraps what the system said three times over."""
    reason = getattr(error, "reason", None)
    return _root(reason) if isinstance(reason, BaseException) else str(error)
