"""Real far ends for tests: Mosquitto and VictoriaMetrics, each on a free loopback port, unprivileged.

::

    with Mosquitto() as broker, Subscriber(broker.port, "quietbench/#") as heard:
        …
        heard.wait(lambda: len(heard.on("quietbench/room-2/events")) == 3)
        broker.kill(); broker.start()          # comes back on the same port

    with VictoriaMetrics() as database:
        …
        series = database.wait_for('{__name__="quietbench_value"}', lambda found: bool(found))

A service that is not installed skips the test and says which package it needs.
"""

from __future__ import annotations

import json
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

PATIENCE_S = 20.0
_NOBODY = "nobody"
_SYSTEM_PATH = "/usr/sbin:/usr/local/sbin:/sbin"


def free_port() -> int:
    """Return a loopback port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_until(true: Callable[[], object], what: str, *, within_s: float = PATIENCE_S) -> None:
    """Wait for something that other threads or processes bring about."""
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, f"not within {within_s:g} s: {what}"
        time.sleep(0.01)


def installed(program: str, package: str) -> str:
    """Return the path of a program, or skip the test."""
    found = shutil.which(program, path=f"{os.environ.get('PATH', '')}:{_SYSTEM_PATH}")
    if found is None:
        pytest.skip(f"needs {program}: apt-get install {package}")
    return found


class Service:
    """A server process on a port of its own that can be ended, killed, frozen and started again.

    Started by root it runs as nobody. Its folder is outside of the test's own, which only the test's user may
    enter.
    """

    def __init__(self) -> None:
        self.port = free_port()
        self.folder = Path(tempfile.mkdtemp(prefix="quietbench-test-"))
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def start(self) -> None:
        """Start, or start again, and wait until it listens."""
        assert self._process is None, "it runs already"
        command = self._command()
        who: dict[str, Any] = {}
        if os.geteuid() == 0:
            self._hand_over()
            who = {"user": _NOBODY, "group": pwd.getpwnam(_NOBODY).pw_gid, "extra_groups": []}
        with (self.folder / "log.txt").open("ab") as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.folder, **who)
        wait_until(self._listens, f"{command[0]} listens on {self.port}")

    def stop(self) -> None:
        """End it in the orderly way, if it runs."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Let it accept and say nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let a frozen one go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    @property
    def log(self) -> str:
        """What it wrote."""
        return (self.folder / "log.txt").read_text(errors="replace")

    def _command(self) -> Sequence[str]:
        raise NotImplementedError

    def _hand_over(self) -> None:
        user = pwd.getpwnam(_NOBODY)
        for path in (self.folder, *self.folder.rglob("*")):
            os.chown(path, user.pw_uid, user.pw_gid)

    def _listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, f"it ended: {self.log}"
        with socket.socket() as probe:
            probe.settimeout(0.5)
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(how)
        process.send_signal(signal.SIGCONT)
        try:
            process.wait(timeout=10.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@dataclass(frozen=True, slots=True)
class ServerTls:
    """PEM texts of a broker that speaks TLS only; with ``ca`` it wants a client's certificate."""

    certificate: str
    key: str
    ca: str | None = None


class Mosquitto(Service):
    """An MQTT broker. ``users`` are names with passwords; without any, everybody may come in.

    ``acl`` is the text of an access list, ``extra`` more lines of configuration. It keeps nothing on disk.
    """

    def __init__(
        self,
        *,
        users: dict[str, str] | None = None,
        acl: str = "",
        tls: ServerTls | None = None,
        extra: str = "",
    ) -> None:
        self._program = installed("mosquitto", "mosquitto")
        super().__init__()
        lines = [f"listener {self.port} 127.0.0.1", "persistence false", "log_dest stderr", extra]
        lines += [f"allow_anonymous {'false' if users else 'true'}"]
        if users:
            lines += [f"password_file {self._passwords(users)}"]
        if acl:
            lines += [f"acl_file {self._file('acl', acl)}"]
        if tls is not None:
            lines += self._tls(tls)
        self._file("mosquitto.conf", "\n".join([*lines, ""]))

    def set_acl(self, acl: str) -> None:
        """Change the access list of a running broker that has one."""
        assert self._process is not None
        (self.folder / "acl").write_text(acl)
        self._process.send_signal(signal.SIGHUP)

    def _command(self) -> Sequence[str]:
        return [self._program, "-c", str(self.folder / "mosquitto.conf")]

    def _file(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text)
        path.chmod(0o600)
        return path

    def _passwords(self, users: dict[str, str]) -> Path:
        path = self._file("passwords", "".join(f"{name}:{word}\n" for name, word in users.items()))
        subprocess.run(
            [installed("mosquitto_passwd", "mosquitto"), "-U", str(path)], check=True, capture_output=True
        )
        return path

    def _tls(self, tls: ServerTls) -> list[str]:
        lines = [
            f"certfile {self._file('server.pem', tls.certificate)}",
            f"keyfile {self._file('server.key', tls.key)}",
        ]
        if tls.ca is not None:
            lines += [f"cafile {self._file('clients.pem', tls.ca)}", "require_certificate true"]
        return lines


@dataclass(frozen=True, slots=True)
class Heard:
    """One message as it came."""

    topic: str
    payload: bytes
    retained: bool

    @property
    def json(self) -> Any:
        """The payload, read."""
        return json.loads(self.payload)


class Subscriber:
    """A client that hears topics at QoS 1, and is back within a moment after the broker is."""

    def __init__(
        self, port: int, *topics: str, username: str | None = None, password: str | None = None
    ) -> None:
        self.heard: list[Heard] = []
        self.connects = 0
        self._topics = topics
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.reconnect_delay_set(0, 0)
        client.username_pw_set(username, password)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_connect_fail = lambda *_: time.sleep(0.02)
        client.connect_async("127.0.0.1", port, keepalive=10)
        self._client = client

    def __enter__(self) -> Self:
        self._client.loop_start()
        self.wait(lambda: self.connects > 0)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def on(self, topic: str) -> list[Any]:
        """Return the read payloads of one topic, in the order they came."""
        return [one.json for one in list(self.heard) if one.topic == topic]

    def wait(self, true: Callable[[], object], *, within_s: float = PATIENCE_S) -> None:
        """Wait for something heard."""
        wait_until(true, f"heard {[(one.topic, one.payload) for one in self.heard[-3:]]}", within_s=within_s)

    def _on_connect(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe([(topic, 1) for topic in self._topics])

    def _on_subscribe(self, *_: Any) -> None:
        self.connects += 1

    def _on_message(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.heard.append(Heard(message.topic, bytes(message.payload), bool(message.retain)))


class MosquittoSub:
    """Mosquitto's own command-line client, which shares no code with ours."""

    def __init__(self, port: int, topic: str) -> None:
        program = installed("mosquitto_sub", "mosquitto-clients")
        command = [program, "-h", "127.0.0.1", "-p", str(port), "-V", "mqttv5", "-q", "1", "-t", topic]
        self.heard: list[Heard] = []
        self._process = subprocess.Popen([*command, "-F", "%r\t%t\t%p"], stdout=subprocess.PIPE)
        self._thread = threading.Thread(target=self._read, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.wait()
        self._thread.join()
        assert self._process.stdout is not None
        self._process.stdout.close()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            retained, topic, payload = line.rstrip(b"\n").split(b"\t", 2)
            self.heard.append(Heard(topic.decode(), payload, retained == b"1"))


class VictoriaMetrics(Service):
    """A database that takes line protocol.

    It answers 204 even to what it drops, as points more than two days ahead: read back.
    """

    def __init__(self) -> None:
        self._program = installed("victoria-metrics", "victoria-metrics")
        super().__init__()

    @property
    def url(self) -> str:
        """The address for a sink."""
        return f"http://127.0.0.1:{self.port}"

    def export(self, match: str = '{__name__!=""}') -> list[dict[str, Any]]:
        """Return the series that match, each with "metric", "values" and "timestamps" (ms)."""
        self._get("/internal/force_flush")
        query = urllib.parse.urlencode({"match[]": match, "start": "0"})
        return [json.loads(line) for line in self._get(f"/api/v1/export?{query}").splitlines()]

    def wait_for(self, match: str, true: Callable[[list[dict[str, Any]]], object]) -> list[dict[str, Any]]:
        """Return the series that match once they satisfy ``true``."""
        found: list[dict[str, Any]] = []

        def satisfied() -> bool:
            found[:] = self.export(match)
            return bool(true(found))

        wait_until(satisfied, f"export of {match}")
        return found

    def _get(self, path: str) -> str:
        with urllib.request.urlopen(self.url + path, timeout=10.0) as answer:
            return str(answer.read().decode())

    def _command(self) -> Sequence[str]:
        return [
            self._program,
            f"-httpListenAddr=127.0.0.1:{self.port}",
            f"-storageDataPath={self.folder / 'data'}",
            "-retentionPeriod=100y",
            "-memory.allowedBytes=64MB",
            "-search.latencyOffset=0s",
            "-loggerLevel=WARN",
        ]
