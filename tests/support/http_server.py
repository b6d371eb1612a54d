"""A small HTTP server for tests that answers as it is told: refusals, limits, silence, nonsense."""

from __future__ import annotations

import gzip
import http.server
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Self
from urllib.parse import parse_qs, urlsplit


@dataclass(frozen=True, slots=True)
class Request:
    """One POST as it came, the body unpacked."""

    path: str
    query: dict[str, list[str]]
    headers: dict[str, str]
    lines: list[bytes]
    packed: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """What to answer. ``wait_s`` comes first; ``cut`` ends the connection in mid-answer."""

    status: int = 204
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)
    wait_s: float = 0.0
    cut: bool = False


class HttpServer:
    """Runs between ``with``, on a free loopback port."""

    def __init__(self, answer: Callable[[Request], Answer] = lambda _request: Answer()) -> None:
        self.answer = answer
        self.requests: list[Request] = []
        self._leaving = threading.Event()
        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self._server.daemon_threads = False
        self.port = int(self._server.server_address[1])
        self.url = f"http://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=lambda: self._server.serve_forever(0.02), daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._leaving.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5.0)

    def _handler(self) -> type[http.server.BaseHTTPRequestHandler]:
        outer = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                request = _request(self)
                outer.requests.append(request)
                answer = outer.answer(request)
                outer._leaving.wait(answer.wait_s)
                _reply(self, answer)

            def log_message(self, *_: object) -> None:
                pass

        return Handler


def _request(handler: http.server.BaseHTTPRequestHandler) -> Request:
    body = handler.rfile.read(int(handler.headers.get("Content-Length", "0")))
    packed = handler.headers.get("Content-Encoding") == "gzip"
    parts = urlsplit(handler.path)
    lines = (gzip.decompress(body) if packed else body).split(b"\n")
    return Request(parts.path, parse_qs(parts.query), dict(handler.headers), lines, packed)


def _reply(handler: http.server.BaseHTTPRequestHandler, answer: Answer) -> None:
    handler.close_connection = True
    handler.send_response(answer.status)
    for name, value in answer.headers.items():
        handler.send_header(name, value)
    if answer.status != 204:
        handler.send_header("Content-Length", str(len(answer.body) + (1000 if answer.cut else 0)))
    handler.end_headers()
    handler.wfile.write(answer.body)
