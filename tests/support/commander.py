"""A client that gives commands over MQTT and hears their answers."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from tests.support.brokers import Subscriber, wait_until

ROOT = "quietbench/room-2"


class Commander(Subscriber):
    """Signs in by its name, which is its identity; ``root`` are the first levels of the watcher's topics."""

    def __init__(self, port: int, name: str, password: str | None = None, *, root: str = ROOT) -> None:
        self.topic = f"{root}/command/{name}"
        self._codes: dict[int, int] = {}
        super().__init__(
            port, f"{self.topic}/answer", username=None if password is None else name, password=password
        )
        self._client.on_publish = self._on_publish

    @property
    def answers(self) -> list[Any]:
        """All answers so far."""
        return self.on(f"{self.topic}/answer")

    def say(
        self,
        payload: bytes | Mapping[str, Any],
        *,
        topic: str | None = None,
        qos: int = 1,
        retain: bool = False,
    ) -> int:
        """Publish, and return the code of the broker's acknowledgement."""
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        mid = self._client.publish(topic or self.topic, data, qos=qos, retain=retain).mid
        wait_until(lambda: mid in self._codes, "the broker's acknowledgement")
        return self._codes[mid]

    def ask(self, payload: bytes | Mapping[str, Any], *, retain: bool = False) -> Any:
        """Publish, and return the next answer."""
        before = len(self.answers)
        assert self.say(payload, retain=retain) < 0x80
        self.wait(lambda: len(self.answers) > before)
        return self.answers[before]

    def _on_publish(self, _client: Any, _data: Any, mid: int, code: Any, _properties: Any) -> None:
        self._codes[mid] = code.value
