"""The control socket: a test's hand on the simulated site, as JSON lines over a Unix stream socket.

A request is one object with ``do``; an ``id``, if there is one, comes back in the answer. An answer is
``{"ok": …}`` or ``{"error": "what: got …, wanted …"}``.

=================================================================== ==========================================
``{"do":"force","part":"bench-1/cord","state":"open"}``             hold a stretch ("open", "closed", "free") or
                                                                    BENCH/presence ("present", "absent", "free");
                                                                    ok: ``monotonic_ns``
``{"do":"humidity","room":"room-2","percent":25.0}``                hold a room's humidity; null leaves it
``{"do":"line","line":22,"level":1}``                               set an input at once; null gives it back to
                                                                    the model; ok: ``monotonic_ns`` of the edge
``{"do":"pulse","line":22,"level":1,"ms":5.0}``                     the same for so many milliseconds, then back;
                                                                    ok, at the end: ``start_ns``, ``end_ns``
``{"do":"modbus","port":"air","address":1,"mode":"late","late_s":0.8}``  a slave's mode: ok, silent, late, garbage,
                                                                    short, fewer, exception, bad_checksum; or
                                                                    unplugged (the whole port)
``{"do":"unplug","port":"air"}``, ``{"do":"replug","port":"air"}``  pull a serial adapter, put it in again
``{"do":"outputs"}``                                                ok: ``outputs`` and ``relays`` with their last
                                                                    changes, ``lines`` (inputs), ``monotonic_ns``
``{"do":"value","signal":"bench-1/mat_ohm"}``                       ok: ``value`` as it really is, SI: BENCH/mat_ohm,
                                                                    BENCH/strap_ohm, ROOM/relative_humidity,
                                                                    ROOM/air_temperature
``{"do":"watch"}``                                                  ok, then a line for each output, relay and
                                                                    watcher that changes: ``{"output": {…}}``
``{"do":"truth"}``                                                  ok: every line of the truth so far
=================================================================== ==========================================
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, TypeAdapter, ValidationError

from quietbench.simulators.happenings import PortHappening
from quietbench.simulators.site import Site

_Request = dict[str, Any]
_PORT_HAPPENING: TypeAdapter[PortHappening] = TypeAdapter(Annotated[PortHappening, Field(discriminator="do")])
_OUTPUT_KEYS = ("line", "name", "function", "level", "changed_ns", "changes")
_RELAY_KEYS = ("line", "name", "energised", "changed_ns", "last_edge_ns")


class ControlServer:
    """Serves the control socket of a site; ``moved`` is called when the site has to be looked at anew."""

    def __init__(
        self, site: Site, truth_lines: Callable[[], list[dict[str, Any]]], moved: Callable[[], None]
    ) -> None:
        self._site, self._truth_lines, self._moved = site, truth_lines, moved
        self._server: asyncio.Server | None = None
        self._talks: set[asyncio.Task[None]] = set()
        self._commands: dict[str, Callable[[_Request], Awaitable[Any]]] = {
            "force": self._force,
            "humidity": self._humidity,
            "line": self._line,
            "pulse": self._pulse,
            "modbus": self._modbus,
            "unplug": self._device,
            "replug": self._device,
            "outputs": self._outputs,
            "value": self._value,
            "truth": self._truth,
        }

    async def start(self, path: Path) -> None:
        """Listen at ``path``."""
        self._server = await asyncio.start_unix_server(self._accept, str(path), limit=1 << 20)

    async def stop(self) -> None:
        """End all talks and stop listening."""
        for talk in list(self._talks):
            talk.cancel()
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talk = asyncio.current_task()
        assert talk is not None
        self._talks.add(talk)
        stream = _Stream(writer)
        try:
            while line := await reader.readline():
                await self._reply(line, stream)
        except (ConnectionError, asyncio.CancelledError):
            pass  # the test has gone, or the site ends
        finally:
            self._talks.discard(talk)
            self._site.watchers.discard(stream)
            writer.close()

    async def _reply(self, line: bytes, stream: _Stream) -> None:
        answer: dict[str, Any] = {}
        try:
            request = json.loads(line)
            answer = {"id": request["id"]} if "id" in request else {}
            answer["ok"] = await self._do(request, stream)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            answer["error"] = _told(error)
        stream(answer)
        await stream.writer.drain()

    async def _do(self, request: _Request, stream: _Stream) -> Any:
        if request["do"] == "watch":
            self._site.watchers.add(stream)
            return {}
        command = self._commands.get(request["do"])
        if command is None:
            raise ValueError(f"do: got {request['do']!r}, wanted one of watch, {', '.join(self._commands)}")
        return await command(request)

    async def _force(self, request: _Request) -> Any:
        ns = self._site.force(request["part"], request["state"])
        self._moved()
        return {"monotonic_ns": ns}

    async def _humidity(self, request: _Request) -> Any:
        return {"monotonic_ns": self._site.force_humidity(request["room"], request["percent"])}

    async def _line(self, request: _Request) -> Any:
        return {"monotonic_ns": self._site.set_line(int(request["line"]), request["level"])}

    async def _pulse(self, request: _Request) -> Any:
        line, seconds = int(request["line"]), float(request["ms"]) / 1e3
        start_ns = self._site.set_line(line, request["level"])
        await asyncio.sleep(seconds)
        return {"start_ns": start_ns, "end_ns": self._site.set_line(line, None)}

    async def _modbus(self, request: _Request) -> Any:
        if request["mode"] == "unplugged":
            return await self._device({"do": "unplug", "port": request["port"]})
        return await self._device({**request, "do": "fault"})

    async def _device(self, request: _Request) -> Any:
        said = {key: value for key, value in request.items() if key != "id"}
        self._site.set_device(_PORT_HAPPENING.validate_python({**said, "at_s": 0.0}))
        return {}

    async def _outputs(self, _: _Request) -> Any:
        self._site.step()
        board = self._site.board
        return {
            "outputs": [_plain(output, _OUTPUT_KEYS) for output in board.outputs.values()],
            "relays": [_plain(relay, _RELAY_KEYS) for relay in board.relays.values()],
            "lines": board.shown(),
            "monotonic_ns": self._site.clock.monotonic_ns(),
        }

    async def _value(self, request: _Request) -> Any:
        return {"value": self._site.true_value(request["signal"])}

    async def _truth(self, _: _Request) -> Any:
        return self._truth_lines()


class _Stream:
    """Writes objects as lines to one client, which is dropped when it lets a mebibyte pile up."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self.writer = writer

    def __call__(self, said: dict[str, Any]) -> None:
        self.writer.write(json.dumps(said, allow_nan=False).encode() + b"\n")
        if self.writer.transport.get_write_buffer_size() > 1 << 20:
            self.writer.transport.abort()


def _plain(thing: object, keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: getattr(thing, key) for key in keys}


def _told(error: Exception) -> str:
    if isinstance(error, ValidationError):
        return "; ".join(
            f"{'.'.join(map(str, one['loc']))}: got {one['input']!r}, wanted: {one['msg']}"
            for one in error.errors()
        )
    if isinstance(error, KeyError):
        return f"{error.args[0]}: got nothing, wanted this key"
    return str(error)
